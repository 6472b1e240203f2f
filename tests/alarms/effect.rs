//! What a fault did, from the same nights without it: a fault that nobody could have felt calls nobody.

use std::collections::HashMap;
use std::fs;
use std::path::Path;

use chrono::{DateTime, TimeDelta, Utc};

type Instant = DateTime<Utc>;

/// Concrete goes on cooling for a while after the cause is mended.
const LINGERS: TimeDelta = TimeDelta::minutes(30);

/// True temperatures over time, °C, by pour and position.
pub struct Truth(HashMap<String, HashMap<String, Vec<(Instant, f64)>>>);

impl Truth {
    /// Reads `truth.csv` of a simulated past.
    pub fn read(dir: &Path) -> Self {
        let text = fs::read_to_string(dir.join("truth.csv")).expect("what was true");
        let mut truth: HashMap<String, HashMap<String, Vec<_>>> = HashMap::new();
        for line in text.lines().skip(1) {
            let fields: Vec<&str> = line.split(',').collect();
            let at: Instant = fields[0].parse().expect("an instant");
            let temperature_c: f64 = fields[3].parse().expect("a temperature");
            let of_pour = truth.entry(fields[1].to_owned()).or_default();
            let path = of_pour.entry(fields[2].to_owned()).or_default();
            path.push((at, temperature_c));
        }
        Self(truth)
    }

    fn at(&self, pour: &str, position: &str, at: Instant) -> Option<f64> {
        let path = self.0.get(pour)?.get(position)?;
        let index = path.partition_point(|one| one.0 <= at);
        path.get(index.checked_sub(1)?).map(|one| one.1)
    }

    /// How much cooler any position of a pour became than it would have been without its faults, °C.
    pub fn cooled_c(&self, unharmed: &Self, pour: &str, (from, to): (Instant, Instant)) -> f64 {
        let positions = self.0.get(pour).into_iter().flatten();
        let within = positions.flat_map(|(position, path)| {
            let times = path
                .iter()
                .filter(move |one| one.0 >= from && one.0 <= to + LINGERS);
            times.filter_map(move |(at, truly_c)| Some(unharmed.at(pour, position, *at)? - truly_c))
        });
        within.fold(0.0, f64::max)
    }

    /// How far the values of a position's channel were from its concrete, °C.
    pub fn off_c(
        &self,
        (pour, position): (&str, &str),
        values: &[(Instant, f64)],
        (from, to): (Instant, Instant),
    ) -> f64 {
        let within = values.iter().filter(|one| one.0 >= from && one.0 < to);
        let off =
            within.filter_map(|(at, value)| Some((value - self.at(pour, position, *at)?).abs()));
        off.fold(0.0, f64::max)
    }
}

/// The values that some channels read, by channel; what is no number is left out.
pub fn values(dir: &Path, channels: &[String]) -> HashMap<String, Vec<(Instant, f64)>> {
    let text = fs::read_to_string(dir.join("readings.csv")).expect("the readings");
    let mut values: HashMap<String, Vec<_>> = HashMap::new();
    for line in text.lines().skip(1) {
        let fields: Vec<&str> = line.split(',').collect();
        let (channel, Ok(value)) = (fields[2], fields[3].parse::<f64>()) else {
            continue;
        };
        if channels.iter().any(|one| one == channel) {
            let at = fields[0].parse().expect("an instant");
            values
                .entry(channel.to_owned())
                .or_default()
                .push((at, value));
        }
    }
    values
}

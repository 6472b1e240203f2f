//! What would it have said? The core asked about past moments, from files instead of sources.
//!
//! At each asked time the plant knows what had been received and recorded by then and nothing else.

use std::collections::HashSet;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::Context;
use chrono::{DateTime, TimeDelta, Utc};
use daemon_core::act::Act;
use daemon_core::plant::Plant;
use daemon_core::pour::PourRecord;
use daemon_core::reading::Reading;
use daemon_core::time::UtcMs;
use daemon_sources::read_replay_csv;

use crate::config::PlantFile;
use crate::convert::reading::replayed;
use crate::pour_file::read_pour_file;
use crate::state_line::state_lines;

/// What is replayed and asked.
#[derive(Debug, Clone)]
pub struct ReplayOptions {
    pub plant: PathBuf,
    /// Curve files beside those that the plant file names.
    pub curves: Vec<PathBuf>,
    pub pours: PathBuf,
    pub readings: Vec<PathBuf>,
    pub asked: Asked,
}

/// The moments asked about.
#[derive(Debug, Clone, Default)]
pub struct Asked {
    pub at: Vec<DateTime<Utc>>,
    /// Also at each whole multiple of this since midnight UTC …
    pub every: Option<TimeDelta>,
    /// … from here; from the first placement where absent …
    pub from: Option<DateTime<Utc>>,
    /// … to here, included; until every pour is done, or until the files end, where absent.
    pub to: Option<DateTime<Utc>>,
}

/// Prints the state lines of every asked moment, in order of time.
///
/// # Errors
/// What is wrong in which file, or why the lines cannot be written.
pub fn replay(options: &ReplayOptions, out: &mut dyn Write) -> anyhow::Result<()> {
    let plant_file = PlantFile::load(&options.plant, &options.curves)?;
    for warning in &plant_file.warnings {
        tracing::warn!("{warning}");
    }
    let acts = read_pour_file(&options.pours, &plant_file.core)?;
    let mut readings = Vec::new();
    let mut names = HashSet::new();
    for file in &options.readings {
        readings.extend(read_readings(file, &mut names)?);
    }
    // Stable: rows received in one millisecond stay in the order of the files.
    readings.sort_by_key(|reading| reading.received_at);
    let asked = asked_times(&options.asked, &acts, &readings);
    let mut plant = Plant::new(plant_file.core);
    let mut acts = acts.into_iter().peekable();
    let mut readings = readings.iter().peekable();
    for at in asked {
        while let Some(reading) = readings.next_if(|reading| reading.received_at <= at) {
            plant.take_reading(reading);
        }
        while let Some(act) = acts.next_if(|act| act.recorded_at <= at) {
            plant.take_act(act);
        }
        out.write_all(state_lines(&plant, at)?.as_bytes())
            .context("cannot write the lines")?;
    }
    out.flush().context("cannot write the lines")
}

fn read_readings(file: &Path, names: &mut HashSet<Arc<str>>) -> anyhow::Result<Vec<Reading>> {
    let input = std::fs::File::open(file)
        .with_context(|| format!("{}: it cannot be opened", file.display()))?;
    let rows = read_replay_csv(std::io::BufReader::new(input))
        .with_context(|| file.display().to_string())?;
    let readings = rows.iter().map(|row| {
        let channel = match names.get(row.channel.as_str()) {
            Some(known) => Arc::clone(known),
            None => {
                let channel: Arc<str> = row.channel.as_str().into();
                names.insert(Arc::clone(&channel));
                channel
            }
        };
        replayed(row, channel)
    });
    Ok(readings.collect())
}

/// Every asked moment once, in order.
fn asked_times(asked: &Asked, acts: &[Act], readings: &[Reading]) -> Vec<UtcMs> {
    let mut times: Vec<UtcMs> = asked.at.iter().map(|at| UtcMs::from(*at)).collect();
    if let Some(every_ms) = asked.every.map(|every| every.num_milliseconds().max(1)) {
        let pours = PourRecord::fold(acts);
        let first = pours.values().map(PourRecord::begins_at).min();
        let from = asked.from.map(UtcMs::from).or(first);
        let to = asked.to.map(UtcMs::from).or_else(|| end(acts, readings));
        if let (Some(from), Some(to)) = (from, to) {
            let first_round = from.0.div_euclid(every_ms) * every_ms;
            let rounds = (first_round..=to.0).step_by(usize::try_from(every_ms).unwrap_or(1));
            times.extend(rounds.filter(|at| *at >= from.0).map(UtcMs));
        }
    }
    times.sort_unstable();
    times.dedup();
    times
}

/// When nothing more can be asked: the last pour was done, or the files have ended.
fn end(acts: &[Act], readings: &[Reading]) -> Option<UtcMs> {
    let last_act = acts.iter().map(|act| act.recorded_at).max();
    if PourRecord::fold(acts)
        .values()
        .all(|pour| !pour.is_under_cure())
    {
        return last_act;
    }
    let last_reading = readings.iter().map(|reading| reading.received_at).max();
    last_act.max(last_reading)
}

/// A span as it is typed: `15m`, `30s`, `1h`.
///
/// # Errors
/// How to write one.
pub fn parse_span(text: &str) -> Result<TimeDelta, String> {
    let wrong = || format!("\"{text}\" is no span; write one such as 15m, 30s or 1h, up to 24h");
    let split = text.len().saturating_sub(1);
    let (number, unit) = if text.is_char_boundary(split) {
        text.split_at(split)
    } else {
        return Err(wrong());
    };
    let number: i64 = number.parse().map_err(|_| wrong())?;
    let seconds = match unit {
        "s" => Some(number),
        "m" => number.checked_mul(60),
        "h" => number.checked_mul(3600),
        _ => None,
    };
    match seconds {
        Some(seconds @ 1..=86_400) => Ok(TimeDelta::seconds(seconds)),
        _ => Err(wrong()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_span_is_read_and_a_wrong_one_says_how_to_write_it() {
        assert_eq!(parse_span("15m"), Ok(TimeDelta::minutes(15)));
        assert_eq!(parse_span("1h"), Ok(TimeDelta::hours(1)));
        for wrong in ["", "15", "m", "0m", "-5m", "25h", "15 m", "1é"] {
            let refused = parse_span(wrong).expect_err(wrong);
            assert!(refused.contains("such as 15m"), "{refused}");
        }
    }

    #[test]
    fn every_asks_on_round_times_between_from_and_to() {
        let time = |text: &str| text.parse::<DateTime<Utc>>().expect("a time");
        let asked = Asked {
            at: vec![time("2026-01-02T03:04:05Z"), time("2026-01-02T03:30:00Z")],
            every: Some(TimeDelta::minutes(15)),
            from: Some(time("2026-01-02T03:01:00Z")),
            to: Some(time("2026-01-02T03:45:00Z")),
        };
        let times = asked_times(&asked, &[], &[]);
        let shown: Vec<String> = times
            .iter()
            .filter_map(|at| at.to_utc())
            .map(|at| at.format("%T").to_string())
            .collect();
        assert_eq!(shown, ["03:04:05", "03:15:00", "03:30:00", "03:45:00"]);
    }
}

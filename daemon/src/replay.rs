//! What would it have said? The core asked about past moments, from files instead of sources.
//!
//! At each asked time the plant knows what had been received and recorded by then and nothing else.

mod backtest;
mod habits;
mod score;

use std::collections::{BTreeMap, HashSet};
use std::io::Write;
use std::iter::Peekable;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::vec::IntoIter;

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

pub use backtest::{Telling, backtest};
pub use habits::print_habits;

/// Readings that nothing needs any more are dropped so often, h.
const FORGET_EVERY_H: f64 = 1.0;
/// A clock is judged by what came around a reading, h.
const BEFORE_BEGIN_H: f64 = 1.0;
/// Readings are kept for so long in any case, h.
const KEPT_H: f64 = 24.0;

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
    let mut playback = Playback::load(plant_file, options)?;
    for at in playback.asked.clone() {
        let plant = playback.advance(at);
        out.write_all(state_lines(plant, at)?.as_bytes())
            .context("cannot write the lines")?;
    }
    out.flush().context("cannot write the lines")
}

/// The past being played: a plant that knows what had been received and recorded by a moment.
pub(crate) struct Playback {
    plant: Plant,
    acts: Peekable<IntoIter<Act>>,
    readings: Peekable<IntoIter<Reading>>,
    begins: Vec<(UtcMs, UtcMs)>,
    forgot_at: Option<UtcMs>,
    /// The moments asked about, in order.
    pub(crate) asked: Vec<UtcMs>,
}

impl Playback {
    pub(crate) fn load(plant_file: PlantFile, options: &ReplayOptions) -> anyhow::Result<Self> {
        let acts = read_pour_file(&options.pours, &plant_file.core)?;
        let readings = read_reading_files(&options.readings)?;
        Ok(Self {
            asked: asked_times(&options.asked, &acts, &readings),
            begins: begins(&acts),
            plant: Plant::new(plant_file.core),
            acts: acts.into_iter().peekable(),
            readings: readings.into_iter().peekable(),
            forgot_at: None,
        })
    }

    /// The plant as it was known at `at`; moments must be asked in order.
    ///
    /// Finished pours are learned from at their own moments, between the asked ones.
    pub(crate) fn advance(&mut self, at: UtcMs) -> &Plant {
        loop {
            let act_at = self.acts.peek().map(|act| act.recorded_at);
            let stop_at = [self.plant.next_learning_at(), act_at]
                .into_iter()
                .flatten()
                .fold(at, UtcMs::min);
            let is_known = |reading: &Reading| reading.received_at <= stop_at;
            while let Some(reading) = self.readings.next_if(is_known) {
                self.plant.take_reading(&reading);
            }
            while let Some(act) = self.acts.next_if(|act| act.recorded_at <= stop_at) {
                self.plant.take_act(act);
            }
            self.plant.learn(stop_at);
            if stop_at == at {
                break;
            }
        }
        let is_due = |last: UtcMs| at.hours_since(last) >= FORGET_EVERY_H;
        if self.forgot_at.is_none_or(is_due) {
            self.forgot_at = Some(at);
            self.plant.forget_finished(needed_from(&self.begins, at));
        }
        &self.plant
    }
}

/// Each pour's earliest beginning by anything that is ever said of it, and when it was opened.
fn begins(acts: &[Act]) -> Vec<(UtcMs, UtcMs)> {
    let mut of_pour: BTreeMap<&str, Vec<&Act>> = BTreeMap::new();
    for act in acts {
        of_pour.entry(&act.pour).or_default().push(act);
    }
    let first = |acts: &Vec<&Act>| {
        let folds = (1..=acts.len()).filter_map(|count| {
            PourRecord::fold(acts[..count].iter().copied())
                .into_values()
                .next()
        });
        folds
            .map(|record| (record.begins_at(), record.opened_recorded_at))
            .min()
    };
    of_pour.values().filter_map(first).collect()
}

/// From when on readings may still be needed by pours that are not opened yet.
fn needed_from(begins: &[(UtcMs, UtcMs)], at: UtcMs) -> UtcMs {
    begins
        .iter()
        .filter(|(_, opened_at)| *opened_at > at)
        .map(|(begins_at, _)| begins_at.plus_hours(-BEFORE_BEGIN_H))
        .fold(at.plus_hours(-KEPT_H), UtcMs::min)
}

/// The readings of several CSV files in the order in which they were received.
///
/// # Errors
/// What is wrong, with file and line.
pub(crate) fn read_reading_files(files: &[PathBuf]) -> anyhow::Result<Vec<Reading>> {
    let mut readings = Vec::new();
    let mut names = HashSet::new();
    for file in files {
        readings.extend(read_readings(file, &mut names)?);
    }
    // Stable: rows received in one millisecond stay in the order of the files.
    readings.sort_by_key(|reading| reading.received_at);
    Ok(readings)
}

/// The readings of one CSV file; channels that `names` knows share their name.
///
/// # Errors
/// What is wrong, with file and line.
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

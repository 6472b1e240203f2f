//! The watch replayed from files: every alarm of past nights, to see how loaded a shift would have been.

use std::io::Write;
use std::path::PathBuf;

use anyhow::Context;
use chrono::TimeDelta;
use daemon_core::plant::Plant;
use daemon_core::time::UtcMs;

use super::Watch;
use crate::config::PlantFile;
use crate::convert::watch::event;
use crate::pour_file::read_pour_file;
use crate::replay::read_reading_files;

/// What is replayed.
#[derive(Debug, Clone)]
pub struct AlarmReplay {
    pub plant: PathBuf,
    pub pours: PathBuf,
    pub readings: Vec<PathBuf>,
    /// How often the plant is looked at, as the daemon would.
    pub every: TimeDelta,
}

/// Writes what would have happened to alarms, one JSON line each, in order of time.
///
/// Between two looks everything that had come by then is taken in, as the daemon does; nobody answers
/// the alarms but the acts of the pour file.
///
/// # Errors
/// What is wrong in which file, or why the lines cannot be written.
pub fn replay_alarms(options: &AlarmReplay, out: &mut dyn Write) -> anyhow::Result<()> {
    let plant_file = PlantFile::load(&options.plant, &[])?;
    let acts = read_pour_file(&options.pours, &plant_file.core)?;
    let readings = read_reading_files(&options.readings)?;
    let every_ms = options.every.num_milliseconds().max(1);
    let received = readings.iter().map(|reading| reading.received_at);
    let (first, last) = (received.clone().min(), received.max());
    let recorded = acts.iter().map(|act| act.recorded_at);
    let first = first.into_iter().chain(recorded.clone()).min();
    let last = last.into_iter().chain(recorded).max();
    let (Some(first), Some(last)) = (first, last) else {
        return Ok(());
    };
    let mut plant = Plant::new(plant_file.core);
    let mut watch = Watch::new(plant.config().local());
    let mut acts = acts.into_iter().peekable();
    let mut readings = readings.iter().peekable();
    let mut forgot_at = first;
    let mut now = UtcMs(first.0.div_euclid(every_ms) * every_ms);
    while now <= last {
        now = UtcMs(now.0 + every_ms);
        while let Some(reading) = readings.next_if(|reading| reading.received_at <= now) {
            plant.take_reading(reading);
        }
        let mut changes = Vec::new();
        while let Some(act) = acts.next_if(|act| act.recorded_at <= now) {
            changes.extend(watch.hear(&act));
            plant.take_act(act);
        }
        plant.learn(now);
        // Between two nights nothing lies on a bed, and nothing can ring.
        if plant.pours().values().any(|pour| pour.is_on_bed()) || !watch.alarms().is_empty() {
            let assessment = plant.assess(now);
            changes.extend(
                watch
                    .look(&assessment.pours, &assessment.troubles, now)
                    .alarms,
            );
        }
        for change in &changes {
            serde_json::to_writer(&mut *out, &event(change)).context("cannot write an alarm")?;
            out.write_all(b"\n").context("cannot write an alarm")?;
        }
        if now.hours_since(forgot_at) > 1.0 {
            forgot_at = now;
            let horizon = crate::history::horizon(plant.pours().values().map(|pour| &**pour), now);
            plant.forget_finished(horizon);
        }
    }
    out.flush().context("cannot write the alarms")
}

//! A whole night as files, without any wire: what loggers sent, and what was true.

use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::Path;

use anyhow::Context;
use chrono::{DateTime, NaiveDate, SecondsFormat, TimeDelta, Utc};

use crate::bed::Truth;
use crate::instruments::{Frame, Instruments, Value};
use crate::plan::NightPlan;
use crate::plant::Plant;
use crate::scenario::Scenario;

/// How long a frame takes to arrive when nothing is wrong.
pub const LATENCY: TimeDelta = TimeDelta::seconds(2);
/// Truth is written every so many samples.
pub const TRUTH_EVERY: usize = 5;

/// Writes `readings.csv`, `truth.csv`, `plan.json` and `faults.json` of one night.
///
/// Readings have the columns `received_at,measured_at,channel,value`; the value is in °C, or
/// `OPEN`. Truth has a row for each position, for the companion cylinder (by its channel) and for
/// the stored cylinders of each load (as `cylinder` and the load).
pub fn write_night(
    out: &Path,
    scenario: Scenario,
    seed: u64,
    night: NaiveDate,
) -> anyhow::Result<()> {
    fs::create_dir_all(out).with_context(|| format!("cannot make the folder {}", out.display()))?;
    let plan = NightPlan::new(&scenario, seed, night);
    let mut plant = Plant::new(scenario, seed, night);
    let mut instruments = Instruments::new(&plant);
    write_json(out, "plan.json", &plan)?;
    write_json(out, "faults.json", &plant.faults.all())?;
    let mut readings = create(out, "readings.csv")?;
    let mut truth = create(out, "truth.csv")?;
    let written = write_rows(
        &mut readings,
        &mut truth,
        &mut plant,
        &mut instruments,
        &plan,
    );
    written.with_context(|| format!("cannot write the night into {}", out.display()))
}

fn write_rows(
    readings: &mut impl Write,
    truth: &mut impl Write,
    plant: &mut Plant,
    instruments: &mut Instruments,
    plan: &NightPlan,
) -> std::io::Result<()> {
    writeln!(readings, "received_at,measured_at,channel,value")?;
    writeln!(truth, "at,bed,place,temperature_c,alpha,strength_mpa")?;
    let mut sample_count = 0;
    while plant.now < plan.ends_at {
        plant.advance();
        for frame in instruments.sample(plant) {
            write_frame(readings, &frame)?;
        }
        sample_count += 1;
        if sample_count % TRUTH_EVERY == 0 {
            write_truth(truth, plant)?;
        }
    }
    readings.flush()?;
    truth.flush()
}

pub fn write_frame(out: &mut impl Write, frame: &Frame) -> std::io::Result<()> {
    // A garbled frame reaches nobody's table.
    if frame.damage.is_some() {
        return Ok(());
    }
    let received_at = stamp(frame.sent_at + LATENCY);
    for reading in &frame.readings {
        let measured_at = reading.measured_at.map(stamp).unwrap_or_default();
        let channel = &reading.channel;
        match reading.value {
            Value::Celsius(value_c) => {
                writeln!(out, "{received_at},{measured_at},{channel},{value_c:.2}")?;
            }
            Value::Open => writeln!(out, "{received_at},{measured_at},{channel},OPEN")?,
        }
    }
    Ok(())
}

fn write_truth(out: &mut impl Write, plant: &Plant) -> std::io::Result<()> {
    let at = stamp(plant.now);
    for (bed, written) in plant.beds.iter().zip(&plant.scenario.beds) {
        let mut row = |place: &str, truth: Option<Truth>| -> std::io::Result<()> {
            let Some(Truth {
                temperature_c,
                alpha,
                strength_mpa,
            }) = truth
            else {
                return Ok(());
            };
            let bed = &written.id;
            writeln!(
                out,
                "{at},{bed},{place},{temperature_c:.3},{alpha:.6},{strength_mpa:.3}"
            )
        };
        for (channel, truth) in bed.truths() {
            row(channel, truth)?;
        }
        row(&written.companion.channel, bed.companion())?;
        for (index, load) in bed.plan.loads.iter().enumerate() {
            row(&format!("cylinder {}", load.load_id), bed.cylinder(index))?;
        }
    }
    Ok(())
}

fn stamp(instant: DateTime<Utc>) -> String {
    instant.to_rfc3339_opts(SecondsFormat::AutoSi, true)
}

pub fn create(out: &Path, name: &str) -> anyhow::Result<BufWriter<File>> {
    let path = out.join(name);
    let file = File::create(&path).with_context(|| format!("cannot write {}", path.display()))?;
    Ok(BufWriter::new(file))
}

fn write_json(out: &Path, name: &str, value: &impl serde::Serialize) -> anyhow::Result<()> {
    let mut file = create(out, name)?;
    serde_json::to_writer_pretty(&mut file, value)?;
    writeln!(file)?;
    file.flush().with_context(|| format!("cannot write {name}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn night(seed: u64) -> (Vec<u8>, Vec<u8>) {
        let out = tempfile::tempdir().expect("folder");
        let scenario = Scenario::eight_beds().expect("scenario");
        let date = "2026-11-24".parse().expect("date");
        write_night(out.path(), scenario, seed, date).expect("night");
        let read = |name: &str| fs::read(out.path().join(name)).expect("file");
        (read("readings.csv"), read("truth.csv"))
    }

    #[test]
    fn the_same_seed_gives_the_same_bytes_and_another_seed_another_night() {
        let first = night(11);
        assert!(first.0.len() > 1_000_000 && first.1.len() > 100_000);
        assert!(first == night(11), "the night of seed 11 did not repeat");
        let other = night(12);
        assert!(first.0 != other.0 && first.1 != other.1);
    }
}

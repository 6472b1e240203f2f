//! What each fault of a sensor or logger does to the readings, and that it touches nothing else.

use std::collections::BTreeMap;

use chrono::{NaiveDate, TimeDelta};

use super::*;
use crate::fault::Fault;
use crate::scenario::Scenario;

const FAULT_FROM: &str = "2026-11-25T02:00:00Z";

/// Runs one night until an hour after the fault's start, with the fault lasting 30 minutes.
fn frames(kind: Option<FaultKind>, target: &str) -> Vec<Frame> {
    let mut scenario = Scenario::eight_beds().expect("scenario");
    scenario.random_faults.bed_count = 0;
    scenario.random_faults.sensor_count = 0;
    scenario.random_faults.logger_count = 0;
    let night: NaiveDate = "2026-11-24".parse().expect("date");
    let mut plant = Plant::new(scenario, 21, night);
    let from_at: DateTime<Utc> = FAULT_FROM.parse().expect("instant");
    if let Some(kind) = kind {
        plant.faults.add(Fault {
            kind,
            target: target.to_owned(),
            from_at,
            until_at: from_at + TimeDelta::minutes(30),
            offset_s: None,
            span_m: None,
        });
    }
    let mut instruments = Instruments::new(&plant);
    let mut frames = Vec::new();
    while plant.now < from_at + TimeDelta::hours(1) {
        plant.advance();
        let sampled = instruments.sample(&plant);
        if plant.now >= from_at {
            frames.extend(sampled);
        }
    }
    assert_eq!(instruments.held_count(), 0);
    frames
}

fn by_channel(frames: &[Frame]) -> BTreeMap<&str, Vec<Value>> {
    let mut values: BTreeMap<&str, Vec<Value>> = BTreeMap::new();
    for reading in frames.iter().flat_map(|frame| &frame.readings) {
        values
            .entry(&reading.channel)
            .or_default()
            .push(reading.value);
    }
    values
}

/// The channel's values with and without the fault, after a check that no other channel differs.
fn compare(kind: FaultKind, channel: &str) -> (Vec<Value>, Vec<Value>) {
    let (sound, faulty) = (frames(None, ""), frames(Some(kind), channel));
    let (sound, faulty) = (by_channel(&sound), by_channel(&faulty));
    for (name, values) in &sound {
        if *name != channel {
            assert_eq!(values, &faulty[name], "{name} changed with {channel}");
        }
    }
    (sound[channel].clone(), faulty[channel].clone())
}

fn celsius(value: Value) -> f64 {
    match value {
        Value::Celsius(value_c) => value_c,
        Value::Open => panic!("open"),
    }
}

#[test]
fn a_cut_wire_reads_open_until_it_is_mended() {
    let (sound, faulty) = compare(FaultKind::CutWire, "N1-02");
    assert!(faulty[..30].iter().all(|value| *value == Value::Open));
    assert_eq!(faulty[30..], sound[30..]);
}

#[test]
fn a_stuck_sensor_repeats_its_first_value() {
    let (sound, faulty) = compare(FaultKind::Stuck, "S4-03");
    assert_eq!(faulty[0], sound[0]);
    assert!(faulty[..30].iter().all(|value| *value == faulty[0]));
    assert_eq!(faulty[30..], sound[30..]);
}

#[test]
fn spikes_are_single_jumps() {
    let (sound, faulty) = compare(FaultKind::Spike, "S1-02");
    let jumps: Vec<f64> = sound
        .iter()
        .zip(&faulty)
        .map(|(sound, faulty)| (celsius(*sound) - celsius(*faulty)).abs())
        .filter(|jump_c| *jump_c > 0.0)
        .collect();
    assert!((1..15).contains(&jumps.len()), "{jumps:?}");
    assert!(jumps.iter().all(|jump_c| *jump_c > 14.0), "{jumps:?}");
}

#[test]
fn misplaced_sensors_read_air_and_steam() {
    let (sound, air) = compare(FaultKind::ReadsAir, "S3-03");
    assert!((celsius(sound[10]) - celsius(air[10])).abs() > 2.0);
    let (_, steam) = compare(FaultKind::ReadsSteam, "S3-03");
    let mean = |values: &[Value]| values.iter().map(|value| celsius(*value)).sum::<f64>() / 30.0;
    assert!(mean(&steam[..30]) > mean(&air[..30]) + 2.0);
}

fn of_logger<'a>(frames: &'a [Frame], logger: &str) -> Vec<&'a Frame> {
    frames
        .iter()
        .filter(|frame| frame.logger == logger)
        .collect()
}

#[test]
fn an_unplugged_logger_is_silent_and_loses_what_it_did_not_read() {
    let faulty = frames(Some(FaultKind::LoggerUnplugged), "N3");
    assert_eq!(of_logger(&faulty, "N3").len(), 31);
    assert_eq!(of_logger(&faulty, "N1").len(), 61);
}

#[test]
fn a_wrong_clock_stamps_by_its_own_time() {
    let faulty = frames(Some(FaultKind::ClockWrong), "S2");
    let frames = of_logger(&faulty, "S2");
    let error = |frame: &Frame| {
        frame.readings[0]
            .measured_at
            .expect("a logger with a clock")
            - frame.sent_at
    };
    assert_eq!(error(frames[0]), TimeDelta::minutes(20));
    assert_eq!(error(frames[40]), TimeDelta::zero());
}

#[test]
fn a_late_batch_arrives_whole_and_in_order_with_its_own_times() {
    let (sound, faulty) = (frames(None, ""), frames(Some(FaultKind::LateBatch), "S1"));
    let (sound, faulty) = (of_logger(&sound, "S1"), of_logger(&faulty, "S1"));
    let readings = |frames: &[&Frame]| -> Vec<Reading> {
        frames
            .iter()
            .flat_map(|frame| frame.readings.clone())
            .collect()
    };
    assert_eq!(readings(&sound), readings(&faulty));
    let first_sent_at = faulty[0].sent_at;
    assert_eq!(first_sent_at - sound[0].sent_at, TimeDelta::minutes(30));
    assert_eq!(
        faulty
            .iter()
            .filter(|frame| frame.sent_at == first_sent_at)
            .count(),
        31
    );
}

#[test]
fn duplicates_come_twice_and_garbled_frames_are_marked() {
    let doubled = frames(Some(FaultKind::Duplicates), "S3");
    let doubled = of_logger(&doubled, "S3");
    assert_eq!(doubled.len(), 91);
    assert_eq!(doubled[0], doubled[1]);
    let garbled = frames(Some(FaultKind::GarbledLine), "N4");
    let damaged = garbled.iter().filter(|frame| frame.damage.is_some());
    assert!(damaged.clone().all(|frame| frame.logger == "N4"));
    assert!((5..30).contains(&damaged.count()));
}

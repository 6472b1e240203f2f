//! How long the whole plant takes to be judged again: forty beds of sixteen positions, sixteen hours.
//!
//! First without a forecast (trust, maturity, strength, limits: what a reading changes at once), then
//! with it and the night ahead. Pours that require no strength are not forecast.

mod measure;
#[path = "../tests/support/mod.rs"]
mod support;

use std::io::Write as _;
use std::time::Instant;

use daemon_core::act::{Act, ActBody, Position};
use daemon_core::{Content, Plant, Reading};
use measure::{median_ms, ran};
use support::{act, at, binding, config, opened};

const BED_COUNT: usize = 40;
const POSITION_COUNT: usize = 16;
/// Sixteen hours at one reading a minute.
const MINUTE_COUNT: i64 = 16 * 60;
const RUN_COUNT: usize = 15;

fn channel(bed: usize, position: usize) -> String {
    format!("L{bed}-{position:02}")
}

fn pour(bed: usize, is_forecast: bool) -> Act {
    let mut facts = opened();
    if !is_forecast {
        facts.required.clear();
    }
    facts.bed = format!("B{bed}");
    facts.positions = (0..POSITION_COUNT)
        .map(|index| Position {
            id: format!("P{index}"),
            station_m: 5.0 * index as f64 + 2.0,
            place: "stem".to_owned(),
            depth_mm: None,
        })
        .collect();
    facts.channels = (0..POSITION_COUNT)
        .map(|index| binding(&channel(bed, index), &format!("P{index}")))
        .collect();
    let mut act = act(1 + bed as u128, 61, ActBody::PourOpened(Box::new(facts)));
    act.pour = format!("p{bed}");
    act
}

/// Preset, rise, soak and cooling, a little different at every position, with a sensor's ripple.
fn celsius(bed: usize, position: usize, minute: i64) -> f64 {
    let hour = minute as f64 / 60.0;
    let peak = 52.0 + (bed % 7) as f64 - 0.5 * position as f64;
    let start = 21.0;
    let shape = match hour {
        hour if hour < 4.0 => 0.1 * hour / 4.0,
        hour if hour < 8.0 => 0.1 + 0.9 * (hour - 4.0) / 4.0,
        hour if hour < 13.0 => 1.0,
        hour => 1.0 - 0.15 * (hour - 13.0),
    };
    let ripple = 0.05 * ((minute * 7 + position as i64 * 3) % 5) as f64;
    start + (peak - start) * shape + ripple
}

fn plant(is_forecast: bool) -> Plant {
    let mut config = config();
    let bed = config.beds[0].clone();
    config.beds = (0..BED_COUNT)
        .map(|index| {
            let mut bed = bed.clone();
            bed.id = format!("B{index}");
            bed
        })
        .collect();
    let mut plant = Plant::new(config);
    for bed in 0..BED_COUNT {
        plant.take_act(pour(bed, is_forecast));
        for position in 0..POSITION_COUNT {
            let channel: std::sync::Arc<str> = channel(bed, position).into();
            for minute in 0..=MINUTE_COUNT {
                plant.take_reading(&Reading {
                    channel: channel.clone(),
                    measured_at: Some(at(minute)),
                    received_at: at(minute),
                    content: Content::TemperatureC(celsius(bed, position, minute)),
                });
            }
        }
    }
    plant
}

/// Medians of the time of one core, where the system tells it, and of the time until it was done, ms.
fn judged_again(plant: &Plant, is_forecast: bool) -> (Option<f64>, f64) {
    let mut elapsed = Vec::new();
    let mut on_core = Vec::new();
    for run in 0..RUN_COUNT {
        // Each look is a little later, as in life, so that nothing could be answered again.
        let now = at(MINUTE_COUNT).plus_hours(run as f64 / 3_600.0);
        let (began_at, ran_before) = (Instant::now(), ran());
        let assessment = std::hint::black_box(plant.assess(now));
        elapsed.push(began_at.elapsed());
        on_core.extend(ran().zip(ran_before).map(|(after, before)| after - before));
        assert_eq!(assessment.pours.len(), BED_COUNT);
        for pour in &assessment.pours {
            let estimated = pour
                .positions
                .iter()
                .filter(|one| one.estimate.maturity().is_some());
            assert_eq!(
                estimated.count(),
                POSITION_COUNT,
                "every position is estimated"
            );
            assert_eq!(pour.forecast.sampled_count > 0, is_forecast);
        }
    }
    let on_core = (on_core.len() == RUN_COUNT).then(|| median_ms(on_core));
    (on_core, median_ms(elapsed))
}

fn main() -> std::io::Result<()> {
    let mut out = std::io::stdout();
    writeln!(
        out,
        "recompute of {BED_COUNT} beds of {POSITION_COUNT} positions, 16 h at one minute, medians of {RUN_COUNT}:"
    )?;
    for (is_forecast, what) in [
        (false, "trust, maturity, strength, limits (aim 100)"),
        (true, "the same with forecast and night ahead"),
    ] {
        let (on_core, elapsed_ms) = judged_again(&plant(is_forecast), is_forecast);
        let on_core = on_core.map_or(String::new(), |ms| format!("{ms:.1} ms of one core, "));
        writeln!(
            out,
            "  {what}: {on_core}{elapsed_ms:.1} ms until it was done"
        )?;
    }
    Ok(())
}

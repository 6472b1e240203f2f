//! Removing readings, cutting a sensor or widening a gap never raises a lower bound, over whole pours.

#![expect(
    clippy::expect_used,
    reason = "a plant that the test built itself is there"
)]

mod support;

use calibration::Cured;
use daemon_core::config::PlantConfig;
use daemon_core::reading::Reading;
use proptest::prelude::*;
use support::*;

/// When the pour is looked at, minutes after it began.
const LATE: i64 = 720;
/// One reading of each channel in so many minutes.
const STEP_MIN: i64 = 10;
/// Bounds are compared to this, MPa: instants are whole milliseconds and quadrature has its digits.
const NOISE_MPA: f64 = 1e-4;

/// A night of three sensors without steps: it warms to `soak_c` and cools again.
fn night(soak_c: f64, wobble: &[f64]) -> Vec<Reading> {
    let mut readings = Vec::new();
    for (index, minute) in (0..=LATE).step_by(STEP_MIN as usize).enumerate() {
        let hours = minute as f64 / 60.0;
        let rise = ((hours - 3.0).clamp(0.0, 4.0) / 4.0) * (soak_c - 20.0);
        let fall = (hours - 9.0).clamp(0.0, 3.0) * 4.0;
        for (channel, place_c) in [("c1", 1.0), ("c2", 0.0), ("c3", -3.0)] {
            let life = wobble[index % wobble.len()];
            readings.push(reading(
                channel,
                minute,
                20.0 + rise - fall + place_c + life,
            ));
        }
    }
    readings
}

/// The lower bound at each position; a position without an estimate claims nothing.
fn bounds(config: &PlantConfig, readings: &[Reading]) -> Vec<f64> {
    let plant = plant_of(config.clone(), &[open_act()], readings);
    let pour = plant.assess_pour("p", at(LATE)).expect("the pour is known");
    pour.positions
        .iter()
        .map(|one| one.estimate.lower_90_mpa())
        .collect()
}

fn curve_of(cured: Cured) -> PlantConfig {
    let mut config = config();
    config.curves[0].file.specimens.cured = cured;
    config
}

/// What is lost of a night: single readings, all of a sensor from some time, a gap in all of them, or
/// the hot ones alone: those by which a bed without a heat plan looks heated.
#[derive(Debug, Clone)]
enum Loss {
    Single(Vec<bool>),
    Cut { channel: usize, from_minute: i64 },
    Gap { from_minute: i64, minutes: i64 },
    HotterThan(f64),
}

impl Loss {
    fn keeps(&self, index: usize, reading: &Reading) -> bool {
        let minute = (reading.received_at.0 - at(0).0) / 60_000;
        match self {
            Self::Single(kept) => kept[index % kept.len()],
            Self::Cut {
                channel,
                from_minute,
            } => index % 3 != *channel || minute < *from_minute,
            Self::Gap {
                from_minute,
                minutes,
            } => !(*from_minute..from_minute + minutes).contains(&minute),
            Self::HotterThan(limit_c) => match reading.content {
                daemon_core::Content::TemperatureC(value) => value <= *limit_c,
                _ => true,
            },
        }
    }
}

fn losses() -> impl Strategy<Value = Loss> {
    prop_oneof![
        prop::collection::vec(any::<bool>(), 240).prop_map(Loss::Single),
        (0usize..3, 0..LATE).prop_map(|(channel, from_minute)| Loss::Cut {
            channel,
            from_minute
        }),
        (0..LATE, 10i64..600).prop_map(|(from_minute, minutes)| Loss::Gap {
            from_minute,
            minutes
        }),
        (39.0..41.0f64).prop_map(Loss::HotterThan),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    /// No heat plan and no recorded heat: only the readings show that the bed was hot.
    #[test]
    fn losing_readings_never_raises_a_lower_bound(
        is_standard in any::<bool>(),
        soak_c in prop_oneof![30.0..62.0f64, 38.0..41.0f64],
        wobble in prop::collection::vec(-0.4..0.4f64, 30),
        loss in losses(),
    ) {
        let config = curve_of(if is_standard { Cured::Standard } else { Cured::HeatCured });
        let all = night(soak_c, &wobble);
        let kept: Vec<Reading> = all
            .iter()
            .enumerate()
            .filter(|(index, one)| loss.keeps(*index, one))
            .map(|(_, one)| one.clone())
            .collect();
        let (before, after) = (bounds(&config, &all), bounds(&config, &kept));
        for (index, (before, after)) in before.iter().zip(&after).enumerate() {
            prop_assert!(
                *after <= before + NOISE_MPA,
                "P{}: {before} MPa with {} readings, {after} MPa with {}",
                index + 1, all.len(), kept.len()
            );
        }
    }
}

//! No stamp whatever raises a lower bound: wrong clocks, single odd stamps, and stamps in the future.

#![expect(
    clippy::expect_used,
    reason = "a plant that the test built itself is there"
)]

mod support;

use daemon_core::assessment::PourAssessment;
use daemon_core::reading::Reading;
use daemon_core::time::UtcMs;
use proptest::prelude::*;
use support::*;

/// When the pour is looked at, minutes after it began.
const LATE: i64 = 480;
/// Bounds are compared to this, MPa: instants are whole milliseconds and quadrature has its digits.
const NOISE_MPA: f64 = 1e-4;

/// A reading a minute of each sensor, received as it was measured: it warms to `soak_c` and cools.
fn night(soak_c: f64) -> Vec<Reading> {
    let mut readings = Vec::new();
    for minute in 0..=LATE {
        let hours = minute as f64 / 60.0;
        let rise = ((hours - 2.0).clamp(0.0, 3.0) / 3.0) * (soak_c - 20.0);
        let fall = (hours - 6.0).clamp(0.0, 2.0) * 5.0;
        for (channel, place_c) in [("c1", 1.0), ("c2", 0.0), ("c3", -3.0)] {
            let life = 0.2 * ((minute * 7 + place_c as i64) % 5) as f64;
            readings.push(reading(
                channel,
                minute,
                20.0 + rise - fall + place_c + life,
            ));
        }
    }
    readings
}

fn stamped(reading: &Reading, by_s: i64) -> Reading {
    Reading {
        measured_at: Some(UtcMs(reading.identity_at().0 + by_s * 1000)),
        ..reading.clone()
    }
}

fn judged(readings: &[Reading]) -> PourAssessment {
    let plant = plant_of(config(), &[open_act()], readings);
    plant.assess_pour("p", at(LATE)).expect("the pour is known")
}

fn bounds(readings: &[Reading]) -> Vec<f64> {
    let pour = judged(readings);
    let positions = pour.positions.iter();
    positions.map(|one| one.estimate.lower_90_mpa()).collect()
}

/// Offsets that transport does not explain, s: more than the minute that is taken as no offset.
fn offset_s() -> impl Strategy<Value = i64> {
    prop_oneof![
        61..3 * 24 * 3600i64,
        (61..3 * 24 * 3600i64).prop_map(|s| -s),
        // Within the night, where they do most.
        (61..8 * 3600i64).prop_map(|s| -s),
        61..4 * 3600i64,
    ]
}

/// Wrong stamps: some single readings, each by an offset of its own, or a stretch of one logger by one.
#[derive(Debug, Clone)]
enum Wrong {
    Single(Vec<(i64, i64)>),
    Stretch {
        from_minute: i64,
        minutes: i64,
        by_s: i64,
    },
}

impl Wrong {
    fn stamps(&self, channel: &str, readings: &[Reading]) -> Vec<Reading> {
        let by_s = |minute: i64| match self {
            Self::Single(some) => some
                .iter()
                .find(|one| one.0 == minute)
                .map_or(0, |one| one.1),
            Self::Stretch {
                from_minute,
                minutes,
                by_s,
            } => {
                let is_within = (*from_minute..from_minute + minutes).contains(&minute);
                if is_within { *by_s } else { 0 }
            }
        };
        let stamp = |one: &Reading| {
            let minute = (one.received_at.0 - at(0).0) / 60_000;
            if &*one.channel == channel {
                stamped(one, by_s(minute))
            } else {
                one.clone()
            }
        };
        readings.iter().map(stamp).collect()
    }
}

fn wrong() -> impl Strategy<Value = Wrong> {
    prop_oneof![
        prop::collection::vec((0..LATE, offset_s()), 1..5).prop_map(Wrong::Single),
        (0..LATE, 1..LATE, offset_s()).prop_map(|(from_minute, minutes, by_s)| Wrong::Stretch {
            from_minute,
            minutes,
            by_s
        }),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn no_stamp_whatever_raises_a_lower_bound(
        soak_c in 35.0..62.0f64,
        channel in prop_oneof![Just("c1"), Just("c2"), Just("c3")],
        wrong in wrong(),
        gap in prop::option::of((0..LATE, 30i64..120)),
    ) {
        let is_kept = |one: &Reading| {
            let minute = (one.received_at.0 - at(0).0) / 60_000;
            !gap.is_some_and(|(from, minutes)| (from..from + minutes).contains(&minute))
        };
        let night: Vec<Reading> = night(soak_c).into_iter().filter(is_kept).collect();
        let stamped = wrong.stamps(channel, &night);
        for (index, (right, wrong)) in bounds(&night).iter().zip(bounds(&stamped)).enumerate() {
            prop_assert!(
                wrong <= right + NOISE_MPA,
                "P{}: {right} MPa by right stamps, {wrong} MPa by wrong ones", index + 1
            );
        }
    }

    /// A reading more, of a time that cannot be true, is kept and changes nothing that is judged.
    #[test]
    fn a_reading_from_the_future_takes_part_in_nothing(
        minute in 0..LATE,
        ahead_s in 61..3 * 24 * 3600i64,
        value_c in -10.0..90.0f64,
    ) {
        let night = night(55.0);
        let mut more = night.clone();
        more.push(stamped(&reading("c1", minute, value_c), ahead_s));
        let (without, with) = (judged(&night), judged(&more));
        for (before, after) in without.positions.iter().zip(&with.positions) {
            prop_assert_eq!(&before.estimate, &after.estimate);
            prop_assert_eq!(&before.trust, &after.trust);
            prop_assert_eq!(before.highest_c, after.highest_c);
        }
    }
}

#[test]
fn one_stamp_thirty_minutes_ahead_leaves_its_logger_and_its_silence_as_they_were() {
    let night = night(55.0);
    let mut more = night.clone();
    more.push(stamped(&reading("c1", LATE - 10, 60.0), 1800));
    let with = judged(&more);
    assert_eq!(bounds(&more), bounds(&night));
    assert_eq!(with.positions[0].measured_at, Some(at(LATE)));
    assert!(with.positions[0].bridged_h < f64::EPSILON);
}

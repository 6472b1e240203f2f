//! The answer is a function of what is known: never of its order, and less of it never flatters.

mod support;

use daemon_core::act::ActBody;
use daemon_core::assessment::PourAssessment;
use daemon_core::{Content, Reading};
use proptest::prelude::*;
use support::{act, at, broke, open_act, ordinary_night, plant_with};

const UNTIL: i64 = 12 * 60;

/// What a release is judged by: the smallest share of its required strength that is proven anywhere.
fn proven_share(pour: &PourAssessment) -> f64 {
    pour.positions
        .iter()
        .map(|one| one.estimate.lower_90_mpa() / one.required_mpa.expect("it is required"))
        .fold(f64::INFINITY, f64::min)
}

fn judged(readings: &[Reading]) -> PourAssessment {
    let plant = plant_with(&[open_act()], readings);
    plant
        .assess_pour("p", at(UNTIL))
        .expect("the pour is known")
}

#[test]
fn readings_and_acts_in_any_order_give_the_same_answer() {
    let acts = [
        open_act(),
        act(2, 180, ActBody::HeatSwitched { on: true }),
        broke(3, 600, "A", [20.0, 21.0]),
    ];
    let readings = ordinary_night(UNTIL);
    let forward = plant_with(&acts, &readings);
    let mut shuffled: Vec<Reading> = readings.iter().rev().cloned().collect();
    shuffled.extend_from_slice(&readings[..200]);
    let backward = plant_with(
        &[acts[2].clone(), acts[0].clone(), acts[1].clone()],
        &shuffled,
    );
    let text = |plant: &daemon_core::Plant| format!("{:?}", plant.assess(at(UNTIL)));
    assert_eq!(text(&forward), text(&backward));
}

#[test]
fn what_is_measured_later_does_not_change_an_earlier_answer() {
    let all = ordinary_night(UNTIL);
    let known: Vec<Reading> = all
        .iter()
        .filter(|one| one.received_at <= at(400))
        .cloned()
        .collect();
    let ask =
        |readings: &[Reading]| format!("{:?}", plant_with(&[open_act()], readings).assess(at(400)));
    assert_eq!(ask(&known), ask(&all));
}

/// What a loose tip read of steam for two hours, on the way there and back too slowly for a step.
fn with_steam(readings: &[Reading], channel: &str) -> Vec<Reading> {
    let more_c = |minute: i64| match minute {
        300..330 => 0.6 * (minute - 300) as f64,
        330..450 => 18.0,
        450..480 => 0.6 * (480 - minute) as f64,
        _ => 0.0,
    };
    let mut readings = readings.to_vec();
    for one in readings.iter_mut().filter(|one| &*one.channel == channel) {
        let minute = (one.received_at.0 - at(0).0) / 60_000;
        if let Content::TemperatureC(celsius) = &mut one.content {
            *celsius += more_c(minute);
        }
    }
    readings
}

#[test]
fn a_sensor_that_came_back_from_steam_proves_no_more_than_one_that_was_never_there() {
    let plain = ordinary_night(UNTIL);
    let (undisturbed, back) = (judged(&plain), judged(&with_steam(&plain, "c2")));
    let estimate = |pour: &PourAssessment| pour.positions[1].estimate.clone();
    let (before, after) = (estimate(&undisturbed), estimate(&back));
    assert!(
        after.lower_90_mpa() <= before.lower_90_mpa(),
        "{after:?} {before:?}"
    );
    assert!(
        after.maturity() <= before.maturity(),
        "{after:?} {before:?}"
    );
    // Nor less than two unread hours take.
    assert!(back.positions[1].bridged_h > 1.5 && back.positions[1].bridged_h < 4.0);
    assert_eq!(
        undisturbed.positions[0].estimate,
        back.positions[0].estimate
    );
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn removing_readings_never_proves_more_and_never_clears_a_hold(
        kept in prop::collection::vec(prop::bool::weighted(0.8), 3 * 145),
    ) {
        let night = ordinary_night(UNTIL);
        let fewer: Vec<Reading> =
            night.iter().zip(&kept).filter(|(_, keep)| **keep).map(|one| one.0.clone()).collect();
        let (all, some) = (judged(&night), judged(&fewer));
        prop_assert!(proven_share(&some) <= proven_share(&all) + 1e-9);
        prop_assert!(some.release_holds.len() >= all.release_holds.len());
    }

    #[test]
    fn cutting_a_sensor_never_proves_more(channel in 0usize..3, from in 0i64..UNTIL) {
        let night = ordinary_night(UNTIL);
        let name = format!("c{}", channel + 1);
        let cut: Vec<Reading> = night
            .iter()
            .filter(|one| *one.channel != *name || one.received_at < at(from))
            .cloned()
            .collect();
        prop_assert!(proven_share(&judged(&cut)) <= proven_share(&judged(&night)) + 1e-9);
    }
}

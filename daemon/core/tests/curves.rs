//! Curves over many pours: what breaks say of them, curves that only advise, and withdrawal.

mod support;

use calibration::verification::{CurveState, VerifyingBreak};
use calibration::{Cured, parse_records};
use daemon_core::Plant;
use daemon_core::act::{Act, ActBody, PourCorrected, Replacement};
use daemon_core::assessment::{PourAssessment, Standing, Urgency};
use daemon_core::config::PlantConfig;
use daemon_core::curve_points::CurveBreak;
use daemon_core::habits::{AHEAD_H, PourSummary};
use daemon_core::reading::Reading;
use support::*;

/// When the pour of these tests is looked at, minutes after it began.
const LATE: i64 = 720;
/// A maturity well inside the curve's data, h.
const MATURITY_H: f64 = 24.0;

/// A finished pour whose only break was `ratio` times the curve.
fn finished(index: i64, ratio: f64, is_heated: bool) -> PourSummary {
    let curve = &config().curves[0];
    let broken_at = at(-1440 * (100 - index));
    PourSummary {
        pour: format!("old {index}"),
        bed: "B2".into(),
        mix: "M45".into(),
        known_at: broken_at.plus_hours(2.0),
        delay_ln: None,
        heat_ln: None,
        positions: Vec::new(),
        curve_breaks: vec![CurveBreak {
            set: "A".into(),
            left_tarp_at: at(0),
            digest: curve.digest.clone(),
            broken: VerifyingBreak {
                pour: format!("old {index}"),
                broken_at: broken_at.to_utc().expect("a time"),
                measured_mpa: ratio * curve.file.curve.strength_mpa(MATURITY_H),
                specimen_count: 2,
                own_maturity: Some(MATURITY_H),
            },
            is_heated,
        }],
        air: None,
        heat: None,
        ratio_ln: None,
        trials: [None; AHEAD_H.len()],
    }
}

fn standard_cured() -> PlantConfig {
    let mut config = config();
    config.curves[0].file.specimens.cured = Cured::Standard;
    config
}

fn mild_night() -> Vec<Reading> {
    (0..=LATE)
        .step_by(5)
        .flat_map(|minute| {
            let value = 21.0 + 0.1 * ((minute % 3) as f64);
            ["c1", "c2", "c3"].map(|channel| reading(channel, minute, value))
        })
        .collect()
}

fn judged(plant: &Plant) -> PourAssessment {
    plant.assess_pour("p", at(LATE)).expect("the pour is known")
}

fn bound(pour: &PourAssessment) -> f64 {
    pour.positions[0].estimate.lower_90_mpa()
}

fn cautions_of<'a>(pour: &'a PourAssessment, kind: &str) -> &'a str {
    let found = pour.cautions.iter().find(|one| one.kind == kind);
    &found.expect("the caution stands").text
}

fn cautions(pour: &PourAssessment) -> Vec<&'static str> {
    pour.cautions.iter().map(|one| one.kind).collect()
}

#[test]
fn the_first_break_with_its_own_history_is_a_point_once_the_pour_is_learned_from() {
    let companion = specimen_binding("s1", "A");
    let acts = [
        open_act(),
        act(2, 62, ActBody::PlugMoved(companion)),
        broke(7, 600, "A", [31.0, 33.0]),
        broke(8, 660, "B", [35.0, 35.0]),
        sign(9, 680, &[7]),
    ];
    let mut readings = ordinary_night(LATE);
    readings.extend(
        (0..=600)
            .step_by(5)
            .map(|minute| reading("s1", minute, ordinary_c(1, minute))),
    );
    let mut plant = plant_of(config(), &acts, &readings);
    let digest = config().curves[0].digest.clone();
    let learns_at = plant.next_learning_at().expect("it will be learned from");
    assert!(
        plant.curve_verdict(&digest).is_none(),
        "nothing counts before it is known"
    );
    plant.learn(learns_at);
    let verdict = plant.curve_verdict(&digest).expect("it has breaks");
    let [point] = verdict.of_all.points.as_slice() else {
        panic!("one point: {:?}", verdict.of_all.points);
    };
    assert!((point.broken.measured_mpa - 32.0).abs() < 1e-12);
    let curve = config().curves[0].file.curve;
    let own = point.broken.own_maturity.expect("its own maturity");
    assert!((point.estimated_mpa - curve.strength_mpa(own)).abs() < 1e-12);
    assert_eq!(verdict.of_all.apart.len(), 1, "set B had no history");
    assert_eq!(
        verdict.of_heated.points.len(),
        1,
        "its concrete was hotter than a bed without heat"
    );
    assert_eq!(verdict.known_at, learns_at);
}

#[test]
fn a_curve_of_standard_cured_specimens_only_advises_on_a_heated_bed_until_ten_pours_verify_it() {
    let acts = [open_act()];
    let heat_cured = judged(&plant_of(config(), &acts, &ordinary_night(LATE)));
    assert_eq!(heat_cured.curve.advisory, None);
    let mut plant = plant_of(standard_cured(), &acts, &ordinary_night(LATE));
    let pour = judged(&plant);
    let advisory = pour.curve.advisory.expect("it only advises");
    assert_eq!((advisory.pour_count, advisory.needed), (0, 10));
    assert!((bound(&pour) - 0.85 * bound(&heat_cured)).abs() < 1e-9);
    assert_eq!(
        pour.positions[0].estimate.estimate_mpa(),
        heat_cured.positions[0].estimate.estimate_mpa()
    );
    assert!(cautions(&pour).contains(&"curve-advisory"));
    for index in 0..9 {
        plant.take_summary(finished(index, 1.0, true));
    }
    plant.take_summary(finished(20, 1.0, false));
    let nine = judged(&plant).curve.advisory.expect("nine are not ten");
    assert_eq!(nine.pour_count, 9, "a pour without heat verifies nothing");
    plant.take_summary(finished(9, 1.0, true));
    let verified = judged(&plant);
    assert_eq!(verified.curve.advisory, None);
    assert!(!cautions(&verified).contains(&"curve-advisory"));
}

/// The pour, opened as one that gets no heat.
fn without_heat() -> Act {
    let mut facts = opened();
    facts.without_heat = true;
    act(1, 61, ActBody::PourOpened(Box::new(facts)))
}

#[test]
fn only_a_person_takes_the_margin_off_and_a_cool_bed_does_not() {
    let cool = judged(&plant_of(standard_cured(), &[open_act()], &mild_night()));
    let advisory = cool
        .curve
        .advisory
        .expect("nobody said that it gets no heat");
    let told = cautions_of(&cool, "curve-advisory");
    assert!(told.contains("nobody has said"), "{told}");
    let said = judged(&plant_of(
        standard_cured(),
        &[without_heat()],
        &mild_night(),
    ));
    assert_eq!(said.curve.advisory, None);
    assert!((bound(&cool) - (1.0 - advisory.margin) * bound(&said)).abs() < 1e-9);
    let correction = PourCorrected {
        without_heat: Some(true),
        ..PourCorrected::default()
    };
    let correction = act(2, 200, ActBody::PourCorrected(Box::new(correction)));
    let corrected = plant_of(standard_cured(), &[open_act(), correction], &mild_night());
    assert_eq!(judged(&corrected).curve.advisory, None);
}

#[test]
fn heat_that_was_switched_on_outweighs_that_a_bed_was_said_to_get_none() {
    let heat_on = act(2, 180, ActBody::HeatSwitched { on: true });
    let own = plant_of(
        standard_cured(),
        &[without_heat(), heat_on.clone()],
        &mild_night(),
    );
    assert!(judged(&own).curve.advisory.is_some());
    assert!(cautions_of(&judged(&own), "curve-advisory").contains("this bed is heated"));
    let mut beside = opened();
    (beside.from_station_m, beside.to_station_m) = (90.0, 99.0);
    (beside.positions, beside.channels) = (Vec::new(), Vec::new());
    let beside = Act {
        pour: "q".into(),
        ..act(3, 61, ActBody::PourOpened(Box::new(beside)))
    };
    let heat_on = Act {
        pour: "q".into(),
        ..heat_on
    };
    let same_tarp = plant_of(
        standard_cured(),
        &[without_heat(), beside, heat_on],
        &mild_night(),
    );
    assert!(judged(&same_tarp).curve.advisory.is_some());
}

#[test]
fn a_bed_said_to_get_no_heat_that_was_hot_is_a_caution_and_no_reading_moves_the_margin() {
    let pour = judged(&plant_of(
        standard_cured(),
        &[without_heat()],
        &ordinary_night(LATE),
    ));
    assert_eq!(pour.curve.advisory, None);
    let told = cautions_of(&pour, "hot-without-heat");
    assert!(told.contains("correct the pour"), "{told}");
}

#[test]
fn a_weak_break_that_lost_its_hot_readings_still_bars_the_margin_from_going() {
    let mut plant = plant_of(standard_cured(), &[open_act()], &mild_night());
    for index in 0..10 {
        plant.take_summary(finished(index, 1.0, true));
    }
    assert_eq!(judged(&plant).curve.advisory, None);
    for index in 10..12 {
        plant.take_summary(finished(index, 0.8, false));
    }
    assert!(judged(&plant).curve.advisory.is_some());
}

#[test]
fn the_last_ten_pours_count_however_old_they_are_and_drift_goes_with_ten_later_ones() {
    let mut plant = plant_of(standard_cured(), &[without_heat()], &mild_night());
    let digest = config().curves[0].digest.clone();
    for index in 0..2 {
        plant.take_summary(finished(40 * index, 0.8, true));
    }
    for index in 2..12 {
        plant.take_summary(finished(40 * index, 1.0, true));
    }
    let verdict = plant.curve_verdict(&digest).expect("it has breaks");
    assert_eq!(verdict.of_heated.state, CurveState::Holds);
    assert_eq!(verdict.of_heated.points.len(), 10, "over 400 days");
    assert_eq!(verdict.of_heated.points[0].broken.pour, "old 80");
}

#[test]
fn a_curve_whose_warning_nobody_accepted_gives_no_estimate_and_says_which_warning() {
    let mut config = config();
    config.curves[0].file.warnings = vec!["lack-of-fit".into(), "standard-cured".into()];
    let mut plant = plant_of(config, &[open_act()], &ordinary_night(LATE));
    let refused = judged(&plant);
    assert_eq!(refused.curve.standing, Standing::NotApproved);
    assert_eq!(refused.positions[0].estimate.estimate_mpa(), None);
    let note = &refused.curve.note;
    assert!(
        note.contains("lack-of-fit") && !note.contains("standard-cured"),
        "{note}"
    );
    assert_eq!(cautions_of(&refused, "curve"), note);
    let accepted = format!(
        "[[record]]\ndigest = \"{}\"\nact = \"approved\"\nby = \"A. Lab\"\n\
         accepts = [\"lack-of-fit\"]\nrecorded_at = 2026-03-01T20:00:00Z\n",
        plant.config().curves[0].digest
    );
    plant.take_curve_records(&parse_records(&accepted).expect("the record reads"));
    let taken = judged(&plant);
    assert_eq!(taken.curve.standing, Standing::Approved);
    assert!(taken.positions[0].estimate.estimate_mpa().is_some());
}

#[test]
fn consecutive_weak_breaks_mean_drift_which_is_told_and_changes_no_estimate() {
    let mut plant = plant_of(config(), &[open_act()], &ordinary_night(LATE));
    let before = judged(&plant);
    plant.take_summary(finished(1, 0.99, true));
    plant.take_summary(finished(2, 0.85, true));
    assert!(!cautions(&judged(&plant)).contains(&"curve-drifts"));
    plant.take_summary(finished(3, 0.86, true));
    let pour = judged(&plant);
    assert!(cautions(&pour).contains(&"curve-drifts"));
    assert!(
        pour.release_holds
            .iter()
            .all(|hold| hold.kind != "curve-drifts")
    );
    assert_eq!(
        pour.positions[0].estimate.estimate_mpa(),
        before.positions[0].estimate.estimate_mpa()
    );
    let troubles = plant.assess(at(LATE)).troubles;
    let told = troubles
        .iter()
        .find(|one| one.kind == "curve-drifts")
        .expect("it is a trouble");
    assert_eq!(told.urgency, Urgency::Soon);
    assert!(told.what.contains("old 3"), "{}", told.what);
    assert!(told.first_act.contains("cylinders"), "{}", told.first_act);
    let digest = &config().curves[0].digest;
    let verdict = plant.curve_verdict(digest).expect("it has breaks");
    assert_eq!(verdict.of_all.state, CurveState::Drifts);
}

#[test]
fn scatter_that_breaks_show_widens_the_interval_and_leaves_the_forecast_as_it_was() {
    let plain = judged(&plant_of(config(), &[open_act()], &ordinary_night(LATE)));
    let with = |ratio: fn(i64) -> f64| {
        let mut plant = plant_of(config(), &[open_act()], &ordinary_night(LATE));
        for index in 0..30 {
            plant.take_summary(finished(index, ratio(index), true));
        }
        judged(&plant)
    };
    let scattered = with(|index| if index % 2 == 0 { 1.16 } else { 0.86 });
    let quiet = with(|_| 1.0);
    assert!(bound(&scattered) < bound(&plain));
    assert!(
        bound(&quiet) > bound(&plain),
        "a calm plant earns a closer bound"
    );
    assert_eq!(scattered.forecast.by_curve, quiet.forecast.by_curve);
}

#[test]
fn the_order_in_which_finished_pours_come_changes_nothing() {
    let ratios = [1.04, 0.93, 1.1, 0.97, 0.88, 0.91, 1.0];
    let plant_by = |order: &mut dyn Iterator<Item = usize>| {
        let mut plant = plant_of(config(), &[open_act()], &ordinary_night(LATE));
        for index in order {
            let number = i64::try_from(index).expect("few");
            plant.take_summary(finished(number, ratios[index], true));
        }
        let verdict = plant.curve_verdict(&config().curves[0].digest);
        let verdict = verdict.expect("it has breaks").of_all.clone();
        (bound(&judged(&plant)).to_bits(), verdict)
    };
    let forward = plant_by(&mut (0..ratios.len()));
    assert_eq!(forward, plant_by(&mut (0..ratios.len()).rev()));
}

#[test]
fn a_withdrawal_counts_from_when_it_is_taken_in_and_is_told_at_once() {
    let mut plant = plant_of(config(), &[open_act()], &ordinary_night(LATE));
    assert!(
        judged(&plant).positions[0]
            .estimate
            .estimate_mpa()
            .is_some()
    );
    let records = format!(
        "[[record]]\ndigest = \"{}\"\nact = \"withdrawn\"\nby = \"A. Lab\"\nwhy = \"new cement\"\n\
         recorded_at = 2026-03-01T23:00:00Z\n",
        config().curves[0].digest
    );
    let records = parse_records(&records).expect("the record reads");
    assert!(plant.take_curve_records(&records));
    assert!(!plant.take_curve_records(&records), "it is known already");
    let pour = judged(&plant);
    assert_eq!(pour.curve.standing, Standing::Withdrawn);
    assert_eq!(pour.positions[0].estimate.estimate_mpa(), None);
    assert!(pour.release_holds.iter().all(|hold| hold.kind != "curve"));
    let troubles = plant.assess(at(LATE)).troubles;
    let told = troubles
        .iter()
        .find(|one| one.kind == "curve-not-usable")
        .expect("it is a trouble");
    assert_eq!(told.urgency, Urgency::Now);
    assert_eq!(told.since, at(300), "since it was withdrawn");
    assert!(told.what.contains("new cement"), "{}", told.what);
    let earlier = plant.assess_pour("p", at(299)).expect("the pour is known");
    assert_eq!(earlier.curve.standing, Standing::Approved);
}

#[test]
fn a_superseded_curve_is_kept_by_the_pour_that_began_with_it_and_taken_by_no_later_one() {
    let superseded = |hour: u8| {
        let records = format!(
            "[[record]]\ndigest = \"{}\"\nact = \"superseded\"\nby = \"A. Lab\"\n\
             recorded_at = 2026-03-01T{hour:02}:00:00Z\n",
            config().curves[0].digest
        );
        let mut plant = plant_of(config(), &[open_act()], &ordinary_night(LATE));
        plant.take_curve_records(&parse_records(&records).expect("the record reads"));
        judged(&plant)
    };
    let kept = superseded(22);
    assert_eq!(kept.curve.standing, Standing::Superseded);
    assert!(kept.positions[0].estimate.estimate_mpa().is_some());
    let later = superseded(12);
    assert_eq!(later.curve.standing, Standing::NotApproved);
    assert!(
        later.curve.note.contains("before this pour began"),
        "{}",
        later.curve.note
    );
    assert_eq!(later.positions[0].estimate.estimate_mpa(), None);
}

#[test]
fn a_break_mended_after_its_pour_has_taught_counts_as_it_stands_from_then_on_and_as_before_until_then()
 {
    let taught_at = at(LATE + 120);
    let mut taught = finished(1, 1.0, true);
    taught.pour = "p".into();
    taught.known_at = taught_at;
    taught.curve_breaks[0].left_tarp_at = at(LATE);
    let broken = support::broke(7, LATE, "A", [30.0, 30.0]);
    let mut plant = support::plant_with(&[support::open_act(), broken], &[]);
    plant.take_summary(taught.clone());
    let replacement = Replacement {
        happened_at: None,
        why: None,
        body: Box::new(support::broke(0, LATE, "A", [33.0, 35.0]).body),
    };
    let corrected = ActBody::ActCorrected {
        corrected: 7,
        replacement,
    };
    plant.take_act(act(8, LATE + 500, corrected));
    let now = &plant.summaries()["p"];
    assert_eq!(now.known_at, at(LATE + 500));
    assert!((now.curve_breaks[0].broken.measured_mpa - 34.0).abs() < 1e-9);
    assert_eq!(now.curve_breaks[0].broken.own_maturity, Some(MATURITY_H));
    assert_eq!(plant.former_summaries(), [taught.clone()]);

    plant.take_act(act(9, LATE + 600, ActBody::ActStruck { struck: 8 }));
    plant.take_act(act(10, LATE + 700, ActBody::ActStruck { struck: 7 }));
    assert!(plant.summaries()["p"].curve_breaks.is_empty());
    let known: Vec<_> = plant
        .former_summaries()
        .iter()
        .map(|one| one.known_at)
        .collect();
    assert_eq!(known, [taught_at, at(LATE + 500), at(LATE + 600)]);
}

//! What broken cylinders confirm, undo and leave open, and who may sign on them.

mod support;

use daemon_core::act::{Act, ActBody, Load, PourOpened, SetPurpose, SetStorage};
use daemon_core::assessment::{ConfirmationState, PourAssessment, PourStatus};
use daemon_core::config::{PlantConfig, SetScope};
use daemon_core::{Content, Plant, Reading};
use support::{
    act, at, broke, config, opened, ordinary_c, ordinary_night, reading, set, sign,
    specimen_binding,
};

/// Long enough for the slowest position to be past the required strength.
const LATE: i64 = 16 * 60;

fn asked(config: PlantConfig, acts: &[Act], readings: &[Reading]) -> Plant {
    let mut plant = Plant::new(config);
    acts.iter().for_each(|act| plant.take_act(act.clone()));
    readings.iter().for_each(|reading| {
        plant.take_reading(reading);
    });
    plant
}

fn judged(acts: &[Act], readings: &[Reading], minute: i64) -> PourAssessment {
    let plant = asked(config(), acts, readings);
    plant
        .assess_pour("p", at(minute))
        .expect("the pour is known")
}

fn open(change: impl FnOnce(&mut PourOpened)) -> Act {
    let mut facts = opened();
    change(&mut facts);
    act(1, 61, ActBody::PourOpened(Box::new(facts)))
}

fn without_positions(facts: &mut PourOpened) {
    facts.positions.clear();
    facts.channels.clear();
}

/// Three loads along the pour; set A sampled the first, set B the last, set C both.
fn in_loads(facts: &mut PourOpened) {
    facts.loads = [("T1", 0.0), ("T2", 30.0), ("T3", 60.0)]
        .map(|(ticket, from_m)| Load {
            ticket: ticket.into(),
            batched_at: None,
            placed_from_at: at(0),
            placed_to_at: at(60),
            from_station_m: from_m,
            to_station_m: from_m + 30.0,
        })
        .into();
    for (index, loads) in [vec!["T1"], vec!["T3"], vec!["T1", "T3"]]
        .into_iter()
        .enumerate()
    {
        facts.cylinder_sets[index].loads = loads.into_iter().map(String::from).collect();
    }
}

fn waiting(pour: &PourAssessment) -> Vec<&str> {
    pour.confirmation
        .waiting_for
        .iter()
        .map(String::as_str)
        .collect()
}

fn holds(pour: &PourAssessment) -> Vec<&'static str> {
    pour.release_holds.iter().map(|hold| hold.kind).collect()
}

fn cautions(pour: &PourAssessment) -> Vec<&'static str> {
    pour.cautions.iter().map(|caution| caution.kind).collect()
}

fn code(plant: &Plant, act: &Act, minute: i64) -> &'static str {
    plant
        .check_act(act, at(minute))
        .expect_err("it must be refused")
        .code
}

#[test]
fn a_pass_from_outside_the_release_set_confirms_nothing_and_leaves_the_count() {
    let mut later = set("L");
    later.purpose = SetPurpose::Later;
    for positions in [true, false] {
        let opening = open(|facts| {
            facts.cylinder_sets.push(later.clone());
            if !positions {
                without_positions(facts);
            }
        });
        let mut passed = broke(7, LATE - 5, "L", [40.0, 40.0]);
        passed.why = Some("the release press is down".into());
        let pour = judged(&[opening, passed], &ordinary_night(LATE), LATE);
        assert!(pour.breaks[0].passes && !pour.breaks[0].is_release_set);
        assert!(
            pour.breaks[0]
                .notes
                .iter()
                .any(|note| note.contains("press is down"))
        );
        assert_eq!(pour.confirmation.state, ConfirmationState::NoBreak);
        assert_eq!(holds(&pour), ["no-confirming-break"]);
        assert_eq!(pour.confirmation.release_specimens_left, 6);
    }
}

#[test]
fn a_plant_without_sensors_is_confirmed_by_a_passing_release_set() {
    let acts = [open(without_positions), broke(7, LATE, "A", [25.0, 25.0])];
    let pour = judged(&acts, &[], LATE);
    assert_eq!(pour.confirmation.state, ConfirmationState::Confirmed);
    assert_eq!(pour.confirmation.breaks, [7]);
    assert_eq!(pour.status, PourStatus::Confirmed);
    assert!(cautions(&pour).contains(&"too-few-positions"));
}

#[test]
fn a_failed_load_stands_until_that_load_has_passed() {
    for positions in [true, false] {
        let opening = open(|facts| {
            in_loads(facts);
            if !positions {
                without_positions(facts);
            }
        });
        let failed = broke(7, LATE - 300, "A", [20.0, 20.0]);
        let other = broke(8, LATE - 100, "B", [30.0, 30.0]);
        let pour = judged(&[opening.clone(), failed.clone(), other.clone()], &[], LATE);
        assert_eq!(pour.confirmation.state, ConfirmationState::Failed);
        assert_eq!(holds(&pour), ["break-failed"]);
        assert!(
            pour.confirmation.words.contains("set A"),
            "{}",
            pour.confirmation.words
        );
        let made_up = broke(9, LATE, "C", [30.0, 30.0]);
        let pour = judged(&[opening, failed, other, made_up], &[], LATE);
        assert_eq!(pour.confirmation.state, ConfirmationState::Confirmed);
    }
}

#[test]
fn a_break_confirms_the_loads_it_sampled_and_those_that_nobody_did() {
    let acts = [open(in_loads), broke(7, LATE, "A", [30.0, 30.0])];
    let pour = judged(&acts, &[], LATE);
    assert_eq!(waiting(&pour), ["P3"]);
    assert_eq!(pour.confirmation.state, ConfirmationState::PassedInPart);
    assert!(
        pour.confirmation.words.contains("P3"),
        "{}",
        pour.confirmation.words
    );
    assert!(
        cautions(&pour).contains(&"load-not-sampled"),
        "T2 stands by others"
    );
}

#[test]
fn whether_a_set_stands_for_its_loads_or_the_whole_pour_is_the_plants_to_say() {
    let mut whole = config();
    whole.release.set_stands_for = SetScope::Pour;
    let judged_by = |config: &PlantConfig, acts: &[Act]| {
        let plant = asked(config.clone(), acts, &[]);
        plant.assess_pour("p", at(LATE)).expect("the pour is known")
    };
    let passed = [open(in_loads), broke(7, LATE, "A", [30.0, 30.0])];
    let by_loads = judged_by(&config(), &passed);
    assert_eq!(waiting(&by_loads), ["P3"]);
    let by_pour = judged_by(&whole, &passed);
    assert_eq!(by_pour.confirmation.state, ConfirmationState::Confirmed);
    assert!(!cautions(&by_pour).contains(&"load-not-sampled"));

    // A failure speaks for the whole pour too: a pass of another load soon after is judged with it,
    // and a later one makes it up.
    let failed = broke(7, LATE - 300, "A", [20.0, 20.0]);
    let soon = broke(8, LATE - 290, "B", [26.0, 26.0]);
    let pour = judged_by(&whole, &[open(in_loads), failed.clone(), soon.clone()]);
    assert!(pour.breaks[1].pooled.is_some());
    assert_eq!(pour.confirmation.state, ConfirmationState::Failed);
    let later = broke(9, LATE, "C", [30.0, 30.0]);
    let pour = judged_by(&whole, &[open(in_loads), failed, soon, later]);
    assert_eq!(pour.confirmation.state, ConfirmationState::Confirmed);
}

#[test]
fn sets_of_different_loads_are_not_judged_together() {
    let acts = [
        open(in_loads),
        broke(7, LATE - 20, "A", [20.0, 20.0]),
        broke(8, LATE - 10, "B", [30.0, 30.0]),
        broke(9, LATE, "C", [30.0, 30.0]),
    ];
    let pour = judged(&acts, &[], LATE);
    assert_eq!(pour.breaks[1].pooled, None);
    // C shares a load with both, so it is judged together with both.
    let pooled = pour.breaks[2]
        .pooled
        .as_ref()
        .expect("a failure came shortly before");
    assert!((pooled.mean_mpa - 160.0 / 6.0).abs() < 1e-9);
}

#[test]
fn sets_tested_at_one_moment_are_judged_alike_whichever_is_named_first() {
    for (first, second) in [([22.0, 22.0], [30.0, 30.0]), ([30.0, 30.0], [22.0, 22.0])] {
        let acts = [
            open(without_positions),
            broke(7, LATE, "A", first),
            broke(8, LATE, "B", second),
        ];
        let pour = judged(&acts, &[], LATE);
        let last = pour.breaks[1].pooled.as_ref().expect("they are one test");
        assert!((last.mean_mpa - 26.0).abs() < 1e-9 && last.passes);
        assert_eq!(pour.confirmation.state, ConfirmationState::Confirmed);
    }
}

#[test]
fn a_match_cured_set_confirms_only_the_position_it_followed() {
    let opening = open(|facts| {
        facts.cylinder_sets[0].storage = SetStorage::MatchCured;
        facts.cylinder_sets[0].follows_position = Some("P2".into());
    });
    let pour = judged(&[opening, broke(7, LATE, "A", [30.0, 30.0])], &[], LATE);
    assert_eq!(waiting(&pour), ["P1", "P3"]);
    assert_eq!(pour.confirmation.breaks, [7]);
}

#[test]
fn a_pass_without_a_history_counts_only_by_the_plants_rule_and_a_failure_always() {
    let mut strict = config();
    strict.release.count_specimens_without_history = false;
    for positions in [true, false] {
        let opening = open(|facts| {
            if !positions {
                without_positions(facts);
            }
        });
        let state = |strengths| {
            let acts = [opening.clone(), broke(7, LATE, "A", strengths)];
            let plant = asked(strict.clone(), &acts, &[]);
            plant
                .assess_pour("p", at(LATE))
                .expect("the pour is known")
                .confirmation
                .state
        };
        assert_eq!(state([30.0, 30.0]), ConfirmationState::PassedInPart);
        assert_eq!(state([20.0, 20.0]), ConfirmationState::Failed);
    }
}

#[test]
fn strengths_are_compared_unrounded_and_the_words_show_why() {
    // 3499.9 psi against 3500 psi: both read 24.1 MPa on a screen.
    let acts = [
        open(without_positions),
        broke(7, LATE, "A", [24.129, 24.130]),
    ];
    let words = judged(&acts, &[], LATE).confirmation.words;
    assert!(
        words.starts_with("Cylinders FAILED (set A: the mean is 24.1295 MPa of 24.1300 MPa)"),
        "{words}"
    );
    assert!(words.contains("do not release"), "{words}");
}

#[test]
fn a_single_specimen_far_below_fails_the_set_and_is_named() {
    let acts = [open(without_positions), broke(7, LATE, "A", [32.0, 20.0])];
    let pour = judged(&acts, &[], LATE);
    assert_eq!(pour.confirmation.state, ConfirmationState::Failed);
    assert!(
        pour.confirmation.words.contains("cylinder A2"),
        "{}",
        pour.confirmation.words
    );
    assert!(
        pour.breaks[0]
            .notes
            .iter()
            .any(|note| note.contains("differ by"))
    );
}

#[test]
fn a_load_gives_the_strength_by_the_sets_own_size() {
    // 101.6 mm across: 8107.3 mm², so 200 kN are 24.669 MPa.
    let mut pressed = broke(7, LATE, "A", [0.0, 0.0]);
    if let ActBody::BreakRecorded(result) = &mut pressed.body {
        for specimen in &mut result.specimens {
            (specimen.strength_mpa, specimen.load_kn) = (None, Some(200.0));
        }
    }
    let pour = judged(&[open(without_positions), pressed], &[], LATE);
    assert!(
        (pour.breaks[0].mean_mpa - 24.669).abs() < 1e-3,
        "{}",
        pour.breaks[0].mean_mpa
    );
    assert!(pour.breaks[0].passes);
}

#[test]
fn a_specimen_without_a_result_fails_its_set_and_stays_a_number() {
    let mut empty = broke(7, LATE, "A", [60.0, 0.0]);
    if let ActBody::BreakRecorded(result) = &mut empty.body {
        result.specimens[1].strength_mpa = None;
    }
    let pour = judged(&[open(without_positions), empty], &[], LATE);
    assert!(!pour.breaks[0].passes && pour.breaks[0].mean_mpa.is_finite());
    assert!(
        pour.breaks[0]
            .notes
            .iter()
            .any(|note| note.contains("no usable strength"))
    );
}

/// A pour whose set A has a channel of its own, and a night with it at a steady temperature.
fn followed(specimen_c: f64) -> (Act, Vec<Reading>) {
    let opening = open(|facts| {
        facts.channels.push(specimen_binding("s", "A"));
    });
    let mut readings = ordinary_night(LATE);
    let steps = (0..=LATE).step_by(5);
    readings
        .extend(steps.map(|minute| reading("s", minute, specimen_c + 0.1 * (minute % 3) as f64)));
    (opening, readings)
}

#[test]
fn a_break_far_below_the_curve_holds_until_somebody_resolves_it() {
    let (opening, readings) = followed(35.0);
    let weak = broke(7, LATE, "A", [25.0, 25.0]);
    let pour = judged(&[opening.clone(), weak.clone()], &readings, LATE);
    let ratio = pour.breaks[0].ratio.expect("the specimens have a history");
    assert!(ratio < 0.75, "{ratio}");
    assert!(holds(&pour).contains(&"disagreement"));
    let mut resolved = act(8, LATE, ActBody::DisagreementResolved { break_id: 7 });
    resolved.why = Some("moulds were found open".into());
    let pour = judged(&[opening, weak, resolved], &readings, LATE);
    assert!(!holds(&pour).contains(&"disagreement"));
}

#[test]
fn specimens_beyond_the_curves_data_never_show_a_pour_as_stronger() {
    let mut short = config();
    short.curves[0].file.range.maturity_max = 20.0;
    let (opening, readings) = followed(45.0);
    let acts = [opening, broke(7, LATE, "A", [55.0, 55.0])];
    let plant = asked(short, &acts, &readings);
    let pour = plant.assess_pour("p", at(LATE)).expect("the pour is known");
    let broken = &pour.breaks[0];
    assert!(
        broken
            .specimen_maturity
            .is_some_and(|maturity| maturity > 20.0)
    );
    assert!(broken.estimate_mpa.is_some_and(|estimate| estimate < 55.0));
    assert_eq!(broken.ratio, None);
}

#[test]
fn a_limit_breach_bars_shipping_and_never_signing() {
    // P2 is heated further than the others, no faster than concrete can be.
    let hotter_c = |minute: i64| ((minute - 300) as f64 / 12.0).clamp(0.0, 25.0);
    let mut readings = ordinary_night(LATE);
    for one in readings.iter_mut().filter(|one| &*one.channel == "c2") {
        let minute = (one.received_at.0 - at(0).0) / 60_000;
        one.content = Content::TemperatureC(ordinary_c(1, minute) + hotter_c(minute));
    }
    let pour = judged(
        &[open(|_| {}), broke(7, LATE, "A", [40.0, 40.0])],
        &readings,
        LATE,
    );
    assert_eq!(pour.piece_holds.len(), 1, "{:?}", pour.piece_holds);
    assert!(pour.piece_holds[0].text.contains("P2") && pour.piece_holds[0].text.contains("70.0"));
    assert!(!holds(&pour).contains(&"too-hot"));
}

#[test]
fn bridged_time_stays_in_sight_after_it_was_accepted() {
    let mut readings = ordinary_night(LATE);
    readings.retain(|one| {
        !(&*one.channel == "c1" && one.received_at > at(400) && one.received_at < at(600))
    });
    let pour = judged(&[open(|_| {})], &readings, LATE);
    assert!(cautions(&pour).contains(&"gaps"), "{:?}", pour.cautions);
    let mut accepted = act(
        5,
        700,
        ActBody::GapsAccepted {
            position: "P1".into(),
        },
    );
    accepted.why = Some("the yard was calm".into());
    let pour = judged(&[open(|_| {}), accepted], &readings, LATE);
    assert!(cautions(&pour).contains(&"gaps-accepted") && !cautions(&pour).contains(&"gaps"));
}

#[test]
fn a_position_that_waits_without_a_believed_sensor_is_named() {
    let mut readings = ordinary_night(LATE);
    readings.retain(|one| &*one.channel != "c3");
    let pour = judged(&[open(|_| {})], &readings, LATE);
    assert!(
        cautions(&pour).contains(&"sensor-not-believed"),
        "{:?}",
        pour.cautions
    );
}

#[test]
fn a_line_is_signed_whole_with_a_break_for_each_of_its_pours_and_after_the_test() {
    let second = |id, bed: &str| {
        let mut opening = open(|facts| {
            facts.bed = bed.into();
            facts.layer = Some("topping".into());
            facts.channels.clear();
        });
        (opening.id, opening.pour) = (id, "q".into());
        opening
    };
    let mut topping = broke(8, LATE, "A", [45.0, 45.0]);
    topping.pour = "q".into();
    let acts = [
        open(|_| {}),
        second(2, "B1"),
        broke(7, LATE, "A", [45.0, 45.0]),
        topping,
    ];
    let plant = asked(config(), &acts, &ordinary_night(LATE));
    let signing = |minute, pours: &[&str], breaks: &[u128]| {
        let mut signed = sign(20, minute, breaks);
        if let ActBody::ReleaseSigned(body) = &mut signed.body {
            body.pours = pours.iter().map(|pour| (*pour).to_owned()).collect();
            body.reason_without_estimate = Some("the topping has no sensors".into());
        }
        signed
    };
    assert_eq!(
        code(&plant, &signing(LATE, &["p"], &[7]), LATE),
        "line-not-whole"
    );
    assert_eq!(
        code(&plant, &signing(LATE, &["p", "z"], &[7]), LATE),
        "unknown-pour"
    );
    let both = ["p", "q"];
    assert_eq!(
        code(&plant, &signing(LATE, &both, &[7]), LATE),
        "pour-without-break"
    );
    assert_eq!(
        code(&plant, &signing(LATE - 1, &both, &[7, 8]), LATE),
        "released-before-tested"
    );
    let said = plant
        .check_act(&signing(LATE, &both, &[7, 8]), at(LATE))
        .expect("it may be signed");
    assert!(
        said.iter().any(|caution| caution.contains("history")),
        "{said:?}"
    );
    let elsewhere = [
        open(|_| {}),
        second(2, "B2"),
        broke(7, LATE, "A", [45.0, 45.0]),
    ];
    let plant = asked(config(), &elsewhere, &ordinary_night(LATE));
    plant
        .check_act(&signing(LATE, &["p"], &[7]), at(LATE))
        .expect("another bed is another line");
}

#[test]
fn a_maturity_below_the_curves_data_is_no_estimate_to_sign_on() {
    let mut late_curve = config();
    late_curve.curves[0].file.range.maturity_min = 600.0;
    let acts = [open(|_| {}), broke(7, LATE, "A", [30.0, 30.0])];
    let plant = asked(late_curve, &acts, &ordinary_night(LATE));
    assert_eq!(code(&plant, &sign(9, LATE, &[7]), LATE), "reason-needed");
}

#[test]
fn only_later_cylinders_are_broken_once_the_pieces_have_left_the_bed() {
    let mut later = set("L");
    later.purpose = SetPurpose::Later;
    let mut acts = vec![
        open(|facts| facts.cylinder_sets.push(later)),
        broke(7, LATE, "A", [30.0, 30.0]),
        sign(9, LATE, &[7]),
    ];
    let plant = asked(config(), &acts, &[]);
    let early = act(10, LATE - 1, ActBody::Stripped);
    assert_eq!(code(&plant, &early, LATE), "stripped-before-released");
    acts.push(act(10, LATE + 60, ActBody::Stripped));
    let plant = asked(config(), &acts, &[]);
    let month = LATE + 28 * 24 * 60;
    let mut at_28_days = broke(11, month, "L", [50.0, 50.0]);
    at_28_days.why = Some("28 days".into());
    plant
        .check_act(&at_28_days, at(month))
        .expect("it belongs to the record");
    assert_eq!(
        code(&plant, &broke(12, month, "B", [50.0, 50.0]), month),
        "pour-finished"
    );
    let heat = act(13, month, ActBody::HeatSwitched { on: true });
    assert_eq!(code(&plant, &heat, month), "pour-finished");
    let mut next = open(|facts| facts.channels.clear());
    next.pour = "q".into();
    assert_eq!(code(&plant, &next, month), "pours-overlap");
}

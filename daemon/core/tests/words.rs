//! The words of pass and fail: chosen in one place, with the number that decided.

mod support;

use daemon_core::act::{Act, ActBody, HeatPlan, SetPurpose};
use daemon_core::assessment::{
    BreakSays, BreakTimeKind, DecidedBy, Outcome, PourAssessment, PourStatus,
};
use daemon_core::config::PlantConfig;
use daemon_core::release::status_words;
use support::{
    act, at, broke, config, open_act, opened, ordinary_night, plant_of, reading, set, sign,
    specimen_binding,
};
use units::{Megapascal, UnitSystem};

/// Long enough for the slowest position to be past the required strength.
const LATE: i64 = 16 * 60;

fn us() -> PlantConfig {
    PlantConfig {
        units: UnitSystem::Us,
        ..config()
    }
}

fn judged(acts: &[Act], minute: i64) -> PourAssessment {
    let mut all = vec![open_act()];
    all.extend_from_slice(acts);
    let plant = plant_of(us(), &all, &ordinary_night(LATE));
    plant
        .assess_pour("p", at(minute))
        .expect("the pour is known")
}

fn psi(id: u128, minute: i64, set: &str, each: [f64; 2]) -> Act {
    broke(id, minute, set, each.map(|one| Megapascal::from_psi(one).0))
}

/// All that is said of a pour's cylinders.
fn said(pour: &PourAssessment) -> Vec<String> {
    let said = &pour.confirmation;
    let mut texts = vec![
        said.words.clone(),
        said.short.clone(),
        said.shortest.to_owned(),
        status_words(pour.status, said.outcome).to_owned(),
    ];
    texts.extend(pour.breaks.iter().map(|one| one.words.clone()));
    texts.extend(pour.breaks.iter().map(|one| one.short.clone()));
    texts.extend(pour.release_holds.iter().map(|one| one.text.clone()));
    texts
}

#[test]
fn a_set_that_passes_soon_after_a_failed_one_is_never_said_to_have_passed() {
    let pour = judged(
        &[
            psi(7, LATE - 30, "A", [2900.0, 3000.0]),
            psi(8, LATE - 10, "B", [3620.0, 3640.0]),
        ],
        LATE,
    );
    assert_eq!(pour.confirmation.outcome, Outcome::Failed);
    for text in said(&pour) {
        assert!(
            !text.contains("pass") || text.contains("another set passes"),
            "{text}"
        );
    }
    assert_eq!(pour.confirmation.short, "FAILED: A+B 3290 psi of 3500 psi");
    assert_eq!(
        pour.breaks[1].words,
        "3630 psi (3620, 3640) of 3500 psi: FAILED, judged together with set A, broken less than 45 min \
         before it: the mean of A and B is 3290 psi of 3500 psi"
    );
    assert_eq!(
        status_words(pour.status, pour.confirmation.outcome),
        match pour.status {
            PourStatus::BreakDue => "break FAILED, next break due",
            _ => "break FAILED, curing",
        }
    );
}

#[test]
fn one_low_cylinder_is_named_as_the_reason_wherever_the_failure_is_told() {
    let pour = judged(&[psi(7, LATE, "A", [4600.0, 2900.0])], LATE);
    let decided = pour.confirmation.decided.clone().expect("it failed");
    assert_eq!(
        (decided.by, decided.specimen.as_deref()),
        (DecidedBy::Cylinder, Some("A2"))
    );
    assert_eq!(
        pour.breaks[0].words,
        "3750 psi (4600, 2900) of 3500 psi: FAILED: cylinder A2 is 2900 psi and must be 2970 psi or more"
    );
    assert_eq!(
        pour.confirmation.short,
        "FAILED: one cylinder 2900 psi of 2970 psi"
    );
    assert!(pour.confirmation.words.contains("cylinder A2 is 2900 psi"));
}

#[test]
fn two_strengths_that_round_alike_are_shown_apart_everywhere() {
    let pour = judged(&[psi(7, LATE, "A", [3497.0, 3498.0])], LATE);
    let texts = said(&pour);
    let numbers = texts.iter().filter(|text| text.contains("psi"));
    for text in numbers.clone() {
        assert!(text.contains("3498 psi") || text.contains("3497"), "{text}");
        assert!(
            !text.contains("3500 psi (") && !text.contains("(3500"),
            "{text}"
        );
    }
    assert!(numbers.count() >= 4, "{texts:?}");
}

#[test]
fn passed_is_said_only_of_cylinders_that_confirm_the_whole_pour() {
    let mut later = set("L");
    later.purpose = SetPurpose::Later;
    let mut facts = opened();
    facts.cylinder_sets.push(later);
    facts.channels.push(specimen_binding("s", "A"));
    let opening = act(1, 61, ActBody::PourOpened(Box::new(facts)));
    let mut readings = ordinary_night(LATE);
    let warm = (0..=LATE).step_by(5);
    readings.extend(warm.map(|minute| reading("s", minute, 60.0 + 0.1 * (minute % 3) as f64)));
    let mut strict = us();
    strict.release.count_specimens_without_history = false;
    let ask = |acts: &[Act], minute| {
        let mut all = vec![opening.clone()];
        all.extend_from_slice(acts);
        let plant = plant_of(strict.clone(), &all, &readings);
        plant
            .assess_pour("p", at(minute))
            .expect("the pour is known")
    };
    let ahead = ask(&[psi(7, 500, "A", [3900.0, 3950.0])], 510);
    let uncounted = ask(&[psi(7, LATE, "B", [3900.0, 3950.0])], LATE);
    let mut of_later = psi(7, LATE, "L", [3900.0, 3950.0]);
    of_later.why = Some("the press was free".into());
    let of_later = ask(&[of_later], LATE);
    for (pour, outcome, says) in [
        (&ahead, Outcome::NotConfirmed, BreakSays::Confirms),
        (&uncounted, Outcome::DoesNotCount, BreakSays::DoesNotCount),
        (&of_later, Outcome::NotBroken, BreakSays::NotForRelease),
    ] {
        assert_eq!(
            (pour.confirmation.outcome, pour.breaks[0].says),
            (outcome, says)
        );
        for text in said(pour) {
            assert!(!text.to_lowercase().contains("pass"), "{outcome:?}: {text}");
        }
    }
    assert_eq!(ahead.confirmation.short, "NOT CONFIRMED: P1, P2, P3 to go");
}

#[test]
fn what_waits_for_its_maturity_is_told_when_it_has_it_and_that_waiting_is_sooner() {
    let mut facts = opened();
    facts.channels.push(specimen_binding("s", "A"));
    facts.heat_plan = None;
    let opening = act(1, 61, ActBody::PourOpened(Box::new(facts)));
    let readings = |until: i64| {
        let mut readings = ordinary_night(until);
        let warm = (0..=500).step_by(5);
        readings.extend(warm.map(|minute| reading("s", minute, 55.0 + 0.1 * (minute % 3) as f64)));
        readings
    };
    let acts = [opening, psi(7, 500, "A", [3900.0, 3950.0])];
    let early = plant_of(us(), &acts, &readings(510))
        .assess_pour("p", at(510))
        .expect("the pour is known");
    assert_eq!(early.confirmation.outcome, Outcome::NotConfirmed);
    let waits = &early.confirmation.catch_up;
    assert_eq!(waits.len(), 3, "{waits:?}");
    let last = waits.iter().map(|one| one.likely_at).max().flatten();
    let last = last.expect("a forecast tells when");
    assert!(last > at(510), "{last:?}");
    assert!(
        early.confirmation.words.contains("P3 about "),
        "{}",
        early.confirmation.words
    );
    // The answer of later readings: it is confirmed about then, and not long before.
    let confirmed = (510..40 * 60).step_by(30).find(|minute| {
        let plant = plant_of(us(), &acts, &readings(*minute));
        let pour = plant.assess_pour("p", at(*minute));
        pour.is_some_and(|pour| pour.confirmation.outcome == Outcome::Confirmed)
    });
    let confirmed = at(confirmed.expect("it catches up within two days"));
    assert!(
        confirmed.hours_since(last).abs() < 1.5,
        "told {last:?}, came {confirmed:?}"
    );
    // Set B has no record of its own and counts by this plant's rule: it confirms at once if it passes.
    assert!(early.confirmation.is_break_sooner);
    let mut strict = us();
    strict.release.count_specimens_without_history = false;
    let strict = plant_of(strict, &acts, &readings(510))
        .assess_pour("p", at(510))
        .expect("the pour is known");
    assert!(!strict.confirmation.is_break_sooner);
    assert!(
        strict
            .confirmation
            .words
            .ends_with("Waiting is sooner than another set."),
        "{}",
        strict.confirmation.words
    );
}

#[test]
fn several_times_to_break_are_told_each_with_its_chance() {
    let mut facts = opened();
    facts.wanted_release_at = Some(at(600));
    let opening = act(1, 61, ActBody::PourOpened(Box::new(facts)));
    let plant = plant_of(us(), &[opening], &ordinary_night(360));
    let pour = plant.assess_pour("p", at(360)).expect("the pour is known");
    let times = &pour.forecast.break_times;
    let kinds: Vec<BreakTimeKind> = times.iter().map(|one| one.kind).collect();
    for kind in [
        BreakTimeKind::Even,
        BreakTimeKind::Wanted,
        BreakTimeKind::Aimed,
    ] {
        assert!(kinds.contains(&kind), "{times:?}");
    }
    assert!(
        times.is_sorted_by(|one, other| one.at <= other.at && one.probability <= other.probability)
    );
    for one in times {
        let expected = match one.kind {
            BreakTimeKind::Even => (0.5..0.6).contains(&one.probability),
            BreakTimeKind::Wanted => one.at == at(600),
            BreakTimeKind::Aimed => (0.9..1.0).contains(&one.probability),
        };
        assert!(expected, "{one:?}");
        assert!(one.words().contains("to pass"));
    }
}

#[test]
fn a_set_that_fails_after_the_signature_is_never_hidden_by_it() {
    let signed = [psi(7, LATE, "A", [3700.0, 3720.0]), sign(8, LATE, &[7])];
    let mut with_failure = signed.to_vec();
    with_failure.push(psi(9, LATE + 5, "B", [2000.0, 2100.0]));
    let pour = judged(&signed, LATE + 10);
    assert_eq!(pour.confirmation.outcome, Outcome::Released);
    let pour = judged(&with_failure, LATE + 10);
    assert_eq!(pour.confirmation.outcome, Outcome::FailedAfterRelease);
    assert!(pour.confirmation.outcome.is_failed());
    assert!(
        pour.confirmation.words.contains("FAILED")
            && pour.confirmation.words.contains("do not cut"),
        "{}",
        pour.confirmation.words
    );
    assert!(pour.confirmation.short.starts_with("FAILED"));
}

#[test]
fn a_window_that_is_past_while_nothing_is_broken_proves_nothing() {
    let pour = judged(&[], LATE);
    assert!(pour.forecast.late_at.is_some_and(|late| late <= at(LATE)));
    assert_eq!(pour.forecast.unproven_since, pour.forecast.likely_at);
    let passed = judged(&[psi(7, LATE, "A", [3700.0, 3720.0])], LATE);
    assert_eq!(passed.confirmation.outcome, Outcome::Confirmed);
    assert_eq!(passed.forecast.unproven_since, None);
    assert!(passed.forecast.break_times.is_empty());
}

#[test]
fn after_cylinders_that_failed_no_alarm_asks_for_the_heat_to_be_off() {
    let mut facts = opened();
    facts.heat_plan = Some(HeatPlan {
        on_at: Some(at(180)),
        rise_c_per_h: None,
        soak_c: None,
        off_at: Some(at(600)),
    });
    let opening = act(1, 61, ActBody::PourOpened(Box::new(facts)));
    let heated = act(2, 180, ActBody::HeatSwitched { on: true });
    let asks = |acts: &[Act]| {
        let mut all = vec![opening.clone(), heated.clone()];
        all.extend_from_slice(acts);
        let plant = plant_of(us(), &all, &ordinary_night(700));
        let told = plant.assess(at(700)).troubles;
        told.iter().any(|one| one.kind == "heat-still-on")
    };
    assert!(
        asks(&[]),
        "an hour and a half after the plan it is asked for"
    );
    assert!(!asks(&[psi(7, 650, "A", [2000.0, 2100.0])]));
}

//! Breaks, holds, sign-off and the refusals of acts, asked of a whole plant.

mod support;

use daemon_core::Plant;
use daemon_core::act::HeatPlan;
use daemon_core::act::{Act, ActBody, Load, Placement, PourOpened, Requirement, StrengthAct};
use daemon_core::assessment::{
    ConfirmationState, PourAssessment, PourStatus, Standing, Trouble, Urgency,
};
use support::{
    act, at, binding, broke, config, open_act, opened, ordinary_night, plant_with, set, sign,
    specimen_binding,
};

/// Long enough for the slowest position to be past the required strength.
const LATE: i64 = 16 * 60;

fn late_plant(acts: &[Act]) -> Plant {
    let mut all = vec![open_act()];
    all.extend_from_slice(acts);
    plant_with(&all, &ordinary_night(LATE))
}

fn assessed(plant: &Plant, minute: i64) -> PourAssessment {
    plant
        .assess_pour("p", at(minute))
        .expect("the pour is known")
}

fn hold_kinds(pour: &PourAssessment) -> Vec<&'static str> {
    pour.release_holds.iter().map(|hold| hold.kind).collect()
}

fn refusal(plant: &Plant, act: &Act) -> &'static str {
    plant
        .check_act(act, at(LATE))
        .expect_err("it must be refused")
        .code
}

#[test]
fn without_a_break_a_strong_estimate_releases_nothing() {
    let plant = late_plant(&[]);
    let pour = assessed(&plant, LATE);
    let governing = &pour.positions[pour.governing.expect("one governs")];
    assert_eq!(governing.id, "P3");
    assert!(
        governing.estimate.lower_90_mpa() > 24.13,
        "{:?}",
        governing.estimate
    );
    assert_eq!(pour.status, PourStatus::BreakDue);
    assert_eq!(hold_kinds(&pour), ["no-confirming-break"]);
    assert_eq!(refusal(&plant, &sign(9, LATE, &[7])), "hold-stands");
}

#[test]
fn a_passing_break_confirms_and_a_person_signs() {
    let mut plant = late_plant(&[broke(7, LATE - 5, "A", [45.0, 46.0])]);
    let pour = assessed(&plant, LATE);
    assert_eq!(pour.status, PourStatus::Confirmed);
    assert!(pour.release_holds.is_empty(), "{:?}", pour.release_holds);
    assert_eq!(
        pour.confirmation.words,
        "Cylinders passed, not released: QC signs the release."
    );
    assert_eq!(
        refusal(&plant, &sign(9, LATE, &[8])),
        "break-does-not-confirm"
    );
    assert_eq!(refusal(&plant, &sign(9, LATE, &[])), "no-breaks-named");
    let first = sign(9, LATE, &[7]);
    plant.check_act(&first, at(LATE)).expect("it may be signed");
    plant.take_act(first);
    assert_eq!(assessed(&plant, LATE).status, PourStatus::Released);
    assert_eq!(refusal(&plant, &sign(10, LATE, &[7])), "already-released");
}

#[test]
fn a_failed_break_holds_and_one_soon_after_is_judged_with_it() {
    let failed = broke(7, LATE - 90, "A", [20.0, 21.0]);
    let pour = assessed(&late_plant(std::slice::from_ref(&failed)), LATE - 80);
    assert_eq!(pour.confirmation.state, ConfirmationState::Failed);
    assert!(hold_kinds(&pour).contains(&"break-failed"));
    // Twenty minutes later the next set just passes by itself, but not together with the first.
    let soon = late_plant(&[failed.clone(), broke(8, LATE - 70, "B", [25.0, 25.0])]);
    assert_eq!(
        assessed(&soon, LATE).confirmation.state,
        ConfirmationState::Failed
    );
    let later = late_plant(&[failed, broke(8, LATE - 5, "B", [25.0, 25.0])]);
    assert_eq!(
        assessed(&later, LATE).confirmation.state,
        ConfirmationState::Confirmed
    );
}

#[test]
fn nobody_is_told_to_wait_for_a_break_when_no_specimen_is_left() {
    let failed = |id: u128, set: &str| broke(id, LATE - 90 + id as i64, set, [20.0, 21.0]);
    let told = |sets: &[&str]| {
        let ids = (7..).zip(sets);
        let breaks: Vec<Act> = ids.map(|(id, set)| failed(id, set)).collect();
        let assessment = late_plant(&breaks).assess(at(LATE));
        let trouble = assessment
            .troubles
            .iter()
            .find(|one| one.kind == "break-failed");
        let trouble = trouble.expect("they failed");
        let hold = &assessment.pours[0].release_holds[0];
        (
            trouble.what.clone(),
            trouble.first_act.to_string(),
            hold.text.clone(),
        )
    };
    let (what, first_act, hold) = told(&["A", "B"]);
    assert_eq!(
        what,
        "Cylinders failed. The next set passes with 90 % from 10:00. 2 release specimens are left."
    );
    assert!(
        first_act.contains("wait for the next break time"),
        "{first_act}"
    );
    assert!(hold.contains("then break another set"), "{hold}");
    let (what, first_act, hold) = told(&["A", "B", "C"]);
    assert_eq!(what, "Cylinders failed. No release specimens are left.");
    assert!(
        first_act.contains("QC and the engineer decide"),
        "{first_act}"
    );
    assert!(hold.contains("No release specimens are left"), "{hold}");
}

#[test]
fn a_failure_after_a_pass_undoes_it() {
    let plant = late_plant(&[
        broke(7, LATE - 90, "A", [27.0, 27.0]),
        broke(8, LATE - 5, "B", [20.0, 20.0]),
    ]);
    assert_eq!(
        assessed(&plant, LATE).confirmation.state,
        ConfirmationState::Failed
    );
}

#[test]
fn specimens_warmer_than_the_slowest_position_confirm_it_only_once_it_has_caught_up() {
    let mut warm = opened();
    warm.channels.push(specimen_binding("s", "A"));
    let mut readings = ordinary_night(LATE);
    readings.extend(
        (0..=LATE)
            .step_by(5)
            .map(|minute| support::reading("s", minute, 60.0 + 0.1 * (minute % 3) as f64)),
    );
    let acts = [
        act(1, 61, ActBody::PourOpened(Box::new(warm))),
        broke(7, 500, "A", [27.0, 27.0]),
    ];
    let plant = plant_with(&acts, &readings);
    let early = assessed(&plant, 510);
    assert_eq!(early.confirmation.state, ConfirmationState::PassedInPart);
    assert!(
        early.confirmation.waiting_for.contains(&"P3".to_owned()),
        "{:?}",
        early.confirmation
    );
    let own = early.breaks[0]
        .specimen_maturity
        .expect("the specimens have a history");
    assert!(own > early.positions[2].estimate.maturity().expect("P3 has one"));
    assert!(early.breaks[0].ratio.is_some());
    let caught_up = assessed(&plant_with(&acts, &ordinary_longer(&readings)), 40 * 60);
    assert_eq!(caught_up.confirmation.state, ConfirmationState::Confirmed);
}

fn ordinary_longer(readings: &[daemon_core::Reading]) -> Vec<daemon_core::Reading> {
    let mut longer = readings.to_vec();
    longer.extend((LATE..40 * 60).step_by(5).flat_map(|minute| {
        (0..3).map(move |channel| {
            let value = support::ordinary_c(channel, minute);
            support::reading(&format!("c{}", channel + 1), minute, value)
        })
    }));
    longer
}

#[test]
fn a_plant_without_a_curve_releases_on_cylinders_with_a_reason() {
    let facts = PourOpened {
        mix: "M60".into(),
        ..opened()
    };
    let acts = [
        act(1, 61, ActBody::PourOpened(Box::new(facts))),
        broke(7, LATE, "A", [27.0, 27.0]),
    ];
    let plant = plant_with(&acts, &ordinary_night(LATE));
    let pour = assessed(&plant, LATE);
    assert_eq!(pour.curve.standing, Standing::None);
    assert_eq!(pour.status, PourStatus::Confirmed);
    assert!(pour.cautions.iter().any(|caution| caution.kind == "curve"));
    assert_eq!(refusal(&plant, &sign(9, LATE, &[7])), "reason-needed");
    let mut signed = sign(9, LATE, &[7]);
    if let ActBody::ReleaseSigned(body) = &mut signed.body {
        body.reason_without_estimate = Some("no curve for this mix yet".into());
    }
    plant
        .check_act(&signed, at(LATE))
        .expect("cylinders and a reason release");
}

#[test]
fn a_position_left_out_is_named_and_no_longer_waited_for() {
    let mut leave_out = act(
        5,
        700,
        ActBody::PositionExcluded {
            position: "P3".into(),
        },
    );
    let plant = late_plant(&[]);
    assert_eq!(refusal(&plant, &leave_out), "reason-needed");
    leave_out.why = Some("wire pulled out at stripping the end form".into());
    let plant = late_plant(&[leave_out]);
    let pour = assessed(&plant, LATE);
    assert_ne!(
        pour.positions[pour.governing.expect("one governs")].id,
        "P3"
    );
    assert!(
        pour.cautions
            .iter()
            .any(|caution| caution.kind == "position-excluded")
    );
}

/// A refusal's code, and how to spoil an ordinary pour so that it is given.
type Case = (&'static str, Box<dyn Fn(&mut PourOpened)>);

#[test]
fn every_way_to_open_a_pour_wrongly_is_refused_by_name() {
    let cases: Vec<Case> = vec![
        ("unknown-bed", Box::new(|facts| facts.bed = "B9".into())),
        ("unknown-mix", Box::new(|facts| facts.mix = "M99".into())),
        (
            "unknown-limit-set",
            Box::new(|facts| facts.limit_set = Some("none".into())),
        ),
        (
            "off-the-stations",
            Box::new(|facts| facts.to_station_m = 400.0),
        ),
        (
            "off-the-stations",
            Box::new(|facts| facts.positions[0].station_m = 95.0),
        ),
        (
            "off-the-stations",
            Box::new(|facts| facts.from_station_m = f64::NAN),
        ),
        (
            "placement-backwards",
            Box::new(|facts| facts.last_placement_at = Some(at(-5))),
        ),
        (
            "first-placement-missing",
            Box::new(|facts| facts.first_placement_at = None),
        ),
        (
            "future-act",
            Box::new(|facts| facts.last_placement_at = Some(at(LATE + 60))),
        ),
        (
            "position-named-twice",
            Box::new(|facts| facts.positions[1].id = "P1".into()),
        ),
        (
            "channel-bound-twice",
            Box::new(|facts| facts.channels[1].channel = "c1".into()),
        ),
        (
            "binding-without-position",
            Box::new(|facts| facts.channels.push(binding("c9", "P9"))),
        ),
        (
            "no-release-strength",
            Box::new(|facts| facts.required.clear()),
        ),
        (
            "implausible-strength",
            Box::new(|facts| {
                facts.required = vec![Requirement {
                    act: StrengthAct::Release,
                    strength_mpa: 3500.0,
                }];
            }),
        ),
        (
            "specimen-named-twice",
            Box::new(|facts| facts.cylinder_sets[0].specimens[1] = "A1".into()),
        ),
        (
            "implausible-cylinder",
            Box::new(|facts| facts.cylinder_sets[0].diameter_mm = 4.0),
        ),
    ];
    let plant = Plant::new(config());
    plant
        .check_act(&open_act(), at(LATE))
        .expect("the ordinary pour opens");
    for (code, spoil) in cases {
        let mut facts = opened();
        spoil(&mut facts);
        let spoilt = act(1, 61, ActBody::PourOpened(Box::new(facts)));
        assert_eq!(refusal(&plant, &spoilt), code);
    }
}

#[test]
fn pours_may_not_overlap_unless_a_layer_is_named() {
    let plant = late_plant(&[]);
    let second = |change: fn(&mut PourOpened)| {
        let mut facts = opened();
        facts.channels.clear();
        change(&mut facts);
        let mut act = act(2, 62, ActBody::PourOpened(Box::new(facts)));
        act.pour = "q".into();
        act
    };
    assert_eq!(refusal(&plant, &second(|_| {})), "pours-overlap");
    assert_eq!(refusal(&plant, &open_act()), "pour-exists");
    plant
        .check_act(
            &second(|facts| facts.layer = Some("topping".into())),
            at(LATE),
        )
        .expect("a named layer may lie over it");
    let elsewhere = second(|facts| {
        facts.bed = "B2".into();
        facts.channels = vec![binding("c1", "P1")];
    });
    assert_eq!(refusal(&plant, &elsewhere), "channel-bound-twice");
}

#[test]
fn a_required_strength_that_the_curve_never_reaches_is_a_caution() {
    let mut facts = opened();
    facts.required = vec![Requirement {
        act: StrengthAct::Release,
        strength_mpa: 70.0,
    }];
    let high = act(1, 61, ActBody::PourOpened(Box::new(facts)));
    let cautions = Plant::new(config())
        .check_act(&high, at(LATE))
        .expect("it is no refusal");
    assert!(
        cautions.iter().any(|text| text.contains("never reaches")),
        "{cautions:?}"
    );
}

#[test]
fn later_acts_are_refused_by_name() {
    let plant = late_plant(&[broke(7, LATE - 30, "A", [27.0, 27.0])]);
    let load = |from_m, to_m, from: i64, to: i64| {
        ActBody::LoadPlaced(Load {
            ticket: "T1".into(),
            batched_at: None,
            placed_from_at: at(from),
            placed_to_at: at(to),
            from_station_m: from_m,
            to_station_m: to_m,
        })
    };
    let cases = [
        (
            "unknown-position",
            ActBody::HandProbed {
                position: "P9".into(),
                temperature_c: 40.0,
            },
        ),
        (
            "implausible-temperature",
            ActBody::HandProbed {
                position: "P1".into(),
                temperature_c: 140.0,
            },
        ),
        ("load-backwards", load(0.0, 30.0, 20, 10)),
        ("off-the-stations", load(0.0, 300.0, 0, 10)),
        (
            "placement-backwards",
            ActBody::PlacementRecorded(Placement {
                last_at: Some(at(-60)),
                ..Placement::default()
            }),
        ),
        (
            "unknown-set",
            ActBody::CylindersPulled {
                set: "Z".into(),
                specimens: Vec::new(),
            },
        ),
        (
            "unknown-break",
            ActBody::DisagreementResolved { break_id: 99 },
        ),
        ("not-released", ActBody::Stripped),
        ("reason-needed", ActBody::Abandoned),
        (
            "reason-needed",
            ActBody::GapsAccepted {
                position: "P1".into(),
            },
        ),
        (
            "channel-bound-twice",
            ActBody::PlugMoved({
                let mut moved = binding("c1", "P2");
                moved.from_at = None;
                moved
            }),
        ),
    ];
    // The plug's channel was bound at the same moment once already.
    let mut moved = act(20, 300, ActBody::PlugMoved(binding("c1", "P2")));
    let mut plant = plant;
    plant.take_act(moved.clone());
    moved.id = 21;
    for (code, body) in cases {
        assert_eq!(refusal(&plant, &act(30, 300, body)), code);
    }
    let mut nameless = broke(31, LATE, "B", [27.0, 27.0]);
    nameless.by = " ".into();
    assert_eq!(refusal(&plant, &nameless), "name-missing");
    let mut stranger = broke(31, LATE, "B", [27.0, 27.0]);
    stranger.pour = "q".into();
    assert_eq!(refusal(&plant, &stranger), "unknown-pour");
    assert_eq!(
        refusal(&plant, &broke(31, LATE, "A", [27.0, 27.0])),
        "specimen-broken-twice"
    );
    assert_eq!(
        refusal(&plant, &broke(31, LATE, "B", [3900.0, 4000.0])),
        "implausible-strength"
    );
    assert_eq!(
        refusal(&plant, &broke(31, LATE + 60, "B", [27.0, 27.0])),
        "future-act"
    );
    assert_eq!(
        refusal(&plant, &broke(31, -60, "B", [27.0, 27.0])),
        "tested-before-placed"
    );
}

#[test]
fn a_set_for_a_later_age_is_broken_only_with_a_reason() {
    let mut later = set("L");
    later.purpose = daemon_core::act::SetPurpose::Later;
    let plant = late_plant(&[act(5, 65, ActBody::CylindersMade(later))]);
    let mut broken = broke(31, LATE, "L", [27.0, 27.0]);
    assert_eq!(refusal(&plant, &broken), "reason-needed");
    broken.why = Some("the release sets are used up".into());
    plant
        .check_act(&broken, at(LATE))
        .expect("with a reason it is recorded");
}

#[test]
fn a_pour_that_nobody_ended_is_told_of_after_four_days_until_it_is_stripped() {
    let mut plant = late_plant(&[]);
    let begins_at = plant.pours()["p"].begins_at();
    let told = |plant: &Plant, hours: f64| {
        let troubles = plant.assess(begins_at.plus_hours(hours)).troubles;
        troubles.into_iter().find(|one| one.kind == "not-ended")
    };
    assert_eq!(told(&plant, 96.0), None);
    let trouble = told(&plant, 121.0).expect("it was forgotten");
    assert_eq!(trouble.since, begins_at.plus_hours(96.0));
    assert!(
        trouble.what.starts_with("On its bed for 5 days"),
        "{}",
        trouble.what
    );
    plant.take_act(act(9, LATE, ActBody::Stripped));
    assert_eq!(told(&plant, 121.0), None);
}

fn trouble_of(plant: &Plant, kind: &str, minute: i64) -> Option<Trouble> {
    let found = plant.assess(at(minute)).troubles;
    found.into_iter().find(|one| one.kind == kind)
}

fn wanted_plant(wanted_min: i64, acts: &[Act]) -> Plant {
    let mut facts = opened();
    facts.wanted_release_at = Some(at(wanted_min));
    let mut all = vec![act(1, 61, ActBody::PourOpened(Box::new(facts)))];
    all.extend_from_slice(acts);
    plant_with(&all, &ordinary_night(LATE))
}

#[test]
fn a_line_whose_cylinders_passed_calls_qc_until_somebody_has_signed() {
    let mut plant = late_plant(&[broke(7, LATE - 5, "A", [27.0, 28.0])]);
    let due = trouble_of(&plant, "signature-due", LATE).expect("it waits for a person");
    assert_eq!((due.urgency, due.since), (Urgency::Soon, at(LATE - 5)));
    plant.take_act(sign(9, LATE, &[7]));
    assert_eq!(trouble_of(&plant, "signature-due", LATE + 1), None);
}

#[test]
fn a_wanted_time_that_has_passed_is_told_and_explained_by_a_signature_that_is_due() {
    let waits = wanted_plant(LATE - 30, &[]);
    assert_eq!(trouble_of(&waits, "overdue", LATE - 31), None);
    let passed = trouble_of(&waits, "overdue", LATE).expect("it is not released");
    assert_eq!(passed.since, at(LATE - 30));
    assert_eq!(passed.explained_by, None);
    assert_eq!(
        trouble_of(&waits, "late", LATE),
        None,
        "one statement of it"
    );
    let confirmed = wanted_plant(LATE - 30, &[broke(7, LATE - 5, "A", [27.0, 28.0])]);
    let passed = trouble_of(&confirmed, "overdue", LATE).expect("it is not signed");
    let due = trouble_of(&confirmed, "signature-due", LATE).expect("it waits for a person");
    assert_eq!(passed.explained_by, Some(due.id()));
}

#[test]
fn a_failed_break_is_most_urgent_and_says_when_the_next_set_would_pass() {
    let plant = late_plant(&[broke(7, LATE - 20, "A", [20.0, 21.0])]);
    let failed = trouble_of(&plant, "break-failed", LATE).expect("it failed");
    assert_eq!(failed.urgency, Urgency::Now);
    assert!(
        failed.what.contains("passes with 90 % from "),
        "{}",
        failed.what
    );
}

#[test]
fn nobody_is_called_for_lateness_before_the_planned_heat_has_had_its_chance() {
    let wanted_min = 430;
    let opening = |plan: Option<HeatPlan>| {
        let mut facts = opened();
        facts.wanted_release_at = Some(at(wanted_min));
        facts.heat_plan = plan;
        act(1, 61, ActBody::PourOpened(Box::new(facts)))
    };
    let heated = HeatPlan {
        on_at: Some(at(180)),
        ..HeatPlan::default()
    };
    let plant = plant_with(&[opening(Some(heated))], &ordinary_night(LATE));
    for minute in (70..250).step_by(10) {
        let late = trouble_of(&plant, "late", minute);
        assert_eq!(late, None, "at {minute}, the heat comes at 180");
    }
    let late = trouble_of(&plant, "late", 400).expect("it cannot make it");
    let plan_says = assessed(&plant, 400)
        .forecast
        .break_from_at
        .expect("a time");
    let told = support::config().local().clock(plan_says);
    assert!(
        late.what.contains(&format!("broken at {told}")),
        "{}",
        late.what
    );
}

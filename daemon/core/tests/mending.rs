//! Acts struck, corrected and withdrawn: the entry stays, its effect goes, and everything is judged again.

mod support;

use daemon_core::Plant;
use daemon_core::act::{
    Act, ActBody, AlarmAct, AlarmWord, ChannelBinding, ChannelRole, Load, PourCorrected,
    Replacement,
};
use daemon_core::act_check::RefusalKind;
use daemon_core::assessment::{ConfirmationState, PourStatus, Urgency};
use daemon_core::pour::PourRecord;
use proptest::prelude::*;
use support::{
    act, at, broke, open_act, opened, ordinary_night, plant_with, set, sign, specimen_binding,
};

/// Long enough for the slowest position to be past the required strength.
const LATE: i64 = 16 * 60;

fn strike(id: u128, minute: i64, struck: u128) -> Act {
    Act {
        why: Some("typed wrong".into()),
        ..act(id, minute, ActBody::ActStruck { struck })
    }
}

fn correct(id: u128, minute: i64, corrected: u128, body: ActBody) -> Act {
    let replacement = Replacement {
        happened_at: None,
        why: None,
        body: Box::new(body),
    };
    Act {
        why: Some("typed wrong".into()),
        ..act(
            id,
            minute,
            ActBody::ActCorrected {
                corrected,
                replacement,
            },
        )
    }
}

fn heat(id: u128, minute: i64, on: bool) -> Act {
    act(id, minute, ActBody::HeatSwitched { on })
}

fn record(acts: &[Act]) -> PourRecord {
    PourRecord::fold(acts)
        .remove("p")
        .expect("the pour is open")
}

fn refusal(plant: &Plant, act: &Act) -> (&'static str, String) {
    let refused = plant.check_act(act, at(LATE + 60)).expect_err("refused");
    (refused.code, refused.detail)
}

/// A pour confirmed by set A, and signed.
fn released() -> Vec<Act> {
    vec![
        open_act(),
        broke(7, LATE, "A", [45.0, 46.0]),
        sign(8, LATE + 1, &[7]),
    ]
}

#[test]
fn a_mistyped_break_is_corrected_and_the_pour_judged_by_the_right_value() {
    let wrong = broke(7, LATE, "A", [4.5, 45.5]);
    let acts = [open_act(), wrong];
    let before = plant_with(&acts, &ordinary_night(LATE));
    let judged = before.assess_pour("p", at(LATE)).expect("known");
    assert_eq!(judged.confirmation.state, ConfirmationState::Failed);
    let right = broke(0, LATE, "A", [45.0, 45.5]).body;
    let fixed = correct(9, LATE + 5, 7, right);
    assert!(before.check_act(&fixed, at(LATE + 5)).is_ok());
    let mut after = before.clone();
    after.take_act(fixed);
    let judged = after.assess_pour("p", at(LATE + 5)).expect("known");
    assert_eq!(judged.status, PourStatus::Confirmed);
    assert_eq!(judged.breaks.len(), 1);
    assert_eq!(judged.breaks[0].id, 9, "a corrected break has its own id");
}

#[test]
fn a_heat_on_typed_for_the_wrong_time_is_struck_and_its_piece_hold_goes() {
    let mut facts = opened();
    facts.limit_set = Some("preset".into());
    let mut config = support::config();
    let mut limits = config.limit_sets[0].clone();
    limits.id = "preset".into();
    limits.preset_h_min = Some(3.0);
    config.limit_sets.push(limits);
    let opening = act(1, 61, ActBody::PourOpened(Box::new(facts)));
    let acts = [opening, heat(2, 62, true)];
    let mut plant = support::plant_of(config, &acts, &ordinary_night(240));
    let held = plant.assess_pour("p", at(240)).expect("known");
    assert!(!held.piece_holds.is_empty());
    plant.take_act(strike(3, 241, 2));
    let judged = plant.assess_pour("p", at(241)).expect("known");
    assert!(judged.piece_holds.is_empty(), "{:?}", judged.piece_holds);
    assert!(judged.record.heat.is_empty());
}

#[test]
fn a_replacement_takes_the_place_of_the_struck_act_in_the_record() {
    let load = |ticket: &str, to_m: f64| {
        ActBody::LoadPlaced(Load {
            ticket: ticket.into(),
            batched_at: None,
            placed_from_at: at(0),
            placed_to_at: at(30),
            from_station_m: 0.0,
            to_station_m: to_m,
        })
    };
    // The last word on a ticket counts: correcting the first must not make it the last.
    let acts = [
        open_act(),
        act(2, 62, load("T1", 30.0)),
        act(3, 63, load("T1", 45.0)),
        correct(4, 64, 2, load("T1", 31.0)),
    ];
    let right = record(&acts[..3]);
    assert_eq!(record(&acts).loads, right.loads);
}

#[test]
fn a_correction_of_a_correction_stands_for_the_first_act_and_a_strike_of_it_restores_that() {
    let acts = [
        open_act(),
        broke(7, LATE, "A", [10.0, 30.0]),
        correct(8, LATE + 1, 7, broke(0, LATE, "A", [20.0, 30.0]).body),
        correct(9, LATE + 2, 8, broke(0, LATE, "A", [29.0, 30.0]).body),
    ];
    let strengths = |acts: &[Act]| {
        let record = record(acts);
        let broken = record.breaks.iter();
        broken
            .map(|one| one.result.specimens[0].strength_mpa.expect("typed"))
            .collect::<Vec<_>>()
    };
    assert_eq!(strengths(&acts), [29.0]);
    let mut back = acts.to_vec();
    back.push(strike(10, LATE + 3, 9));
    assert_eq!(strengths(&back), [20.0]);
    back.push(strike(11, LATE + 4, 8));
    assert_eq!(strengths(&back), [10.0]);
}

#[test]
fn striking_an_opening_takes_the_pour_away_and_leaves_what_was_read() {
    let mut plant = plant_with(&[open_act(), heat(2, 70, true)], &ordinary_night(120));
    let struck = strike(3, 121, 1);
    let weighed = plant.weigh(&struck, at(121)).expect("it may be struck");
    assert_eq!(weighed.odd[0].name, "strikes-an-opening");
    plant.take_act(struck);
    assert!(plant.pours().is_empty());
    plant.take_act(strike(4, 122, 3));
    assert_eq!(plant.pours()["p"].heat.len(), 1);
    let judged = plant.assess_pour("p", at(122)).expect("it is back");
    assert!(judged.positions[0].temperature_c.is_some());
}

#[test]
fn striking_a_break_that_a_release_rests_on_withdraws_it_loudly() {
    let mut plant = plant_with(&released(), &ordinary_night(LATE));
    let judged = plant.assess_pour("p", at(LATE + 1)).expect("known");
    assert_eq!(judged.status, PourStatus::Released);
    let struck = strike(9, LATE + 20, 7);
    let odd = plant.weigh(&struck, at(LATE + 20)).expect("allowed").odd;
    assert!(
        odd.iter().any(|one| one.name == "release-rests-on-it"),
        "{odd:?}"
    );
    plant.take_act(struck);
    let judged = plant.assess(at(LATE + 20));
    let pour = &judged.pours[0];
    assert!(pour.record.release.is_none());
    assert_ne!(pour.status, PourStatus::Released);
    assert!(!pour.release_holds.is_empty(), "nobody may sign on nothing");
    let trouble = judged
        .troubles
        .iter()
        .find(|one| one.kind == "release-withdrawn")
        .expect("people are called");
    assert_eq!(trouble.urgency, Urgency::Now);
    assert!(trouble.what.contains("Do not cut"), "{}", trouble.what);
    assert!(
        trouble.what.contains("tell the engineer"),
        "{}",
        trouble.what
    );
}

#[test]
fn a_release_that_was_withdrawn_does_not_come_back_when_the_strike_is_struck() {
    let mut acts = released();
    acts.push(strike(9, LATE + 20, 7));
    acts.push(strike(10, LATE + 30, 9));
    let record = record(&acts);
    assert_eq!(record.breaks.len(), 1, "the break counts again");
    assert!(record.release.is_none());
    assert_eq!(record.withdrawn.len(), 1);
    acts.push(sign(11, LATE + 40, &[7]));
    let record = self::record(&acts);
    assert_eq!(record.release.map(|release| release.act_id), Some(11));
}

#[test]
fn one_signature_covers_the_line_and_so_does_its_end() {
    let mut other = act(2, 61, open_act().body);
    other.pour = "q".into();
    let mut signed = sign(8, LATE + 1, &[7]);
    if let ActBody::ReleaseSigned(body) = &mut signed.body {
        body.pours = vec!["p".into(), "q".into()];
    }
    let acts = [open_act(), other, broke(7, LATE, "A", [45.0, 46.0]), signed];
    let mut plant = plant_with(&acts, &[]);
    assert!(plant.pours()["q"].release.is_some());
    plant.take_act(strike(9, LATE + 20, 7));
    assert!(plant.pours()["p"].release.is_none());
    assert!(
        plant.pours()["q"].release.is_none(),
        "the line was signed as one"
    );
}

#[test]
fn a_sign_off_is_withdrawn_with_a_reason_and_never_struck() {
    let mut plant = plant_with(&released(), &ordinary_night(LATE));
    let (code, detail) = refusal(&plant, &strike(9, LATE + 20, 8));
    assert_eq!(code, "sign-off-not-struck");
    assert!(detail.contains("tarplight withdraw B1"), "{detail}");
    let mut withdrawn = act(
        9,
        LATE + 20,
        ActBody::ReleaseWithdrawn {
            pours: vec!["p".into()],
        },
    );
    assert_eq!(refusal(&plant, &withdrawn).0, "reason-needed");
    withdrawn.why = Some("the wrong cylinders were broken".into());
    assert!(plant.check_act(&withdrawn, at(LATE + 20)).is_ok());
    plant.take_act(withdrawn);
    let judged = plant.assess_pour("p", at(LATE + 20)).expect("known");
    assert_eq!(judged.status, PourStatus::Confirmed);
    assert_eq!(judged.record.withdrawn.len(), 1);
}

#[test]
fn a_stripped_pour_is_mended_too_and_striking_that_brings_it_back_to_its_bed() {
    let mut acts = released();
    acts.push(act(9, LATE + 30, ActBody::Stripped));
    let plant = plant_with(&acts, &ordinary_night(LATE));
    let fixed = correct(10, LATE + 40, 7, broke(0, LATE, "A", [45.2, 46.0]).body);
    assert_eq!(plant.check_act(&fixed, at(LATE + 40)), Ok(Vec::new()));
    let back = strike(11, LATE + 41, 9);
    let weighed = plant.weigh(&back, at(LATE + 41)).expect("allowed");
    assert_eq!(weighed.odd[0].name, "back-on-its-bed");
    let with = plant.with(&back);
    assert!(with.pours()["p"].is_on_bed());
    assert!(with.pours()["p"].release.is_some());
}

#[test]
fn what_cannot_be_struck_says_what_to_do_instead() {
    let mut plant = plant_with(&released(), &[]);
    plant.take_act(strike(9, LATE + 2, 7));
    let cases = [
        (strike(20, LATE + 3, 99), "unknown-act"),
        (strike(20, LATE + 3, 7), "already-struck"),
        (
            correct(20, LATE + 3, 7, heat(0, LATE, true).body),
            "already-struck",
        ),
        (
            correct(20, LATE + 3, 9, heat(0, LATE, true).body),
            "strike-not-corrected",
        ),
        (
            correct(20, LATE + 3, 1, heat(0, LATE, true).body),
            "corrected-into-another",
        ),
        (
            act(20, LATE + 3, ActBody::ActStruck { struck: 1 }),
            "reason-needed",
        ),
    ];
    for (act, code) in cases {
        assert_eq!(refusal(&plant, &act).0, code, "{act:?}");
    }
    let (_, detail) = refusal(&plant, &strike(20, LATE + 3, 7));
    assert!(
        detail.contains("00000000-0000-0000-0000-000000000009"),
        "{detail}"
    );
}

#[test]
fn a_corrected_act_passes_the_checks_of_a_new_one() {
    let acts = [open_act(), broke(7, LATE, "A", [10.0, 30.0])];
    let plant = plant_with(&acts, &[]);
    let unknown = broke(0, LATE, "Z", [30.0, 30.0]).body;
    assert_eq!(
        refusal(&plant, &correct(8, LATE + 1, 7, unknown)).0,
        "unknown-set"
    );
    let early = broke(0, -300, "A", [30.0, 30.0]).body;
    let refused = refusal(&plant, &correct(8, LATE + 1, 7, early));
    assert_eq!(refused.0, "tested-before-placed");
}

#[test]
fn a_word_to_an_alarm_is_struck_where_that_means_something() {
    let said = |id, word| Act {
        pour: String::new(),
        ..act(
            id,
            70,
            ActBody::Alarm(AlarmAct {
                alarm: "open/B1".into(),
                word,
            }),
        )
    };
    let acts = [
        open_act(),
        said(2, AlarmWord::Seen),
        said(3, AlarmWord::Reset),
    ];
    let plant = plant_with(&acts, &[]);
    let of_plant = |act: Act| Act {
        pour: String::new(),
        ..act
    };
    assert!(plant.check_act(&of_plant(strike(4, 71, 2)), at(71)).is_ok());
    assert_eq!(
        refusal(&plant, &of_plant(strike(4, 71, 3))).0,
        "alarm-not-struck"
    );
    assert_eq!(refusal(&plant, &strike(4, 71, 2)).0, "unknown-act");
}

#[test]
fn a_dropped_digit_is_asked_back_before_it_is_taken() {
    let plant = plant_with(&[open_act()], &ordinary_night(LATE));
    let dropped = broke(7, LATE, "A", [45.0, 4.55]);
    let odd = plant.weigh(&dropped, at(LATE)).expect("allowed").odd;
    let twins = odd.iter().find(|one| one.name == "far-from-its-twins");
    let text = &twins.expect("it is odd").text;
    assert!(text.contains("A2 4.5 MPa"), "{text}");
    let fine = broke(7, LATE, "A", [45.0, 45.5]);
    assert_eq!(plant.weigh(&fine, at(LATE)).expect("allowed").odd, []);
}

#[test]
fn a_set_far_above_the_bed_is_asked_back_and_holds_until_it_is_resolved() {
    // No specimen has a sensor: the positions of the bed are what it is compared with.
    let mut plant = plant_with(&[open_act()], &ordinary_night(LATE));
    let strong = broke(7, LATE, "A", [64.0, 64.5]);
    let odd = plant.weigh(&strong, at(LATE)).expect("allowed").odd;
    let off = odd.iter().find(|one| one.name == "off-the-positions");
    assert!(
        off.is_some_and(|one| one.text.contains("highest estimate")),
        "{odd:?}"
    );
    plant.take_act(strong);
    let judged = plant.assess_pour("p", at(LATE)).expect("known");
    let hold = judged
        .release_holds
        .iter()
        .find(|one| one.kind == "disagreement");
    let text = &hold.expect("it is held").text;
    assert!(text.contains("tarplight resolve"), "{text}");
    let refused = refusal(&plant, &sign(9, LATE + 1, &[7]));
    assert_eq!(refused.0, "hold-stands");
    let resolved = Act {
        why: Some("the mix was richer".into()),
        ..act(8, LATE + 1, ActBody::DisagreementResolved { break_id: 7 })
    };
    assert!(plant.check_act(&resolved, at(LATE + 1)).is_ok());
    plant.take_act(resolved);
    let judged = plant.assess_pour("p", at(LATE + 1)).expect("known");
    assert!(
        judged.release_holds.is_empty(),
        "{:?}",
        judged.release_holds
    );
    plant.take_act(strike(10, LATE + 2, 8));
    let judged = plant.assess_pour("p", at(LATE + 2)).expect("known");
    assert!(!judged.release_holds.is_empty(), "struck, it holds again");
}

#[test]
fn resolving_a_break_that_agrees_is_refused_and_names_the_way_to_correct_a_value() {
    let acts = [open_act(), broke(7, LATE, "A", [45.0, 45.5])];
    let plant = plant_with(&acts, &ordinary_night(LATE));
    let resolved = Act {
        why: Some("load mistyped".into()),
        ..act(8, LATE + 1, ActBody::DisagreementResolved { break_id: 7 })
    };
    let (code, detail) = refusal(&plant, &resolved);
    assert_eq!(code, "nothing-to-resolve");
    assert!(detail.contains("tarplight correct"), "{detail}");
}

#[test]
fn heat_and_tarp_before_the_first_concrete_are_asked_back() {
    let plant = plant_with(&[open_act()], &[]);
    let bodies = [
        ActBody::HeatSwitched { on: true },
        ActBody::TarpMoved { lifted: true },
        ActBody::HandProbed {
            position: "P1".into(),
            temperature_c: 20.0,
        },
        ActBody::CylindersPulled {
            set: "A".into(),
            specimens: Vec::new(),
        },
    ];
    for body in bodies {
        let early = act(5, -120, body.clone());
        let odd = plant.weigh(&early, at(70)).expect("allowed").odd;
        assert_eq!(
            odd.first().map(|one| one.name),
            Some("before-first-concrete"),
            "{body:?}"
        );
        let odd = plant.weigh(&act(5, 65, body), at(70)).expect("allowed").odd;
        assert_eq!(odd, []);
    }
}

#[test]
fn a_dry_run_changes_nothing_and_what_it_tells_is_what_is_seen_after_recording() {
    let mut plant = plant_with(&released(), &ordinary_night(LATE));
    let acts = [
        strike(9, LATE + 20, 7),
        broke(9, LATE + 20, "B", [20.0, 20.4]),
        heat(9, LATE + 20, false),
    ];
    let said = |plant: &Plant| format!("{:?}", plant.assess(at(LATE + 20)));
    let before = said(&plant);
    for act in &acts {
        let told = plant.would(act, at(LATE + 20));
        plant.weigh(act, at(LATE + 20)).expect("allowed");
        assert_eq!(said(&plant), before, "nothing is stored");
        let seen = plant.with(act).assess_pour("p", at(LATE + 20));
        assert_eq!(format!("{:?}", told[0].after), format!("{seen:?}"));
    }
    plant.take_act(acts[0].clone());
    assert_ne!(said(&plant), before);
}

#[test]
fn a_correction_of_a_pour_changes_only_what_it_names() {
    let mut facts = opened();
    facts.channels.push(specimen_binding("s", "A"));
    facts.channels.push(ChannelBinding {
        channel: "air".into(),
        role: ChannelRole::Enclosure,
        position: None,
        set: None,
        from_at: None,
    });
    let opening = act(1, 61, ActBody::PourOpened(Box::new(facts)));
    let three = PourCorrected {
        channels: Some(vec![
            support::binding("d1", "P1"),
            support::binding("d2", "P2"),
            support::binding("d3", "P3"),
        ]),
        merge: true,
        ..PourCorrected::default()
    };
    let corrected = |correction: PourCorrected| Act {
        why: Some("plugs were mixed up".into()),
        ..act(2, 62, ActBody::PourCorrected(Box::new(correction)))
    };
    let channels = |correction: PourCorrected| {
        let record = record(&[opening.clone(), corrected(correction)]);
        let mut names: Vec<String> = record.bindings.into_iter().map(|one| one.channel).collect();
        names.sort();
        names
    };
    assert_eq!(channels(three.clone()), ["air", "d1", "d2", "d3", "s"]);
    let taken_out = PourCorrected {
        removed_channels: vec!["s".into()],
        ..three.clone()
    };
    assert_eq!(channels(taken_out), ["air", "d1", "d2", "d3"]);
    // As acts of before there was `merge` mean it: the list replaces the list, and that is asked back.
    let whole = PourCorrected {
        merge: false,
        ..three
    };
    assert_eq!(channels(whole.clone()), ["d1", "d2", "d3"]);
    let plant = plant_with(std::slice::from_ref(&opening), &[]);
    let odd = plant.weigh(&corrected(whole), at(62)).expect("allowed").odd;
    assert_eq!(odd.first().map(|one| one.name), Some("takes-out"));
    assert!(
        odd[0].text.contains("channel s, channel air"),
        "{}",
        odd[0].text
    );
}

/// Acts that change something, in the order in which they are recorded.
fn any_acts() -> impl Strategy<Value = Vec<ActBody>> {
    let body = prop_oneof![
        any::<bool>().prop_map(|on| ActBody::HeatSwitched { on }),
        any::<bool>().prop_map(|lifted| ActBody::TarpMoved { lifted }),
        (0.0..90.0_f64).prop_map(|to_m| ActBody::LoadPlaced(Load {
            ticket: "T1".into(),
            batched_at: None,
            placed_from_at: at(0),
            placed_to_at: at(30),
            from_station_m: 0.0,
            to_station_m: to_m,
        })),
        (10.0..40.0_f64).prop_map(|mpa| broke(0, LATE, "A", [mpa, mpa]).body),
        Just(ActBody::CylindersMade(set("D"))),
        Just(ActBody::PositionExcluded {
            position: "P2".into()
        }),
        Just(ActBody::PositionRestored {
            position: "P2".into()
        }),
        Just(ActBody::Stripped),
        Just(ActBody::InitialSetReached),
    ];
    prop::collection::vec(body, 1..8)
}

fn recorded(bodies: &[ActBody]) -> Vec<Act> {
    let acts = bodies.iter().enumerate().map(|(index, body)| {
        let minute = 62 + i64::try_from(index).expect("few");
        act(10 + index as u128, minute, body.clone())
    });
    std::iter::once(open_act()).chain(acts).collect()
}

proptest! {
    #[test]
    fn a_strike_of_a_strike_restores_exactly(bodies in any_acts(), which in any::<prop::sample::Index>()) {
        let acts = recorded(&bodies);
        let struck = acts[which.index(acts.len())].id;
        let mut mended = acts.clone();
        mended.push(strike(100, LATE, struck));
        mended.push(strike(101, LATE + 1, 100));
        prop_assert_eq!(record(&mended), record(&acts));
    }

    #[test]
    fn a_struck_act_is_as_if_it_had_never_been_recorded(
        bodies in any_acts(), which in any::<prop::sample::Index>(),
    ) {
        let acts = recorded(&bodies);
        let place = 1 + which.index(acts.len() - 1);
        let mut mended = acts.clone();
        mended.push(strike(100, LATE, acts[place].id));
        let mut without = acts;
        without.remove(place);
        prop_assert_eq!(record(&mended), record(&without));
    }

    #[test]
    fn a_corrected_record_equals_one_in_which_the_right_act_stood_at_that_place(
        bodies in any_acts(), which in any::<prop::sample::Index>(), on in any::<bool>(),
    ) {
        let mut acts = recorded(&bodies);
        let place = 1 + which.index(acts.len() - 1);
        let right = ActBody::HeatSwitched { on };
        let mut mended = acts.clone();
        mended.push(correct(100, LATE, acts[place].id, right.clone()));
        acts[place].body = right;
        acts[place].id = 100;
        // The right act has another id at the same moment of the record; nothing else differs.
        prop_assert_eq!(record(&mended), record(&acts));
    }

    #[test]
    fn the_order_in_which_acts_come_does_not_matter(
        bodies in any_acts(), which in any::<prop::sample::Index>(), seed in any::<u64>(),
    ) {
        let mut acts = recorded(&bodies);
        let struck = acts[1 + which.index(acts.len() - 1)].id;
        acts.push(strike(100, LATE, struck));
        acts.push(correct(101, LATE + 1, acts[1].id, ActBody::HeatSwitched { on: true }));
        let in_order = plant_with(&acts, &[]);
        let mut mixed = acts;
        // A fixed walk through the acts by the seed stands for any order in which they come.
        let count = mixed.len();
        for index in 0..count {
            let other = (seed.rotate_left(u32::try_from(7 * index).expect("few")) % count as u64) as usize;
            mixed.swap(index, other);
        }
        let as_they_came = plant_with(&mixed, &[]);
        prop_assert_eq!(in_order.pours(), as_they_came.pours());
    }

    #[test]
    fn what_was_known_before_a_correction_stays_as_it_was_known(
        bodies in any_acts(), which in any::<prop::sample::Index>(),
    ) {
        let acts = recorded(&bodies);
        let mut mended = acts.clone();
        mended.push(strike(100, LATE, acts[which.index(acts.len())].id));
        let known = mended.iter().filter(|act| act.recorded_at < at(LATE));
        prop_assert_eq!(PourRecord::fold(known), PourRecord::fold(&acts));
    }
}

#[test]
fn a_refusal_of_a_strike_is_of_the_state_of_the_record() {
    let plant = plant_with(&released(), &[]);
    let refused = plant
        .check_act(&strike(9, LATE + 20, 8), at(LATE + 20))
        .expect_err("refused");
    assert_eq!(refused.kind, RefusalKind::WrongState);
}

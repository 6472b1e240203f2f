//! Forms: what they show before a decision, what they refuse, the acts they make, the answers they show.

mod support;

use crossterm::event::KeyCode;
use daemon_api::act::{Act, ActAnswer, ActBody};
use daemon_api::bed::PlantSnapshot;
use daemon_api::effect::{ActEffect, BrokenEffect, Odd};
use daemon_api::pour::{PourStatus, SignedView};
use support::{Dashboard, LARGE, SMALL, bed, break_id, confirmed, normal, snapshot};
use tui::event::{ActFailure, Event, Request};

fn at_bed(snapshot: PlantSnapshot, bed: &str) -> Dashboard {
    let mut dashboard = Dashboard::of(snapshot);
    dashboard.open_bed(bed);
    dashboard
}

fn act_of(requests: &[Request]) -> &Act {
    requests
        .iter()
        .find_map(|request| match request {
            Request::Act(act) => Some(act.as_ref()),
            _ => None,
        })
        .expect("an act is sent")
}

/// Goes to the record button and presses it.
fn record(dashboard: &mut Dashboard) -> Vec<Request> {
    let form = dashboard.state.form.as_ref().expect("a form is open");
    let to_button = form.fields.len() - form.focus;
    for _ in 0..to_button {
        dashboard.key(KeyCode::Tab);
    }
    dashboard.key(KeyCode::Enter)
}

/// Goes to the record button, answers what is asked there, and records.
fn checked_and_recorded(dashboard: &mut Dashboard, odd: Vec<Odd>) -> Act {
    let form = dashboard.state.form.as_ref().expect("a form is open");
    let mut asked = Vec::new();
    for _ in 0..form.fields.len() - form.focus {
        asked = dashboard.key(KeyCode::Tab);
    }
    let asked = asked.into_iter().find_map(|request| match request {
        Request::DryRun(act) => Some(act),
        _ => None,
    });
    let act = asked.expect("what it would say is asked at the record button");
    assert!(
        dashboard
            .key(KeyCode::Enter)
            .iter()
            .all(|request| !matches!(request, Request::Act(_))),
        "nothing is recorded before what it says is read"
    );
    let judged = support::break_of(24.13, true);
    let answer = Ok(ActAnswer {
        id: act.id,
        dry_run: true,
        odd,
        effect: Some(Box::new(ActEffect {
            pours: Vec::new(),
            broken: Some(BrokenEffect {
                set: "A".to_owned(),
                specimens: vec!["A1".to_owned(), "A2".to_owned()],
                verdict: "3500 psi of 3500 psi: passes".to_owned(),
                judged,
            }),
        })),
        ..ActAnswer::default()
    });
    dashboard.event(Event::DryRun { id: act.id, answer });
    let screen = dashboard.screen(SMALL);
    assert!(
        screen.contains("By it: 3500 psi of 3500 psi: passes"),
        "{screen}"
    );
    let mut sent = dashboard.key(KeyCode::Enter);
    while !sent
        .iter()
        .any(|request| matches!(request, Request::Act(_)))
    {
        assert!(
            problem(dashboard).contains("Something is odd"),
            "{}",
            problem(dashboard)
        );
        dashboard.key(KeyCode::Char(' '));
        sent = record(dashboard);
    }
    act_of(&sent).clone()
}

fn problem(dashboard: &Dashboard) -> String {
    let form = dashboard.state.form.as_ref().expect("the form stays open");
    form.problem.clone().unwrap_or_default()
}

#[test]
fn the_release_form_shows_what_decides_and_what_to_be_careful_of() {
    let mut snapshot = normal();
    let pour = &mut snapshot.beds[3].pours[0];
    pour.positions[1].excluded = Some("wire cut at 01:10".to_owned());
    let mut dashboard = at_bed(snapshot, "N4");
    dashboard.key(KeyCode::Char('r'));
    for (name, size) in [("80x24", SMALL), ("140x45", LARGE)] {
        let screen = dashboard.screen(size);
        for words in [
            "Set A passed and confirms every position; the release is not signed.",
            "EXCLUDED P2: wire cut at 01:10",
            "everyone stands clear",
            "detensioning sequence and your local codes",
            "steam under the tarp are hot",
        ] {
            assert!(screen.contains(words), "\"{words}\" is not in\n{screen}");
        }
        insta::assert_snapshot!(format!("release-form-{name}"), screen);
    }
}

#[test]
fn a_release_needs_its_line_typed_and_then_names_its_breaks() {
    let mut dashboard = at_bed(normal(), "N4");
    dashboard.key(KeyCode::Char('r'));
    assert!(record(&mut dashboard).is_empty());
    assert!(problem(&dashboard).contains("as it stands: N4"));
    // Without a thought for capitals.
    dashboard.type_text("n4");
    let requests = record(&mut dashboard);
    let act = act_of(&requests);
    let ActBody::ReleaseSigned(signed) = &act.body else {
        panic!("not a release: {act:?}")
    };
    assert_eq!(signed.breaks, [break_id()]);
    assert_eq!(signed.pours, ["N4-77"]);
    assert_eq!(signed.reason_without_estimate, None);
    assert_eq!(
        (act.by.as_str(), act.happened_at),
        ("Q. Lane", support::now())
    );
}

#[test]
fn a_release_without_break_or_without_estimate_is_not_sent_as_it_is() {
    let mut dashboard = at_bed(normal(), "N1");
    dashboard.key(KeyCode::Char('r'));
    assert!(record(&mut dashboard).is_empty());
    assert!(problem(&dashboard).contains("No break is chosen"));

    let mut snapshot = normal();
    snapshot.beds[3].pours[0].curve.usable = false;
    let mut dashboard = at_bed(snapshot, "N4");
    dashboard.key(KeyCode::Char('r'));
    assert!(dashboard.screen(SMALL).contains("a reason is needed"));
    assert!(record(&mut dashboard).is_empty());
    assert!(problem(&dashboard).contains("give the reason"));
    dashboard.type_text("curve withdrawn, set A passed");
    dashboard.key(KeyCode::Tab);
    dashboard.type_text("N4");
    let requests = record(&mut dashboard);
    let ActBody::ReleaseSigned(signed) = &act_of(&requests).body else {
        panic!("not a release")
    };
    assert_eq!(
        signed.reason_without_estimate.as_deref(),
        Some("curve withdrawn, set A passed")
    );
}

#[test]
fn a_break_is_entered_as_typed_and_a_wrong_entry_takes_the_focus() {
    let mut dashboard = at_bed(normal(), "N1");
    dashboard.key(KeyCode::Char('b'));
    dashboard.type_text("50265 lbf 4 inx");
    // Text is edited like in any field: the last letter is taken back later.
    assert!(record(&mut dashboard).is_empty());
    assert!(
        problem(&dashboard).contains("specimen A1"),
        "{}",
        problem(&dashboard)
    );
    for (name, size) in [("80x24", SMALL), ("140x45", LARGE)] {
        insta::assert_snapshot!(format!("break-form-{name}"), dashboard.screen(size));
    }
    dashboard.key(KeyCode::Backspace);
    dashboard.key(KeyCode::Enter);
    dashboard.type_text("3590");
    let act = checked_and_recorded(&mut dashboard, Vec::new());
    let ActBody::BreakRecorded(result) = &act.body else {
        panic!("not a break: {act:?}")
    };
    assert_eq!(result.set, "A");
    assert_eq!(result.specimens.len(), 2);
    assert_eq!(
        result.specimens[0].as_typed.as_deref(),
        Some("50265 lbf 4 in")
    );
    assert!((result.specimens[0].load_kn.expect("a load") - 223.589_859).abs() < 1e-5);
    assert!((result.specimens[1].strength_mpa.expect("a strength") - 24.752_179).abs() < 1e-5);
    assert_eq!(result.tested_at, support::now());
}

#[test]
fn what_is_odd_about_a_break_is_read_and_accepted_by_name_before_it_is_recorded() {
    let mut dashboard = at_bed(normal(), "N1");
    dashboard.key(KeyCode::Char('b'));
    dashboard.type_text("3590");
    let odd = Odd {
        name: "far-from-twins".to_owned(),
        text: "A1 is far from its twins.".to_owned(),
    };
    let act = checked_and_recorded(&mut dashboard, vec![odd]);
    assert_eq!(act.accept, ["far-from-twins"]);
    let answer = Ok(ActAnswer {
        id: act.id,
        sequence: 41,
        understood: "set A broken: A1 3590 psi, N1, today 02:14".to_owned(),
        ..ActAnswer::default()
    });
    dashboard.event(Event::Act { id: act.id, answer });
    let screen = dashboard.screen(SMALL);
    for words in [
        "Recorded: set A broken: A1 3590 psi, N1, today 02:14.",
        "3500 psi of 3500 psi: passes",
    ] {
        assert!(screen.contains(words), "{screen}");
    }
}

#[test]
fn enter_on_an_empty_field_goes_to_record() {
    let mut dashboard = at_bed(normal(), "N1");
    dashboard.key(KeyCode::Char('b'));
    dashboard.type_text("3590");
    dashboard.keys(&[KeyCode::Enter, KeyCode::Enter]);
    let form = dashboard.state.form.as_ref().expect("a form");
    assert_eq!(form.focus, form.fields.len());
}

#[test]
fn a_clock_time_still_to_come_is_refused_in_the_form_with_both_readings() {
    let mut dashboard = at_bed(normal(), "N1");
    dashboard.key(KeyCode::Char('h'));
    dashboard.keys(&[KeyCode::Up, KeyCode::Up]);
    dashboard.keys(&[KeyCode::Backspace; 3]);
    dashboard.type_text("02:20");
    assert!(record(&mut dashboard).is_empty());
    let told = problem(&dashboard);
    assert!(
        told.contains("02:20 today is still to come (in 6 min"),
        "{told}"
    );
    assert!(
        told.contains("02:20 yesterday is before N1's first concrete"),
        "{told}"
    );
}

#[test]
fn a_break_in_the_future_or_pulled_after_its_test_is_refused_in_the_form() {
    let mut dashboard = at_bed(normal(), "N1");
    dashboard.key(KeyCode::Char('b'));
    dashboard.type_text("3590 psi");
    dashboard.keys(&[KeyCode::Tab, KeyCode::Tab]);
    dashboard.type_text("02:10");
    dashboard.key(KeyCode::Tab);
    dashboard.keys(&[KeyCode::Backspace; 3]);
    dashboard.type_text("02:00");
    assert!(record(&mut dashboard).is_empty());
    assert!(problem(&dashboard).contains("pulled after they were tested"));
    dashboard.keys(&[KeyCode::Backspace; 5]);
    dashboard.type_text("2026-11-26T03:00:00-06:00");
    assert!(record(&mut dashboard).is_empty());
    assert!(problem(&dashboard).contains("in the future"));
}

#[test]
fn a_one_key_act_waits_for_one_more_key() {
    for (key, name, body) in [
        ('h', "heat on", ActBody::HeatOn {}),
        ('H', "heat off", ActBody::HeatOff {}),
        ('l', "tarp lifted", ActBody::TarpLifted {}),
        ('L', "tarp back", ActBody::TarpBack {}),
    ] {
        let mut dashboard = at_bed(normal(), "N1");
        assert!(dashboard.key(KeyCode::Char(key)).is_empty());
        let screen = dashboard.screen(SMALL);
        assert!(
            screen.contains(&format!("Record \"{name}\" for bed N1")),
            "{screen}"
        );
        let requests = dashboard.key(KeyCode::Enter);
        assert_eq!(act_of(&requests).body, body);
        assert_eq!(act_of(&requests).pour, "N1-77");
    }
    let mut dashboard = at_bed(normal(), "N1");
    dashboard.keys(&[KeyCode::Char('h'), KeyCode::Esc]);
    assert!(dashboard.state.form.is_none());
}

#[test]
fn a_name_is_asked_for_where_none_is_known() {
    let mut dashboard = at_bed(normal(), "N1");
    dashboard.state.settings.by.clear();
    dashboard.key(KeyCode::Char('h'));
    assert!(record(&mut dashboard).is_empty());
    assert!(problem(&dashboard).contains("Type your name"));
    dashboard.type_text("R. Field");
    assert_eq!(act_of(&record(&mut dashboard)).by, "R. Field");
}

#[test]
fn an_accepted_act_shows_its_cautions_until_they_are_put_away() {
    let mut dashboard = at_bed(normal(), "N1");
    dashboard.key(KeyCode::Char('h'));
    let id = act_of(&dashboard.key(KeyCode::Enter)).id;
    let answer = Ok(ActAnswer {
        id,
        sequence: 41,
        recorded_at: support::now(),
        already_known: false,
        cautions: vec!["Heat before the preset has passed.".to_owned()],
        ..ActAnswer::default()
    });
    dashboard.event(Event::Act { id, answer });
    let screen = dashboard.screen(SMALL);
    assert!(screen.contains("Recorded: N1: heat on."), "{screen}");
    assert!(
        screen.contains("Caution: Heat before the preset has passed."),
        "{screen}"
    );
    dashboard.key(KeyCode::Esc);
    assert!(!dashboard.screen(SMALL).contains("Recorded"));
}

#[test]
fn a_refusal_stays_in_the_form_with_the_daemons_sentence() {
    let mut dashboard = at_bed(normal(), "N1");
    dashboard.key(KeyCode::Char('h'));
    let id = act_of(&dashboard.key(KeyCode::Enter)).id;
    let sentence = "Heat is on already since 17:56.".to_owned();
    dashboard.event(Event::Act {
        id,
        answer: Err(ActFailure::Refused(sentence)),
    });
    let screen = dashboard.screen(SMALL);
    assert!(
        screen.contains("Refused, nothing was recorded: Heat is on already"),
        "{screen}"
    );
}

#[test]
fn an_act_without_an_answer_is_sent_again_as_the_very_same_act() {
    let mut dashboard = at_bed(normal(), "N1");
    dashboard.key(KeyCode::Char('h'));
    let first = act_of(&dashboard.key(KeyCode::Enter)).clone();
    assert!(
        dashboard.key(KeyCode::Enter).is_empty(),
        "nothing is sent twice while waiting"
    );
    let answer = Err(ActFailure::Unanswered("no answer.".to_owned()));
    dashboard.event(Event::Act {
        id: first.id,
        answer,
    });
    dashboard.wait(std::time::Duration::from_secs(30));
    let again = act_of(&dashboard.key(KeyCode::Enter)).clone();
    assert_eq!(first, again);
}

#[test]
fn an_act_without_a_pour_says_what_to_do() {
    let mut dashboard = at_bed(normal(), "N3");
    for key in ['b', 'r', 'h', 'p'] {
        dashboard.key(KeyCode::Char(key));
        assert!(dashboard.state.form.is_none());
        assert!(dashboard.screen(SMALL).contains("Bed N3 has no pour"));
    }
}

#[test]
fn a_line_that_is_released_is_not_signed_a_second_time() {
    let mut released = confirmed("N1");
    released.status = PourStatus::Released;
    released.release = Some(SignedView {
        by: "Q. Lane".to_owned(),
        at: support::minutes_ago(10),
        breaks: Vec::new(),
        excluded: Vec::new(),
        reason_without_estimate: None,
    });
    let mut dashboard = Dashboard::of(snapshot(vec![bed(0, "N1", vec![released])]));
    dashboard.key(KeyCode::Char('r'));
    let screen = dashboard.screen(SMALL);
    assert!(
        screen.contains("Line N1 is released already: Q. Lane signed at 02:04."),
        "{screen}"
    );
    assert!(!screen.contains("[ Record ]"), "{screen}");
}

#[test]
fn a_position_is_left_out_with_its_reason_and_taken_back_by_one_key() {
    let mut dashboard = at_bed(normal(), "N1");
    dashboard.key(KeyCode::Char('X'));
    assert!(record(&mut dashboard).is_empty());
    assert!(problem(&dashboard).contains("why it is left out"));
    dashboard.type_text("wire cut");
    let act = act_of(&record(&mut dashboard)).clone();
    let position = "P1".to_owned();
    assert_eq!(act.body, ActBody::PositionExcluded { position });
    assert_eq!(act.why.as_deref(), Some("wire cut"));

    let mut snapshot = normal();
    snapshot.beds[0].pours[0].positions[0].excluded = Some("wire cut".to_owned());
    let mut dashboard = at_bed(snapshot, "N1");
    dashboard.key(KeyCode::Char('X'));
    assert!(dashboard.screen(SMALL).contains("Record takes it back"));
    let position = "P1".to_owned();
    let act = act_of(&record(&mut dashboard)).clone();
    assert_eq!(act.body, ActBody::PositionRestored { position });
}

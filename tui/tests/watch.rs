//! The watch on the screen: alarms and what is said to them, the plan, the log, channels, the far view.

mod support;

use std::time::Duration;

use crossterm::event::KeyCode;
use daemon_api::act::{Act, ActBody};
use daemon_api::alarm::AlarmsAnswer;
use daemon_api::bed::PlantSnapshot;
use daemon_api::event::{PlantChange, PlantEvent};
use daemon_api::pour::PourStatus;
use daemon_api::trouble::{TroubleView, Urgency};
use ratatui::style::{Color, Modifier};
use support::{Dashboard, LARGE, SMALL, alarmed, forty_beds, minutes_ago, normal, trouble};
use tui::event::{Connection, Event, Page, PageAnswer, Request};
use tui::theme::Theme;

fn capture(name: &str, dashboard: &mut Dashboard) {
    for (size_name, size) in [("80x24", SMALL), ("140x45", LARGE)] {
        insta::assert_snapshot!(format!("{name}-{size_name}"), dashboard.screen(size));
    }
}

fn hot() -> TroubleView {
    let hot = trouble(
        "N4",
        Urgency::Now,
        "P1 is at 162 °F, above its limit of 158 °F (plant specification, clause 4.2).",
    );
    let hot = TroubleView {
        kind: "too-hot".to_owned(),
        first_act:
            "Turn the heat down or off; do not lift the tarp at once: cold air on hot concrete \
                    cracks it. Steam and concrete burn."
                .to_owned(),
        ..hot
    };
    alarmed(hot, "new")
}

fn silent(word: &str) -> TroubleView {
    alarmed(
        trouble("N1", Urgency::Soon, "P3 has been silent for 24 min."),
        word,
    )
}

/// The plant with these alarms standing.
fn with_alarms(alarms: &[TroubleView]) -> PlantSnapshot {
    let mut snapshot = normal();
    snapshot.troubles = alarms.to_vec();
    for bed in &mut snapshot.beds {
        let of_bed = alarms
            .iter()
            .filter(|one| one.bed.as_ref() == Some(&bed.bed));
        bed.troubles = of_bed.cloned().collect();
    }
    snapshot
}

fn answer(alarms: Vec<TroubleView>) -> Event {
    let answer = AlarmsAnswer {
        now: support::now(),
        alarms,
        rang_last_hour: 3,
    };
    Event::Page {
        page: Page::Alarms,
        answer: Ok(PageAnswer::Alarms(Box::new(answer))),
    }
}

/// A page of the contract's golden file.
fn golden(page: Page, text: &str) -> Event {
    let read = |text: &str| -> serde_json::Result<PageAnswer> {
        Ok(match page {
            Page::Plan => PageAnswer::Plan(serde_json::from_str(text)?),
            Page::History => PageAnswer::History(serde_json::from_str(text)?),
            Page::Channels { .. } => PageAnswer::Channels(serde_json::from_str(text)?),
            _ => PageAnswer::Log(serde_json::from_str(text)?),
        })
    };
    Event::Page {
        page,
        answer: Ok(read(text).expect("the golden file is an answer")),
    }
}

fn plant_event(alarms: &[TroubleView]) -> Event {
    let snapshot = with_alarms(alarms);
    Event::Plant(Box::new(PlantEvent {
        sequence: 8,
        now: support::now(),
        change: PlantChange::Plant {
            troubles: snapshot.troubles,
            cleared: Vec::new(),
            sources: snapshot.sources,
            store: snapshot.plant.store,
        },
    }))
}

fn act_of(requests: Vec<Request>) -> Act {
    let act = requests.into_iter().find_map(|request| match request {
        Request::Act(act) => Some(*act),
        _ => None,
    });
    act.expect("an act is sent")
}

fn is_refused(dashboard: &Dashboard, words: &str) {
    let message = dashboard.state.message.as_ref().expect("a message stands");
    assert!(
        message.is_bad && message.lines[0].contains(words),
        "{message:?}"
    );
}

#[test]
fn the_page_of_alarms_parts_what_stands_from_what_is_quiet() {
    let mut over = trouble("S1", Urgency::Soon, "P2 was silent.");
    over.id = "over".to_owned();
    let mut explained = trouble("N2", Urgency::Soon, "P1 has been silent for 9 min.");
    explained = alarmed(explained, "explained");
    explained.alarm.as_mut().expect("an alarm").explained_by = Some(silent("seen").id);
    let mut snoozed = trouble("S2", Urgency::Now, "The air under the tarp falls 30 °F/h.");
    snoozed.kind = "losing-heat".to_owned();
    let snoozed = alarmed(snoozed, "snoozed");
    let mut dashboard = Dashboard::of(with_alarms(&[hot(), silent("seen"), snoozed.clone()]));
    let asked = dashboard.key(KeyCode::Char('t'));
    assert!(asked.contains(&Request::Page(Page::Alarms)), "{asked:?}");
    dashboard.event(answer(vec![
        hot(),
        snoozed,
        silent("seen"),
        alarmed(over, "cleared"),
        explained,
    ]));
    capture("alarms", &mut dashboard);
    dashboard.key(KeyCode::End);
    insta::assert_snapshot!("alarms-last-chosen-80x24", dashboard.screen(SMALL));
}

#[test]
fn seen_is_two_keys_and_names_the_alarm_and_the_person() {
    let mut dashboard = Dashboard::of(with_alarms(&[hot(), silent("new")]));
    dashboard.key(KeyCode::Char('t'));
    dashboard.key(KeyCode::Down);
    dashboard.key(KeyCode::Char('a'));
    let screen = dashboard.screen(SMALL);
    assert!(
        screen.contains("P3 has been silent") && screen.contains("bell"),
        "{screen}"
    );
    let act = act_of(dashboard.key(KeyCode::Enter));
    assert_eq!((act.by.as_str(), act.pour.as_str()), ("Q. Lane", ""));
    let alarm = silent("new").id;
    assert_eq!(act.body, ActBody::AlarmSeen { alarm });
}

#[test]
fn in_the_yard_a_means_the_chosen_beds_alarm_and_else_the_one_on_the_bar() {
    let mut dashboard = Dashboard::of(with_alarms(&[hot(), silent("new")]));
    dashboard.key(KeyCode::Char('a'));
    assert!(dashboard.screen(SMALL).contains("N1: seen"));
    dashboard.key(KeyCode::Esc);
    dashboard.key(KeyCode::Down);
    dashboard.key(KeyCode::Char('a'));
    assert!(dashboard.screen(SMALL).contains("N4: seen"));
}

#[test]
fn a_snooze_needs_an_end_to_come_and_a_reason() {
    let mut dashboard = Dashboard::of(with_alarms(&[hot()]));
    dashboard.keys(&[KeyCode::Char('t'), KeyCode::Char('z')]);
    let record = |dashboard: &mut Dashboard| {
        while dashboard
            .state
            .form
            .as_ref()
            .is_some_and(|form| form.focus < form.fields.len())
        {
            dashboard.key(KeyCode::Tab);
        }
        dashboard.key(KeyCode::Enter)
    };
    let problem = |dashboard: &Dashboard| {
        let form = dashboard.state.form.as_ref().expect("it stays open");
        form.problem.clone().unwrap_or_default()
    };
    dashboard.keys(&[KeyCode::Backspace; 6]);
    assert!(record(&mut dashboard).is_empty());
    assert!(problem(&dashboard).contains("is not a time"));
    dashboard.type_text("02:00");
    assert!(record(&mut dashboard).is_empty());
    let told = problem(&dashboard);
    assert!(
        told.contains("02:00 tomorrow is more than 8 h ahead"),
        "{told}"
    );
    dashboard.keys(&[KeyCode::Backspace; 5]);
    dashboard.type_text("3:30 am");
    assert!(record(&mut dashboard).is_empty());
    assert!(problem(&dashboard).contains("needs its reason"));
    dashboard.type_text("boiler is being started");
    let act = act_of(record(&mut dashboard));
    let until_at = "2026-11-26T09:30:00Z".parse().expect("an instant");
    let alarm = hot().id;
    assert_eq!(act.body, ActBody::AlarmSnoozed { alarm, until_at });
    assert_eq!(act.why.as_deref(), Some("boiler is being started"));
}

#[test]
fn what_cannot_be_said_to_an_alarm_is_refused_with_what_to_do() {
    let mut dashboard = Dashboard::of(with_alarms(&[silent("seen")]));
    dashboard.key(KeyCode::Char('t'));
    for (key, words) in [
        ('Z', "not snoozed"),
        ('x', "still stands"),
        ('a', "R. Field has seen"),
    ] {
        dashboard.key(KeyCode::Char(key));
        is_refused(&dashboard, words);
    }
    let mut nothing = Dashboard::of(normal());
    nothing.keys(&[KeyCode::Char('t'), KeyCode::Char('a')]);
    is_refused(&nothing, "No alarm is chosen");
}

#[test]
fn what_is_over_is_put_away_and_what_is_snoozed_is_woken() {
    let mut dashboard = Dashboard::of(with_alarms(&[silent("snoozed")]));
    dashboard.keys(&[KeyCode::Char('t'), KeyCode::Char('Z')]);
    let act = act_of(dashboard.key(KeyCode::Enter));
    assert!(matches!(act.body, ActBody::AlarmWoken { .. }), "{act:?}");
    let mut snapshot = normal();
    snapshot.cleared = vec![silent("cleared")];
    let mut dashboard = Dashboard::of(snapshot);
    dashboard.keys(&[KeyCode::Char('t'), KeyCode::Char('x')]);
    let act = act_of(dashboard.key(KeyCode::Enter));
    assert!(matches!(act.body, ActBody::AlarmReset { .. }), "{act:?}");
}

#[test]
fn the_bell_rings_once_for_a_new_alarm_and_not_for_one_that_is_seen_or_only_a_look() {
    let mut dashboard = Dashboard::of(with_alarms(&[silent("new")]));
    let is_rung = |requests: Vec<Request>| requests.contains(&Request::Bell);
    assert!(!is_rung(dashboard.event(plant_event(&[silent("new")]))));
    assert!(is_rung(
        dashboard.event(plant_event(&[hot(), silent("new")]))
    ));
    assert!(!is_rung(
        dashboard.event(plant_event(&[hot(), silent("seen")]))
    ));
    let look = alarmed(trouble("S2", Urgency::Look, "P2 reads high."), "new");
    assert!(!is_rung(dashboard.event(plant_event(&[hot(), look]))));
    assert!(!is_rung(dashboard.event(plant_event(&[]))));
    let mut again = hot();
    again.alarm.as_mut().expect("an alarm").raised_at = minutes_ago(1);
    assert!(is_rung(dashboard.event(plant_event(&[again.clone()]))));
    // After a lost connection the whole snapshot comes: what rang meanwhile rings now.
    let snapshot = with_alarms(&[again, silent("new")]);
    let back = Event::Connection(Connection::Snapshot(Box::new(snapshot)));
    assert!(is_rung(dashboard.event(back)));
}

#[test]
fn a_new_alarm_is_a_bar_on_every_screen_with_and_without_colour() {
    for theme in [Theme::COLOURED, Theme::PLAIN] {
        let mut dashboard = Dashboard::of(with_alarms(&[hot(), silent("new")]));
        dashboard.theme = theme;
        for key in ['s', 'n', 'm', 'w', 'e', 'i', 'd', 'c', '?', 'N'] {
            dashboard.key(KeyCode::Char(key));
            let buf = dashboard.draw(SMALL);
            let screen = support::text(&buf);
            let row = screen
                .lines()
                .position(|line| line.contains("NEW NOW N4 (1 more)"));
            let row =
                u16::try_from(row.unwrap_or_else(|| panic!("{key}:\n{screen}"))).expect("a row");
            let style = buf[(78, row)].style();
            assert!(style.add_modifier.contains(Modifier::REVERSED), "{key}");
            if theme == Theme::COLOURED {
                assert_eq!(style.fg, Some(Color::LightRed), "{key}");
            }
        }
    }
}

#[test]
fn snoozed_alarms_leave_the_strip_and_are_counted() {
    let mut dashboard = Dashboard::of(with_alarms(&[silent("snoozed")]));
    let screen = dashboard.screen(SMALL);
    assert!(
        screen.contains("Nothing needs a person.") && screen.contains("1 snoozed; N1 until 03:30"),
        "{screen}"
    );
    assert!(
        screen.lines().any(|line| line.starts_with("zN1")),
        "{screen}"
    );
}

#[test]
fn the_most_urgent_bed_comes_first_by_one_key_and_back_again() {
    let mut dashboard = Dashboard::of(with_alarms(&[hot(), silent("seen")]));
    let first_bed = |dashboard: &mut Dashboard| dashboard.state.rows()[0].bed.bed.clone();
    assert_eq!(first_bed(&mut dashboard), "N1");
    dashboard.key(KeyCode::Char('o'));
    let beds: Vec<String> = dashboard
        .state
        .rows()
        .iter()
        .map(|row| row.bed.bed.clone())
        .collect();
    assert_eq!(beds, ["N4", "N1", "N2", "N3", "S1", "S2"]);
    assert!(dashboard.screen(SMALL).contains("Most urgent first"));
    dashboard.key(KeyCode::Char('o'));
    assert_eq!(first_bed(&mut dashboard), "N1");
}

#[test]
fn forty_beds_are_all_in_sight_on_the_smallest_terminal() {
    let mut snapshot = forty_beds();
    snapshot.troubles = vec![
        alarmed(
            trouble(
                "B07",
                Urgency::Now,
                "P1 is at 162 °F, above its limit of 158 °F.",
            ),
            "new",
        ),
        alarmed(
            trouble("B33", Urgency::Soon, "P3 has been silent for 24 min."),
            "seen",
        ),
    ];
    snapshot.beds[6].troubles = vec![snapshot.troubles[0].clone()];
    snapshot.beds[32].troubles = vec![snapshot.troubles[1].clone()];
    let mut dashboard = Dashboard::of(snapshot);
    let screen = dashboard.screen(SMALL);
    for bed in 1..=40 {
        assert!(
            screen.contains(&format!("B{bed:02}")),
            "B{bed:02}\n{screen}"
        );
    }
    insta::assert_snapshot!("forty-beds-80x24", screen);
    dashboard.keys(&[KeyCode::End, KeyCode::Enter]);
    assert!(
        dashboard.screen(SMALL).contains("B40"),
        "the last is opened"
    );
}

#[test]
fn the_far_view_says_bed_and_word_or_that_all_is_normal_and_since_when() {
    let mut dashboard = Dashboard::of(with_alarms(&[hot(), silent("new")]));
    dashboard.key(KeyCode::Char('f'));
    capture("far-trouble", &mut dashboard);
    let mut dashboard = Dashboard::of(normal());
    dashboard.key(KeyCode::Char('f'));
    dashboard.wait(Duration::from_secs(5));
    capture("far-normal", &mut dashboard);
    dashboard.wait(Duration::from_secs(90));
    let screen = dashboard.screen(SMALL);
    assert!(!screen.contains("All beds are normal"), "{screen}");
    insta::assert_snapshot!("far-stale-80x24", screen);
}

#[test]
fn the_plan_the_log_and_the_history_stand_as_the_daemon_tells_them() {
    for (key, page, name, text) in [
        (
            'w',
            Page::Plan,
            "plan",
            include_str!("../../daemon/api/tests/golden/plan.json"),
        ),
        (
            'e',
            Page::Log,
            "log",
            include_str!("../../daemon/api/tests/golden/shift-log.json"),
        ),
        (
            'i',
            Page::History,
            "history",
            include_str!("../../daemon/api/tests/golden/alarm-history.json"),
        ),
    ] {
        let mut dashboard = Dashboard::of(normal());
        let asked = dashboard.key(KeyCode::Char(key));
        assert_eq!(asked, [Request::Page(page)]);
        assert!(dashboard.screen(SMALL).contains("being fetched"));
        dashboard.event(golden(page, text));
        capture(name, &mut dashboard);
    }
}

#[test]
fn the_channel_that_a_hand_warms_is_named() {
    let mut dashboard = Dashboard::of(normal());
    let asked = dashboard.key(KeyCode::Char('c'));
    let since_at = minutes_ago(2);
    let page = Page::Channels { since_at };
    assert_eq!(asked, [Request::Page(page)]);
    dashboard.event(golden(
        page,
        include_str!("../../daemon/api/tests/golden/channels.json"),
    ));
    capture("channels", &mut dashboard);
    // Movements are counted from when the page is opened, not from when it was first opened.
    dashboard.wait(Duration::from_secs(60));
    let asked = dashboard.keys(&[KeyCode::Char('y'), KeyCode::Char('c')]);
    let since_at = minutes_ago(1);
    assert!(
        asked.contains(&Request::Page(Page::Channels { since_at })),
        "{asked:?}"
    );
}

#[test]
fn a_note_and_a_handover_are_entered_by_keyboard() {
    let mut dashboard = Dashboard::of(normal());
    dashboard.key(KeyCode::Char('N'));
    dashboard.type_text("tarp of N4 tied down again");
    for _ in 0..3 {
        dashboard.key(KeyCode::Enter);
    }
    let act = act_of(dashboard.key(KeyCode::Enter));
    assert_eq!(act.body, ActBody::ShiftNoted {});
    assert_eq!(act.why.as_deref(), Some("tarp of N4 tied down again"));
    let mut dashboard = Dashboard::of(normal());
    let asked = dashboard.key(KeyCode::Char('O'));
    assert!(asked.contains(&Request::Page(Page::Log)), "{asked:?}");
    dashboard.event(golden(
        Page::Log,
        include_str!("../../daemon/api/tests/golden/shift-log.json"),
    ));
    capture("handover", &mut dashboard);
    dashboard.type_text("J. Reed");
    for _ in 0..2 {
        dashboard.key(KeyCode::Enter);
    }
    let act = act_of(dashboard.key(KeyCode::Enter));
    let to = "J. Reed".to_owned();
    assert_eq!(act.body, ActBody::ShiftHandedOver { to });
    let answer = Ok(daemon_api::ActAnswer {
        id: act.id,
        sequence: 41,
        ..daemon_api::ActAnswer::default()
    });
    dashboard.event(Event::Act { id: act.id, answer });
    dashboard.key(KeyCode::Char('N'));
    let form = dashboard.state.form.as_ref().expect("a form");
    assert_eq!(form.value(&tui::form::FieldKey::By), "J. Reed");
}

#[test]
fn who_comes_back_is_told_what_changed_meanwhile() {
    let mut dashboard = Dashboard::of(normal());
    dashboard.key(KeyCode::Down);
    dashboard.wait(Duration::from_secs(120));
    assert!(
        !dashboard.key(KeyCode::Up).iter().any(is_changes),
        "two minutes are no absence"
    );
    let mut later = with_alarms(&[hot()]);
    later.beds[0].pours[0].status = PourStatus::BreakDue;
    later.beds[0].pours[0].forecast.likely_at = Some(support::in_minutes(200));
    later.plant.now = support::in_minutes(17);
    dashboard.wait(Duration::from_secs(900));
    dashboard.event(Event::Connection(Connection::Snapshot(Box::new(later))));
    let asked = dashboard.key(KeyCode::Down);
    assert!(asked.iter().any(is_changes), "{asked:?}");
    let from_at = support::in_minutes(2);
    let page = Page::Changes { from_at };
    assert!(asked.contains(&Request::Page(page)), "{asked:?}");
    dashboard.event(golden(
        page,
        include_str!("../../daemon/api/tests/golden/shift-log.json"),
    ));
    let message = dashboard.state.message.as_ref().expect("a message");
    assert!(message.lines[0].contains("Press d"), "{message:?}");
    dashboard.keys(&[KeyCode::Esc, KeyCode::Char('d')]);
    capture("changes", &mut dashboard);
    assert!(
        dashboard
            .screen(SMALL)
            .contains("N1: was curing, is break due; likely at 05:34, was 04:40.")
    );
}

fn is_changes(request: &Request) -> bool {
    matches!(request, Request::Page(Page::Changes { .. }))
}

#[test]
fn the_key_for_seen_takes_the_alarm_of_the_bar_where_the_chosen_bed_has_none() {
    let mut dashboard = Dashboard::of(with_alarms(&[hot(), silent("new")]));
    let bar = dashboard.state.awake()[0].clone();
    let other = dashboard
        .state
        .rows()
        .iter()
        .map(|row| row.key())
        .find(|row| {
            dashboard
                .state
                .awake()
                .iter()
                .all(|one| one.bed.as_ref() != Some(&row.bed))
        });
    dashboard.state.chosen = Some(other.expect("a bed without an alarm"));
    dashboard.key(KeyCode::Char('a'));
    let form = dashboard
        .state
        .form
        .as_ref()
        .expect("the bar's alarm is asked about");
    assert_eq!(form.bed, bar.bed.expect("a bed's alarm"));
}

#[test]
fn enter_on_the_alarms_page_opens_the_bed_of_the_chosen_alarm_and_esc_goes_back() {
    let mut dashboard = Dashboard::of(with_alarms(&[hot(), silent("new")]));
    dashboard.key(KeyCode::Char('t'));
    let bed = dashboard
        .state
        .chosen_alarm()
        .and_then(|one| one.bed.clone());
    dashboard.key(KeyCode::Enter);
    assert_eq!(dashboard.state.screen, tui::state::Screen::Bed);
    assert_eq!(
        dashboard.state.chosen.as_ref().map(|row| row.bed.clone()),
        bed
    );
    dashboard.key(KeyCode::Esc);
    assert_eq!(dashboard.state.screen, tui::state::Screen::Troubles);
    dashboard.key(KeyCode::Esc);
    assert_eq!(dashboard.state.screen, tui::state::Screen::Yard);
}

#[test]
fn leaving_while_an_alarm_calls_is_asked_once() {
    let mut dashboard = Dashboard::of(with_alarms(&[hot(), silent("new")]));
    assert!(!dashboard.key(KeyCode::Char('q')).contains(&Request::Quit));
    let screen = dashboard.screen(SMALL);
    assert!(screen.contains("Press q again to leave"), "{screen}");
    // Another key takes the wish back.
    dashboard.key(KeyCode::Char('w'));
    assert!(!dashboard.key(KeyCode::Char('q')).contains(&Request::Quit));
    assert!(dashboard.key(KeyCode::Char('q')).contains(&Request::Quit));
    let mut calm = Dashboard::of(normal());
    assert!(calm.key(KeyCode::Char('q')).contains(&Request::Quit));
}

#[test]
fn a_terminal_of_any_size_shows_the_most_urgent_alarm_and_the_beds() {
    let mut dashboard = Dashboard::of(with_alarms(&[hot(), silent("new")]));
    let first = dashboard.state.awake()[0].clone();
    let more = dashboard.state.awake().len() - 1;
    for size in [(60, 24), (79, 24), (200, 12), (40, 3)] {
        let screen = dashboard.screen(size);
        let head = screen.lines().next().unwrap_or_default().to_owned();
        let bed = first.bed.clone().unwrap_or_default();
        assert!(head.contains(&format!("{bed}: ")), "{size:?}: {head}");
        assert!(head.contains(&format!("{more} more")), "{size:?}: {head}");
    }
    assert!(
        dashboard
            .screen((60, 24))
            .contains("tarplight needs 80 columns")
    );
    // Nowhere so small that drawing fails.
    for size in [(1, 1), (3, 2), (12, 1)] {
        dashboard.screen(size);
    }
}

#[test]
fn a_message_leaves_with_the_next_key_and_by_itself() {
    let mut dashboard = Dashboard::of(normal());
    dashboard.key(KeyCode::Char('o'));
    assert!(dashboard.state.message.is_some());
    dashboard.key(KeyCode::Char('w'));
    assert!(dashboard.state.message.is_none());
    dashboard.key(KeyCode::Char('o'));
    dashboard.event(Event::Tick);
    dashboard.wait(std::time::Duration::from_secs(25));
    dashboard.event(Event::Tick);
    assert!(dashboard.state.message.is_none());
}

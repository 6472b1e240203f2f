//! The life cycle walked through: the standard's paths, delays, snoozes, causes and a restart.

use super::*;

fn at(minute: i64) -> UtcMs {
    UtcMs(1_772_388_000_000 + minute * MINUTE_MS)
}

fn trouble(kind: &'static str, place: &str, urgency: Urgency) -> Trouble {
    Trouble {
        kind: kind.into(),
        urgency,
        bed: Some("B1".to_owned()),
        pour: Some("p".to_owned()),
        place: Some(place.to_owned()),
        what: "as a test has it".to_owned(),
        since: at(0),
        first_act: "Look.".into(),
        explained_by: None,
    }
}

/// A kind without delays and without a latch.
fn plain() -> Trouble {
    trouble("curve-not-usable", "x", Urgency::Soon)
}

fn said(id: &str, word: AlarmWord) -> AlarmAct {
    AlarmAct {
        alarm: id.to_owned(),
        word,
    }
}

fn events(changes: &[AlarmChange]) -> Vec<AlarmEvent> {
    changes.iter().map(|change| change.event).collect()
}

fn state(book: &AlarmBook, id: &str) -> AlarmState {
    book.alarm(id).map_or(AlarmState::Normal, Alarm::state)
}

fn see(book: &mut AlarmBook, id: &str, minute: i64) -> Vec<AlarmChange> {
    book.hear(&said(id, AlarmWord::Seen), "N. Shift", "", at(minute))
}

// The paths below are our computation from the standard's list of states, which is from memory.

#[test]
fn a_condition_that_is_seen_and_passes_is_normal_again() {
    let (mut book, it) = (AlarmBook::default(), plain());
    let id = it.id();
    assert_eq!(
        events(&book.look(std::slice::from_ref(&it), at(0))),
        [AlarmEvent::Raised]
    );
    assert_eq!(state(&book, &id), AlarmState::Unacknowledged);
    assert!(
        book.look(std::slice::from_ref(&it), at(1)).is_empty(),
        "it rings once"
    );
    assert_eq!(events(&see(&mut book, &id, 2)), [AlarmEvent::Seen]);
    assert_eq!(state(&book, &id), AlarmState::Acknowledged);
    let over = events(&book.look(&[], at(3)));
    assert_eq!(over, [AlarmEvent::Cleared, AlarmEvent::Closed]);
    assert!(book.alarms().is_empty());
}

#[test]
fn a_condition_that_passes_unseen_stays_in_sight_and_rings_when_it_comes_back() {
    let (mut book, it) = (AlarmBook::default(), plain());
    let id = it.id();
    book.look(std::slice::from_ref(&it), at(0));
    assert_eq!(events(&book.look(&[], at(1))), [AlarmEvent::Cleared]);
    assert_eq!(state(&book, &id), AlarmState::ReturnedUnacknowledged);
    assert_eq!(events(&book.look(&[it], at(2))), [AlarmEvent::Raised]);
    assert_eq!(state(&book, &id), AlarmState::Unacknowledged);
    book.look(&[], at(3));
    assert_eq!(
        events(&see(&mut book, &id, 4)),
        [AlarmEvent::Seen, AlarmEvent::Closed]
    );
}

#[test]
fn what_matters_stays_latched_until_a_person_resets_it() {
    let (mut book, it) = (
        AlarmBook::default(),
        trouble("heated-too-early", "x", Urgency::Now),
    );
    let id = it.id();
    let reset = said(&id, AlarmWord::Reset);
    book.look(std::slice::from_ref(&it), at(0));
    assert_eq!(book.check(&reset), Err(AlarmRefusal::NothingToReset));
    see(&mut book, &id, 1);
    book.look(&[], at(2));
    assert_eq!(state(&book, &id), AlarmState::LatchedAcknowledged);
    book.check(&reset).expect("it is over");
    let over = events(&book.hear(&reset, "Q. Lane", "", at(3)));
    assert_eq!(over, [AlarmEvent::Reset, AlarmEvent::Closed]);
    book.look(&[it], at(4));
    book.look(&[], at(5));
    assert_eq!(state(&book, &id), AlarmState::LatchedUnacknowledged);
    see(&mut book, &id, 6);
    assert_eq!(state(&book, &id), AlarmState::LatchedAcknowledged);
}

#[test]
fn delays_keep_a_flickering_condition_from_ringing_and_from_ringing_twice() {
    let (mut book, it) = (
        AlarmBook::default(),
        trouble("sensor-open", "P1", Urgency::Soon),
    );
    let delay_min = rule_of("sensor-open").on_delay_min as i64;
    // Each time it comes back it stands since then.
    let back = |minute: i64, every_min: i64| Trouble {
        since: at(minute - minute % every_min + 1),
        ..it.clone()
    };
    for minute in 0..60 {
        let flickering = if minute % delay_min == 0 {
            vec![]
        } else {
            vec![back(minute, delay_min)]
        };
        assert!(
            book.look(&flickering, at(minute)).is_empty(),
            "minute {minute}"
        );
    }
    let mut rung = 0;
    for minute in 60..180 {
        let standing = if minute % 7 == 0 {
            vec![]
        } else {
            vec![back(minute, 7)]
        };
        let changes = book.look(&standing, at(minute));
        rung += changes.iter().filter(|one| one.event.rings()).count();
        assert!(!events(&changes).contains(&AlarmEvent::Cleared));
    }
    assert_eq!(rung, 1);
}

#[test]
fn what_stood_long_before_it_was_first_seen_rings_at_once() {
    let mut book = AlarmBook::default();
    book.look(&[], at(0));
    let old = trouble("sensor-open", "P1", Urgency::Soon);
    let delay_min = rule_of("sensor-open").on_delay_min as i64;
    let new = Trouble {
        since: at(delay_min + 1),
        ..trouble("sensor-open", "P2", Urgency::Soon)
    };
    let changes = book.look(&[old.clone(), new], at(delay_min + 1));
    assert_eq!(events(&changes), [AlarmEvent::Raised]);
    assert_eq!(state(&book, &old.id()), AlarmState::Unacknowledged);
}

#[test]
fn a_snooze_is_quiet_until_its_end_and_then_rings_if_it_still_stands() {
    let (mut book, it) = (AlarmBook::default(), plain());
    let id = it.id();
    book.look(std::slice::from_ref(&it), at(0));
    let snooze = said(&id, AlarmWord::Snoozed { until_at: at(30) });
    assert_eq!(
        events(&book.hear(&snooze, "N. Shift", "steam is coming", at(1))),
        [AlarmEvent::Snoozed]
    );
    assert_eq!(state(&book, &id), AlarmState::Shelved);
    for minute in 2..30 {
        let standing = if minute % 5 == 0 {
            vec![]
        } else {
            vec![it.clone()]
        };
        let changes = book.look(&standing, at(minute));
        assert!(
            changes.iter().all(|one| !one.event.rings()),
            "minute {minute}"
        );
        assert_eq!(state(&book, &id), AlarmState::Shelved);
    }
    assert_eq!(
        events(&book.look(std::slice::from_ref(&it), at(30))),
        [AlarmEvent::Woken]
    );
    assert_eq!(state(&book, &id), AlarmState::Unacknowledged);
    book.hear(
        &said(&id, AlarmWord::Snoozed { until_at: at(60) }),
        "N. Shift",
        "again",
        at(31),
    );
    book.look(&[], at(40));
    assert_eq!(
        state(&book, &id),
        AlarmState::Shelved,
        "over, but its snooze is not"
    );
    assert_eq!(events(&book.look(&[], at(60))), [AlarmEvent::Closed]);
}

#[test]
fn what_becomes_more_urgent_rings_through_a_snooze() {
    let mut book = AlarmBook::default();
    let it = plain();
    let id = it.id();
    book.look(std::slice::from_ref(&it), at(0));
    book.hear(
        &said(&id, AlarmWord::Snoozed { until_at: at(60) }),
        "N. Shift",
        "known",
        at(1),
    );
    let worse = Trouble {
        urgency: Urgency::Now,
        ..it
    };
    assert_eq!(
        events(&book.look(std::slice::from_ref(&worse), at(2))),
        [AlarmEvent::Worsened]
    );
    see(&mut book, &id, 3);
    assert!(book.look(&[worse], at(4)).is_empty());
}

#[test]
fn a_cause_rings_once_for_all_that_it_explains() {
    let mut book = AlarmBook::default();
    let cause = trouble("logger-silent", "L1", Urgency::Soon);
    let explained = |place| Trouble {
        explained_by: Some(cause.id()),
        ..trouble("sensor-silent", place, Urgency::Soon)
    };
    let mut rung = Vec::new();
    for minute in 0..20 {
        let standing = [
            cause.clone(),
            explained("P1"),
            explained("P2"),
            explained("P3"),
        ];
        let changes = book.look(&standing, at(minute));
        rung.extend(changes.into_iter().filter(|one| one.event.rings()));
    }
    assert_eq!(rung.len(), 1);
    assert_eq!(rung[0].alarm.id, cause.id());
    assert_eq!(state(&book, &explained("P2").id()), AlarmState::Suppressed);
    // The logger comes back, one of its channels does not.
    let rung: Vec<String> = (20..60)
        .flat_map(|minute| book.look(&[explained("P2")], at(minute)))
        .filter(|one| one.event.rings())
        .map(|one| one.alarm.id)
        .collect();
    assert_eq!(rung, [explained("P2").id()]);
    let left: Vec<AlarmState> = book.alarms().iter().map(|alarm| alarm.state()).collect();
    let channel_and_cause = [
        AlarmState::Unacknowledged,
        AlarmState::ReturnedUnacknowledged,
    ];
    assert_eq!(left, channel_and_cause, "what stands goes first");
}

#[test]
fn a_pour_that_is_released_needs_nobody_any_more_but_for_what_is_latched() {
    let mut book = AlarmBook::default();
    let latched = trouble("heated-too-early", "x", Urgency::Now);
    book.look(&[plain(), latched.clone()], at(0));
    let ended = events(&book.end_pour("p", at(1)));
    assert_eq!(ended, [AlarmEvent::Closed]);
    assert_eq!(book.alarms().len(), 1);
    assert_eq!(book.alarms()[0].id, latched.id());
    assert!(book.end_pour("another", at(2)).is_empty());
}

#[test]
fn a_restart_goes_on_where_the_record_left_off() {
    let (mut book, it) = (AlarmBook::default(), plain());
    book.look(std::slice::from_ref(&it), at(0));
    see(&mut book, &it.id(), 1);
    let mut again = AlarmBook::resumed(book.alarms().into_iter().cloned());
    assert!(
        again.look(std::slice::from_ref(&it), at(2)).is_empty(),
        "it does not ring anew"
    );
    assert_eq!(state(&again, &it.id()), AlarmState::Acknowledged);
}

#[test]
fn what_nobody_rang_cannot_be_seen() {
    let book = AlarmBook::default();
    let refused = book.check(&said("late/B9/p", AlarmWord::Seen));
    assert_eq!(refused, Err(AlarmRefusal::Unknown(Vec::new())));
}

#[test]
fn what_was_now_and_nobody_saw_stays_first_when_it_is_over_and_rings_again_until_seen() {
    let mut book = AlarmBook::default();
    book.look(&[], at(0));
    let lost = trouble("losing-heat", "x", Urgency::Now);
    let later = plain();
    let mut heard = Vec::new();
    for minute in 1..=60 {
        let standing = match minute {
            1..=20 => vec![lost.clone()],
            _ => vec![later.clone()],
        };
        let changes = book.look(&standing, at(minute));
        heard.extend(changes.into_iter().filter(|one| one.alarm.id == lost.id()));
    }
    let again = heard
        .iter()
        .filter(|one| one.event == AlarmEvent::RangAgain);
    assert!(again.count() >= 5, "each ten minutes: {:?}", events(&heard));
    assert!(heard.iter().any(|one| one.event == AlarmEvent::Cleared));
    let first = book.alarms()[0];
    assert_eq!((first.id.clone(), first.word()), (lost.id(), "new"));
    assert!(!first.is_active);
    // Nor does the end of its pour take it out of sight.
    book.end_pour("p", at(61));
    assert_eq!(book.alarms()[0].id, lost.id());
    see(&mut book, &lost.id(), 62);
    assert!(book.alarm(&lost.id()).is_none(), "seen, and over");
    assert!(
        book.look(&[], at(90))
            .iter()
            .all(|one| one.event != AlarmEvent::RangAgain)
    );
}

#[test]
fn the_newest_that_nobody_saw_goes_first_and_decisions_before_sensors() {
    let mut book = AlarmBook::default();
    book.look(&[], at(0));
    let old = trouble("sensor-open", "P1", Urgency::Soon);
    let older = trouble("sensor-open", "P2", Urgency::Soon);
    let due = trouble("signature-due", "x", Urgency::Soon);
    book.look(&[older.clone(), due.clone()], at(1));
    for minute in 2..40 {
        book.look(&[older.clone(), due.clone(), old.clone()], at(minute));
    }
    see(&mut book, &older.id(), 41);
    let order: Vec<String> = book.alarms().iter().map(|one| one.id.clone()).collect();
    assert_eq!(order, [due.id(), old.id(), older.id()]);
}

#[test]
fn what_an_act_answers_is_over_at_once_and_what_passes_by_itself_after_its_delay() {
    let mut book = AlarmBook::default();
    book.look(&[], at(0));
    let on = trouble("heat-still-on", "x", Urgency::Soon);
    for minute in 1..=10 {
        book.look(std::slice::from_ref(&on), at(minute));
    }
    book.look(&[], at(11));
    assert_eq!(state(&book, &on.id()), AlarmState::Unacknowledged);
    book.is_answered("another", at(12));
    book.look(&[], at(12));
    assert_eq!(state(&book, &on.id()), AlarmState::Unacknowledged);
    book.is_answered("p", at(13));
    let changes = events(&book.look(&[], at(13)));
    assert_eq!(changes, [AlarmEvent::Cleared]);
}

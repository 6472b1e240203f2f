//! Whatever clock time is typed, its reading lies between the pour's beginning and now, or both are named.

use chrono::{DateTime, TimeDelta, Utc};
use proptest::prelude::*;
use tui::times::Zone;
use tui::when::{self, Beginning, TimeError};

const ZONES: [&str; 4] = [
    "America/Chicago",
    "Europe/Berlin",
    "Australia/Lord_Howe",
    "UTC",
];

fn typed(hour: u32, minute: u32, style: u8) -> String {
    let half = if hour < 12 { "am" } else { "pm" };
    let hour_12 = if hour.is_multiple_of(12) {
        12
    } else {
        hour % 12
    };
    match style {
        0 => format!("{hour:02}:{minute:02}"),
        1 => format!("{hour:02}{minute:02}"),
        2 => format!("{hour_12}:{minute:02}{half}"),
        _ => format!(" {hour_12}:{minute:02} {half} "),
    }
}

proptest! {
    #[test]
    fn a_clock_time_is_read_within_the_pour_or_refused_with_both_readings(
        // Two years by the minute, both changes of each zone's clock among them.
        now_min in 0i64..1_051_200,
        since_min in 0i64..4_000,
        hour in 0u32..24,
        minute in 0u32..60,
        style in 0u8..4,
        zone in prop::sample::select(&ZONES[..]),
    ) {
        let start: DateTime<Utc> = "2026-01-01T00:00:00Z".parse().expect("an instant");
        let now = start + TimeDelta::minutes(now_min);
        let beginning = Beginning::after(now - TimeDelta::minutes(since_min), "N2's first concrete");
        let zone = Zone::named(zone);
        let text = typed(hour, minute, style);
        match when::done(zone, &text, now, Some(&beginning)) {
            Ok(at) => {
                prop_assert!(beginning.at <= at && at <= now, "{text} at {now}: {at}");
                prop_assert!(now - at <= TimeDelta::hours(21), "{text} at {now} jumps to {at}");
                let shown = zone.naive(at).format("%H:%M").to_string();
                prop_assert_eq!(shown, format!("{hour:02}:{minute:02}"));
            }
            Err(TimeError::NoReading { sentence }) => {
                let is_past_named =
                    sentence.contains("is before N2's first concrete") || sentence.contains(" ago");
                prop_assert!(sentence.contains("is still to come (in "), "{}", sentence);
                prop_assert!(is_past_named, "{}", sentence);
            }
            Err(TimeError::Twice { .. } | TimeError::Skipped { .. }) => {
                let is_changing = (-26..26).any(|hours| {
                    let of = |hours: i64| zone.offset_s(now + TimeDelta::hours(hours));
                    of(hours) != of(hours + 1)
                });
                prop_assert!(is_changing, "{text} at {now}: no clock was changed");
            }
            Err(TimeError::NotATime { .. }) => prop_assert!(false, "{text} is a time"),
        }
    }

    #[test]
    fn whatever_is_typed_is_read_as_past_or_refused_in_words(text in "\\PC{0,24}", now_min in 0i64..1_051_200) {
        let start: DateTime<Utc> = "2026-01-01T00:00:00Z".parse().expect("an instant");
        let now = start + TimeDelta::minutes(now_min);
        match when::done(Zone::named("America/Chicago"), &text, now, None) {
            Ok(at) => prop_assert!(at <= now),
            Err(refused) => prop_assert!(!refused.to_string().is_empty()),
        }
        let _ = when::planned(Zone::named("America/Chicago"), &text, now, now);
    }
}

#[test]
fn a_load_that_ends_minutes_ahead_is_asked_back_and_not_moved_to_the_day_before() {
    // 13:32 at the plant.
    let now: DateTime<Utc> = "2026-12-01T19:32:00Z".parse().expect("an instant");
    let zone = Zone::named("America/Chicago");
    let from = when::done(zone, "13:25", now, None).expect("seven minutes ago");
    let began = Beginning::after(from, "--placed-from");
    let refused = when::done(zone, "13:40", now, Some(&began)).expect_err("in eight minutes");
    let refused = refused.to_string();
    for part in [
        "13:40 today is still to come (in 8 min; the plant's clock shows 13:32)",
        "13:40 yesterday is before --placed-from at 13:25 today",
    ] {
        assert!(refused.contains(part), "{refused}");
    }
}

#[test]
fn a_snooze_takes_a_span_or_a_clock_time_and_answers_a_past_one_in_words() {
    // 15:27 at the plant.
    let now: DateTime<Utc> = "2026-12-01T21:27:00Z".parse().expect("an instant");
    let until = |text: &str| when::snoozed_until(Zone::named("America/Chicago"), text, now);
    assert_eq!(until("30 min"), Ok(now + TimeDelta::minutes(30)));
    for text in ["5pm", "17:00", "1700", "today 17:00"] {
        assert_eq!(until(text), Ok(now + TimeDelta::minutes(93)), "{text}");
    }
    let past = until("14:00")
        .expect_err("tomorrow's is too far")
        .to_string();
    assert!(
        past.contains("14:00 tomorrow is more than 8 h ahead"),
        "{past}"
    );
    assert!(past.contains("the plant's clock shows 15:27"), "{past}");
    let past = until("today 14:00").expect_err("past").to_string();
    assert!(past.contains("14:00 today is past"), "{past}");
}

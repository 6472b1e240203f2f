//! What a person means by a time they typed: the one reading that makes sense, or a question with both.

use std::fmt;

use chrono::{DateTime, Datelike as _, Days, LocalResult, NaiveDate, TimeDelta, Utc};

use daemon_api::pour::PourView;

use crate::times::{Zone, span_text};
use crate::typed_time::{Clock, Day, Typed};

/// A clock time without a date that comes again within this long is asked back and never read as
/// yesterday's: a phone two minutes fast, or a slip of the hour, must not move an act by a day.
/// Common practice has no figure; a shift's half keeps "17:00" typed at six in the morning usable.
const STILL_TO_COME_MAX: TimeDelta = TimeDelta::hours(4);

/// The same for the first placement of a pour that is being opened, which is recorded while it is placed
/// or in the night after: common practice, no source.
const OPENING_AHEAD_MAX: TimeDelta = TimeDelta::hours(8);

/// The daemon takes no longer snooze.
const SNOOZE_MAX: TimeDelta = TimeDelta::hours(8);

/// What nothing of this kind can have been before.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Beginning {
    pub at: DateTime<Utc>,
    /// As people call it, such as "N2's first concrete".
    pub what: String,
}

/// Batching and bringing take their time: what leads up to the first concrete may be this much earlier.
const BEFORE_CONCRETE_MAX: TimeDelta = TimeDelta::hours(3);

impl Beginning {
    /// Of what is done to a pour.
    pub fn of(pour: &PourView) -> Option<Self> {
        let what = if pour.first_placement_at.is_some() || !pour.loads.is_empty() {
            "first concrete"
        } else {
            "opening"
        };
        Some(Self {
            at: pour.begins_at?,
            what: format!("{}'s {what}", pour.bed),
        })
    }

    /// Of its placement, which may move the first concrete itself.
    pub fn of_placing(pour: &PourView) -> Option<Self> {
        let Self { at, what } = Self::of(pour)?;
        Some(Self {
            at: at - BEFORE_CONCRETE_MAX,
            what: format!("{} h before {what},", BEFORE_CONCRETE_MAX.num_hours()),
        })
    }

    /// Of what is told in a pour's file, from its first placement on; batching came before it.
    pub fn first_placement(at: DateTime<Utc>) -> Self {
        Self {
            at: at - BEFORE_CONCRETE_MAX,
            what: format!(
                "{} h before the first placement,",
                BEFORE_CONCRETE_MAX.num_hours()
            ),
        }
    }

    /// Of what ends, once its own beginning is known.
    pub fn after(at: DateTime<Utc>, what: &str) -> Self {
        Self {
            at,
            what: what.to_owned(),
        }
    }
}

/// Why a typed time was not taken; every message says what to type instead.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum TimeError {
    /// No time at all.
    NotATime { typed: String },
    /// The clock jumped over it when summer time began.
    Skipped { typed: String, zone: String },
    /// The clock showed it twice.
    Twice {
        typed: String,
        first: String,
        second: String,
    },
    /// No reading of it can be meant; the sentence names them all.
    NoReading { sentence: String },
}

impl fmt::Display for TimeError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotATime { typed } => write!(
                f,
                "\"{typed}\" is not a time: give a clock time such as 21:40, \"now\", \"10 min ago\", \
                 \"yesterday 21:40\", \"2026-11-25 21:40\", or an instant such as \
                 2026-11-25T21:40:00-06:00"
            ),
            Self::Skipped { typed, zone } => write!(
                f,
                "there was no {typed} in {zone} on this day, the clock was put forward over it: give \
                 the instant with its offset, such as 2026-03-08T03:30:00-05:00"
            ),
            Self::Twice {
                typed,
                first,
                second,
            } => write!(
                f,
                "the clock showed {typed} twice that day: type \"{first}\" or \"{second}\""
            ),
            Self::NoReading { sentence } => f.write_str(sentence),
        }
    }
}

impl std::error::Error for TimeError {}

/// Reads the time of something done.
///
/// A clock time without a date is the last such moment. It is refused, with both readings, where that
/// moment lies before `beginning` or where the next such moment is close enough to be the one meant.
/// With a date, an offset or as a span ago it is taken as said, and refused only where it is still to
/// come.
///
/// # Errors
/// A [`TimeError`] that says what to type instead.
pub fn done(
    zone: Zone,
    text: &str,
    now: DateTime<Utc>,
    beginning: Option<&Beginning>,
) -> Result<DateTime<Utc>, TimeError> {
    let typed = text.trim();
    let at = match Typed::parse(typed) {
        Some(Typed::Now) => now,
        Some(Typed::Instant(at)) => at,
        Some(Typed::Ago(span)) => now - span,
        Some(Typed::Span(_)) => {
            return Err(TimeError::NoReading {
                sentence: format!("\"{typed}\" is a span: did you mean \"{typed} ago\"?"),
            });
        }
        Some(Typed::Clock(clock)) => {
            return last(zone, typed, &clock, now)
                .and_then(|at| sensible(zone, &clock, at, now, beginning, STILL_TO_COME_MAX));
        }
        Some(Typed::Dated(day, clock)) => {
            let day = meant(day, zone.day(now));
            one_of(zone, typed, &clock, day, |_| true)?
        }
        None => return Err(not_a_time(typed)),
    };
    if at > now {
        let sentence = format!(
            "{typed} is in the future: it is still to come (in {}; the plant's clock shows {}). Record it \
             when it has happened",
            span_text(at - now),
            zone.clock(now)
        );
        return Err(TimeError::NoReading { sentence });
    }
    Ok(at)
}

/// Reads when placement began, for a pour that is being opened: a clock time that
/// comes again within eight hours is asked back, for a pour is opened while it is placed or in the night after.
///
/// # Errors
/// A [`TimeError`] that says what to type instead.
pub fn placed(zone: Zone, text: &str, now: DateTime<Utc>) -> Result<DateTime<Utc>, TimeError> {
    let at = done(zone, text, now, None)?;
    match Typed::parse(text.trim()) {
        Some(Typed::Clock(clock)) => sensible(zone, &clock, at, now, None, OPENING_AHEAD_MAX),
        _ => Ok(at),
    }
}

/// Reads a moment that is asked about: a clock time is the last such moment, whatever comes.
///
/// # Errors
/// A [`TimeError`] that says what to type instead.
pub fn asked(zone: Zone, text: &str, now: DateTime<Utc>) -> Result<DateTime<Utc>, TimeError> {
    match Typed::parse(text.trim()) {
        Some(Typed::Clock(clock)) => last(zone, text.trim(), &clock, now),
        _ => planned(zone, text, now, now),
    }
}

/// Reads the time of something planned: a clock time without a date is the next such moment from `from`
/// on, a span counts from `now`.
///
/// # Errors
/// A [`TimeError`] that says what to type instead.
pub fn planned(
    zone: Zone,
    text: &str,
    now: DateTime<Utc>,
    from: DateTime<Utc>,
) -> Result<DateTime<Utc>, TimeError> {
    let typed = text.trim();
    match Typed::parse(typed) {
        Some(Typed::Now) => Ok(now),
        Some(Typed::Instant(at)) => Ok(at),
        Some(Typed::Ago(span)) => Ok(now - span),
        Some(Typed::Span(span)) => Ok(now + span),
        Some(Typed::Clock(clock)) => next(zone, typed, &clock, from),
        Some(Typed::Dated(day, clock)) => {
            let day = meant(day, zone.day(now));
            one_of(zone, typed, &clock, day, |_| true)
        }
        None => Err(not_a_time(typed)),
    }
}

/// Reads until when an alarm is to be quiet: a span, or a clock time within the next eight hours.
///
/// # Errors
/// A [`TimeError`] that says what to type instead.
pub fn snoozed_until(
    zone: Zone,
    text: &str,
    now: DateTime<Utc>,
) -> Result<DateTime<Utc>, TimeError> {
    let at = planned(zone, text, now, now)?;
    let wrong = if at <= now {
        "is past"
    } else if at > now + SNOOZE_MAX {
        "is more than 8 h ahead"
    } else {
        return Ok(at);
    };
    let sentence = format!(
        "{} {wrong} (the plant's clock shows {}): give until when it is quiet, such as \"30 min\" or a \
         clock time within the next 8 h",
        in_words(zone, at, now),
        zone.clock(now)
    );
    Err(TimeError::NoReading { sentence })
}

/// A moment as the messages of this module say it: `17:00 today`, `17:00 yesterday`, `17:00 on 28 Nov`.
pub fn in_words(zone: Zone, at: DateTime<Utc>, now: DateTime<Utc>) -> String {
    let days = (zone.day(at) - zone.day(now)).num_days();
    let clock = zone.clock(at);
    match days {
        0 => format!("{clock} today"),
        -1 => format!("{clock} yesterday"),
        1 => format!("{clock} tomorrow"),
        _ => format!("{clock} on {}", zone.day(at).format("%-d %b")),
    }
}

fn not_a_time(typed: &str) -> TimeError {
    TimeError::NotATime {
        typed: typed.to_owned(),
    }
}

/// The last moment at which the clock showed it.
fn last(
    zone: Zone,
    typed: &str,
    clock: &Clock,
    now: DateTime<Utc>,
) -> Result<DateTime<Utc>, TimeError> {
    let today = zone.day(now);
    let is_past = |at: &DateTime<Utc>| *at <= now;
    // The day on which the hands last stood so; where the clock jumped over it, nothing is guessed.
    let was_today = today.and_time(clock.time) <= zone.naive(now)
        || zone.readings(today, clock).iter().any(is_past);
    let day = if was_today { today } else { before(today) };
    one_of(zone, typed, clock, day, is_past)
}

/// The last such moment, where it and not the next one can be meant.
fn sensible(
    zone: Zone,
    clock: &Clock,
    last: DateTime<Utc>,
    now: DateTime<Utc>,
    beginning: Option<&Beginning>,
    still_to_come_max: TimeDelta,
) -> Result<DateTime<Utc>, TimeError> {
    let today = zone.day(now);
    let days = [before(today), today, after(today)];
    let coming = days.into_iter().flat_map(|day| zone.readings(day, clock));
    let next = coming.filter(|at| *at > now).min();
    let too_early = beginning.filter(|beginning| last < beginning.at);
    let is_near = next.is_some_and(|next| next - now <= still_to_come_max);
    if too_early.is_none() && !is_near {
        return Ok(last);
    }
    let coming = next.map_or_else(String::new, |next| {
        format!(
            "{} is still to come (in {}; the plant's clock shows {}), and ",
            in_words(zone, next, now),
            span_text(next - now),
            zone.clock(now)
        )
    });
    let said = in_words(zone, last, now);
    let past = match too_early {
        Some(beginning) => format!(
            "{said} is before {} at {}",
            beginning.what,
            in_words(zone, beginning.at, now)
        ),
        None => format!("{said} was {} ago", span_text(now - last)),
    };
    Err(TimeError::NoReading {
        sentence: format!(
            "{coming}{past}: give the time with its date, such as \"{} {}\", or \"now\"; what is still to \
             come is recorded when it has happened",
            zone.day(last),
            clock.time.format("%H:%M")
        ),
    })
}

fn next(
    zone: Zone,
    typed: &str,
    clock: &Clock,
    from: DateTime<Utc>,
) -> Result<DateTime<Utc>, TimeError> {
    let today = zone.day(from);
    let is_coming = |at: &DateTime<Utc>| *at >= from;
    let day = if today.and_time(clock.time) >= zone.naive(from)
        || zone.readings(today, clock).iter().any(is_coming)
    {
        today
    } else {
        after(today)
    };
    one_of(zone, typed, clock, day, is_coming)
}

/// The one moment of a day at which the clock showed it, among those that can be meant.
fn one_of(
    zone: Zone,
    typed: &str,
    clock: &Clock,
    day: NaiveDate,
    can_be: impl Fn(&DateTime<Utc>) -> bool,
) -> Result<DateTime<Utc>, TimeError> {
    let readings = zone.readings(day, clock);
    match &readings[..] {
        [] => Err(TimeError::Skipped {
            typed: typed.to_owned(),
            zone: zone.name().to_owned(),
        }),
        [at] => Ok(*at),
        [first, second, ..] => match (can_be(first), can_be(second)) {
            (true, false) => Ok(*first),
            (false, true) => Ok(*second),
            _ => Err(TimeError::Twice {
                typed: typed.to_owned(),
                first: zone.clock(*first),
                second: zone.clock(*second),
            }),
        },
    }
}

fn before(day: NaiveDate) -> NaiveDate {
    day.checked_sub_days(Days::new(1)).unwrap_or(day)
}

fn after(day: NaiveDate) -> NaiveDate {
    day.checked_add_days(Days::new(1)).unwrap_or(day)
}

/// The day meant. One without its year is the nearest such day, so that tomorrow's date is never last
/// year's.
fn meant(day: Day, today: NaiveDate) -> NaiveDate {
    match day {
        Day::Full(day) => day,
        Day::Relative(days) => today + TimeDelta::days(days),
        // Eight years hold a 29 February whichever century it is.
        Day::OfYear { month, day } => (today.year() - 8..=today.year() + 8)
            .filter_map(|year| NaiveDate::from_ymd_opt(year, month, day))
            .min_by_key(|day| (*day - today).num_days().abs())
            .unwrap_or(today),
    }
}

impl Zone {
    /// The moments at which the plant's clock showed it on a day: none, one, or two.
    fn readings(self, day: NaiveDate, clock: &Clock) -> Vec<DateTime<Utc>> {
        let readings = match self.on(day, clock.time) {
            LocalResult::None => Vec::new(),
            LocalResult::Single(at) => vec![at],
            LocalResult::Ambiguous(first, second) => vec![first, second],
        };
        match &clock.abbreviation {
            None => readings,
            Some(wanted) => readings
                .into_iter()
                .filter(|at| self.abbreviation(*at).eq_ignore_ascii_case(wanted))
                .collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn utc(text: &str) -> DateTime<Utc> {
        text.parse().expect("an instant")
    }

    fn chicago() -> Zone {
        Zone::named("America/Chicago")
    }

    fn concrete(at: &str) -> Beginning {
        Beginning {
            at: utc(at),
            what: "N2's first concrete".to_owned(),
        }
    }

    fn refusal(text: &str, now: &str, beginning: Option<&Beginning>) -> String {
        done(chicago(), text, utc(now), beginning)
            .expect_err(text)
            .to_string()
    }

    #[test]
    fn a_clock_time_still_to_come_is_never_read_as_yesterdays() {
        // 15:27 at the plant.
        let now = "2026-12-01T21:27:00Z";
        let refused = refusal("17:00", now, None);
        for part in [
            "17:00 today is still to come (in 1 h 33 min; the plant's clock shows 15:27)",
            "17:00 yesterday was 22 h 27 min ago",
            "\"2026-11-30 17:00\"",
        ] {
            assert!(refused.contains(part), "{refused}");
        }
        let beginning = concrete("2026-12-01T20:05:00Z");
        let refused = refusal("15:29", now, Some(&beginning));
        for part in [
            "15:29 today is still to come (in 2 min",
            "15:29 yesterday is before N2's first concrete at 14:05 today",
            "\"now\"",
        ] {
            assert!(refused.contains(part), "{refused}");
        }
    }

    #[test]
    fn a_clock_time_before_the_first_concrete_is_refused_with_both_readings() {
        // 04:25 at the plant, concrete since 14:05 of the day before.
        let beginning = concrete("2026-11-30T20:05:00Z");
        let refused = refusal("13:50", "2026-12-01T10:25:00Z", Some(&beginning));
        for part in [
            "13:50 today is still to come",
            "13:50 yesterday is before N2's first concrete at 14:05 yesterday",
        ] {
            assert!(refused.contains(part), "{refused}");
        }
        let taken = done(
            chicago(),
            "14:10",
            utc("2026-12-01T10:25:00Z"),
            Some(&beginning),
        );
        assert_eq!(taken, Ok(utc("2026-11-30T20:10:00Z")));
    }

    #[test]
    fn a_clock_time_of_the_past_is_the_most_recent_such_time() {
        let now = utc("2026-11-26T08:00:00Z"); // 02:00 at the plant
        let past = |text| done(chicago(), text, now, None);
        assert_eq!(past("21:40"), Ok(utc("2026-11-26T03:40:00Z")));
        assert_eq!(past("9:40 pm"), Ok(utc("2026-11-26T03:40:00Z")));
        assert_eq!(past("01:55"), Ok(utc("2026-11-26T07:55:00Z")));
        assert_eq!(past("02:00"), Ok(now));
        assert_eq!(past("now"), Ok(now));
        assert_eq!(past("20 min ago"), Ok(utc("2026-11-26T07:40:00Z")));
        let instant = Ok(utc("2026-11-26T02:00:00Z"));
        assert_eq!(past("2026-11-25T20:00:00-06:00"), instant);
        assert_eq!(past("2026-11-25 20:00"), instant);
        assert_eq!(past("Nov 25 20:00"), instant);
        assert_eq!(past("yesterday 8pm"), instant);
        let tomorrow = past("Nov 27 17:00").expect_err("tomorrow is not last year's");
        assert!(tomorrow.to_string().contains("in the future"), "{tomorrow}");
    }

    #[test]
    fn a_planned_clock_time_is_the_next_such_time_and_a_span_counts_from_now() {
        let now = utc("2026-11-26T08:00:00Z"); // 02:00 at the plant
        let next = |text| planned(chicago(), text, now, now);
        assert_eq!(next("05:30"), Ok(utc("2026-11-26T11:30:00Z")));
        assert_eq!(next("01:30"), Ok(utc("2026-11-27T07:30:00Z")));
        assert_eq!(next("30 min"), Ok(utc("2026-11-26T08:30:00Z")));
        assert_eq!(next("tomorrow 1:30 am"), Ok(utc("2026-11-27T07:30:00Z")));
        assert_eq!(next("Nov 27 01:30"), Ok(utc("2026-11-27T07:30:00Z")));
    }

    #[test]
    fn the_doubled_hour_is_asked_back_and_may_be_named_by_its_abbreviation() {
        // 02:30 CST, after both.
        let now = utc("2026-11-01T08:30:00Z");
        let asked = refusal("01:30", "2026-11-01T08:30:00Z", None);
        assert!(asked.contains("\"01:30 CDT\" or \"01:30 CST\""), "{asked}");
        let taken = |text| done(chicago(), text, now, None);
        assert_eq!(taken("01:30 CDT"), Ok(utc("2026-11-01T06:30:00Z")));
        assert_eq!(taken("1:30 am cst"), Ok(utc("2026-11-01T07:30:00Z")));
        assert!(taken("2026-11-01 01:30").is_err());
        // 01:10 CST: one of the two is past, the other in twenty minutes.
        let asked = refusal("01:30", "2026-11-01T07:10:00Z", None);
        assert!(
            asked.contains("01:30 CST today is still to come"),
            "{asked}"
        );
        let wanted = planned(
            chicago(),
            "01:30",
            utc("2026-11-01T05:00:00Z"),
            utc("2026-11-01T05:00:00Z"),
        );
        assert!(matches!(wanted, Err(TimeError::Twice { .. })), "{wanted:?}");
    }

    #[test]
    fn a_time_that_the_clock_skipped_is_refused_with_advice() {
        let refused = refusal("02:30", "2026-03-08T09:00:00Z", None);
        assert!(refused.contains("no 02:30 in America/Chicago"), "{refused}");
        let day_after = done(chicago(), "02:30", utc("2026-03-09T09:00:00Z"), None);
        assert_eq!(day_after, Ok(utc("2026-03-09T07:30:00Z")));
    }

    #[test]
    fn what_is_no_time_and_what_is_still_to_come_is_refused_with_advice() {
        let now = "2026-12-01T21:27:00Z";
        assert!(refusal("25:00", now, None).contains("such as 21:40"));
        assert!(refusal("30 min", now, None).contains("\"30 min ago\""));
        let refused = refusal("2026-12-01 17:00", now, None);
        assert!(refused.contains("in the future"), "{refused}");
        assert!(refused.contains("in 1 h 33 min"), "{refused}");
    }
}

//! Plant time as people read and type it: the plant's zone, ages, and the doubled hour of a clock change.

use std::fmt;

use chrono::{DateTime, Days, LocalResult, NaiveTime, TimeDelta, TimeZone, Utc};
use chrono_tz::Tz;

/// The zone of the plant's clock on the wall.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Zone(Tz);

impl Default for Zone {
    fn default() -> Self {
        Self(Tz::UTC)
    }
}

/// Whether a bare clock time means the last such time or the next.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Towards {
    /// What people did: the most recent such time.
    Past,
    /// What people plan: the next such time.
    Future,
}

/// Why a typed time was not understood; every message says what to type instead.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum TimeError {
    /// Neither an instant, nor a clock time, nor `now`.
    NotATime { typed: String },
    /// The clock jumped over it when summer time began.
    Skipped { typed: String, zone: String },
}

impl fmt::Display for TimeError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotATime { typed } => write!(
                f,
                "\"{typed}\" is not a time: give a clock time such as 21:40, \"now\", or an instant \
                 such as 2026-11-25T21:40:00-06:00"
            ),
            Self::Skipped { typed, zone } => write!(
                f,
                "there was no {typed} in {zone} on this day, the clock was put forward over it: give \
                 the instant with its offset, such as 2026-03-08T03:30:00-05:00"
            ),
        }
    }
}

impl std::error::Error for TimeError {}

impl Zone {
    /// The zone of an IANA name; an unknown name gives UTC, which every time then says.
    pub fn named(name: &str) -> Self {
        Self(name.parse().unwrap_or(Tz::UTC))
    }

    /// The clock time, with the zone's abbreviation where the clock shows it twice that day.
    pub fn clock(self, at: DateTime<Utc>) -> String {
        let local = at.with_timezone(&self.0);
        let is_twice = matches!(
            self.0.from_local_datetime(&local.naive_local()),
            LocalResult::Ambiguous(..)
        );
        if is_twice {
            local.format("%H:%M %Z").to_string()
        } else {
            local.format("%H:%M").to_string()
        }
    }

    /// The clock time, with the day where it is more than twenty hours from `now`.
    pub fn clock_near(self, at: DateTime<Utc>, now: DateTime<Utc>) -> String {
        if (at - now).abs() > TimeDelta::hours(20) {
            format!(
                "{} {}",
                at.with_timezone(&self.0).format("%-d %b"),
                self.clock(at)
            )
        } else {
            self.clock(at)
        }
    }

    /// Day, clock time and abbreviation, for the head of a screen.
    pub fn full(self, at: DateTime<Utc>) -> String {
        at.with_timezone(&self.0)
            .format("%a %-d %b %H:%M:%S %Z")
            .to_string()
    }

    /// Year, month and day of the plant's calendar.
    pub fn date(self, at: DateTime<Utc>) -> String {
        at.with_timezone(&self.0).format("%Y-%m-%d").to_string()
    }

    /// Seconds east of UTC at an instant, by which ticks of a chart fall on whole clock hours.
    pub fn offset_s(self, at: DateTime<Utc>) -> i64 {
        use chrono::Offset;
        i64::from(
            self.0
                .offset_from_utc_datetime(&at.naive_utc())
                .fix()
                .local_minus_utc(),
        )
    }

    /// Reads an instant, a clock time of the plant, or `now`.
    ///
    /// # Errors
    /// A [`TimeError`] that says what to type instead.
    pub fn parse(
        self,
        text: &str,
        now: DateTime<Utc>,
        towards: Towards,
    ) -> Result<DateTime<Utc>, TimeError> {
        let typed = text.trim();
        if typed.eq_ignore_ascii_case("now") {
            return Ok(now);
        }
        if let Ok(instant) = DateTime::parse_from_rfc3339(typed) {
            return Ok(instant.with_timezone(&Utc));
        }
        let clock = NaiveTime::parse_from_str(typed, "%H:%M")
            .or_else(|_| NaiveTime::parse_from_str(typed, "%H:%M:%S"))
            .map_err(|_| TimeError::NotATime {
                typed: typed.to_owned(),
            })?;
        self.nearest(clock, now, towards)
            .ok_or_else(|| TimeError::Skipped {
                typed: typed.to_owned(),
                zone: self.0.name().to_owned(),
            })
    }

    fn nearest(
        self,
        clock: NaiveTime,
        now: DateTime<Utc>,
        towards: Towards,
    ) -> Option<DateTime<Utc>> {
        let today = now.with_timezone(&self.0).date_naive();
        let other = match towards {
            Towards::Past => today.checked_sub_days(Days::new(1)),
            Towards::Future => today.checked_add_days(Days::new(1)),
        };
        for day in [Some(today), other].into_iter().flatten() {
            let is_wanted = |at: &DateTime<Utc>| match towards {
                Towards::Past => *at <= now,
                Towards::Future => *at >= now,
            };
            let (first, second) = match self.0.from_local_datetime(&day.and_time(clock)) {
                LocalResult::Single(at) => (at.to_utc(), None),
                LocalResult::Ambiguous(first, second) => (first.to_utc(), Some(second.to_utc())),
                LocalResult::None => {
                    // A skipped time that would have been meant is refused, not moved to another day.
                    let naive_now = now.with_timezone(&self.0).naive_local();
                    let would_be_past = day.and_time(clock) <= naive_now;
                    if would_be_past == (towards == Towards::Past) {
                        return None;
                    }
                    continue;
                }
            };
            let mut candidates: Vec<_> = [Some(first), second].into_iter().flatten().collect();
            if towards == Towards::Past {
                candidates.reverse();
            }
            if let Some(found) = candidates.into_iter().find(is_wanted) {
                return Some(found);
            }
        }
        None
    }
}

/// A span as people say it: `12 s`, `4 min`, `2 h 05 min`, `3 d 4 h`.
pub fn span_text(span: TimeDelta) -> String {
    let seconds = span.num_seconds().max(0);
    match seconds {
        0..=59 => format!("{seconds} s"),
        60..=3599 => format!("{} min", seconds / 60),
        3600..=86_399 => format!("{} h {:02} min", seconds / 3600, seconds % 3600 / 60),
        _ => format!("{} d {} h", seconds / 86_400, seconds % 86_400 / 3600),
    }
}

/// The same in at most seven cells, for a column: `12 s`, `4 min`, `13 h 05`.
pub fn span_short(span: TimeDelta) -> String {
    let text = span_text(span);
    match text.strip_suffix(" min") {
        Some(hours) if hours.contains('h') => hours.to_owned(),
        _ => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn utc(text: &str) -> DateTime<Utc> {
        text.parse().expect("an instant")
    }

    #[test]
    fn the_doubled_hour_says_which_of_the_two_it_is() {
        let zone = Zone::named("America/Chicago");
        assert_eq!(zone.clock(utc("2026-11-01T06:30:00Z")), "01:30 CDT");
        assert_eq!(zone.clock(utc("2026-11-01T07:30:00Z")), "01:30 CST");
        assert_eq!(zone.clock(utc("2026-11-01T08:30:00Z")), "02:30");
        assert_eq!(zone.clock(utc("2026-11-01T05:59:00Z")), "00:59");
    }

    #[test]
    fn a_clock_time_of_the_past_is_the_most_recent_such_time() {
        let zone = Zone::named("America/Chicago");
        let now = utc("2026-11-26T08:00:00Z"); // 02:00 at the plant
        let past = |text| zone.parse(text, now, Towards::Past);
        assert_eq!(past("21:40"), Ok(utc("2026-11-26T03:40:00Z")));
        assert_eq!(past("01:55"), Ok(utc("2026-11-26T07:55:00Z")));
        assert_eq!(past("02:00"), Ok(now));
        assert_eq!(past("now"), Ok(now));
        assert_eq!(
            past("2026-11-25T20:00:00-06:00"),
            Ok(utc("2026-11-26T02:00:00Z"))
        );
        assert_eq!(
            zone.parse("05:30", now, Towards::Future),
            Ok(utc("2026-11-26T11:30:00Z"))
        );
        assert_eq!(
            zone.parse("01:30", now, Towards::Future),
            Ok(utc("2026-11-27T07:30:00Z"))
        );
    }

    #[test]
    fn in_the_doubled_hour_the_later_of_two_past_times_is_meant() {
        let zone = Zone::named("America/Chicago");
        let parse = |now| zone.parse("01:30", utc(now), Towards::Past);
        assert_eq!(
            parse("2026-11-01T07:45:00Z"),
            Ok(utc("2026-11-01T07:30:00Z"))
        );
        assert_eq!(
            parse("2026-11-01T07:10:00Z"),
            Ok(utc("2026-11-01T06:30:00Z"))
        );
    }

    #[test]
    fn a_time_that_the_clock_skipped_is_refused_with_advice() {
        let zone = Zone::named("America/Chicago");
        let refused = zone
            .parse("02:30", utc("2026-03-08T09:00:00Z"), Towards::Past)
            .expect_err("the clock went from 02:00 to 03:00");
        assert!(
            refused.to_string().contains("no 02:30 in America/Chicago"),
            "{refused}"
        );
        assert_eq!(
            zone.parse("02:30", utc("2026-03-09T09:00:00Z"), Towards::Past),
            Ok(utc("2026-03-09T07:30:00Z"))
        );
    }

    #[test]
    fn what_is_no_time_is_refused_with_advice() {
        let refused = Zone::default()
            .parse("25:00", utc("2026-03-09T09:00:00Z"), Towards::Past)
            .expect_err("no such hour");
        assert!(refused.to_string().contains("such as 21:40"), "{refused}");
    }

    #[test]
    fn spans_read_as_people_say_them() {
        for (seconds, text) in [
            (-5, "0 s"),
            (59, "59 s"),
            (240, "4 min"),
            (7500, "2 h 05 min"),
            (273_600, "3 d 4 h"),
        ] {
            assert_eq!(span_text(TimeDelta::seconds(seconds)), text);
        }
        assert_eq!(span_short(TimeDelta::seconds(240)), "4 min");
        assert_eq!(span_short(TimeDelta::seconds(47_100)), "13 h 05");
    }
}

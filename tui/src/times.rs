//! Plant time as people read it: the plant's zone, ages, and the doubled hour of a clock change.

use chrono::{
    DateTime, LocalResult, NaiveDate, NaiveDateTime, NaiveTime, TimeDelta, TimeZone, Utc,
};
use chrono_tz::Tz;

/// The zone of the plant's clock on the wall.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Zone(Tz);

impl Default for Zone {
    fn default() -> Self {
        Self(Tz::UTC)
    }
}

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

    /// Its IANA name.
    pub fn name(self) -> &'static str {
        self.0.name()
    }

    /// The day of the plant's calendar.
    pub fn day(self, at: DateTime<Utc>) -> NaiveDate {
        self.naive(at).date()
    }

    /// What calendar and clock on the wall show.
    pub fn naive(self, at: DateTime<Utc>) -> NaiveDateTime {
        at.with_timezone(&self.0).naive_local()
    }

    /// The zone's abbreviation then, such as `CST`.
    pub fn abbreviation(self, at: DateTime<Utc>) -> String {
        at.with_timezone(&self.0).format("%Z").to_string()
    }

    /// When the clock on the wall showed a time of a day: never, once, or twice.
    pub fn on(self, day: NaiveDate, time: NaiveTime) -> LocalResult<DateTime<Utc>> {
        self.0
            .from_local_datetime(&day.and_time(time))
            .map(|at| at.to_utc())
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

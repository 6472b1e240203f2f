//! Times as loggers write them, to UTC milliseconds.

use chrono::format::{Item, StrftimeItems};
use chrono::{DateTime, FixedOffset, NaiveDate, NaiveDateTime, Utc};

use super::Reason;
use crate::delivery::RefusalKind;

/// 9999-12-31T23:59:59.999Z, the last instant that RFC 3339 can write.
const LAST_INSTANT_MS: i64 = 253_402_300_799_999;

/// An instant of 1970 to 9999, the range that RFC 3339 text can carry without a sign.
pub fn instant(unix_ms: i64) -> Option<DateTime<Utc>> {
    if !(0..=LAST_INSTANT_MS).contains(&unix_ms) {
        return None;
    }
    DateTime::from_timestamp_millis(unix_ms)
}

/// Rounds to the millisecond; truncation would turn 0.122999… s, meant as 123 ms, into 122.
pub(crate) fn ms_from_s(seconds: f64) -> Option<i64> {
    ms_from_f64(seconds * 1000.0)
}

fn ms_from_f64(ms: f64) -> Option<i64> {
    let rounded = ms.round();
    // Far inside the whole numbers that an f64 carries exactly, so the cast changes nothing.
    #[expect(
        clippy::cast_possible_truncation,
        reason = "the range is checked just before"
    )]
    (rounded.abs() <= 9.0e15).then_some(rounded as i64)
}

/// How a logger writes its time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum TimeFormat {
    Rfc3339,
    EpochS,
    EpochMs,
    /// A strftime pattern that carries its own offset.
    WithOffset(String),
    /// A strftime pattern without one; the logger's clock stands at this offset all year.
    AtOffset(String, FixedOffset),
}

impl TimeFormat {
    /// Reads the options `time` and `zone`; the error names the one that is wrong.
    pub fn check(time: &str, zone: Option<&str>) -> Result<Self, (&'static str, String)> {
        let named = match time {
            "rfc3339" => Some(Self::Rfc3339),
            "epoch-s" => Some(Self::EpochS),
            "epoch-ms" => Some(Self::EpochMs),
            _ => None,
        };
        if let Some(named) = named {
            return match zone {
                None => Ok(named),
                Some(_) => Err((
                    "zone",
                    format!("`time = \"{time}\"` carries its own; leave it out"),
                )),
            };
        }
        if !time.contains('%') || StrftimeItems::new(time).any(|item| item == Item::Error) {
            return Err((
                "time",
                format!(
                    "`{time}` is no time format; use \"rfc3339\", \"epoch-s\", \"epoch-ms\" \
                     or a pattern such as \"%Y-%m-%d %H:%M:%S\""
                ),
            ));
        }
        let format = Self::check_pattern(time, zone)?;
        format.check_completeness(time)?;
        Ok(format)
    }

    fn check_pattern(pattern: &str, zone: Option<&str>) -> Result<Self, (&'static str, String)> {
        let marks = ["%z", "%:z", "%::z", "%#z", "%+"];
        let has_offset = marks.iter().any(|mark| pattern.contains(mark));
        let wrong = |problem: String| Err(("zone", problem));
        match (has_offset, zone) {
            (true, None) => Ok(Self::WithOffset(pattern.to_owned())),
            (true, Some(_)) => {
                wrong("the pattern in `time` carries its own; leave it out".to_owned())
            }
            (false, None) => wrong(
                "the pattern in `time` has no offset; say at which the logger's clock stands, \
                 \"utc\" or such as \"+02:00\""
                    .to_owned(),
            ),
            (false, Some(zone)) => {
                let offset = if zone.eq_ignore_ascii_case("utc") {
                    FixedOffset::east_opt(0)
                } else {
                    zone.parse::<FixedOffset>().ok()
                };
                match offset {
                    Some(offset) => Ok(Self::AtOffset(pattern.to_owned(), offset)),
                    None => wrong(format!(
                        "`{zone}` is neither \"utc\" nor an offset such as \"+02:00\"; names of \
                         zones are not taken, for a clock put back has hours that come twice"
                    )),
                }
            }
        }
    }

    /// A pattern that cannot say a day or a minute would refuse every line of the night.
    fn check_completeness(&self, pattern: &str) -> Result<(), (&'static str, String)> {
        let probe =
            NaiveDate::from_ymd_opt(2031, 11, 23).and_then(|day| day.and_hms_opt(17, 48, 0));
        let Some(probe) = probe.map(|at| at.and_utc()) else {
            return Ok(());
        };
        let written = match self {
            Self::AtOffset(pattern, offset) => {
                probe.with_timezone(offset).format(pattern).to_string()
            }
            _ => probe.fixed_offset().format(pattern).to_string(),
        };
        match self.read(&written) {
            Ok(read_back) if read_back == probe => Ok(()),
            _ => Err((
                "time",
                format!("`{pattern}` does not give a full date and time of day"),
            )),
        }
    }

    pub fn read(&self, text: &str) -> Result<DateTime<Utc>, Reason> {
        let text = text.trim();
        if text.is_empty() {
            return Err(Reason::new(RefusalKind::TimeUnknown, "its time is empty"));
        }
        let parsed = match self {
            Self::Rfc3339 => DateTime::parse_from_rfc3339(text).ok().and_then(rounded),
            Self::EpochS | Self::EpochMs => {
                return match text.parse::<f64>() {
                    Ok(number) => self.read_number(number),
                    Err(_) => Err(self.unreadable(text)),
                };
            }
            Self::WithOffset(pattern) => DateTime::parse_from_str(text, pattern)
                .ok()
                .and_then(rounded),
            Self::AtOffset(pattern, offset) => NaiveDateTime::parse_from_str(text, pattern)
                .ok()
                .and_then(|local| local.and_local_timezone(*offset).single())
                .and_then(rounded),
        };
        parsed.ok_or_else(|| self.unreadable(text))
    }

    /// A time given as a number, as JSON can.
    pub fn read_number(&self, number: f64) -> Result<DateTime<Utc>, Reason> {
        let unix_ms = match self {
            Self::EpochS => ms_from_s(number),
            Self::EpochMs => ms_from_f64(number),
            Self::Rfc3339 | Self::WithOffset(_) | Self::AtOffset(..) => None,
        };
        if unix_ms == Some(0) {
            return Err(Reason::new(
                RefusalKind::TimeUnknown,
                "its time is 0: the logger's clock is not set",
            ));
        }
        unix_ms
            .and_then(instant)
            .ok_or_else(|| self.unreadable(&number.to_string()))
    }

    fn unreadable(&self, text: &str) -> Reason {
        let shown: String = text.chars().take(60).collect();
        Reason::new(RefusalKind::BadTime, format!("`{shown}` is no time {self}"))
    }
}

impl std::fmt::Display for TimeFormat {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Rfc3339 => write!(formatter, "as RFC 3339 writes it (2026-11-25T02:00:00Z)"),
            Self::EpochS => write!(formatter, "in seconds since 1970"),
            Self::EpochMs => write!(formatter, "in milliseconds since 1970"),
            Self::WithOffset(pattern) => write!(formatter, "of the pattern {pattern}"),
            Self::AtOffset(pattern, offset) => {
                write!(formatter, "of the pattern {pattern} at offset {offset}")
            }
        }
    }
}

/// To the nearest millisecond, inside the range that can be written.
fn rounded(at: DateTime<FixedOffset>) -> Option<DateTime<Utc>> {
    let half_up = i64::from(at.timestamp_subsec_nanos() % 1_000_000 >= 500_000);
    instant(at.timestamp_millis() + half_up)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ms(format: &TimeFormat, text: &str) -> Option<i64> {
        format.read(text).ok().map(|at| at.timestamp_millis())
    }

    #[test]
    fn each_format_reads_its_own_text() {
        let two_digit =
            TimeFormat::check("%d.%m.%y %H:%M", Some("+02:00")).expect("a good pattern");
        let with_offset = TimeFormat::check("%Y-%m-%d %H:%M:%S %z", None).expect("a good pattern");
        let fraction = TimeFormat::check("%Y%m%d%H%M%S%.f", Some("utc")).expect("a good pattern");
        let cases = [
            (
                &TimeFormat::Rfc3339,
                "2026-11-25T02:00:00.0015+01:00",
                1_795_568_400_002,
            ),
            (&TimeFormat::EpochS, "1276020071.001", 1_276_020_071_001),
            (&TimeFormat::EpochS, "1276020071.0012999", 1_276_020_071_001),
            (&TimeFormat::EpochMs, " 1276020071001 ", 1_276_020_071_001),
            (&two_digit, "25.11.26 04:00", 1_795_572_000_000),
            (&with_offset, "2026-11-25 02:00:00 +0100", 1_795_568_400_000),
            (&fraction, "20261125010000.25", 1_795_568_400_250),
        ];
        for (format, text, expected) in cases {
            assert_eq!(ms(format, text), Some(expected), "{text}");
        }
    }

    #[test]
    fn seconds_are_rounded_to_the_millisecond_not_cut() {
        assert_eq!(ms_from_s(0.122_999_906_539_916_99), Some(123));
    }

    #[test]
    fn what_is_no_time_is_refused_by_name() {
        let cases = [
            (TimeFormat::Rfc3339, "yesterday", RefusalKind::BadTime),
            (TimeFormat::Rfc3339, "", RefusalKind::TimeUnknown),
            (
                TimeFormat::Rfc3339,
                "1969-12-31T23:59:59Z",
                RefusalKind::BadTime,
            ),
            (TimeFormat::EpochS, "0", RefusalKind::TimeUnknown),
            (TimeFormat::EpochS, "NaN", RefusalKind::BadTime),
            (TimeFormat::EpochMs, "1e300", RefusalKind::BadTime),
        ];
        for (format, text, kind) in cases {
            assert_eq!(format.read(text).expect_err(text).kind, kind, "{text}");
        }
    }

    #[test]
    fn a_format_that_cannot_work_is_refused_with_its_key() {
        let cases = [
            ("%H:%M:%S", Some("utc"), "time"),
            ("%Y-%m-%d", Some("utc"), "time"),
            ("%Q", Some("utc"), "time"),
            ("iso", None, "time"),
            ("%Y-%m-%d %H:%M", None, "zone"),
            ("%Y-%m-%d %H:%M", Some("Mars/Base"), "zone"),
            ("%Y-%m-%d %H:%M %z", Some("utc"), "zone"),
            ("rfc3339", Some("utc"), "zone"),
        ];
        for (time, zone, key) in cases {
            assert_eq!(
                TimeFormat::check(time, zone).expect_err(time).0,
                key,
                "{time} {zone:?}"
            );
        }
    }
}

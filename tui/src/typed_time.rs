//! The ways in which people write a time, taken apart; what is meant by it is for `when` to say.

use chrono::{DateTime, NaiveDate, NaiveTime, TimeDelta, Utc};

/// A time as typed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Typed {
    Now,
    /// With its offset, so that nothing about it is open.
    Instant(DateTime<Utc>),
    /// `10 min ago`.
    Ago(TimeDelta),
    /// `30 min`, `in 30 min`.
    Span(TimeDelta),
    /// A clock time without a date.
    Clock(Clock),
    Dated(Day, Clock),
}

/// What the hands showed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Clock {
    pub time: NaiveTime,
    /// Which of two, where the clock showed it twice: `CDT`, `CST`.
    pub abbreviation: Option<String>,
}

/// A day as typed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Day {
    Full(NaiveDate),
    /// Days from today.
    Relative(i64),
    /// Without its year.
    OfYear {
        month: u32,
        day: u32,
    },
}

const MONTHS: [&str; 12] = [
    "jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec",
];

/// No act is told of by a longer span; a date says it better.
const SPAN_MAX: TimeDelta = TimeDelta::days(366);

impl Typed {
    /// Takes apart what was typed; nothing where it is no time.
    pub fn parse(typed: &str) -> Option<Self> {
        let typed = typed.trim();
        if typed.eq_ignore_ascii_case("now") {
            return Some(Self::Now);
        }
        if let Ok(instant) = DateTime::parse_from_rfc3339(typed) {
            return Some(Self::Instant(instant.with_timezone(&Utc)));
        }
        let spaced = typed.to_lowercase().replace(',', " ");
        let words: Vec<&str> = spaced.split_whitespace().collect();
        match &words[..] {
            [words @ .., "ago"] => span(words).map(Self::Ago),
            ["in", words @ ..] => span(words).map(Self::Span),
            _ => span(&words).map(Self::Span).or_else(|| at_clock(&words)),
        }
    }
}

fn at_clock(words: &[&str]) -> Option<Typed> {
    // `2026-12-01T17:00`, without an offset.
    if let [one] = words
        && let Some((day, time)) = one.split_once('t')
        && let (Some(day), Some(time)) = (full_day(day), clock_time(time))
    {
        let clock = Clock {
            time,
            abbreviation: None,
        };
        return Some(Typed::Dated(Day::Full(day), clock));
    }
    let mut words = joined(words);
    // Four digits may be a year, so that they are the clock time only where nothing else is.
    let is_plain = |word: &String| word.chars().all(|c| c.is_ascii_digit());
    let at = words
        .iter()
        .rposition(|word| !is_plain(word) && clock_time(word).is_some())
        .or_else(|| words.len().checked_sub(1))?;
    let word = words.remove(at);
    let time = clock_time(&word)?;
    let abbreviation = (words.get(at).is_some_and(|word| is_abbreviation(word)))
        .then(|| words.remove(at).to_uppercase());
    let clock = Clock { time, abbreviation };
    if words.is_empty() {
        return Some(Typed::Clock(clock));
    }
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    match day(&words)? {
        // `1 Dec 2026` would be half past eight in the evening.
        Day::OfYear { .. } if is_plain(&word) => None,
        day => Some(Typed::Dated(day, clock)),
    }
}

/// The words with `5 pm` made one, without `on` and `at`.
fn joined(words: &[&str]) -> Vec<String> {
    let mut joined: Vec<String> = Vec::new();
    for word in words {
        match (*word, joined.last_mut()) {
            ("am" | "pm" | "a.m." | "p.m.", Some(before)) => before.push_str(word),
            ("on" | "at", _) => {}
            (word, _) => joined.push(word.to_owned()),
        }
    }
    joined
}

fn is_abbreviation(word: &str) -> bool {
    (3..=4).contains(&word.len())
        && word.chars().all(|c| c.is_ascii_alphabetic())
        && !MONTHS.contains(&word)
}

/// `17:00`, `17:00:30`, `1700`, `5pm`, `5:30pm`. A bare `17` is left to the person.
fn clock_time(word: &str) -> Option<NaiveTime> {
    let word = word.replace('.', "");
    for (ending, hours) in [("am", 0), ("pm", 12)] {
        if let Some(clock) = word.strip_suffix(ending) {
            let (hour, minute) = clock.split_once(':').unwrap_or((clock, "0"));
            let hour: u32 = hour.parse().ok().filter(|hour| (1..=12).contains(hour))?;
            return NaiveTime::from_hms_opt(hour % 12 + hours, minute.parse().ok()?, 0);
        }
    }
    if word.len() == 4 && word.chars().all(|c| c.is_ascii_digit()) {
        return NaiveTime::parse_from_str(&word, "%H%M").ok();
    }
    NaiveTime::parse_from_str(&word, "%H:%M")
        .or_else(|_| NaiveTime::parse_from_str(&word, "%H:%M:%S"))
        .ok()
}

fn day(words: &[&str]) -> Option<Day> {
    Some(match words {
        ["today"] => Day::Relative(0),
        ["yesterday"] => Day::Relative(-1),
        ["tomorrow"] => Day::Relative(1),
        [one] => Day::Full(full_day(one)?),
        [one, other] => {
            let (month, day) = month_and_day(one, other)?;
            Day::OfYear { month, day }
        }
        [one, other, year] => {
            let (month, day) = month_and_day(one, other)?;
            let year = year
                .parse()
                .ok()
                .filter(|year| (1000..=9999).contains(year))?;
            Day::Full(NaiveDate::from_ymd_opt(year, month, day)?)
        }
        _ => return None,
    })
}

fn full_day(word: &str) -> Option<NaiveDate> {
    NaiveDate::parse_from_str(word, "%Y-%m-%d").ok()
}

/// `dec 1` or `1 dec`.
fn month_and_day(one: &str, other: &str) -> Option<(u32, u32)> {
    let of = |month: &str, day: &str| {
        let at = MONTHS.iter().position(|known| {
            month.len() >= 3 && (month.starts_with(known) && month.chars().all(char::is_alphabetic))
        })?;
        let day: u32 = day.parse().ok()?;
        let month = u32::try_from(at).ok()? + 1;
        // Any leap year: whether the day exists in the year meant is asked later.
        NaiveDate::from_ymd_opt(2024, month, day).map(|_| (month, day))
    };
    of(one, other).or_else(|| of(other, one))
}

/// `30 min`, `2 h`, `1h 30min`.
fn span(words: &[&str]) -> Option<TimeDelta> {
    let text = words.join(" ");
    let mut rest = text.trim();
    let mut total = TimeDelta::zero();
    if rest.is_empty() {
        return None;
    }
    while !rest.is_empty() {
        let digits = rest.find(|c: char| !c.is_ascii_digit())?;
        let count: u32 = rest[..digits].parse().ok()?;
        let after = rest[digits..].trim_start();
        let end = after
            .find(|c: char| !c.is_ascii_alphabetic())
            .unwrap_or(after.len());
        let count = i64::from(count);
        total += match &after[..end] {
            "s" | "sec" | "seconds" => TimeDelta::seconds(count),
            "m" | "min" | "mins" | "minute" | "minutes" => TimeDelta::minutes(count),
            "h" | "hr" | "hrs" | "hour" | "hours" => TimeDelta::hours(count),
            "d" | "day" | "days" => TimeDelta::days(count),
            _ => return None,
        };
        rest = after[end..].trim_start();
        if total > SPAN_MAX {
            return None;
        }
    }
    Some(total)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn clock(hour: u32, minute: u32) -> Clock {
        Clock {
            time: NaiveTime::from_hms_opt(hour, minute, 0).expect("a time"),
            abbreviation: None,
        }
    }

    #[test]
    fn a_time_may_be_written_as_people_write_it() {
        for typed in [
            "17:00",
            "1700",
            "5pm",
            "5 pm",
            "5:00 p.m.",
            "5 PM",
            "17:00:00",
        ] {
            assert_eq!(
                Typed::parse(typed),
                Some(Typed::Clock(clock(17, 0))),
                "{typed}"
            );
        }
        assert_eq!(Typed::parse("12 am"), Some(Typed::Clock(clock(0, 0))));
        assert_eq!(Typed::parse("12:30 pm"), Some(Typed::Clock(clock(12, 30))));
        let day = NaiveDate::from_ymd_opt(2026, 12, 1).expect("a day");
        for typed in [
            "2026-12-01 17:00",
            "2026-12-01T17:00",
            "Dec 1, 2026 5pm",
            "1 Dec 2026 17:00",
        ] {
            let dated = Typed::Dated(Day::Full(day), clock(17, 0));
            assert_eq!(Typed::parse(typed), Some(dated), "{typed}");
        }
        for typed in [
            "Dec 1 17:00",
            "1 Dec 17:00",
            "december 1 5 pm",
            "17:00 on 1 Dec",
        ] {
            let of_year = Day::OfYear { month: 12, day: 1 };
            assert_eq!(
                Typed::parse(typed),
                Some(Typed::Dated(of_year, clock(17, 0))),
                "{typed}"
            );
        }
        for typed in ["yesterday 17:00", "17:00 yesterday", "yesterday at 1700"] {
            let dated = Typed::Dated(Day::Relative(-1), clock(17, 0));
            assert_eq!(Typed::parse(typed), Some(dated), "{typed}");
        }
        let twice = Clock {
            abbreviation: Some("CDT".to_owned()),
            ..clock(1, 30)
        };
        assert_eq!(Typed::parse("01:30 CDT"), Some(Typed::Clock(twice)));
        assert_eq!(
            Typed::parse("10 min ago"),
            Some(Typed::Ago(TimeDelta::minutes(10)))
        );
        assert_eq!(
            Typed::parse("1h30min ago"),
            Some(Typed::Ago(TimeDelta::minutes(90)))
        );
        assert_eq!(
            Typed::parse("in 2 h"),
            Some(Typed::Span(TimeDelta::hours(2)))
        );
        assert_eq!(
            Typed::parse("30 min"),
            Some(Typed::Span(TimeDelta::minutes(30)))
        );
    }

    #[test]
    fn what_could_be_two_things_or_none_is_no_time() {
        for typed in [
            "",
            "17",
            "25:00",
            "13pm",
            "0pm",
            "12/1 17:00",
            "Feb 30 17:00",
            "soon",
            "ago",
            "-5 min ago",
            "1760",
            "30",
            "1 Dec 2026",
            "99999999 days ago",
            "99999999999 min ago",
            "é",
            "5:99pm",
        ] {
            assert_eq!(Typed::parse(typed), None, "{typed}");
        }
    }
}

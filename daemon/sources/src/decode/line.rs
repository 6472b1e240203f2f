//! One line of text from a serial logger, read by the logger's own pattern.

use regex::Regex;

use super::channel::ChannelTemplate;
use super::time::TimeFormat;
use super::value::{TemperatureUnit, ValueRule};
use super::{Decoded, Reason, Record, Stamp, text};
use crate::delivery::RefusalKind;

/// The named captures that a pattern may have.
const CAPTURES: [&str; 4] = ["channel", "value", "time", "unit"];
/// A pattern that compiles to more than this is a mistake.
const COMPILED_BYTES_MAX: usize = 1 << 20;

/// A logger's line: captures `value`, and `channel`, `time` and `unit` where it has them.
#[derive(Debug, Clone)]
pub struct LineFormat {
    pattern: Regex,
    channel: ChannelTemplate,
    time: TimeFormat,
    value: ValueRule,
}

impl LineFormat {
    /// Compiles and checks; the error names the key that is wrong.
    ///
    /// The pattern has to match the whole line: the tail of a broken line often looks like a
    /// good one, with another value.
    pub fn check(
        pattern: &str,
        channel: Option<&str>,
        time: Option<TimeFormat>,
        value: ValueRule,
    ) -> Result<Self, (&'static str, String)> {
        let whole_line = format!("^(?:{pattern})$");
        let compiled = regex::RegexBuilder::new(&whole_line)
            .size_limit(COMPILED_BYTES_MAX)
            .build()
            .map_err(|error| ("pattern", format!("it is no regular expression: {error}")))?;
        let captures: Vec<&str> = compiled.capture_names().flatten().collect();
        if let Some(unknown) = captures.iter().find(|name| !CAPTURES.contains(name)) {
            return Err((
                "pattern",
                format!(
                    "the capture `{unknown}` is unknown; known are {}",
                    CAPTURES.join(", ")
                ),
            ));
        }
        if !captures.contains(&"value") {
            return Err((
                "pattern",
                "it has no capture `value`; write (?<value>…) around the temperature".to_owned(),
            ));
        }
        match (captures.contains(&"time"), &time) {
            (true, None) => {
                return Err((
                    "time",
                    "the pattern captures `time`; say in which format".to_owned(),
                ));
            }
            (false, Some(_)) => {
                return Err((
                    "time",
                    "the pattern has no capture `time` to read".to_owned(),
                ));
            }
            _ => {}
        }
        Ok(Self {
            channel: check_channel(channel, captures.contains(&"channel"))?,
            pattern: compiled,
            time: time.unwrap_or(TimeFormat::Rfc3339),
            value,
        })
    }

    pub fn decode(&self, line: &[u8]) -> Decoded {
        let line = text(line)?.trim();
        let captures = self.pattern.captures(line).ok_or_else(|| {
            Reason::new(
                RefusalKind::Garbled,
                "the line does not match the logger's pattern",
            )
        })?;
        let captured = |name| captures.name(name).map(|found| found.as_str());
        let unit = captured("unit")
            .map(TemperatureUnit::from_label)
            .transpose()?;
        let value = captured("value").unwrap_or_default();
        let stamp = match captured("time") {
            Some(time) => Stamp::At(self.time.read(time)?),
            None => Stamp::Arrival,
        };
        Ok(Record {
            channel: self.channel.render("", captured("channel"))?,
            stamp,
            content: self.value.read(value, unit)?,
        })
    }
}

fn check_channel(
    channel: Option<&str>,
    is_captured: bool,
) -> Result<ChannelTemplate, (&'static str, String)> {
    let Some(channel) = channel else {
        return if is_captured {
            Ok(ChannelTemplate::name_only())
        } else {
            Err((
                "channel",
                "it is missing: the pattern does not capture `channel`, so give its name here"
                    .to_owned(),
            ))
        };
    };
    let template = ChannelTemplate::parse(channel).map_err(|problem| ("channel", problem))?;
    if template.deepest_level() > 0 {
        return Err((
            "channel",
            "a serial line has no topic levels; use {name}".to_owned(),
        ));
    }
    match (template.uses_name(), is_captured) {
        (true, false) => Err((
            "channel",
            "{name} needs a capture `channel` in the pattern".to_owned(),
        )),
        (false, true) => Err((
            "channel",
            "the pattern captures `channel`; use it as {name}, such as \"bed-3/{name}\"".to_owned(),
        )),
        _ => Ok(template),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::delivery::Content;

    const PATTERN: &str =
        r"(?<channel>T\d+)[ ,]+(?<value>\S+?)(?: (?<unit>[^ ]+))?(?: @(?<time>\S+))?";

    fn format() -> LineFormat {
        let time = Some(TimeFormat::Rfc3339);
        LineFormat::check(PATTERN, Some("b3/{name}"), time, ValueRule::default())
            .expect("a good format")
    }

    #[test]
    fn channel_value_unit_and_time_are_read() {
        let cases = [
            ("T1 21.5\r", "b3/T1", 21.5, None),
            ("T12,212 F", "b3/T12", 100.0, None),
            (
                "T2 293.15 K @2026-11-25T01:00:00Z",
                "b3/T2",
                20.0,
                Some(1_795_568_400_000),
            ),
        ];
        for (line, channel, temperature_c, at_ms) in cases {
            let record = format().decode(line.as_bytes()).expect(line);
            assert_eq!(record.channel, channel);
            assert_eq!(
                record.content,
                Content::TemperatureC(temperature_c),
                "{line}"
            );
            let stamp = match record.stamp {
                Stamp::At(at) => Some(at.timestamp_millis()),
                Stamp::Arrival | Stamp::SinceArrivalMs(_) => None,
            };
            assert_eq!(stamp, at_ms, "{line}");
        }
    }

    #[test]
    fn a_bad_line_is_refused_by_name() {
        let cases: [(&[u8], RefusalKind); 6] = [
            (b"", RefusalKind::Garbled),
            (b"xT1 21.5", RefusalKind::Garbled),
            (b"T1 \xff", RefusalKind::Garbled),
            (b"T1 21.5 V", RefusalKind::UnknownUnit),
            (b"T1 OPEN", RefusalKind::NotANumber),
            (b"T1 21.5 C @noon", RefusalKind::BadTime),
        ];
        for (line, kind) in cases {
            assert_eq!(
                format().decode(line).expect_err("a bad line").kind,
                kind,
                "{line:?}"
            );
        }
    }

    #[test]
    fn a_bad_format_is_told_its_key() {
        let cases = [
            ("(", None, None, "pattern"),
            (r"(?<bed>\d)(?<value>\d)", None, None, "pattern"),
            (r"(?<channel>\d)", None, None, "pattern"),
            (r"(?<value>\d+)", None, None, "channel"),
            (r"(?<value>\d+)", Some("{name}"), None, "channel"),
            (r"(?<value>\d+)", Some("{1}"), None, "channel"),
            (
                r"(?<channel>\d) (?<value>\d+)",
                Some("fixed"),
                None,
                "channel",
            ),
            (r"(?<time>\S+) (?<value>\d+)", Some("a"), None, "time"),
            (
                r"(?<value>\d+)",
                Some("a"),
                Some(TimeFormat::EpochS),
                "time",
            ),
            (r"(?<value>\d{1000}{1000})", Some("a"), None, "pattern"),
        ];
        for (pattern, channel, time, key) in cases {
            let problem = LineFormat::check(pattern, channel, time, ValueRule::default());
            assert_eq!(problem.expect_err(pattern).0, key, "{pattern}");
        }
    }

    proptest! {
        #[test]
        fn no_bytes_make_it_panic(line in proptest::collection::vec(any::<u8>(), 0..200)) {
            let _ = format().decode(&line);
        }

        #[test]
        fn every_temperature_comes_back_as_written(value in -200.0..1800.0_f64) {
            let record = format().decode(format!("T1 {value}").as_bytes());
            prop_assert_eq!(record.expect("a good line").content, Content::TemperatureC(value));
        }
    }
}

//! A pour as a TOML file: quantities as SI keys or as text with their unit, times as people write them.
//!
//! Text with a unit is rewritten in place, on its own line, into the contract's key and number. What is
//! then wrong with a field is reported by the contract's own reader with the line of the file.

use std::ops::Range;

use anyhow::{anyhow, bail};
use chrono::{DateTime, SecondsFormat, Utc};
use serde::de::DeserializeOwned;
use toml::de::{DeTable, DeValue};
use units::{Celsius, CelsiusPerHour, Megapascal, Metre, Millimetre};

use crate::times::Zone;
use crate::when::{self, Beginning};

/// What a file says besides the pour itself.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Said {
    pub pour: Option<String>,
    pub by: Option<String>,
    pub at: Option<String>,
    pub why: Option<String>,
}

/// The clock by which bare times are understood.
#[derive(Debug, Clone, Copy)]
pub struct Clock {
    pub zone: Zone,
    pub now: DateTime<Utc>,
}

type Convert = fn(&str) -> Result<f64, units::QuantityError>;

/// Keys without a unit, what they become, and how their text is read.
const QUANTITIES: &[(&str, &str, Convert)] = &[
    ("from_station", "from_station_m", |text| {
        Ok(Metre::parse(text)?.0)
    }),
    ("to_station", "to_station_m", |text| {
        Ok(Metre::parse(text)?.0)
    }),
    ("station", "station_m", |text| Ok(Metre::parse(text)?.0)),
    ("strength", "strength_mpa", |text| {
        Ok(Megapascal::parse(text)?.0)
    }),
    ("depth", "depth_mm", |text| Ok(Millimetre::parse(text)?.0)),
    ("thickness", "thickness_mm", |text| {
        Ok(Millimetre::parse(text)?.0)
    }),
    ("diameter", "diameter_mm", |text| {
        Ok(Millimetre::parse(text)?.0)
    }),
    ("length", "length_mm", |text| Ok(Millimetre::parse(text)?.0)),
    ("slump", "slump_mm", |text| Ok(Millimetre::parse(text)?.0)),
    ("slump_flow", "slump_flow_mm", |text| {
        Ok(Millimetre::parse(text)?.0)
    }),
    ("temperature", "temperature_c", |text| {
        Ok(Celsius::parse(text)?.0)
    }),
    ("soak", "soak_c", |text| Ok(Celsius::parse(text)?.0)),
    ("rise", "rise_c_per_h", |text| {
        Ok(CelsiusPerHour::parse(text)?.0)
    }),
];

/// Times of what is planned: a bare clock time is the next one after the first placement.
const PLANNED: &[&str] = &["on_at", "off_at", "wanted_release_at"];

/// Reads a file's text. `name` is the file's name for messages.
///
/// # Errors
/// A sentence that names file, line and field.
pub fn read<T: DeserializeOwned>(
    name: &str,
    text: &str,
    clock: Clock,
) -> anyhow::Result<(Said, T)> {
    let table = DeTable::parse(text).map_err(|error| anyhow!("{name}: {error}"))?;
    let mut walk = Walk {
        name,
        text,
        clock,
        first_placement_at: None,
        edits: Vec::new(),
    };
    let said = walk.said(table.get_ref())?;
    if let Some(first) = table.get_ref().get("first_placement_at") {
        let line = walk.line(first.span().start);
        let typed = walk.time_text(first.get_ref(), &first.span());
        let at = when::placed(clock.zone, &typed, clock.now)
            .map_err(|wrong| anyhow!("{name}, line {line}, first_placement_at: {wrong}"))?;
        walk.first_placement_at = Some(at);
    }
    let planned_from = walk.first_placement_at.unwrap_or(clock.now);
    walk.table(table.get_ref(), planned_from)?;
    let rewritten = rewrite(text, walk.edits);
    let read = toml::from_str(&rewritten).map_err(|error| anyhow!("{name}: {error}"))?;
    Ok((said, read))
}

/// A replacement of a stretch of the file.
struct Edit {
    span: Range<usize>,
    text: String,
}

struct Walk<'a> {
    name: &'a str,
    text: &'a str,
    clock: Clock,
    first_placement_at: Option<DateTime<Utc>>,
    edits: Vec<Edit>,
}

impl Walk<'_> {
    fn line(&self, at: usize) -> usize {
        self.text[..at].matches('\n').count() + 1
    }

    /// Takes the keys that are not the pour's own out of the text.
    fn said(&mut self, table: &DeTable<'_>) -> anyhow::Result<Said> {
        let mut said = Said::default();
        for (key, value) in table {
            let slot = match key.get_ref().as_ref() {
                "pour" => &mut said.pour,
                "by" => &mut said.by,
                "at" => &mut said.at,
                "why" => &mut said.why,
                _ => continue,
            };
            let Some(text) = value.get_ref().as_str() else {
                bail!(
                    "{}, line {}, {}: give text in quotes",
                    self.name,
                    self.line(value.span().start),
                    key.get_ref()
                );
            };
            *slot = Some(text.to_owned());
            let span = key.span().start..value.span().end;
            self.edits.push(Edit {
                span,
                text: String::new(),
            });
        }
        Ok(said)
    }

    fn table(&mut self, table: &DeTable<'_>, planned_from: DateTime<Utc>) -> anyhow::Result<()> {
        for (key, value) in table {
            let name = key.get_ref().as_ref();
            if name.ends_with("_at") {
                self.time(name, value.get_ref(), value.span(), planned_from)?;
            } else if let Some((_, si_key, convert)) =
                QUANTITIES.iter().find(|(plain, ..)| *plain == name)
            {
                let line = self.line(value.span().start);
                let Some(typed) = value.get_ref().as_str() else {
                    bail!(
                        "{}, line {line}, {name}: give text with its unit in quotes, or the number as \
                         {si_key}",
                        self.name
                    );
                };
                let number = convert(typed)
                    .map_err(|wrong| anyhow!("{}, line {line}, {name}: {wrong}", self.name))?;
                self.edits.push(Edit {
                    span: key.span(),
                    text: (*si_key).to_owned(),
                });
                self.edits.push(Edit {
                    span: value.span(),
                    text: format!("{number:?}"),
                });
            } else {
                self.nested(value.get_ref(), planned_from)?;
            }
        }
        Ok(())
    }

    fn nested(&mut self, value: &DeValue<'_>, planned_from: DateTime<Utc>) -> anyhow::Result<()> {
        match value {
            DeValue::Table(table) => self.table(table, planned_from),
            DeValue::Array(array) => array
                .iter()
                .try_for_each(|one| self.nested(one.get_ref(), planned_from)),
            DeValue::String(_)
            | DeValue::Integer(_)
            | DeValue::Float(_)
            | DeValue::Boolean(_)
            | DeValue::Datetime(_) => Ok(()),
        }
    }

    /// The time as written: text in quotes, or a TOML date and time.
    fn time_text(&self, value: &DeValue<'_>, span: &Range<usize>) -> String {
        value
            .as_str()
            .map_or_else(|| self.text[span.clone()].to_owned(), str::to_owned)
    }

    fn time(
        &mut self,
        name: &str,
        value: &DeValue<'_>,
        span: Range<usize>,
        planned_from: DateTime<Utc>,
    ) -> anyhow::Result<()> {
        let typed = self.time_text(value, &span);
        let Clock { zone, now } = self.clock;
        let parsed = match name {
            "first_placement_at" => when::placed(zone, &typed, now),
            name if PLANNED.contains(&name) => when::planned(zone, &typed, now, planned_from),
            _ => {
                let first = self.first_placement_at.map(Beginning::first_placement);
                when::done(zone, &typed, now, first.as_ref())
            }
        };
        let line = self.line(span.start);
        let at = parsed.map_err(|wrong| anyhow!("{}, line {line}, {name}: {wrong}", self.name))?;
        let text = format!("\"{}\"", at.to_rfc3339_opts(SecondsFormat::Millis, true));
        self.edits.push(Edit { span, text });
        Ok(())
    }
}

fn rewrite(text: &str, mut edits: Vec<Edit>) -> String {
    edits.sort_by_key(|edit| edit.span.start);
    let mut rewritten = String::with_capacity(text.len());
    let mut copied_to = 0;
    for edit in edits {
        rewritten.push_str(&text[copied_to..edit.span.start]);
        rewritten.push_str(&edit.text);
        copied_to = edit.span.end;
    }
    rewritten.push_str(&text[copied_to..]);
    rewritten
}

#[cfg(test)]
mod tests {
    use super::*;
    use daemon_api::act::PourOpened;

    fn clock() -> Clock {
        Clock {
            zone: Zone::named("America/Chicago"),
            now: "2026-11-25T22:00:00Z".parse().expect("an instant"),
        }
    }

    const FILE: &str = r#"
pour = "N4-77" # of Wednesday
by = "R. Field"
bed = "N4"
mix = "DT-45"
from_station = "0 ft"
to_station_m = 60.96
first_placement_at = "13:10"
wanted_release_at = "05:30"
required = [{ act = "release", strength = "3500 psi" }]

[[positions]]
id = "P1"
station = "20 ft"
depth = "6 in"

[heat_plan]
on_at = "15:30"
soak = "140 °F"
rise = "36 °F/h"
"#;

    #[test]
    fn text_with_units_and_clock_times_become_the_contract() {
        let (said, pour) = read::<PourOpened>("pour.toml", FILE, clock()).expect("a good file");
        assert_eq!(said.pour.as_deref(), Some("N4-77"));
        assert_eq!(said.by.as_deref(), Some("R. Field"));
        assert!((pour.required[0].strength_mpa - 24.131_650_5).abs() < 1e-6);
        assert!((pour.positions[0].station_m - 6.096).abs() < 1e-9);
        assert!((pour.positions[0].depth_mm.expect("a depth") - 152.4).abs() < 1e-9);
        let plan = pour.heat_plan.expect("a heat plan");
        assert!((plan.soak_c.expect("a soak") - 60.0).abs() < 1e-9);
        assert!((plan.rise_c_per_h.expect("a rise") - 20.0).abs() < 1e-9);
        let utc = |at: Option<DateTime<Utc>>| at.expect("a time").to_rfc3339();
        assert_eq!(utc(pour.first_placement_at), "2026-11-25T19:10:00+00:00");
        // 15:30 is past at 16:00, but it is the first one after the placement.
        assert_eq!(utc(plan.on_at), "2026-11-25T21:30:00+00:00");
        assert_eq!(utc(pour.wanted_release_at), "2026-11-26T11:30:00+00:00");
    }

    #[test]
    fn what_is_wrong_is_named_by_file_line_and_field() {
        for (from, to, parts) in [
            (
                "\"3500 psi\"",
                "\"3500\"",
                ["line 10", "strength", "has no unit"],
            ),
            (
                "\"3500 psi\"",
                "3500",
                ["line 10", "strength", "strength_mpa"],
            ),
            (
                "\"13:10\"",
                "\"13:70\"",
                ["line 8", "first_placement_at", "not a time"],
            ),
            ("mix = ", "mixx = ", ["line 5", "mixx", "unknown field"]),
            ("bed = \"N4\"", "bed = 4", ["line 4", "bed", "string"]),
            (
                "bed = \"N4\"",
                "bed = \"N4",
                ["line 4", "pour.toml", "string"],
            ),
        ] {
            let text = FILE.replacen(from, to, 1);
            let refused = read::<PourOpened>("pour.toml", &text, clock())
                .expect_err(to)
                .to_string();
            assert!(refused.starts_with("pour.toml"), "{refused}");
            for part in parts {
                assert!(
                    refused.contains(part),
                    "{to}: \"{part}\" is not in: {refused}"
                );
            }
        }
    }
}

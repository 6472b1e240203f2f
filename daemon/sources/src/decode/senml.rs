//! SenML in JSON (RFC 8428): base fields, relative times, versions and fields one must understand.

use serde_json::{Map, Value};

use super::channel::ChannelTemplate;
use super::json::parse;
use super::time::{instant, ms_from_s};
use super::value::{TemperatureUnit, ValueRule};
use super::{Decoded, Reason, Record, Stamp};
use crate::delivery::{Content, RefusalKind};

/// The version that RFC 8428 defines, and the default where a pack names none.
const VERSION: f64 = 10.0;
/// Times below 2^28 seconds are relative to now; at and above it they count from 1970.
const RELATIVE_BELOW_S: f64 = 268_435_456.0;
const VALUE_FIELDS: [&str; 4] = ["v", "vs", "vb", "vd"];

/// A pack's records as readings.
#[derive(Debug, Clone)]
pub struct SenmlPayload {
    /// `{name}` is the record's resolved name.
    pub channel: ChannelTemplate,
    /// Fault words are looked up in string values; the unit is always the pack's.
    pub rule: ValueRule,
}

impl SenmlPayload {
    /// Readings in time order, then refusals. A fault of one record refuses that record; a fault
    /// that touches the meaning of others refuses the pack.
    pub fn decode(&self, topic: &str, payload: &[u8]) -> Vec<Decoded> {
        let resolved = match resolve(payload) {
            Ok(resolved) => resolved,
            Err(reason) => return vec![Err(reason)],
        };
        let read = |record: Result<ResolvedRecord, Reason>| {
            let record = record?;
            Ok(Record {
                channel: self.channel.render(topic, Some(&record.name))?,
                stamp: record.stamp,
                content: self.read_value(&record)?,
            })
        };
        let mut decoded: Vec<Decoded> = resolved.into_iter().map(read).collect();
        decoded.sort_by_key(Result::is_err);
        decoded
    }

    fn read_value(&self, record: &ResolvedRecord) -> Result<Content, Reason> {
        let number = match &record.value {
            ResolvedValue::Number(number) => *number,
            ResolvedValue::Text(text) => {
                return match self.rule.read(text, None) {
                    Ok(Content::Fault(word)) => Ok(Content::Fault(word)),
                    _ => Err(not_a_number(record, "text that is none of its fault words")),
                };
            }
            ResolvedValue::Other(what) => return Err(not_a_number(record, what)),
        };
        let unit = match record.unit.as_deref() {
            Some("Cel") => TemperatureUnit::C,
            Some("K") => TemperatureUnit::K,
            Some(unit) => {
                let shown: String = unit.chars().take(30).collect();
                return Err(unknown_unit(record, &format!("has the unit `{shown}`")));
            }
            None => return Err(unknown_unit(record, "has no unit")),
        };
        self.rule.read_number(number, Some(unit))
    }
}

fn not_a_number(record: &ResolvedRecord, what: &str) -> Reason {
    Reason::new(
        RefusalKind::NotANumber,
        format!("the value of `{}` is {what}", record.name),
    )
}

fn unknown_unit(record: &ResolvedRecord, said: &str) -> Reason {
    Reason::new(
        RefusalKind::UnknownUnit,
        format!("`{}` {said}; SenML temperatures have Cel or K", record.name),
    )
}

/// A record with the base fields worked in.
#[derive(Debug, Clone, PartialEq)]
pub struct ResolvedRecord {
    pub name: String,
    pub unit: Option<String>,
    pub stamp: Stamp,
    pub value: ResolvedValue,
}

#[derive(Debug, Clone, PartialEq)]
pub enum ResolvedValue {
    Number(f64),
    Text(String),
    /// A value that can be no temperature, in words.
    Other(&'static str),
}

/// The base fields in force; each stays until a later record replaces it.
#[derive(Default)]
struct Base {
    name: String,
    time_s: f64,
    unit: Option<String>,
    value: f64,
    has_sum: bool,
}

/// Resolves a pack: in time order, as RFC 8428 asks, records that cannot be resolved last.
pub fn resolve(payload: &[u8]) -> Result<Vec<Result<ResolvedRecord, Reason>>, Reason> {
    let Value::Array(records) = parse(payload)? else {
        return Err(garbled("a SenML pack is an array of records"));
    };
    let mut base = Base::default();
    let mut resolved = Vec::new();
    for (index, record) in records.iter().enumerate() {
        let number = index + 1;
        let Value::Object(record) = record else {
            return Err(garbled(format!("record {number} is no object")));
        };
        check_understood(record, number)?;
        base.replace(record, number)?;
        if let Some(result) = base.resolve(record, number).transpose() {
            resolved.push(result);
        }
    }
    // Stable, so records of one time keep the order in which they were sent.
    resolved.sort_by_key(|record| match record {
        Ok(record) => (false, Some(record.stamp)),
        Err(_) => (true, None),
    });
    Ok(resolved)
}

fn garbled(detail: impl Into<String>) -> Reason {
    Reason::new(RefusalKind::Garbled, detail)
}

fn check_understood(record: &Map<String, Value>, number: usize) -> Result<(), Reason> {
    if let Some(label) = record.keys().find(|label| label.ends_with('_')) {
        let shown: String = label.chars().take(30).collect();
        return Err(Reason::new(
            RefusalKind::MustUnderstand,
            format!("record {number} has the field `{shown}`, which must be understood and is not"),
        ));
    }
    match record.get("bver").map(Value::as_f64) {
        None => Ok(()),
        Some(Some(version)) if version <= VERSION => Ok(()),
        Some(Some(version)) => Err(Reason::new(
            RefusalKind::UnknownVersion,
            format!("record {number} has version {version}; up to {VERSION} is understood"),
        )),
        Some(None) => Err(garbled(format!("`bver` of record {number} is no number"))),
    }
}

impl Base {
    fn replace(&mut self, record: &Map<String, Value>, number: usize) -> Result<(), Reason> {
        if let Some(name) = text_field(record, "bn", number)? {
            self.name = name;
        }
        if let Some(unit) = text_field(record, "bu", number)? {
            self.unit = Some(unit);
        }
        if let Some(time_s) = number_field(record, "bt", number)? {
            self.time_s = time_s;
        }
        if let Some(value) = number_field(record, "bv", number)? {
            self.value = value;
        }
        if number_field(record, "bs", number)?.is_some() {
            self.has_sum = true;
        }
        Ok(())
    }

    /// `None` for a record that only sets base fields.
    fn resolve(
        &self,
        record: &Map<String, Value>,
        number: usize,
    ) -> Result<Option<ResolvedRecord>, Reason> {
        let only_base = record
            .keys()
            .all(|label| matches!(label.as_str(), "bn" | "bt" | "bu" | "bv" | "bs" | "bver"));
        if only_base && !self.has_sum {
            return Ok(None);
        }
        let own_name = text_field(record, "n", number)?.unwrap_or_default();
        let name = format!("{}{own_name}", self.name);
        check_name(&name)?;
        let time_s = self.time_s + number_field(record, "t", number)?.unwrap_or(0.0);
        let unit = text_field(record, "u", number)?.or_else(|| self.unit.clone());
        let value = self.value(record, number)?;
        Ok(Some(ResolvedRecord {
            name,
            unit,
            stamp: stamp(time_s)?,
            value,
        }))
    }

    fn value(&self, record: &Map<String, Value>, number: usize) -> Result<ResolvedValue, Reason> {
        let has_sum = self.has_sum || number_field(record, "s", number)?.is_some();
        let mut fields = VALUE_FIELDS
            .into_iter()
            .filter(|field| record.contains_key(*field));
        let value = match fields.next() {
            Some("v") => {
                let own = number_field(record, "v", number)?.unwrap_or(0.0);
                ResolvedValue::Number(self.value + own)
            }
            Some("vs") => {
                ResolvedValue::Text(text_field(record, "vs", number)?.unwrap_or_default())
            }
            Some("vb") => ResolvedValue::Other("true or false"),
            Some(_) => ResolvedValue::Other("data"),
            None if has_sum => ResolvedValue::Other("only a sum"),
            None => return Err(garbled(format!("record {number} has no value"))),
        };
        match fields.next() {
            Some(second) => Err(garbled(format!(
                "record {number} has a second value, `{second}`; exactly one is allowed"
            ))),
            None => Ok(value),
        }
    }
}

fn text_field(
    record: &Map<String, Value>,
    label: &str,
    number: usize,
) -> Result<Option<String>, Reason> {
    match record.get(label) {
        None => Ok(None),
        Some(Value::String(text)) => Ok(Some(text.clone())),
        Some(_) => Err(garbled(format!("`{label}` of record {number} is no text"))),
    }
}

fn number_field(
    record: &Map<String, Value>,
    label: &str,
    number: usize,
) -> Result<Option<f64>, Reason> {
    match record.get(label) {
        None => Ok(None),
        Some(value) => match value.as_f64() {
            Some(value) => Ok(Some(value)),
            None => Err(garbled(format!(
                "`{label}` of record {number} is no number"
            ))),
        },
    }
}

fn check_name(name: &str) -> Result<(), Reason> {
    let starts_well = name.starts_with(|first: char| first.is_ascii_alphanumeric());
    let is_allowed = |character: char| {
        character.is_ascii_alphanumeric() || matches!(character, '-' | ':' | '.' | '/' | '_')
    };
    if starts_well && name.chars().all(is_allowed) {
        return Ok(());
    }
    let shown: String = name.chars().take(60).collect();
    Err(Reason::new(
        RefusalKind::BadChannel,
        format!(
            "`{shown}` is no SenML name: letters, digits and - : . / _ are allowed, \
             a letter or digit first"
        ),
    ))
}

fn stamp(time_s: f64) -> Result<Stamp, Reason> {
    let bad = || {
        Reason::new(
            RefusalKind::BadTime,
            format!("{time_s} s is no usable time"),
        )
    };
    let time_ms = ms_from_s(time_s).ok_or_else(bad)?;
    if time_s >= RELATIVE_BELOW_S {
        Ok(Stamp::At(instant(time_ms).ok_or_else(bad)?))
    } else if time_ms == 0 {
        Ok(Stamp::Arrival)
    } else {
        Ok(Stamp::SinceArrivalMs(time_ms))
    }
}

#[cfg(test)]
mod tests;

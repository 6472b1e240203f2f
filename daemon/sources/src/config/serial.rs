//! `[[serial]]`: a logger on a serial port.

use std::collections::HashMap;
use std::path::PathBuf;

use serde::Deserialize;

use super::{ConfigError, check_names};
use crate::decode::line::LineFormat;
use crate::decode::time::TimeFormat;
use crate::decode::value::{FaultWords, TemperatureUnit, ValueRule};

/// As written in plant.toml.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SerialTable {
    /// What people call it. Required.
    pub name: String,
    /// The device. Required. Prefer a stable link under `/dev/serial/by-id/`: the number behind
    /// `/dev/ttyUSB…` changes when plugs move.
    pub path: PathBuf,
    /// Bits per second. Default 9600.
    #[serde(default = "default_baud")]
    pub baud: u32,
    /// 5, 6, 7 or 8. Default 8.
    #[serde(default = "default_data_bits")]
    pub data_bits: u8,
    /// `"none"`, `"odd"` or `"even"`. Default `"none"`.
    #[serde(default)]
    pub parity: ParityName,
    /// 1 or 2. Default 1.
    #[serde(default = "default_stop_bits")]
    pub stop_bits: u8,
    /// A regular expression for one whole line, with the capture `value` and, where the line has
    /// them, `channel`, `time` and `unit`: `(?<channel>\w+) (?<value>\S+)`. Required.
    pub pattern: String,
    /// The channel's name; `{name}` stands for the capture `channel`. Default `"{name}"`; required
    /// where the pattern does not capture `channel`.
    pub channel: Option<String>,
    /// The unit where the line names none: `"C"`, `"F"` or `"K"`. Default `"C"`.
    #[serde(default)]
    pub unit: TemperatureUnit,
    /// `21,5` means 21.5. Default false.
    #[serde(default)]
    pub decimal_comma: bool,
    /// What the logger writes in the value's place for a fault, such as
    /// `{ "OPEN" = "open", "-999.9" = "fault" }`; faults are open, short, over-range, under-range
    /// and fault. Default none.
    #[serde(default)]
    pub fault_words: FaultWords,
    /// How the capture `time` is written: `"rfc3339"`, `"epoch-s"`, `"epoch-ms"` or a pattern such
    /// as `"%Y-%m-%d %H:%M:%S"`. Required with that capture.
    pub time: Option<String>,
    /// `"utc"` or an offset such as `"+02:00"`; required for a time pattern without an offset.
    pub zone: Option<String>,
    /// Longer lines are refused. Bytes, 16 to 65536. Default 1024.
    #[serde(default = "default_max_line_bytes")]
    pub max_line_bytes: usize,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ParityName {
    #[default]
    None,
    Odd,
    Even,
}

fn default_baud() -> u32 {
    9600
}

fn default_data_bits() -> u8 {
    8
}

fn default_stop_bits() -> u8 {
    1
}

fn default_max_line_bytes() -> usize {
    1024
}

/// A port that can be opened.
#[derive(Debug, Clone)]
pub struct SerialSource {
    pub name: String,
    pub path: PathBuf,
    pub(crate) baud: u32,
    pub(crate) data_bits: tokio_serial::DataBits,
    pub(crate) parity: tokio_serial::Parity,
    pub(crate) stop_bits: tokio_serial::StopBits,
    pub(crate) format: LineFormat,
    pub(crate) max_line_bytes: usize,
}

impl SerialTable {
    pub fn check(self) -> Result<SerialSource, ConfigError> {
        check_names("serial", std::iter::once(self.name.as_str()))?;
        let name = self.name.clone();
        let wrong = |key: &str, problem: String| ConfigError::new("serial", &name, key, problem);
        if self.path.as_os_str().is_empty() {
            return Err(wrong("path", "it is empty; give the device".to_owned()));
        }
        if !(50..=4_000_000).contains(&self.baud) {
            return Err(wrong(
                "baud",
                format!("{} is not between 50 and 4000000", self.baud),
            ));
        }
        let data_bits = match self.data_bits {
            5 => tokio_serial::DataBits::Five,
            6 => tokio_serial::DataBits::Six,
            7 => tokio_serial::DataBits::Seven,
            8 => tokio_serial::DataBits::Eight,
            other => return Err(wrong("data_bits", format!("{other} is not 5, 6, 7 or 8"))),
        };
        let stop_bits = match self.stop_bits {
            1 => tokio_serial::StopBits::One,
            2 => tokio_serial::StopBits::Two,
            other => return Err(wrong("stop_bits", format!("{other} is not 1 or 2"))),
        };
        if !(16..=65_536).contains(&self.max_line_bytes) {
            let problem = format!("{} is not between 16 and 65536", self.max_line_bytes);
            return Err(wrong("max_line_bytes", problem));
        }
        if self.fault_words.has_blank() {
            return Err(wrong("fault_words", "a word is empty".to_owned()));
        }
        let time = match (&self.time, &self.zone) {
            (Some(time), zone) => Some(
                TimeFormat::check(time, zone.as_deref())
                    .map_err(|(key, problem)| wrong(key, problem))?,
            ),
            (None, Some(_)) => {
                return Err(wrong(
                    "zone",
                    "it says nothing without `time`; leave it out".to_owned(),
                ));
            }
            (None, None) => None,
        };
        let value = ValueRule {
            unit: self.unit,
            decimal_comma: self.decimal_comma,
            fault_words: self.fault_words,
        };
        let format = LineFormat::check(&self.pattern, self.channel.as_deref(), time, value)
            .map_err(|(key, problem)| wrong(key, problem))?;
        Ok(SerialSource {
            name: self.name,
            path: self.path,
            baud: self.baud,
            data_bits,
            parity: match self.parity {
                ParityName::None => tokio_serial::Parity::None,
                ParityName::Odd => tokio_serial::Parity::Odd,
                ParityName::Even => tokio_serial::Parity::Even,
            },
            stop_bits,
            format,
            max_line_bytes: self.max_line_bytes,
        })
    }
}

/// Checks all tables and what they have to agree on.
pub fn check_serial(tables: Vec<SerialTable>) -> Result<Vec<SerialSource>, ConfigError> {
    check_names("serial", tables.iter().map(|table| table.name.as_str()))?;
    let mut owners = HashMap::new();
    for table in &tables {
        if let Some(owner) = owners.insert(&table.path, &table.name) {
            let problem = format!("{} is already read by \"{owner}\"", table.path.display());
            return Err(ConfigError::new("serial", &table.name, "path", problem));
        }
    }
    tables.into_iter().map(SerialTable::check).collect()
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};

    use super::*;

    fn table(changes: &Value) -> SerialTable {
        let mut table = json!({
            "name": "bed 3", "path": "/dev/ttyS3", "pattern": r"(?<channel>\w+) (?<value>\S+)"
        });
        let fields = table.as_object_mut().expect("an object");
        fields.extend(changes.as_object().expect("an object").clone());
        serde_json::from_value(table).expect("known keys")
    }

    #[test]
    fn the_defaults_are_those_of_the_plain_case() {
        let source = table(&json!({})).check().expect("a good table");
        assert_eq!(source.baud, 9600);
        assert_eq!(source.data_bits, tokio_serial::DataBits::Eight);
        assert_eq!(source.parity, tokio_serial::Parity::None);
        assert_eq!(source.stop_bits, tokio_serial::StopBits::One);
        assert_eq!(source.max_line_bytes, 1024);
    }

    #[test]
    fn a_wrong_value_is_named_by_its_key() {
        let cases = [
            (json!({"name": " "}), "name"),
            (json!({"path": ""}), "path"),
            (json!({"baud": 3}), "baud"),
            (json!({"data_bits": 9}), "data_bits"),
            (json!({"stop_bits": 3}), "stop_bits"),
            (json!({"max_line_bytes": 1}), "max_line_bytes"),
            (json!({"fault_words": {"": "open"}}), "fault_words"),
            (json!({"zone": "utc"}), "zone"),
            (json!({"time": "rfc3339"}), "time"),
            (json!({"pattern": "("}), "pattern"),
            (json!({"channel": "fixed"}), "channel"),
        ];
        for (changes, key) in cases {
            let error = table(&changes).check().expect_err(key);
            assert_eq!(error.key, key, "{error}");
        }
    }

    #[test]
    fn an_unknown_key_is_refused() {
        let text = json!({"name": "a", "path": "/dev/x", "pattern": "x", "bauds": 1});
        assert!(serde_json::from_value::<SerialTable>(text).is_err());
    }

    #[test]
    fn two_tables_share_neither_name_nor_port() {
        let twice = vec![table(&json!({})), table(&json!({"path": "/dev/ttyS4"}))];
        assert_eq!(check_serial(twice).expect_err("one name").key, "name");
        let twice = vec![table(&json!({})), table(&json!({"name": "bed 4"}))];
        assert_eq!(check_serial(twice).expect_err("one port").key, "path");
    }
}

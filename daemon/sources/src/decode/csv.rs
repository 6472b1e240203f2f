//! The CSV of a logger's memory, and the readings file of a replay; bad rows by line and column.

use std::io::Read;

use ::csv::{ErrorKind, Reader, ReaderBuilder, StringRecord};
use chrono::{DateTime, Utc};
use serde::Deserialize;
use units::{PlainLines, line_of_row};

use super::Reason;
use super::channel::ChannelTemplate;
use super::time::TimeFormat;
use super::value::{FaultWords, TemperatureUnit, ValueRule};
use crate::config::ConfigError;
use crate::delivery::Content;

/// How a logger writes its file, as configured. Every option has a default, and all the defaults
/// together are the form that the daemon itself exports.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct CsvOptions {
    /// One character between fields. Default `","`.
    pub delimiter: String,
    /// The column with the temperature. Default `"value"`.
    pub value_column: String,
    /// The column with the channel, unless `channel` names one. Default `"channel"`.
    pub channel_column: String,
    /// The channel of the whole file, or a template with `{name}` for the channel's column.
    pub channel: Option<String>,
    /// The column with the logger's time; empty fields mean that it is not known. Default
    /// `"measured_at"`.
    pub measured_at_column: String,
    /// The column with the time of arrival; a logger's memory has none. No default here; the
    /// daemon's own exports and replay use `"received_at"`.
    pub received_at_column: Option<String>,
    /// `"rfc3339"`, `"epoch-s"`, `"epoch-ms"` or a pattern such as `"%d.%m.%Y %H:%M"`. Default
    /// `"rfc3339"`.
    pub time: String,
    /// `"utc"` or an offset such as `"+02:00"`, for a pattern without an offset of its own.
    pub zone: Option<String>,
    /// `"C"`, `"F"` or `"K"`. Default `"C"`.
    pub unit: TemperatureUnit,
    /// `21,5` means 21.5. Default false.
    pub decimal_comma: bool,
    /// Words in the value's place that stand for a fault. Default: the daemon's own words.
    pub fault_words: FaultWords,
}

impl Default for CsvOptions {
    fn default() -> Self {
        Self {
            delimiter: ",".to_owned(),
            value_column: "value".to_owned(),
            channel_column: "channel".to_owned(),
            channel: None,
            measured_at_column: "measured_at".to_owned(),
            received_at_column: None,
            time: "rfc3339".to_owned(),
            zone: None,
            unit: TemperatureUnit::C,
            decimal_comma: false,
            fault_words: FaultWords::own(),
        }
    }
}

/// Checked options.
#[derive(Debug, Clone)]
pub struct CsvFormat {
    delimiter: u8,
    value_column: String,
    channel_column: Option<String>,
    channel: ChannelTemplate,
    measured_at_column: String,
    received_at_column: Option<String>,
    time: TimeFormat,
    rule: ValueRule,
}

impl CsvOptions {
    pub fn check(self) -> Result<CsvFormat, ConfigError> {
        let wrong = |key: &str, problem: String| ConfigError::new("csv", "", key, problem);
        let delimiter = match self.delimiter.as_bytes() {
            [byte] if byte.is_ascii() && !matches!(byte, b'"' | b'\n' | b'\r') => *byte,
            _ => {
                return Err(wrong(
                    "delimiter",
                    "it must be one ASCII character".to_owned(),
                ));
            }
        };
        if self.decimal_comma && delimiter == b',' {
            let problem = "a comma cannot part fields and decimals at once; set `delimiter`";
            return Err(wrong("decimal_comma", problem.to_owned()));
        }
        let channel = match &self.channel {
            None => ChannelTemplate::name_only(),
            Some(text) => ChannelTemplate::parse(text).map_err(|text| wrong("channel", text))?,
        };
        if channel.deepest_level() > 0 {
            return Err(wrong(
                "channel",
                "a file has no topic levels; use {name}".to_owned(),
            ));
        }
        let time = TimeFormat::check(&self.time, self.zone.as_deref())
            .map_err(|(key, problem)| wrong(key, problem))?;
        Ok(CsvFormat {
            delimiter,
            value_column: self.value_column,
            channel_column: channel.uses_name().then_some(self.channel_column),
            channel,
            measured_at_column: self.measured_at_column,
            received_at_column: self.received_at_column,
            time,
            rule: ValueRule {
                unit: self.unit,
                decimal_comma: self.decimal_comma,
                fault_words: self.fault_words,
            },
        })
    }
}

/// One row that could be read.
#[derive(Debug, Clone, PartialEq)]
pub struct CsvRow {
    pub line: u64,
    /// Present where the format has a column for it.
    pub received_at: Option<DateTime<Utc>>,
    pub measured_at: Option<DateTime<Utc>>,
    pub channel: String,
    pub content: Content,
}

/// What is wrong in a file, and where.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("line {line}, column {column}: {reason}")]
pub struct CsvError {
    pub line: u64,
    pub column: String,
    pub reason: String,
}

/// Rows and bad rows in the order of the file; holds one row at a time.
pub struct CsvRows<R> {
    reader: Reader<PlainLines<R>>,
    format: CsvFormat,
    columns: Columns,
    record: StringRecord,
    has_ended: bool,
}

/// Where each column stands.
struct Columns {
    value: usize,
    channel: Option<usize>,
    measured_at: usize,
    received_at: Option<usize>,
}

impl CsvFormat {
    /// Reads the header; rows follow from the iterator.
    pub fn rows<R: Read>(&self, input: R) -> Result<CsvRows<R>, CsvError> {
        let mut reader = ReaderBuilder::new()
            .delimiter(self.delimiter)
            .from_reader(PlainLines::new(input));
        let header = reader.headers().map_err(|error| csv_error(&error))?;
        let columns = Columns::find(self, header)?;
        Ok(CsvRows {
            reader,
            format: self.clone(),
            columns,
            record: StringRecord::new(),
            has_ended: false,
        })
    }

    /// All rows, or the first bad one.
    pub fn read_strictly<R: Read>(&self, input: R) -> Result<Vec<CsvRow>, CsvError> {
        self.rows(input)?.collect()
    }

    /// The good rows, and every bad one with its line.
    pub fn read_leniently<R: Read>(
        &self,
        input: R,
    ) -> Result<(Vec<CsvRow>, Vec<CsvError>), CsvError> {
        let mut good = Vec::new();
        let mut bad = Vec::new();
        for row in self.rows(input)? {
            match row {
                Ok(row) => good.push(row),
                Err(error) => bad.push(error),
            }
        }
        Ok((good, bad))
    }
}

impl Columns {
    fn find(format: &CsvFormat, header: &StringRecord) -> Result<Self, CsvError> {
        let place = |wanted: &str| {
            let mut found = (0..header.len()).filter(|index| header[*index].trim() == wanted);
            let problem = match (found.next(), found.next()) {
                (Some(index), None) => return Ok(index),
                (Some(_), Some(_)) => "the header names it twice".to_owned(),
                (None, _) => {
                    let known: Vec<&str> = header.iter().map(str::trim).collect();
                    format!("the header does not name it; it names {}", known.join(", "))
                }
            };
            Err(CsvError {
                line: 1,
                column: wanted.to_owned(),
                reason: problem,
            })
        };
        Ok(Self {
            value: place(&format.value_column)?,
            channel: format.channel_column.as_deref().map(place).transpose()?,
            measured_at: place(&format.measured_at_column)?,
            received_at: format
                .received_at_column
                .as_deref()
                .map(place)
                .transpose()?,
        })
    }
}

impl<R: Read> Iterator for CsvRows<R> {
    type Item = Result<CsvRow, CsvError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.has_ended {
            return None;
        }
        let mut read = self.reader.read_record(&mut self.record);
        // A spreadsheet writes the empty rows below a table as commas alone.
        while matches!(read, Ok(true)) && self.record.iter().all(str::is_empty) {
            read = self.reader.read_record(&mut self.record);
        }
        match read {
            Ok(true) => Some(self.row()),
            Ok(false) => {
                self.has_ended = true;
                None
            }
            Err(error) => {
                // After a failure to read, the rest is not to be had; a bad row is only one row.
                self.has_ended = matches!(error.kind(), ErrorKind::Io(_));
                let mut told = csv_error(&error);
                if matches!(error.kind(), ErrorKind::UnequalLengths { .. }) {
                    told.line = line_of_row(self.reader.position().line(), std::iter::empty());
                }
                Some(Err(told))
            }
        }
    }
}

impl<R: Read> CsvRows<R> {
    fn row(&self) -> Result<CsvRow, CsvError> {
        let format = &self.format;
        let line = line_of_row(self.reader.position().line(), self.record.iter());
        let field = |index: usize| self.record.get(index).unwrap_or_default();
        let at = |column: &str, reason: Reason| CsvError {
            line,
            column: column.to_owned(),
            reason: reason.detail,
        };
        let received_at = match (self.columns.received_at, &format.received_at_column) {
            (Some(index), Some(column)) => Some(
                format
                    .time
                    .read(field(index))
                    .map_err(|reason| at(column, reason))?,
            ),
            _ => None,
        };
        let measured_at = field(self.columns.measured_at).trim();
        let measured_at = if measured_at.is_empty() {
            None
        } else {
            let read = format.time.read(measured_at);
            Some(read.map_err(|reason| at(&format.measured_at_column, reason))?)
        };
        let channel_column = format.channel_column.as_deref().unwrap_or("channel");
        let channel = format
            .channel
            .render("", self.columns.channel.map(field))
            .map_err(|reason| at(channel_column, reason))?;
        let content = format
            .rule
            .read(field(self.columns.value), None)
            .map_err(|reason| at(&format.value_column, reason))?;
        Ok(CsvRow {
            line,
            received_at,
            measured_at,
            channel,
            content,
        })
    }
}

fn csv_error(error: &::csv::Error) -> CsvError {
    let line = error.position().map_or(1, ::csv::Position::line);
    let (column, reason) = match error.kind() {
        ErrorKind::UnequalLengths {
            expected_len, len, ..
        } => {
            let column = if len < expected_len {
                len + 1
            } else {
                expected_len + 1
            };
            (
                column.to_string(),
                format!("the row has {len} fields, the header {expected_len}"),
            )
        }
        ErrorKind::Utf8 { err, .. } => (
            (err.field() + 1).to_string(),
            "it is not UTF-8 text".to_owned(),
        ),
        ErrorKind::Io(error) => ("1".to_owned(), format!("the file cannot be read: {error}")),
        _ => ("1".to_owned(), error.to_string()),
    };
    CsvError {
        line,
        column,
        reason,
    }
}

/// One row of a replay's readings.
#[derive(Debug, Clone, PartialEq)]
pub struct ReplayRow {
    pub received_at: DateTime<Utc>,
    /// `None` where the logger had no clock.
    pub measured_at: Option<DateTime<Utc>>,
    pub channel: String,
    /// °C, or one of the daemon's own fault words.
    pub content: Content,
}

/// Reads the columns `received_at,measured_at,channel,value` (RFC 3339, °C) up to the first bad
/// row.
pub fn read_replay_csv(input: impl Read) -> Result<Vec<ReplayRow>, CsvError> {
    let received_at_column = Some("received_at".to_owned());
    let options = CsvOptions {
        received_at_column,
        ..CsvOptions::default()
    };
    let format = options.check().map_err(|error| CsvError {
        line: 0,
        column: error.key.clone(),
        reason: error.problem,
    })?;
    let mut rows = Vec::new();
    for row in format.rows(input)? {
        let row = row?;
        let received_at = row.received_at.ok_or_else(|| CsvError {
            line: row.line,
            column: "received_at".to_owned(),
            reason: "it is empty".to_owned(),
        })?;
        rows.push(ReplayRow {
            received_at,
            measured_at: row.measured_at,
            channel: row.channel,
            content: row.content,
        });
    }
    Ok(rows)
}

#[cfg(test)]
mod tests;

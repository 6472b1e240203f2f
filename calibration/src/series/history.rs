//! The readings of a companion sensor: a specimen's own temperature from time zero to its break.
//!
//! Columns: `hours` (from time zero) or `measured_at` (RFC 3339, with the instant of time zero given
//! beside), and `temperature_c`, `temperature_f` or `value` (°C). Other columns are let be, so that
//! a logger's export with `received_at` and `channel` can be used as it is.

use std::fmt;

use chrono::{DateTime, Utc};
use units::{Celsius, bounds};

use super::{BadRow, SeriesError};
use crate::maturity::MaturityFunction;
use units::{PlainLines, line_of_row};

/// A history may begin this late after time zero, since cylinders are plugged in when the last of a
/// load is made; its first temperature is held back to it.
const LATE_START_H_MAX: f64 = 1.0;

/// It may end this long before the specimen's break; its last temperature is held.
const EARLY_END_H_MAX: f64 = 1.0;

/// A longer gap between two readings is no history.
const GAP_H_MAX: f64 = 2.0;

/// The temperatures of one companion sensor, in order of time.
#[derive(Debug, Clone, PartialEq)]
pub struct History {
    /// Hours from time zero and °C.
    points: Vec<(f64, f64)>,
}

/// Why a history does not serve a specimen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum HistoryFault {
    /// It begins too long after time zero.
    BeginsLate {
        /// When it begins, h.
        begins_h: f64,
    },
    /// It ends too long before the specimen was broken.
    EndsEarly {
        /// When it ends, h.
        ends_h: f64,
        /// When the specimen was broken, h.
        age_h: f64,
    },
    /// It has a long gap.
    Gap {
        /// From when, h.
        from_h: f64,
        /// To when, h.
        to_h: f64,
    },
}

impl fmt::Display for HistoryFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::BeginsLate { begins_h } => write!(
                f,
                "the readings begin {begins_h:.2} h after time zero, more than {LATE_START_H_MAX} \
                 h: check the time zero, or leave the specimen out"
            ),
            Self::EndsEarly { ends_h, age_h } => write!(
                f,
                "the readings end at {ends_h:.2} h, the specimen was broken at {age_h:.2} h: give \
                 the rest of the readings"
            ),
            Self::Gap { from_h, to_h } => write!(
                f,
                "there are no readings from {from_h:.2} to {to_h:.2} h, longer than {GAP_H_MAX} h: \
                 a maturity across that would be a guess"
            ),
        }
    }
}

impl History {
    /// Reads the readings of a companion sensor.
    ///
    /// # Errors
    /// The first line that cannot be read, or columns that are missing.
    pub fn parse(text: &str, time_zero_at: Option<DateTime<Utc>>) -> Result<Self, SeriesError> {
        let mut reader = csv::ReaderBuilder::new()
            .comment(Some(b'#'))
            .trim(csv::Trim::All)
            .from_reader(PlainLines::new(text.as_bytes()));
        let of_csv = |error: csv::Error| SeriesError {
            line: error
                .position()
                .map_or(1, |position| position.line() as usize),
            problem: format!("this is not CSV: {error}"),
        };
        let headers = reader.headers().map_err(of_csv)?.clone();
        let column = |name: &str| headers.iter().position(|header| header == name);
        let missing = |problem: &str| SeriesError {
            line: 1,
            problem: problem.to_owned(),
        };
        let temperature = ["temperature_c", "temperature_f", "value"]
            .into_iter()
            .find_map(|name| Some((name, column(name)?)))
            .ok_or_else(|| missing("no column temperature_c, temperature_f or value"))?;
        let hours = column("hours");
        let measured_at = column("measured_at");
        if hours.is_none() && measured_at.is_none() {
            return Err(missing("no column hours or measured_at"));
        }
        if hours.is_none() && time_zero_at.is_none() {
            return Err(missing(
                "the readings have instants, so the instant of time zero must be given",
            ));
        }
        let mut points = Vec::new();
        let mut record = csv::StringRecord::new();
        while reader.read_record(&mut record).map_err(of_csv)? {
            if record.iter().all(str::is_empty) {
                continue;
            }
            let line = line_of_row(reader.position().line(), record.iter()) as usize;
            let cell = |index: usize| record.get(index).unwrap_or_default();
            let bad = |row: BadRow| SeriesError {
                line: row.line,
                problem: format!("column `{}`: {}", row.column, row.reason),
            };
            let at_h = match (hours, measured_at, time_zero_at) {
                (Some(index), _, _) => number(cell(index), "hours", line),
                (None, Some(index), Some(zero_at)) => instant_h(cell(index), zero_at, line),
                (None, _, _) => Err(no_time(line)),
            }
            .map_err(bad)?;
            let typed = number(cell(temperature.1), temperature.0, line).map_err(bad)?;
            let celsius = if temperature.0 == "temperature_f" {
                Celsius::from_fahrenheit(typed).0
            } else {
                typed
            };
            bounds::CONCRETE_TEMPERATURE_C
                .check(celsius)
                .map_err(|refused| SeriesError {
                    line,
                    problem: format!("column `{}`: {refused}", temperature.0),
                })?;
            points.push((at_h, celsius));
        }
        Self::from_points(points).ok_or_else(|| missing("there is not one reading"))
    }

    /// A history of temperatures in °C at hours from time zero; `None` without one.
    pub fn from_points(mut points: Vec<(f64, f64)>) -> Option<Self> {
        points.sort_by(|left, right| left.0.total_cmp(&right.0));
        (!points.is_empty()).then_some(Self { points })
    }

    /// Maturity at an age, and the lowest and highest temperature until then.
    ///
    /// # Errors
    /// A history that begins late, ends early or has a long gap.
    pub fn exposure(
        &self,
        function: &MaturityFunction,
        age_h: f64,
    ) -> Result<(f64, f64, f64), HistoryFault> {
        // What the sensor read before there was concrete around it is air.
        let (first_index, begins) = self
            .points
            .iter()
            .enumerate()
            .find(|(_, (at_h, _))| *at_h >= 0.0)
            .map_or((0, self.points[0]), |(index, point)| (index, *point));
        if begins.0 > LATE_START_H_MAX {
            return Err(HistoryFault::BeginsLate { begins_h: begins.0 });
        }
        let mut path = vec![(0.0, begins.1)];
        for &(at_h, celsius) in &self.points[first_index..] {
            let (before_h, before_c) = path[path.len() - 1];
            if at_h - before_h > GAP_H_MAX {
                if before_h >= age_h {
                    break;
                }
                return Err(HistoryFault::Gap {
                    from_h: before_h,
                    to_h: at_h,
                });
            }
            if at_h >= age_h {
                let share = if at_h > before_h {
                    (age_h - before_h) / (at_h - before_h)
                } else {
                    1.0
                };
                path.push((age_h, before_c + share * (celsius - before_c)));
                break;
            }
            path.push((at_h, celsius));
        }
        let (ends_h, last_c) = path[path.len() - 1];
        if ends_h < age_h {
            if age_h - ends_h > EARLY_END_H_MAX {
                return Err(HistoryFault::EndsEarly { ends_h, age_h });
            }
            path.push((age_h, last_c));
        }
        let maturity = path
            .windows(2)
            .map(|pair| function.over_segment(pair[0].1, pair[1].1, pair[1].0 - pair[0].0))
            .sum();
        let temperatures = || path.iter().map(|point| point.1);
        Ok((
            maturity,
            temperatures().fold(f64::INFINITY, f64::min),
            temperatures().fold(f64::NEG_INFINITY, f64::max),
        ))
    }
}

fn number(cell: &str, column: &str, line: usize) -> Result<f64, BadRow> {
    match cell.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(value),
        _ => Err(BadRow {
            line,
            column: column.to_owned(),
            reason: format!("\"{cell}\" is not a plain number with a point for decimals"),
        }),
    }
}

fn no_time(line: usize) -> BadRow {
    BadRow {
        line,
        column: "measured_at".to_owned(),
        reason: "has no time to count from".to_owned(),
    }
}

fn instant_h(cell: &str, zero_at: DateTime<Utc>, line: usize) -> Result<f64, BadRow> {
    match DateTime::parse_from_rfc3339(cell) {
        Ok(at) => Ok((at.with_timezone(&Utc) - zero_at).num_milliseconds() as f64 / 3_600_000.0),
        Err(_) => Err(BadRow {
            line,
            column: "measured_at".to_owned(),
            reason: format!("\"{cell}\" is no instant such as 2026-03-14T21:05:00Z"),
        }),
    }
}

//! A calibration series as the lab writes it down: read, checked row by row, made into points.
//!
//! | column (or key of a `[[specimen]]` section in TOML) | meaning |
//! |---|---|
//! | `specimen` | its identity; the line number when absent |
//! | `age_h` or `age_d` | age when it was broken, from the curve's time zero |
//! | `temperature_c` or `temperature_f` | its constant temperature, or |
//! | `history` | the name of the readings of its companion sensor |
//! | `strength_mpa` or `strength_psi` | its strength, or |
//! | `load_kn` or `load_lbf` | the load that broke it; needs its diameter and length |
//! | `diameter_mm`, `diameter_in`, `length_mm`, `length_in` | its size |
//! | `shape` | `cylinder`; other shapes are refused, as no curve here is for them |
//! | `group` | the group it was broken with; specimens of one age and history when absent |
//! | `fracture`, `notes` | free texts |
//! | `source` | `series` (when absent), or `pour` for a companion cylinder of the plant |
//! | `excluded_because`, `excluded_by` | why and by whom it was left out |
//!
//! Results of mortar cubes for the rates of a cement, and breaks of pours, are tables of the same
//! kind ([`SeriesKind`]); breaks have `pour` and `broken_at` besides.
//!
//! Every number's unit stands in its header. A bad row is named with line, column and reason, and
//! is never guessed at; the rest of the series is read all the same.

mod history;
mod precision;
mod row;
mod table;

use std::collections::BTreeMap;
use std::fmt;

use chrono::{DateTime, Utc};
pub use history::{History, HistoryFault};
pub use precision::{
    GroupPrecision, OutlierFlag, group_precisions, outliers, specimen_range_limit_percent,
};

use crate::curve_file::{DataRow, DataSource, Exclusion};
use crate::fit::Point;
use crate::maturity::MaturityFunction;

/// A row that was not taken, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BadRow {
    /// Line of the text, from 1.
    pub line: usize,
    /// Column or key.
    pub column: String,
    /// What is wrong and what to write instead.
    pub reason: String,
}

impl fmt::Display for BadRow {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "line {}, column `{}`: {}",
            self.line, self.column, self.reason
        )
    }
}

/// Why a text is no series at all.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SeriesError {
    /// Line of the text, from 1.
    pub line: usize,
    /// What is wrong and what to do.
    pub problem: String,
}

impl fmt::Display for SeriesError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}: {}", self.line, self.problem)
    }
}

impl std::error::Error for SeriesError {}

/// How a text is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SeriesFormat {
    /// Comma-separated, the first line names the columns.
    Csv,
    /// TOML with `[[specimen]]` sections; keys before them hold for all.
    Toml,
}

/// What the rows of a table are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SeriesKind {
    /// Concrete cylinders for a curve.
    Cylinders,
    /// Mortar cubes or concrete cylinders for rates; they may be weaker than a cylinder is broken.
    Mortar,
    /// Cylinders of pours for verification; those without a history of their own stay apart.
    Breaks,
}

/// The temperature that a specimen saw.
#[derive(Debug, Clone, PartialEq)]
pub enum Temperature {
    /// The same from time zero to its break, °C.
    Constant(f64),
    /// By the readings of its companion sensor, named here.
    Companion(String),
    /// Not known; only a break may have none.
    Unknown,
}

/// One specimen of a series, checked.
#[derive(Debug, Clone, PartialEq)]
pub struct SeriesSpecimen {
    /// Line of the text, from 1.
    pub line: usize,
    /// Its identity.
    pub specimen: String,
    /// The group it was broken with.
    pub group: String,
    /// Age when it was broken, h.
    pub age_h: f64,
    /// The temperature that it saw.
    pub temperature: Temperature,
    /// Strength, MPa, corrected for its length when it came as a load.
    pub strength_mpa: f64,
    /// Diameter, mm.
    pub diameter_mm: Option<f64>,
    /// Length, mm.
    pub length_mm: Option<f64>,
    /// Kind of fracture, as written.
    pub fracture: Option<String>,
    /// Notes, as written.
    pub notes: Option<String>,
    /// Where the result comes from.
    pub source: DataSource,
    /// Why and by whom it was left out.
    pub excluded: Option<Exclusion>,
    /// The pour it stands for; only breaks have one.
    pub pour: Option<String>,
    /// When it was broken; only breaks say it.
    pub broken_at: Option<DateTime<Utc>>,
}

/// A series: what could be read, and what could not.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Series {
    /// The specimens in the order of the text.
    pub specimens: Vec<SeriesSpecimen>,
    /// The rows that were not taken.
    pub bad_rows: Vec<BadRow>,
}

impl Series {
    /// Reads a series.
    ///
    /// # Errors
    /// A text that is no series: no header, an unknown or repeated column, two columns for one
    /// thing. Faults of single rows are in [`Series::bad_rows`].
    pub fn parse(text: &str, format: SeriesFormat, kind: SeriesKind) -> Result<Self, SeriesError> {
        let table = match format {
            SeriesFormat::Csv => table::read_csv(text, kind)?,
            SeriesFormat::Toml => table::read_toml(text, kind)?,
        };
        Ok(row::read_rows(table, kind))
    }

    /// The names of the companion histories that the series needs.
    pub fn history_names(&self) -> Vec<&str> {
        let mut names: Vec<&str> = self
            .specimens
            .iter()
            .filter_map(|specimen| match &specimen.temperature {
                Temperature::Companion(name) => Some(name.as_str()),
                Temperature::Constant(_) | Temperature::Unknown => None,
            })
            .collect();
        names.sort_unstable();
        names.dedup();
        names
    }

    /// Leaves a specimen out of the fit, by a person and for a reason; it stays in the data.
    ///
    /// # Errors
    /// The specimens there are, when none has this identity.
    pub fn exclude(&mut self, specimen: &str, exclusion: Exclusion) -> Result<(), Vec<String>> {
        let known = || self.specimens.iter().map(|one| one.specimen.clone());
        match self
            .specimens
            .iter()
            .position(|one| one.specimen == specimen)
        {
            None => Err(known().collect()),
            Some(index) => {
                self.specimens[index].excluded = Some(exclusion);
                Ok(())
            }
        }
    }

    /// The maturity of every specimen, with its extremes of temperature, as the curve file keeps
    /// them; specimens whose history does not reach are bad rows instead.
    pub fn data(
        &self,
        function: &MaturityFunction,
        histories: &BTreeMap<String, History>,
    ) -> (Vec<DataRow>, Vec<BadRow>) {
        let mut rows = Vec::with_capacity(self.specimens.len());
        let mut bad_rows = Vec::new();
        for specimen in &self.specimens {
            match specimen.exposure(function, histories) {
                Ok((maturity, temperature_min_c, temperature_max_c)) => rows.push(DataRow {
                    specimen: specimen.specimen.clone(),
                    group: specimen.group.clone(),
                    age_h: specimen.age_h,
                    maturity,
                    strength_mpa: specimen.strength_mpa,
                    temperature_min_c,
                    temperature_max_c,
                    fracture: specimen.fracture.clone(),
                    notes: specimen.notes.clone(),
                    source: specimen.source,
                    excluded: specimen.excluded.clone(),
                }),
                Err((column, reason)) => bad_rows.push(BadRow {
                    line: specimen.line,
                    column: column.to_owned(),
                    reason,
                }),
            }
        }
        (rows, bad_rows)
    }
}

impl SeriesSpecimen {
    /// Its maturity when it was broken, by its own temperature.
    ///
    /// # Errors
    /// The row, when its history does not reach.
    pub fn maturity(
        &self,
        function: &MaturityFunction,
        histories: &BTreeMap<String, History>,
    ) -> Result<f64, BadRow> {
        let exposure = self.exposure(function, histories);
        exposure
            .map(|(maturity, _, _)| maturity)
            .map_err(|(column, reason)| BadRow {
                line: self.line,
                column: column.to_owned(),
                reason,
            })
    }

    fn exposure(
        &self,
        function: &MaturityFunction,
        histories: &BTreeMap<String, History>,
    ) -> Result<(f64, f64, f64), (&'static str, String)> {
        let (maturity, low_c, high_c) = match &self.temperature {
            Temperature::Constant(celsius) => {
                (function.rate(*celsius) * self.age_h, *celsius, *celsius)
            }
            Temperature::Companion(name) => {
                let history = histories.get(name).ok_or_else(|| {
                    (
                        "history",
                        format!("no readings named \"{name}\" were given"),
                    )
                })?;
                history
                    .exposure(function, self.age_h)
                    .map_err(|fault| ("history", format!("\"{name}\": {fault}")))?
            }
            Temperature::Unknown => {
                return Err(("history", "its temperature is not known".to_owned()));
            }
        };
        if maturity > 0.0 {
            Ok((maturity, low_c, high_c))
        } else {
            Err((
                "temperature_c",
                "gives no maturity at all: it is never above the datum".to_owned(),
            ))
        }
    }
}

/// The points of a fit: every row that nobody left out, with groups numbered by their first
/// appearance; and the groups' names.
pub fn points(rows: &[DataRow]) -> (Vec<Point>, Vec<String>) {
    let mut groups: Vec<String> = Vec::new();
    let points = rows
        .iter()
        .filter(|row| row.excluded.is_none())
        .map(|row| {
            let known = groups.iter().position(|group| *group == row.group);
            let group = known.unwrap_or_else(|| {
                groups.push(row.group.clone());
                groups.len() - 1
            });
            Point {
                maturity: row.maturity,
                strength_mpa: row.strength_mpa,
                group,
            }
        })
        .collect();
    (points, groups)
}

#[cfg(test)]
mod tests;

//! One row of a series: each cell read with its unit and checked against what it can be.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use units::{Bound, Celsius, Kilonewton, Megapascal, Millimetre, bounds};

use super::table::Row;
use super::{BadRow, Series, SeriesKind, SeriesSpecimen, Temperature};
use crate::curve_file::{DataSource, Exclusion};
use crate::cylinder::{check_plausible, cylinder_strength};

/// The oldest specimen that a series may hold, h: five years.
const AGE_H_MAX: f64 = 5.0 * 365.25 * 24.0;

type Fault = (String, String);

fn fault(column: &str, reason: impl Into<String>) -> Fault {
    (column.to_owned(), reason.into())
}

pub(super) fn read_rows(rows: Vec<Row>, kind: SeriesKind) -> Series {
    let mut series = Series::default();
    let mut lines: BTreeMap<String, usize> = BTreeMap::new();
    for row in rows {
        let checked = match &row.fault {
            Some(fault) => Err(fault.clone()),
            None => read_row(&row, kind),
        };
        let checked =
            checked.and_then(
                |specimen| match lines.insert(specimen.specimen.clone(), row.line) {
                    None => Ok(specimen),
                    Some(line) => Err(fault(
                        "specimen",
                        format!("\"{}\" stands on line {line} already", specimen.specimen),
                    )),
                },
            );
        match checked {
            Ok(specimen) => series.specimens.push(specimen),
            Err((column, reason)) => series.bad_rows.push(BadRow {
                line: row.line,
                column,
                reason,
            }),
        }
    }
    series
}

fn read_row(row: &Row, kind: SeriesKind) -> Result<SeriesSpecimen, Fault> {
    let text = |column: &str| row.cells.get(column).cloned();
    check_shape(row, kind)?;
    let temperature = read_temperature(row, kind)?;
    let age_h = read_age_h(row, &temperature)?;
    let size = |mm: &str, inch: &str, bound: &'static Bound| -> Result<Option<f64>, Fault> {
        let converted = either(
            row,
            (mm, |mm| mm),
            (inch, |inch| Millimetre::from_inch(inch).0),
        )?;
        let Some((column, value_mm)) = converted else {
            return Ok(None);
        };
        let checked = bound.check(value_mm);
        checked
            .map(Some)
            .map_err(|refused| fault(column, refused.to_string()))
    };
    let diameter_mm = size("diameter_mm", "diameter_in", &bounds::CYLINDER_DIAMETER_MM)?;
    let length_mm = size("length_mm", "length_in", &bounds::CYLINDER_LENGTH_MM)?;
    let strength_mpa = read_strength_mpa(row, kind, diameter_mm, length_mm)?;
    let history = match &temperature {
        Temperature::Constant(celsius) => format!("{celsius} °C"),
        Temperature::Companion(name) => name.clone(),
        Temperature::Unknown => "no history".to_owned(),
    };
    let excluded = match (text("excluded_because"), text("excluded_by")) {
        (None, None) => None,
        (Some(because), Some(by)) => Some(Exclusion { because, by }),
        (Some(_), None) => {
            return Err(fault(
                "excluded_by",
                "is empty: say who left the specimen out",
            ));
        }
        (None, Some(_)) => {
            return Err(fault(
                "excluded_because",
                "is empty: say why it was left out",
            ));
        }
    };
    let source = match text("source").as_deref() {
        None | Some("series") => DataSource::Series,
        Some("pour") => DataSource::Pour,
        Some(other) => {
            let reason = format!("\"{other}\" is neither \"series\" nor \"pour\"");
            return Err(fault("source", reason));
        }
    };
    Ok(SeriesSpecimen {
        line: row.line,
        specimen: text("specimen").unwrap_or_else(|| format!("line {}", row.line)),
        group: text("group").unwrap_or_else(|| format!("{age_h} h, {history}")),
        age_h,
        temperature,
        strength_mpa,
        diameter_mm,
        length_mm,
        fracture: text("fracture"),
        notes: text("notes"),
        source,
        excluded,
        pour: text("pour"),
        broken_at: read_broken_at(row, kind)?,
    })
}

fn check_shape(row: &Row, kind: SeriesKind) -> Result<(), Fault> {
    match (row.cells.get("shape").map(String::as_str), kind) {
        (None | Some("cylinder"), _) => Ok(()),
        (Some("cube"), SeriesKind::Mortar) => {
            let load = ["load_kn", "load_lbf"]
                .into_iter()
                .find(|column| row.cells.contains_key(*column));
            load.map_or(Ok(()), |column| {
                Err(fault(column, "give a cube's strength instead of its load"))
            })
        }
        (Some(shape), _) => Err(fault(
            "shape",
            format!("\"{shape}\" is no cylinder: curves here are for cylinders only"),
        )),
    }
}

fn read_broken_at(row: &Row, kind: SeriesKind) -> Result<Option<DateTime<Utc>>, Fault> {
    if kind == SeriesKind::Breaks && !row.cells.contains_key("pour") {
        return Err(fault("pour", "is empty: name the pour"));
    }
    let Some(cell) = row.cells.get("broken_at") else {
        return match kind {
            SeriesKind::Breaks => Err(fault("broken_at", "is empty: give the instant")),
            SeriesKind::Cylinders | SeriesKind::Mortar => Ok(None),
        };
    };
    match DateTime::parse_from_rfc3339(cell) {
        Ok(at) => Ok(Some(at.with_timezone(&Utc))),
        Err(_) => Err(fault(
            "broken_at",
            format!("\"{cell}\" is no instant such as 2026-03-15T05:10:00Z"),
        )),
    }
}

fn number(row: &Row, column: &str) -> Result<Option<f64>, Fault> {
    let Some(cell) = row.cells.get(column) else {
        return Ok(None);
    };
    match cell.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(Some(value)),
        _ => Err(fault(
            column,
            format!("\"{cell}\" is not a plain number with a point for decimals"),
        )),
    }
}

/// The value of whichever of two columns the row has, in SI units, with that column. A converted
/// value keeps ten decimals: what lies beyond is noise of the conversion, and would part groups.
fn either<'c>(
    row: &Row,
    si: (&'c str, fn(f64) -> f64),
    us: (&'c str, fn(f64) -> f64),
) -> Result<Option<(&'c str, f64)>, Fault> {
    for (column, convert) in [si, us] {
        if let Some(value) = number(row, column)? {
            return Ok(Some((column, (convert(value) * 1e10).round() / 1e10)));
        }
    }
    Ok(None)
}

fn present<'c>(row: &Row, columns: &[&'c str]) -> &'c str {
    let known = columns
        .iter()
        .find(|column| row.cells.contains_key(**column));
    known.or(columns.first()).copied().unwrap_or("")
}

fn read_age_h(row: &Row, temperature: &Temperature) -> Result<f64, Fault> {
    let typed = either(row, ("age_h", |hours| hours), ("age_d", |days| days * 24.0))?;
    let Some((column, age_h)) = typed else {
        // Without a temperature the age would say nothing either.
        return if *temperature == Temperature::Unknown {
            Ok(0.0)
        } else {
            Err(fault(
                present(row, &["age_h", "age_d"]),
                "is empty: give the age",
            ))
        };
    };
    if age_h > 0.0 && age_h <= AGE_H_MAX {
        Ok(age_h)
    } else {
        let why = "must be above 0 and at most five years: check the unit in the header";
        Err(fault(column, why))
    }
}

fn read_temperature(row: &Row, kind: SeriesKind) -> Result<Temperature, Fault> {
    let constant = either(
        row,
        ("temperature_c", |celsius| celsius),
        ("temperature_f", |value| Celsius::from_fahrenheit(value).0),
    )?;
    match (constant, row.cells.get("history")) {
        (Some((column, _)), Some(_)) => Err(fault(
            column,
            "stands beside a history: a specimen has one or the other",
        )),
        (Some((column, celsius)), None) => bounds::CONCRETE_TEMPERATURE_C
            .check(celsius)
            .map(Temperature::Constant)
            .map_err(|refused| fault(column, refused.to_string())),
        (None, Some(name)) => Ok(Temperature::Companion(name.clone())),
        (None, None) if kind == SeriesKind::Breaks => Ok(Temperature::Unknown),
        (None, None) => Err(fault(
            present(row, &["temperature_c", "temperature_f", "history"]),
            "is empty: give the constant temperature, or the history of the companion sensor",
        )),
    }
}

fn read_strength_mpa(
    row: &Row,
    kind: SeriesKind,
    diameter_mm: Option<f64>,
    length_mm: Option<f64>,
) -> Result<f64, Fault> {
    let strength = either(
        row,
        ("strength_mpa", |mpa| mpa),
        ("strength_psi", |psi| Megapascal::from_psi(psi).0),
    )?;
    let load = either(
        row,
        ("load_kn", |kilonewton| kilonewton),
        ("load_lbf", |pound_force| {
            Kilonewton::from_pound_force(pound_force).0
        }),
    )?;
    match (strength, load) {
        (Some((column, _)), Some((load, _))) => Err(fault(
            column,
            format!("stands beside {load}: give the strength or the load, not both"),
        )),
        (Some((_, mpa)), None)
            if kind == SeriesKind::Mortar
                && mpa > 0.0
                && mpa < bounds::CONCRETE_STRENGTH_MPA.min =>
        {
            Ok(mpa)
        }
        (Some((column, mpa)), None) => check_plausible(Megapascal(mpa))
            .map(|strength| strength.0)
            .map_err(|refused| fault(column, refused.to_string())),
        (None, Some((column, load_kn))) => {
            let (Some(diameter_mm), Some(length_mm)) = (diameter_mm, length_mm) else {
                return Err(fault(
                    column,
                    "needs the diameter and the length of the cylinder to become a strength",
                ));
            };
            cylinder_strength(
                Kilonewton(load_kn),
                Millimetre(diameter_mm),
                Millimetre(length_mm),
            )
            .map(|strength| strength.0)
            .map_err(|refused| fault(column, refused.to_string()))
        }
        (None, None) => Err(fault(
            present(
                row,
                &["strength_mpa", "strength_psi", "load_kn", "load_lbf"],
            ),
            "is empty: give the strength or the load",
        )),
    }
}

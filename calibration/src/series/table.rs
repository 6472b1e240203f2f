//! CSV and TOML as one kind of table: lines with cells by column, nothing judged but the columns.

use std::collections::BTreeMap;

use toml::de::{DeArray, DeTable, DeValue};
use units::{PlainLines, line_of_row};

use super::{SeriesError, SeriesKind};

/// Every column that a series may have.
pub(super) const COLUMNS: [&str; 23] = [
    "specimen",
    "group",
    "age_h",
    "age_d",
    "temperature_c",
    "temperature_f",
    "history",
    "strength_mpa",
    "strength_psi",
    "load_kn",
    "load_lbf",
    "shape",
    "diameter_mm",
    "diameter_in",
    "length_mm",
    "length_in",
    "fracture",
    "notes",
    "source",
    "excluded_because",
    "excluded_by",
    "pour",
    "broken_at",
];

/// One line with its cells by column; empty cells are absent.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Row {
    pub line: usize,
    pub cells: BTreeMap<String, String>,
    /// What is wrong with the line before its cells are read.
    pub fault: Option<(String, String)>,
}

fn unknown(column: &str, line: usize) -> SeriesError {
    let nearest = COLUMNS
        .into_iter()
        .map(|known| (strsim::damerau_levenshtein(column, known), known))
        .min()
        .filter(|(distance, known)| distance * 2 <= known.len());
    let hint = match nearest {
        Some((_, known)) => format!("did you mean `{known}`?"),
        None => format!("known are: {}", COLUMNS.join(", ")),
    };
    SeriesError {
        line,
        problem: format!("`{column}` is not a column of a series; {hint}"),
    }
}

pub(super) fn read_csv(text: &str, kind: SeriesKind) -> Result<Vec<Row>, SeriesError> {
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .flexible(true)
        .trim(csv::Trim::All)
        .from_reader(PlainLines::new(text.as_bytes()));
    let of_csv = |error: &csv::Error| SeriesError {
        line: error
            .position()
            .map_or(1, |position| position.line() as usize),
        problem: format!("this is not CSV: {error}"),
    };
    let headers = reader.headers().map_err(|error| of_csv(&error))?.clone();
    let header_line = line_of_row(reader.position().line(), headers.iter()) as usize;
    if headers.iter().all(str::is_empty) {
        return Err(SeriesError {
            line: header_line,
            problem: "the file is empty: the first line names the columns, such as \
                      age_h,strength_mpa,temperature_c"
                .to_owned(),
        });
    }
    if headers.len() == 1 && headers[0].contains([';', '\t']) {
        return Err(SeriesError {
            line: header_line,
            problem:
                "the columns are not parted by commas: save the sheet as CSV with commas, and \
                      points for decimals"
                    .to_owned(),
        });
    }
    for (index, column) in headers.iter().enumerate() {
        if !COLUMNS.contains(&column) {
            return Err(unknown(column, header_line));
        }
        if headers.iter().take(index).any(|other| other == column) {
            return Err(SeriesError {
                line: header_line,
                problem: format!("the column `{column}` stands there twice"),
            });
        }
    }
    let mut rows = Vec::new();
    let mut record = csv::StringRecord::new();
    while reader
        .read_record(&mut record)
        .map_err(|error| of_csv(&error))?
    {
        // A spreadsheet writes the empty rows below a table as commas alone.
        if record.iter().all(str::is_empty) {
            continue;
        }
        let line = line_of_row(reader.position().line(), record.iter()) as usize;
        let fault = (record.len() != headers.len()).then(|| {
            (
                headers
                    .get(record.len().min(headers.len() - 1))
                    .unwrap_or_default()
                    .to_owned(),
                format!(
                    "the row has {} cells for {} columns: is a comma missing, or a decimal comma \
                     in it?",
                    record.len(),
                    headers.len()
                ),
            )
        });
        let cells = headers
            .iter()
            .zip(record.iter())
            .filter(|(_, cell)| !cell.is_empty())
            .map(|(column, cell)| (column.to_owned(), cell.to_owned()))
            .collect();
        rows.push(Row { line, cells, fault });
    }
    check_columns(headers.iter(), header_line, kind)?;
    Ok(rows)
}

/// Two units of one quantity, or two ways to give one thing, cannot both be columns of a table.
fn check_columns<'c>(
    columns: impl Iterator<Item = &'c str>,
    line: usize,
    kind: SeriesKind,
) -> Result<(), SeriesError> {
    let columns: Vec<&str> = columns.collect();
    let has = |column: &str| columns.contains(&column);
    for (left, right) in [
        ("age_h", "age_d"),
        ("temperature_c", "temperature_f"),
        ("strength_mpa", "strength_psi"),
        ("load_kn", "load_lbf"),
        ("diameter_mm", "diameter_in"),
        ("length_mm", "length_in"),
    ] {
        if has(left) && has(right) {
            return Err(SeriesError {
                line,
                problem: format!(
                    "`{left}` and `{right}` are one quantity: keep one of the columns"
                ),
            });
        }
    }
    let strength = (
        "the strength",
        &["strength_mpa", "strength_psi", "load_kn", "load_lbf"][..],
    );
    let age = ("the age", &["age_h", "age_d"][..]);
    let temperature = (
        "the temperature",
        &["temperature_c", "temperature_f", "history"][..],
    );
    let wanted = match kind {
        SeriesKind::Cylinders | SeriesKind::Mortar => vec![age, strength, temperature],
        // A break without a history of its own is shown apart, so it may have neither.
        SeriesKind::Breaks => vec![
            ("the pour", &["pour"][..]),
            ("the instant of the break", &["broken_at"][..]),
            strength,
        ],
    };
    for (wanted, choices) in wanted {
        if !choices.iter().any(|column| has(column)) {
            return Err(SeriesError {
                line,
                problem: format!(
                    "no column gives {wanted}: add one of {}",
                    choices.join(", ")
                ),
            });
        }
    }
    Ok(())
}

fn line_at(text: &str, offset: usize) -> usize {
    let before = &text.as_bytes()[..offset.min(text.len())];
    1 + before.iter().filter(|byte| **byte == b'\n').count()
}

pub(super) fn read_toml(text: &str, kind: SeriesKind) -> Result<Vec<Row>, SeriesError> {
    let root = DeTable::parse(text).map_err(|error| SeriesError {
        line: line_at(text, error.span().map_or(0, |span| span.start)),
        problem: format!("this is not valid TOML: {}", error.message().trim_end()),
    })?;
    let root = root.get_ref();
    let mut shared = BTreeMap::new();
    for (key, value) in root {
        let line = line_at(text, key.span().start);
        let key: &str = key.get_ref();
        // `specimen` is both the list of sections and the identity inside each of them.
        if key == "specimen" {
            continue;
        }
        if !COLUMNS.contains(&key) {
            return Err(unknown(key, line));
        }
        shared.insert(key.to_owned(), cell(value.get_ref(), key, line)?);
    }
    let none = || SeriesError {
        line: 1,
        problem: "there is no [[specimen]] section: write one for each specimen".to_owned(),
    };
    let DeValue::Array(specimens) = root.get("specimen").ok_or_else(none)?.get_ref() else {
        return Err(none());
    };
    read_sections(text, specimens, &shared, kind)
}

fn read_sections(
    text: &str,
    specimens: &DeArray<'_>,
    shared: &BTreeMap<String, String>,
    kind: SeriesKind,
) -> Result<Vec<Row>, SeriesError> {
    let mut rows = Vec::new();
    for item in specimens {
        let line = line_at(text, item.span().start);
        let DeValue::Table(table) = item.get_ref() else {
            return Err(SeriesError {
                line,
                problem: "each specimen is a [[specimen]] section".to_owned(),
            });
        };
        let mut cells = shared.clone();
        for (key, value) in table {
            let key_line = line_at(text, key.span().start);
            let key: &str = key.get_ref();
            if !COLUMNS.contains(&key) {
                return Err(unknown(key, key_line));
            }
            cells.insert(key.to_owned(), cell(value.get_ref(), key, key_line)?);
        }
        check_columns(cells.keys().map(String::as_str), line, kind)?;
        rows.push(Row {
            line,
            cells,
            fault: None,
        });
    }
    Ok(rows)
}

fn cell(value: &DeValue<'_>, key: &str, line: usize) -> Result<String, SeriesError> {
    match value {
        DeValue::String(text) => Ok(text.to_string()),
        DeValue::Integer(number) => Ok(number.as_str().to_owned()),
        DeValue::Float(number) => Ok(number.as_str().to_owned()),
        DeValue::Boolean(_) | DeValue::Datetime(_) | DeValue::Array(_) | DeValue::Table(_) => {
            Err(SeriesError {
                line,
                problem: format!("`{key}` must be a number or a text in quotes"),
            })
        }
    }
}

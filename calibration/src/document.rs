//! Reads values of a TOML text so that every error names its line, its key and what to write.

use std::fmt;
use std::ops::Range;

use chrono::{DateTime, NaiveDate, Utc};
use toml::de::{DeTable, DeValue};
use units::Bound;

/// What is wrong in a curve file or in the records beside it; the caller adds the file's name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CurveFileError {
    /// Line of the text, from 1.
    pub line: usize,
    /// The key with its section, such as `curve.tau`; empty where the text is not TOML at all.
    pub key: String,
    /// What is wrong and what to write instead.
    pub problem: String,
}

impl fmt::Display for CurveFileError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.key.is_empty() {
            write!(f, "line {}: {}", self.line, self.problem)
        } else {
            write!(f, "line {}, `{}`: {}", self.line, self.key, self.problem)
        }
    }
}

impl std::error::Error for CurveFileError {}

type Result<T> = std::result::Result<T, CurveFileError>;

/// One table of the text, with the path that leads to it.
pub(crate) struct Section<'t> {
    text: &'t str,
    path: String,
    table: &'t DeTable<'t>,
    span: Range<usize>,
}

fn line_at(text: &str, offset: usize) -> usize {
    1 + text
        .bytes()
        .take(offset)
        .filter(|byte| *byte == b'\n')
        .count()
}

/// Parses `text` and hands its root to `read`; the parsed tree lives only as long as that.
pub(crate) fn read_document<T>(text: &str, read: impl FnOnce(&Section) -> Result<T>) -> Result<T> {
    let root = DeTable::parse(text).map_err(|error| CurveFileError {
        line: line_at(text, error.span().map_or(0, |span| span.start)),
        key: String::new(),
        problem: format!(
            "this is not valid TOML: {}",
            error.message().trim_end().replace('\n', "; ")
        ),
    })?;
    read(&Section {
        text,
        path: String::new(),
        table: root.get_ref(),
        span: 0..0,
    })
}

impl<'t> Section<'t> {
    fn path_of(&self, key: &str) -> String {
        if self.path.is_empty() {
            key.to_owned()
        } else {
            format!("{}.{key}", self.path)
        }
    }

    /// An error at `key`: on its own line when it is there, else on the section's.
    pub(crate) fn error(&self, key: &str, problem: impl Into<String>) -> CurveFileError {
        let offset = self
            .table
            .get_key_value(key)
            .map_or(self.span.start, |(written, _)| written.span().start);
        CurveFileError {
            line: line_at(self.text, offset),
            key: self.path_of(key),
            problem: problem.into(),
        }
    }

    fn missing(&self, key: &str, expected: &str) -> CurveFileError {
        self.error(key, format!("is missing: give {expected}"))
    }

    fn wrong(&self, key: &str, expected: &str, value: &DeValue<'_>) -> CurveFileError {
        let found = match value {
            DeValue::String(text) => format!("\"{text}\""),
            DeValue::Integer(number) => number.as_str().to_owned(),
            DeValue::Float(number) => number.as_str().to_owned(),
            DeValue::Boolean(value) => value.to_string(),
            DeValue::Datetime(instant) => instant.to_string(),
            DeValue::Array(_) => "a list".to_owned(),
            DeValue::Table(_) => "a section".to_owned(),
        };
        self.error(key, format!("must be {expected}, not {found}"))
    }

    /// Refuses every key that is not in `known`, naming the nearest one that is.
    pub(crate) fn allow_only(&self, known: &[&str]) -> Result<()> {
        let mut written: Vec<_> = self.table.keys().collect();
        written.sort_by_key(|key| key.span().start);
        for key in written {
            let key = key.get_ref().as_ref();
            if known.contains(&key) {
                continue;
            }
            let nearest = known
                .iter()
                .map(|candidate| (strsim::damerau_levenshtein(key, candidate), *candidate))
                .min()
                .filter(|(distance, candidate)| distance * 2 <= candidate.len().max(4));
            let hint = match nearest {
                Some((_, candidate)) => format!("did you mean `{candidate}`?"),
                None => format!("known here: {}", known.join(", ")),
            };
            return Err(self.error(key, format!("is not a known key here; {hint}")));
        }
        Ok(())
    }

    pub(crate) fn has(&self, key: &str) -> bool {
        self.table.contains_key(key)
    }

    fn value(&self, key: &str) -> Option<&'t DeValue<'t>> {
        self.table.get(key).map(|spanned| spanned.get_ref())
    }

    /// A section that must be there.
    pub(crate) fn section(&self, key: &str) -> Result<Section<'t>> {
        self.optional_section(key)?
            .ok_or_else(|| self.missing(key, &format!("a section [{}]", self.path_of(key))))
    }

    pub(crate) fn optional_section(&self, key: &str) -> Result<Option<Section<'t>>> {
        let Some(spanned) = self.table.get(key) else {
            return Ok(None);
        };
        match spanned.get_ref() {
            DeValue::Table(table) => Ok(Some(Section {
                text: self.text,
                path: self.path_of(key),
                table,
                span: spanned.span(),
            })),
            other => Err(self.wrong(key, &format!("a section [{}]", self.path_of(key)), other)),
        }
    }

    /// The sections written as `[[key]]`, in the order of the text; none is an empty list.
    pub(crate) fn sections(&self, key: &str) -> Result<Vec<Section<'t>>> {
        let expected = format!("sections [[{}]]", self.path_of(key));
        let Some(value) = self.value(key) else {
            return Ok(Vec::new());
        };
        let DeValue::Array(items) = value else {
            return Err(self.wrong(key, &expected, value));
        };
        items
            .iter()
            .enumerate()
            .map(|(index, item)| match item.get_ref() {
                DeValue::Table(table) => Ok(Section {
                    text: self.text,
                    path: format!("{}[{}]", self.path_of(key), index + 1),
                    table,
                    span: item.span(),
                }),
                other => Err(self.wrong(key, &expected, other)),
            })
            .collect()
    }

    pub(crate) fn optional_text(&self, key: &str) -> Result<Option<String>> {
        match self.value(key) {
            None => Ok(None),
            Some(DeValue::String(text)) if !text.trim().is_empty() => Ok(Some(text.to_string())),
            Some(other) => Err(self.wrong(key, "a text that is not empty, in quotes", other)),
        }
    }

    pub(crate) fn text(&self, key: &str, expected: &str) -> Result<String> {
        self.optional_text(key)?
            .ok_or_else(|| self.missing(key, expected))
    }

    /// Every key of the section with its text.
    pub(crate) fn all_texts(&self) -> Result<Vec<(String, String)>> {
        self.table
            .keys()
            .map(|key| {
                let key = key.get_ref().as_ref();
                Ok((key.to_owned(), self.text(key, "a text")?))
            })
            .collect()
    }

    /// A list of texts; none is an empty list.
    pub(crate) fn optional_texts(&self, key: &str) -> Result<Vec<String>> {
        const EXPECTED: &str = "a list of texts in quotes";
        let Some(value) = self.value(key) else {
            return Ok(Vec::new());
        };
        let DeValue::Array(items) = value else {
            return Err(self.wrong(key, EXPECTED, value));
        };
        items
            .iter()
            .map(|item| match item.get_ref() {
                DeValue::String(text) if !text.trim().is_empty() => Ok(text.to_string()),
                other => Err(self.wrong(key, EXPECTED, other)),
            })
            .collect()
    }

    /// One of a closed set of words.
    pub(crate) fn choice<T: Copy>(&self, key: &str, choices: &[(&str, T)]) -> Result<T> {
        let words: Vec<String> = choices
            .iter()
            .map(|(word, _)| format!("\"{word}\""))
            .collect();
        let expected = words.join(" or ");
        let Some(value) = self.value(key) else {
            return Err(self.missing(key, &expected));
        };
        let DeValue::String(text) = value else {
            return Err(self.wrong(key, &expected, value));
        };
        choices
            .iter()
            .find(|(word, _)| word == text)
            .map(|(_, choice)| *choice)
            .ok_or_else(|| self.wrong(key, &expected, value))
    }

    pub(crate) fn optional_flag(&self, key: &str) -> Result<Option<bool>> {
        match self.value(key) {
            None => Ok(None),
            Some(DeValue::Boolean(value)) => Ok(Some(*value)),
            Some(other) => Err(self.wrong(key, "true or false", other)),
        }
    }

    pub(crate) fn optional_number(&self, key: &str) -> Result<Option<f64>> {
        let Some(value) = self.value(key) else {
            return Ok(None);
        };
        as_number(value)
            .map(Some)
            .ok_or_else(|| self.wrong(key, "a finite number", value))
    }

    pub(crate) fn number(&self, key: &str, expected: &str) -> Result<f64> {
        self.optional_number(key)?
            .ok_or_else(|| self.missing(key, expected))
    }

    /// A number above zero.
    pub(crate) fn positive(&self, key: &str, expected: &str) -> Result<f64> {
        let number = self.number(key, expected)?;
        if number > 0.0 {
            Ok(number)
        } else {
            Err(self.error(
                key,
                format!("must be above 0, not {number}: give {expected}"),
            ))
        }
    }

    pub(crate) fn optional_bounded(&self, key: &str, bound: &'static Bound) -> Result<Option<f64>> {
        let Some(number) = self.optional_number(key)? else {
            return Ok(None);
        };
        bound
            .check(number)
            .map(Some)
            .map_err(|refused| self.error(key, refused.to_string()))
    }

    pub(crate) fn bounded(&self, key: &str, bound: &'static Bound) -> Result<f64> {
        self.optional_bounded(key, bound)?
            .ok_or_else(|| self.missing(key, &format!("the {} in {}", bound.name, unit_of(bound))))
    }

    /// A whole number of at least one.
    pub(crate) fn optional_count(&self, key: &str) -> Result<Option<u32>> {
        let Some(value) = self.value(key) else {
            return Ok(None);
        };
        let count = match value {
            DeValue::Integer(digits) => u32::from_str_radix(digits.as_str(), digits.radix()).ok(),
            _ => None,
        };
        count
            .filter(|count| *count >= 1)
            .map(Some)
            .ok_or_else(|| self.wrong(key, "a whole number of at least 1", value))
    }

    pub(crate) fn count(&self, key: &str, expected: &str) -> Result<u32> {
        self.optional_count(key)?
            .ok_or_else(|| self.missing(key, expected))
    }

    /// A square list of lists of numbers, of the given size.
    pub(crate) fn optional_matrix(&self, key: &str, size: usize) -> Result<Option<[[f64; 3]; 3]>> {
        let Some(value) = self.value(key) else {
            return Ok(None);
        };
        let refuse = || {
            let expected =
                format!("{size} rows of {size} finite numbers, in the order of the coefficients");
            self.wrong(key, &expected, value)
        };
        let DeValue::Array(rows) = value else {
            return Err(refuse());
        };
        let mut matrix = [[0.0; 3]; 3];
        if rows.len() != size {
            return Err(self.error(key, format!("must have {size} rows, not {}", rows.len())));
        }
        for (target, row) in matrix.iter_mut().zip(rows.iter()) {
            let DeValue::Array(cells) = row.get_ref() else {
                return Err(refuse());
            };
            if cells.len() != size {
                let problem = format!("each row must have {size} numbers, not {}", cells.len());
                return Err(self.error(key, problem));
            }
            for (target, cell) in target.iter_mut().zip(cells.iter()) {
                *target = as_number(cell.get_ref()).ok_or_else(refuse)?;
            }
        }
        Ok(Some(matrix))
    }

    /// An instant with its offset, as a TOML date-time or as RFC 3339 text.
    pub(crate) fn optional_instant(&self, key: &str) -> Result<Option<DateTime<Utc>>> {
        const EXPECTED: &str = "an instant such as 2026-03-14T21:05:00Z, with Z or an offset";
        let Some(value) = self.value(key) else {
            return Ok(None);
        };
        as_instant(value)
            .map(Some)
            .ok_or_else(|| self.wrong(key, EXPECTED, value))
    }

    pub(crate) fn instant(&self, key: &str, expected: &str) -> Result<DateTime<Utc>> {
        self.optional_instant(key)?
            .ok_or_else(|| self.missing(key, expected))
    }

    /// A date (its beginning, UTC) or an instant.
    pub(crate) fn date_or_instant(&self, key: &str) -> Result<DateTime<Utc>> {
        const EXPECTED: &str =
            "a date such as 2026-03-14, or an instant such as 2026-03-14T21:05:00Z";
        let value = self.value(key).ok_or_else(|| self.missing(key, EXPECTED))?;
        as_instant(value)
            .or_else(|| {
                let date: NaiveDate = written_time(value)?.parse().ok()?;
                Some(date.and_hms_opt(0, 0, 0)?.and_utc())
            })
            .ok_or_else(|| self.wrong(key, EXPECTED, value))
    }
}

/// A text as TOML writes it, with its quotes.
pub(crate) fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

fn unit_of(bound: &Bound) -> String {
    if bound.unit.is_empty() {
        "a plain number".to_owned()
    } else {
        bound.unit.to_owned()
    }
}

fn as_number(value: &DeValue<'_>) -> Option<f64> {
    let number: f64 = match value {
        DeValue::Integer(digits) if digits.radix() == 10 => digits.as_str().parse().ok()?,
        DeValue::Float(digits) => digits.as_str().parse().ok()?,
        _ => return None,
    };
    number.is_finite().then_some(number)
}

fn written_time(value: &DeValue<'_>) -> Option<String> {
    match value {
        DeValue::String(text) => Some(text.to_string()),
        DeValue::Datetime(instant) => Some(instant.to_string()),
        _ => None,
    }
}

fn as_instant(value: &DeValue<'_>) -> Option<DateTime<Utc>> {
    let instant = DateTime::parse_from_rfc3339(&written_time(value)?).ok()?;
    Some(instant.with_timezone(&Utc))
}

/// The TOML example in a module's own documentation, so that tests can hold it to the code.
#[cfg(test)]
pub(crate) fn documented_example(source: &str) -> String {
    let lines = source
        .lines()
        .map(|line| line.strip_prefix("//!").unwrap_or("```"));
    lines
        .skip_while(|line| line.trim() != "```toml")
        .skip(1)
        .take_while(|line| line.trim() != "```")
        .map(|line| format!("{}\n", line.trim_start()))
        .collect()
}

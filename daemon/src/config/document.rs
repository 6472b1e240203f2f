//! A TOML text that knows where each of its keys stands, so that every error names line and key.

use std::cell::RefCell;
use std::fmt;
use std::path::{Path, PathBuf};

use serde::de::DeserializeOwned;
use toml::de::{DeTable, DeValue};

/// What is wrong in a configuration file, where, and what to write instead.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{}{}: {problem}", file.display(), place(*line, key))]
pub struct ConfigError {
    /// The file.
    pub file: PathBuf,
    /// Its line, from 1; `None` where the whole file is meant.
    pub line: Option<usize>,
    /// The key with its table, such as `bed[2].length_m`; empty where no key is meant.
    pub key: String,
    /// What is wrong and what to write instead.
    pub problem: String,
}

impl ConfigError {
    /// The key without its tables.
    fn name(&self) -> &str {
        self.key.rsplit('.').next().unwrap_or_default()
    }
}

/// Everything that is wrong in a plant file and the files it names, in the order of their lines.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ConfigErrors(pub Vec<ConfigError>);

impl fmt::Display for ConfigErrors {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, error) in self.0.iter().enumerate() {
            if index > 0 {
                writeln!(f)?;
            }
            write!(f, "{error}")?;
        }
        if self.0.len() > 1 {
            write!(f, "\n{} mistakes", self.0.len())?;
        }
        Ok(())
    }
}

impl std::error::Error for ConfigErrors {}

impl From<ConfigError> for ConfigErrors {
    fn from(error: ConfigError) -> Self {
        Self(vec![error])
    }
}

fn place(line: Option<usize>, key: &str) -> String {
    let line = line
        .map(|line| format!(", line {line}"))
        .unwrap_or_default();
    if key.is_empty() {
        line
    } else {
        format!("{line}, key `{key}`")
    }
}

/// One step towards a key.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step<'a> {
    /// Into the key of a table.
    Key(&'a str),
    /// To the entry of a list, from 0.
    Entry(usize),
}

/// The text of a file with its name.
#[derive(Debug, Clone)]
pub struct Document {
    pub file: PathBuf,
    pub text: String,
    /// What was found wrong so far: a check goes on after a mistake, to find the others in the same run.
    faults: RefCell<Vec<ConfigError>>,
}

impl Document {
    /// Reads a file.
    ///
    /// # Errors
    /// That it cannot be read, and why.
    pub fn read(file: &Path) -> Result<Self, ConfigError> {
        match std::fs::read_to_string(file) {
            Ok(text) => Ok(Self {
                file: file.to_owned(),
                text,
                faults: RefCell::default(),
            }),
            Err(error) => Err(ConfigError {
                file: file.to_owned(),
                line: None,
                key: String::new(),
                problem: format!("it cannot be read: {error}"),
            }),
        }
    }

    /// The values as written.
    ///
    /// # Errors
    /// Every key that is unknown or of a wrong kind, and the first that is missing. A text that is no
    /// TOML has one mistake: where it stops being any.
    pub fn parse<T: DeserializeOwned>(&self) -> Result<T, ConfigErrors> {
        let mut mended = self.clone();
        let mut errors: Vec<ConfigError> = Vec::new();
        loop {
            let error = match toml::from_str(&mended.text) {
                Ok(value) if errors.is_empty() => return Ok(value),
                Ok(_) => break,
                Err(error) => error,
            };
            let offset = error.span().map_or(0, |span| span.start);
            let found = mended.read_error(&error);
            // What is missing because its name was misspelt has been told by that name.
            let is_told = |one: &ConfigError| {
                one.key == found.key || one.problem.contains(&format!("`{}`", found.name()))
            };
            let is_missing = found.problem.starts_with("is missing");
            if errors.contains(&found) || (is_missing && errors.iter().any(is_told)) {
                break;
            }
            errors.push(found);
            if !mended.mend::<T>(offset) {
                break;
            }
        }
        errors.sort_by_key(|error| error.line);
        Err(ConfigErrors(errors))
    }

    fn read_error(&self, error: &toml::de::Error) -> ConfigError {
        let offset = error.span().map_or(0, |span| span.start);
        let mut key = self.key_at(offset);
        let problem = readable(error.message(), &mut key);
        self.error(Some(self.line_at(offset)), key, problem)
    }

    /// Puts the wrong entry right, or takes it away, so that the text says what else is wrong with it.
    fn mend<T: DeserializeOwned>(&mut self, offset: usize) -> bool {
        let entry = DeTable::parse(&self.text)
            .ok()
            .and_then(|root| entry_in(root.get_ref(), offset));
        let Some((name, value)) = entry else {
            return false;
        };
        // An unknown name goes with its value; a wrong value gives way to one of another kind.
        let whole = name.start..value.end;
        if name.contains(&offset) {
            self.text
                .replace_range(whole.clone(), &blank(&self.text[whole]));
            return true;
        }
        let lines = blank(&self.text[value.clone()]).replace(' ', "");
        let is_mended = |text: &str| match toml::from_str::<T>(text) {
            Ok(_) => true,
            Err(error) => error.span().is_none_or(|span| !value.contains(&span.start)),
        };
        for other in ["1", "\"1\"", "true", "[]"] {
            let mut text = self.text.clone();
            text.replace_range(value.clone(), &format!("{other}{lines}"));
            if is_mended(&text) {
                self.text = text;
                return true;
            }
        }
        self.text
            .replace_range(whole.clone(), &blank(&self.text[whole]));
        true
    }

    /// Takes down a mistake; the check goes on.
    pub fn fault(&self, steps: &[Step<'_>], problem: impl Into<String>) {
        self.hold::<()>(Err(self.error_at(steps, problem)));
    }

    /// Takes down a mistake where there is one; the check goes on without that value.
    pub fn hold<T>(&self, result: Result<T, ConfigError>) -> Option<T> {
        result
            .map_err(|error| {
                let mut faults = self.faults.borrow_mut();
                if !faults.contains(&error) {
                    faults.push(error);
                }
            })
            .ok()
    }

    /// The value that was checked, where nothing was found wrong.
    ///
    /// # Errors
    /// Everything that was.
    pub fn without_faults<T>(&self, value: Option<T>) -> Result<T, ConfigErrors> {
        let mut faults = self.faults.take();
        faults.sort_by_key(|error| (error.file != self.file, error.file.clone(), error.line));
        match value {
            Some(value) if faults.is_empty() => Ok(value),
            _ => Err(ConfigErrors(faults)),
        }
    }

    /// An error at the key that `steps` lead to, or as near to it as the text has anything.
    pub fn error_at(&self, steps: &[Step<'_>], problem: impl Into<String>) -> ConfigError {
        let mut key = String::new();
        for step in steps {
            match step {
                Step::Key(name) => append_key(&mut key, name),
                Step::Entry(index) => append_entry(&mut key, *index),
            }
        }
        let offset = DeTable::parse(&self.text)
            .ok()
            .and_then(|root| offset_of(root.get_ref(), steps));
        self.error(offset.map(|offset| self.line_at(offset)), key, problem)
    }

    fn error(&self, line: Option<usize>, key: String, problem: impl Into<String>) -> ConfigError {
        ConfigError {
            file: self.file.clone(),
            line,
            key,
            problem: problem.into(),
        }
    }

    fn line_at(&self, offset: usize) -> usize {
        1 + self
            .text
            .bytes()
            .take(offset)
            .filter(|byte| *byte == b'\n')
            .count()
    }

    /// The key whose name or value stands at `offset`.
    fn key_at(&self, offset: usize) -> String {
        let mut found = Found {
            offset,
            length: usize::MAX,
            key: String::new(),
        };
        if let Ok(root) = DeTable::parse(&self.text) {
            found.search(root.get_ref(), "");
        }
        found.key
    }
}

/// Blanks of the same length, with the same line ends.
fn blank(text: &str) -> String {
    let blanks = text
        .bytes()
        .map(|byte| if byte == b'\n' { '\n' } else { ' ' });
    blanks.collect()
}

type Stretch = std::ops::Range<usize>;

/// Name and value of the innermost entry at `offset` that is written as `name = value`.
fn entry_in(table: &DeTable<'_>, offset: usize) -> Option<(Stretch, Stretch)> {
    table.iter().find_map(|(name, value)| {
        let of_table = |value: &DeValue<'_>| match value {
            DeValue::Table(inner) => entry_in(inner, offset),
            _ => None,
        };
        let is_table = |value: &DeValue<'_>| matches!(value, DeValue::Table(_));
        let (inner, has_tables) = match value.get_ref() {
            DeValue::Array(items) => (
                items.iter().find_map(|item| of_table(item.get_ref())),
                items.iter().any(|item| is_table(item.get_ref())),
            ),
            other => (of_table(other), is_table(other)),
        };
        let is_here = !has_tables && (name.span().start..value.span().end).contains(&offset);
        inner.or_else(|| is_here.then(|| (name.span(), value.span())))
    })
}

fn append_key(path: &mut String, name: &str) {
    if !path.is_empty() {
        path.push('.');
    }
    path.push_str(name);
}

/// People count from one.
fn append_entry(path: &mut String, index: usize) {
    path.push_str(&format!("[{}]", index + 1));
}

fn offset_of(table: &DeTable<'_>, steps: &[Step<'_>]) -> Option<usize> {
    let (Step::Key(name), rest) = steps.split_first()? else {
        return None;
    };
    let (key, value) = table.get_key_value(*name)?;
    let mut offset = key.span().start;
    let mut value = value.get_ref();
    let mut rest = rest;
    while let Some((Step::Entry(index), after)) = rest.split_first() {
        let DeValue::Array(items) = value else {
            return Some(offset);
        };
        let Some(item) = items.get(*index) else {
            return Some(offset);
        };
        offset = item.span().start;
        value = item.get_ref();
        rest = after;
    }
    match value {
        DeValue::Table(table) => Some(offset_of(table, rest).unwrap_or(offset)),
        _ => Some(offset),
    }
}

/// The search for the narrowest name or value around an offset.
struct Found {
    offset: usize,
    length: usize,
    key: String,
}

impl Found {
    fn search(&mut self, table: &DeTable<'_>, path: &str) {
        for (name, value) in table {
            let mut key = path.to_owned();
            append_key(&mut key, name.get_ref());
            self.offer(&name.span(), &key);
            self.offer(&value.span(), &key);
            self.enter(value.get_ref(), &key);
        }
    }

    fn enter(&mut self, value: &DeValue<'_>, path: &str) {
        match value {
            DeValue::Table(table) => self.search(table, path),
            DeValue::Array(items) => {
                for (index, item) in items.iter().enumerate() {
                    let mut key = path.to_owned();
                    append_entry(&mut key, index);
                    self.offer(&item.span(), &key);
                    self.enter(item.get_ref(), &key);
                }
            }
            _ => {}
        }
    }

    fn offer(&mut self, span: &std::ops::Range<usize>, key: &str) {
        if span.contains(&self.offset) && span.len() <= self.length {
            self.length = span.len();
            key.clone_into(&mut self.key);
        }
    }
}

/// Turns a message of the TOML library into a sentence for the person who writes the file.
///
/// The library quotes names in backticks: first the one that was written, then those it knows.
fn readable(message: &str, key: &mut String) -> String {
    let message = message.trim_end().replace('\n', "; ");
    let quoted: Vec<&str> = message.split('`').skip(1).step_by(2).collect();
    match quoted.split_first() {
        Some((unknown, known)) if message.starts_with("unknown field") => {
            if !key.ends_with(unknown) {
                append_key(key, unknown);
            }
            format!("is not a known key here; {}", nearest_hint(unknown, known))
        }
        Some((unknown, known)) if message.starts_with("unknown variant") => {
            let known_list = known.join("\" or \"");
            format!("must be \"{known_list}\", not \"{unknown}\"")
        }
        Some((missing, _)) if message.starts_with("missing field") => {
            append_key(key, missing);
            match written_example(missing) {
                Some(example) => format!("is missing; write it such as: {example}"),
                None => "is missing".to_owned(),
            }
        }
        _ => match wrong_kind(&message) {
            Some((found, expected)) => {
                format!("must be {}, not {found}", kind_in_words(expected))
            }
            None => message,
        },
    }
}

/// What was found and what was expected.
fn wrong_kind(message: &str) -> Option<(&str, &str)> {
    let found = ["invalid type: ", "invalid value: "]
        .iter()
        .find_map(|start| message.strip_prefix(start))?;
    found.split_once(", ")
}

/// The line of the example plant file that writes this key, or the heading of this table.
fn written_example(missing: &str) -> Option<String> {
    const EXAMPLE: &str = include_str!("../../plant.example.toml");
    let heading = format!("[{missing}]");
    let line = EXAMPLE.lines().find(|line| {
        *line == heading
            || line
                .strip_prefix(missing)
                .is_some_and(|rest| rest.starts_with(" = "))
    })?;
    let code = line.split("  #").next().unwrap_or(line);
    Some(code.trim_end().to_owned())
}

fn kind_in_words(expected: &str) -> &str {
    let expected = expected.strip_prefix("expected ").unwrap_or(expected);
    match expected {
        "f64" => "a number",
        "u8" => "a whole number from 0 to 255",
        "u16" => "a whole number from 0 to 65535",
        "u32" | "u64" | "usize" => "a whole number of 0 or more",
        "a boolean" => "true or false",
        "a string" | "path string" => "a text in quotes",
        "a sequence" => "a list in brackets, or tables in double brackets",
        other if other.starts_with("struct") => "a table in brackets",
        other => other,
    }
}

/// The known name nearest to a mistyped one, as a hint; all of them where none is near.
pub fn nearest_hint<S: AsRef<str>>(written: &str, known: &[S]) -> String {
    let known = || known.iter().map(AsRef::as_ref);
    let nearest = known()
        .map(|one| {
            (
                strsim::damerau_levenshtein(&written.to_lowercase(), &one.to_lowercase()),
                one,
            )
        })
        .min()
        .filter(|(distance, one)| distance * 2 <= one.chars().count().max(4));
    match nearest {
        Some((_, one)) => format!("did you mean `{one}`?"),
        None => match known().collect::<Vec<_>>() {
            known if known.is_empty() => "there is none".to_owned(),
            known => format!("known here: `{}`", known.join("`, `")),
        },
    }
}

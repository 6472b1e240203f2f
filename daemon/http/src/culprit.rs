//! Finds the field of a JSON body that a type refuses or has no place for.

use serde::de::DeserializeOwned;
use serde_json::{Value, json};

/// Above this many values the search, which reads the body once for each, would take too long.
const VALUES_MAX: usize = 2_000;

/// One step into a value.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Step {
    Key(String),
    Index(usize),
}

/// The path of the value that `T` refuses, or none where its message names the field itself.
///
/// The reader of an internally tagged type keeps no path. But it stops at the first value that it
/// refuses: spoiling a value before that one, or that one itself, changes what it complains of,
/// and spoiling a later one does not. So the last value, in the order of reading, whose spoiling
/// makes a difference is the one. Top-level keys in `first_keys` are read before all others.
pub(crate) fn refused_field<T: DeserializeOwned>(
    mut value: Value,
    first_keys: &[&str],
) -> Option<String> {
    let complaint = complaint::<T>(&value)?;
    if complaint.starts_with("missing field") || complaint.starts_with("unknown field") {
        return None;
    }
    let mut paths = Vec::new();
    list_paths(&value, &mut Vec::new(), &mut paths);
    if paths.len() > VALUES_MAX {
        return None;
    }
    // A stable sort: among the first keys and among the rest the order of reading stays.
    paths.sort_by_key(|path| match path.first() {
        Some(Step::Key(key)) => !first_keys.contains(&key.as_str()),
        _ => true,
    });
    let culprit = paths.iter().rev().find(|path| {
        let Some(place) = at(&mut value, path) else {
            return false;
        };
        let spoilt = match place {
            Value::Null | Value::Array(_) => json!({ "": true }),
            _ => json!([null]),
        };
        let kept = std::mem::replace(place, spoilt);
        let differs = self::complaint::<T>(&value).as_ref() != Some(&complaint);
        if let Some(place) = at(&mut value, path) {
            *place = kept;
        }
        differs
    })?;
    Some(written(culprit))
}

/// The path of the first value in `sent` that has no counterpart in `understood`.
///
/// Values that stand for nothing (null, empty text, empty list) may be left out when written.
pub(crate) fn not_understood(sent: &Value, understood: &Value) -> Option<String> {
    let mut path = Vec::new();
    lost(sent, understood, &mut path).then(|| written(&path))
}

fn lost(sent: &Value, understood: &Value, path: &mut Vec<Step>) -> bool {
    match (sent, understood) {
        (Value::Object(sent), Value::Object(understood)) => sent.iter().any(|(key, inner)| {
            path.push(Step::Key(key.clone()));
            let is_lost = match understood.get(key) {
                Some(counterpart) => lost(inner, counterpart, path),
                None => !stands_for_nothing(inner),
            };
            if !is_lost {
                path.pop();
            }
            is_lost
        }),
        (Value::Array(sent), Value::Array(understood)) => sent
            .iter()
            .zip(understood)
            .enumerate()
            .any(|(index, (inner, counterpart))| {
                path.push(Step::Index(index));
                let is_lost = lost(inner, counterpart, path);
                if !is_lost {
                    path.pop();
                }
                is_lost
            }),
        _ => false,
    }
}

fn stands_for_nothing(value: &Value) -> bool {
    match value {
        Value::Null => true,
        Value::String(text) => text.is_empty(),
        Value::Array(items) => items.is_empty(),
        Value::Bool(_) | Value::Number(_) | Value::Object(_) => false,
    }
}

fn complaint<T: DeserializeOwned>(value: &Value) -> Option<String> {
    T::deserialize(value).err().map(|error| error.to_string())
}

/// Lists the path of every value below `value`, each before those within it.
fn list_paths(value: &Value, here: &mut Vec<Step>, paths: &mut Vec<Vec<Step>>) {
    let steps: Vec<(Step, &Value)> = match value {
        Value::Object(fields) => fields
            .iter()
            .map(|(key, inner)| (Step::Key(key.clone()), inner))
            .collect(),
        Value::Array(items) => items
            .iter()
            .enumerate()
            .map(|(index, inner)| (Step::Index(index), inner))
            .collect(),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => Vec::new(),
    };
    for (step, inner) in steps {
        if paths.len() > VALUES_MAX {
            return;
        }
        here.push(step);
        paths.push(here.clone());
        list_paths(inner, here, paths);
        here.pop();
    }
}

fn at<'a>(value: &'a mut Value, path: &[Step]) -> Option<&'a mut Value> {
    path.iter().try_fold(value, |value, step| match step {
        Step::Key(key) => value.get_mut(key),
        Step::Index(index) => value.get_mut(*index),
    })
}

fn written(path: &[Step]) -> String {
    let mut text = String::new();
    for step in path {
        match step {
            Step::Key(key) => {
                if !text.is_empty() {
                    text.push('.');
                }
                text.push_str(key);
            }
            Step::Index(index) => text.push_str(&format!("[{index}]")),
        }
    }
    text
}

//! The `[[serial]]` and `[[mqtt]]` tables of plant.toml: as written, then checked and ready.

mod mqtt;
mod serial;

use std::collections::HashSet;

pub use mqtt::{
    ClockPlace, Decoder, MqttSource, MqttTable, PayloadForm, Subscription, SubscriptionTable,
    check_mqtt,
};
pub use serial::{ParityName, SerialSource, SerialTable, check_serial};

/// A value that cannot be used, with the key to look for. Whoever read the file adds its name.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{table}{}, key `{key}`: {problem}", quoted(.name))]
pub struct ConfigError {
    /// `serial`, `mqtt` or `csv`.
    pub table: &'static str,
    /// The table's own name, where it has one.
    pub name: String,
    /// Such as `pattern` or `subscription 2 (beds/+): channel`.
    pub key: String,
    pub problem: String,
}

impl ConfigError {
    pub(crate) fn new(
        table: &'static str,
        name: &str,
        key: impl Into<String>,
        problem: impl Into<String>,
    ) -> Self {
        Self {
            table,
            name: name.to_owned(),
            key: key.into(),
            problem: problem.into(),
        }
    }
}

fn quoted(name: &str) -> String {
    if name.is_empty() {
        String::new()
    } else {
        format!(" \"{name}\"")
    }
}

/// Names the operator will read; must be there and tell one source from another.
fn check_names<'a>(
    table: &'static str,
    names: impl Iterator<Item = &'a str>,
) -> Result<(), ConfigError> {
    let mut seen = HashSet::new();
    for name in names {
        if name.trim().is_empty() || name.chars().any(char::is_control) {
            return Err(ConfigError::new(
                table,
                name,
                "name",
                "it is empty; name the source",
            ));
        }
        if !seen.insert(name) {
            let problem = "another source has the same name; each needs its own";
            return Err(ConfigError::new(table, name, "name", problem));
        }
    }
    Ok(())
}

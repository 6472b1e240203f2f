//! What replay said: for each pour its forecasts in order of the moments asked.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use serde_json::Value;

/// Forecasts of each pour, earliest asked moment first.
pub type Answers = HashMap<String, Vec<Said>>;

/// One line of replay's output, as far as it is judged.
#[derive(Debug, Clone, Copy)]
pub struct Said {
    pub at: DateTime<Utc>,
    /// When the curve reaches the required strength; absent while there is no forecast.
    pub curve: Option<Window>,
    /// When the concrete does.
    pub concrete: Option<Window>,
}

/// Early, likely and late: 10, 50 and 90 %.
#[derive(Debug, Clone, Copy)]
pub struct Window {
    pub early_at: DateTime<Utc>,
    pub likely_at: DateTime<Utc>,
    pub late_at: DateTime<Utc>,
}

/// Reads replay's lines.
pub fn read(text: &str) -> Result<Answers, String> {
    let mut answers = Answers::new();
    for (index, line) in text.lines().enumerate() {
        let value: Value =
            serde_json::from_str(line).map_err(|error| format!("line {}: {error}", index + 1))?;
        let at = instant(&value["at"]).ok_or_else(|| format!("line {}: no `at`", index + 1))?;
        let pour = value["pour"].as_str().unwrap_or_default().to_owned();
        let concrete = window(&value);
        let said = Said {
            at,
            curve: window(&value["by_curve"]).or(concrete),
            concrete,
        };
        answers.entry(pour).or_default().push(said);
    }
    Ok(answers)
}

fn window(value: &Value) -> Option<Window> {
    Some(Window {
        early_at: instant(&value["early_at"])?,
        likely_at: instant(&value["likely_at"])?,
        late_at: instant(&value["late_at"])?,
    })
}

fn instant(value: &Value) -> Option<DateTime<Utc>> {
    value.as_str()?.parse().ok()
}

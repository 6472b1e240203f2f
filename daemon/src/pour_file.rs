//! The pour file: acts as JSON lines, each with the moment at which it became known.

use std::collections::{BTreeSet, HashMap};
use std::path::{Path, PathBuf};

use daemon_api::act::{Act, ActBody};
use daemon_core::config::PlantConfig;
use uuid::Uuid;

use crate::config::nearest_hint;
use crate::convert::act::{ActUnreadable, act};

/// Two clocks never agree wholly: a daemon records acts that are this much ahead of its own, ms.
const CLOCKS_DIFFER_MS_MAX: i64 = 60_000;

/// What is wrong in a pour file, and where.
#[derive(Debug, thiserror::Error)]
pub enum PourFileError {
    #[error("{}: it cannot be read", file.display())]
    Unreadable {
        file: PathBuf,
        #[source]
        source: std::io::Error,
    },
    #[error("{}, line {line}: this is not one act as JSON: {problem}", file.display())]
    NotAnAct {
        file: PathBuf,
        line: usize,
        problem: String,
    },
    #[error("{}, line {line}", file.display())]
    Act {
        file: PathBuf,
        line: usize,
        #[source]
        source: ActUnreadable,
    },
    #[error("{}, line {line}: {problem}", file.display())]
    Senseless {
        file: PathBuf,
        line: usize,
        problem: String,
    },
}

/// Reads the acts of a pour file in the order in which they became known.
///
/// The same act twice is one act. What the record of a daemon can never hold is refused: an act of a
/// pour that nobody opened, on a bed that the plant does not have, or recorded before it happened.
///
/// # Errors
/// The first fault, with file and line.
pub fn read_pour_file(
    file: &Path,
    config: &PlantConfig,
) -> Result<Vec<daemon_core::act::Act>, PourFileError> {
    let text = std::fs::read_to_string(file).map_err(|source| PourFileError::Unreadable {
        file: file.to_owned(),
        source,
    })?;
    let mut known = HashMap::<Uuid, Act>::new();
    let mut acts = Vec::new();
    for (index, row) in text
        .lines()
        .enumerate()
        .filter(|(_, row)| !row.trim().is_empty())
    {
        let line = index + 1;
        let senseless = |problem: String| PourFileError::Senseless {
            file: file.to_owned(),
            line,
            problem,
        };
        let wire: Act = serde_json::from_str(row).map_err(|error| PourFileError::NotAnAct {
            file: file.to_owned(),
            line,
            // The line of the error counts within this one row of text, so only the cause is told.
            problem: error
                .to_string()
                .split(" at line ")
                .next()
                .unwrap_or_default()
                .to_owned(),
        })?;
        let core = act(&wire).map_err(|source| PourFileError::Act {
            file: file.to_owned(),
            line,
            source,
        })?;
        if core.happened_at.0 - core.recorded_at.0 > CLOCKS_DIFFER_MS_MAX {
            return Err(senseless(
                "`recorded_at` is before `happened_at`; nobody can record what has not happened"
                    .to_owned(),
            ));
        }
        check_bed(&wire, config).map_err(senseless)?;
        match known.get(&wire.id) {
            Some(same) if *same == wire => continue,
            Some(_) => {
                let problem = format!(
                    "the id {} stands on an earlier line with another content",
                    wire.id
                );
                return Err(senseless(format!("{problem}; each act needs its own")));
            }
            None => known.insert(wire.id, wire),
        };
        acts.push((line, core));
    }
    acts.sort_by_key(|(_, act)| (act.recorded_at, act.id));
    check_opened(&acts).map_err(|(line, problem)| PourFileError::Senseless {
        file: file.to_owned(),
        line,
        problem,
    })?;
    Ok(acts.into_iter().map(|(_, act)| act).collect())
}

fn check_bed(act: &Act, config: &PlantConfig) -> Result<(), String> {
    let ActBody::PourOpened(opened) = &act.body else {
        return Ok(());
    };
    if config.bed(&opened.bed).is_none() {
        let beds: Vec<&str> = config.beds.iter().map(|bed| bed.id.as_str()).collect();
        let hint = nearest_hint(&opened.bed, &beds);
        return Err(format!(
            "the plant file has no bed \"{}\"; {hint}",
            opened.bed
        ));
    }
    Ok(())
}

/// Every act of a pour belongs to one that was opened no later than the act became known.
fn check_opened(acts: &[(usize, daemon_core::act::Act)]) -> Result<(), (usize, String)> {
    let mut opened = BTreeSet::new();
    for (line, act) in acts {
        if matches!(act.body, daemon_core::act::ActBody::PourOpened(_)) {
            opened.insert(act.pour.as_str());
        } else if act.pour.is_empty() && act.body.may_be_of_plant() {
            // What is said of the whole plant needs no pour.
        } else if !opened.contains(act.pour.as_str()) {
            let known: Vec<&str> = opened.iter().copied().collect();
            let hint = nearest_hint(&act.pour, &known);
            let problem = format!(
                "no pour \"{}\" had been opened when this was recorded; {hint}",
                act.pour
            );
            return Err((*line, problem));
        }
    }
    Ok(())
}

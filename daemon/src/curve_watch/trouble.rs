//! What is wrong with curve files, the records beside them and the list that names them.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use calibration::CurveRecord;
use daemon_core::assessment::{Trouble, Urgency};
use daemon_core::time::UtcMs;

use crate::config::{ConfigErrors, CurveOnDisk};

/// Hexadecimal digits of a digest that a person compares.
const DIGITS_SHOWN: usize = 8;

/// A plant file whose list of curves cannot be read again.
pub(super) fn unlisted(plant_file: &Path, problem: &str) -> Trouble {
    Trouble {
        what: format!("{problem}. The curves listed before still count, newer ones do not."),
        first_act: "Mend the plant file at that line; `tarplightd check` tries it.".into(),
        ..about("curve-list-unreadable", plant_file)
    }
}

/// A plant file that was changed while the daemon runs: what differs, and that it waits for a start.
///
/// The list of curve files counts at once and is no difference.
pub(super) fn changed(
    plant_file: &Path,
    running: &str,
    now: &str,
    wrong: Option<&ConfigErrors>,
) -> Option<Trouble> {
    if let Some(ConfigErrors(wrong)) = wrong {
        let first = wrong.first().map(ToString::to_string).unwrap_or_default();
        return Some(Trouble {
            what: format!(
                "The plant file was changed and cannot be used as it is now ({}): {first}. The daemon \
                 goes on as it was started, and would not start again.",
                match wrong.len() {
                    1 => "1 mistake".to_owned(),
                    count => format!("{count} mistakes"),
                }
            ),
            urgency: Urgency::Soon,
            first_act: "Mend the plant file; `tarplightd check` tells every mistake.".into(),
            ..about("plant-file-changed", plant_file)
        });
    }
    let differs = differences(running, now);
    (!differs.is_empty()).then(|| Trouble {
        what: format!(
            "The plant file was changed: {}. The daemon goes on as it was started.",
            differs.join(", ")
        ),
        first_act: "Start the daemon anew to take it up, when nothing is being recorded.".into(),
        ..about("plant-file-changed", plant_file)
    })
}

/// The tables of a plant file that differ, by name and where they have one by id.
fn differences(running: &str, now: &str) -> Vec<String> {
    let (Ok(running), Ok(now)) = (running.parse::<toml::Table>(), now.parse::<toml::Table>())
    else {
        return Vec::new();
    };
    let names: BTreeSet<&String> = running.keys().chain(now.keys()).collect();
    let mut differs = Vec::new();
    for name in names.into_iter().filter(|name| *name != "curves") {
        let (before, after) = (running.get(name), now.get(name));
        if before == after {
            continue;
        }
        match (by_id(before), by_id(after)) {
            (Some(before), Some(after)) => {
                let ids: BTreeSet<&String> = before.keys().chain(after.keys()).collect();
                let said = |id: &&String| match (before.get(*id), after.get(*id)) {
                    (None, Some(_)) => Some(format!("{name} {id} is new")),
                    (Some(_), None) => Some(format!("{name} {id} is gone")),
                    (Some(one), Some(other)) if one != other => {
                        Some(format!("{name} {id} differs"))
                    }
                    _ => None,
                };
                differs.extend(ids.iter().filter_map(said));
            }
            _ => differs.push(format!("[{name}] differs")),
        }
    }
    differs
}

/// Tables by their id or name; `None` where the value is no list of such tables.
fn by_id(value: Option<&toml::Value>) -> Option<BTreeMap<String, &toml::Value>> {
    let Some(value) = value else {
        return Some(BTreeMap::new());
    };
    let tables = value.as_array()?.iter();
    tables
        .map(|table| {
            let id = table.get("id").or_else(|| table.get("name"))?.as_str()?;
            Some((id.to_owned(), table))
        })
        .collect()
}

/// A curve file that was listed while the daemon runs and cannot be taken in.
pub(super) fn unusable(file: &Path, problem: &str) -> Trouble {
    Trouble {
        what: format!("{problem}. The curve that was added is not known; the others still count."),
        first_act:
            "Tell the lab: mend that file, or take it from the list of the plant file. A new mix \
                    needs a start of the daemon."
                .into(),
        ..about("curve-file-unreadable", file)
    }
}

/// A curve file that the plant file no longer lists.
pub(super) fn no_longer_listed(file: &Path) -> Trouble {
    Trouble {
        what: format!(
            "The plant file no longer lists {}. The daemon goes on with it until it is started anew.",
            file.display()
        ),
        first_act:
            "List it again, or have the lab withdraw or supersede the curve: a pour must not \
                    lose its curve by a start."
                .into(),
        ..about("curve-file-not-listed", file)
    }
}

pub(super) fn unreadable(file: &Path, problem: &str) -> Trouble {
    Trouble {
        what: format!("{problem}. The curve records read before still count, newer ones do not."),
        first_act: "Tell the lab: mend the records file at that line.".into(),
        ..about("curve-records-unreadable", file)
    }
}

/// Records that were read from a file and are no longer in it.
pub(super) fn vanished(on_disk: &CurveOnDisk, in_file: &[CurveRecord]) -> Option<Trouble> {
    let gone = |record: &&CurveRecord| !in_file.contains(record);
    let first = on_disk.records.iter().find(gone)?;
    let count = on_disk.records.iter().filter(gone).count();
    Some(Trouble {
        what: format!(
            "{} no longer holds {count} record(s) that it held, the first by {} of {}. A record that \
             was read once still counts.",
            on_disk.records_file.display(),
            first.by,
            first.recorded_at.format("%Y-%m-%d %H:%M UTC")
        ),
        first_act: "Tell the lab: put the records back; a change of mind is a new record.".into(),
        ..about("curve-record-gone", &on_disk.records_file)
    })
}

/// A curve file that is not the one that was read, or not the one that the records beside it name.
pub(super) fn altered(on_disk: &CurveOnDisk, now: &Result<String, String>) -> Option<Trouble> {
    let file = on_disk.file.display();
    let what = match now {
        Err(problem) => format!(
            "{file} cannot be read any more ({problem}). The daemon goes on with {}, as it read it.",
            short(&on_disk.digest)
        ),
        Ok(now) if *now != on_disk.digest => format!(
            "{file} was altered: it is now {}. The daemon goes on with {}, as it read it; no estimate \
             is made from the altered one.",
            short(now),
            short(&on_disk.digest)
        ),
        Ok(now) => {
            let named = on_disk.records.first()?;
            if on_disk.records.iter().any(|record| record.digest == *now) {
                return None;
            }
            format!(
                "{file} was altered after it was approved: it is {}, but the records beside it name \
                 {}. No estimate is made from it.",
                short(now),
                short(&named.digest)
            )
        }
    };
    Some(Trouble {
        what,
        first_act: "Tell the lab: put the approved file back. A changed curve is another curve, \
                    with a file and an approval of its own."
            .into(),
        ..about("curve-file-altered", &on_disk.file)
    })
}

fn short(digest: &str) -> &str {
    let shown = "sha256:".len() + DIGITS_SHOWN;
    digest.get(..shown).unwrap_or(digest)
}

fn about(kind: &'static str, file: &Path) -> Trouble {
    Trouble {
        kind: kind.into(),
        urgency: Urgency::Soon,
        bed: None,
        pour: None,
        place: Some(file.display().to_string()),
        what: String::new(),
        since: UtcMs(0),
        first_act: "".into(),
        explained_by: None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_changed_plant_file_is_told_by_what_differs_and_its_curves_are_no_difference() {
        let running = "[plant]\nname = \"a\"\n[curves]\nfiles = []\n[[bed]]\nid = \"N1\"\n";
        let curves = running.replace("[]", "[\"m.toml\"]");
        let file = Path::new("plant.toml");
        assert_eq!(changed(file, running, &curves, None), None);
        let beds = format!("{running}[[bed]]\nid = \"N4\"\n[trust]\nsilent_min = 5\n");
        let told = changed(file, running, &beds, None).expect("it differs");
        assert!(
            told.what
                .starts_with("The plant file was changed: bed N4 is new, [trust] differs."),
            "{}",
            told.what
        );
    }
}

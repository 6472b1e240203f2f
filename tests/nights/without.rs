//! The same past with one thing taken away, to see what that thing is worth.

use std::collections::{BTreeMap, HashSet};
use std::fs;
use std::path::Path;

use chrono::{DateTime, TimeDelta, Utc};
use serde_json::Value;

/// Readings of a pour come from a little before its opening …
const BEFORE: TimeDelta = TimeDelta::hours(1);
/// … until so long after it.
const AFTER: TimeDelta = TimeDelta::hours(48);

/// What is taken away.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Without {
    /// Results of cylinders: neither the pour nor its mix learns from them.
    Breaks,
    /// The air under the tarp: what would explain the concrete's trend stands for it.
    Enclosure,
    /// Finished pours: each pour is asked as if it were the plant's first.
    Learning,
    /// The verdicts on stuck, silent and stepping sensors, by limits that nothing passes.
    Trust,
}

impl Without {
    pub fn of(word: &str) -> Option<Self> {
        match word {
            "breaks" => Some(Self::Breaks),
            "enclosure" => Some(Self::Enclosure),
            "learning" => Some(Self::Learning),
            "trust" => Some(Self::Trust),
            _ => None,
        }
    }

    pub const fn name(self) -> &'static str {
        match self {
            Self::Breaks => "breaks",
            Self::Enclosure => "enclosure",
            Self::Learning => "learning",
            Self::Trust => "trust",
        }
    }

    /// The folders to replay: the past without it, one for each pour where nothing may be learned.
    pub fn folders(self, from: &Path, to: &Path) -> Result<Vec<std::path::PathBuf>, String> {
        let pours = read(from, "pours.jsonl")?;
        let readings = read(from, "readings.csv")?;
        let plant = read(from, "plant.toml")?;
        match self {
            Self::Breaks => {
                let kept = pours
                    .lines()
                    .filter(|line| !line.contains("\"act\":\"break-recorded\""));
                one(to, from, &plant, &joined(kept), &readings)
            }
            Self::Enclosure => {
                let (pours, gone) = without_role(&pours, "enclosure")?;
                let kept = readings
                    .lines()
                    .filter(|line| !gone.contains(channel_of(line)));
                one(to, from, &plant, &pours, &joined(kept))
            }
            Self::Trust => {
                let open = "\n[trust]\nsilent_min = 240\nstuck_min = 720\nstep_c_per_h = 1000\nstep_c = 50\n";
                one(to, from, &(plant + open), &pours, &readings)
            }
            Self::Learning => each_alone(from, to, &plant, &pours, &readings),
        }
    }
}

fn read(dir: &Path, name: &str) -> Result<String, String> {
    let path = dir.join(name);
    fs::read_to_string(&path).map_err(|error| format!("{}: {error}", path.display()))
}

fn joined<'a>(lines: impl Iterator<Item = &'a str>) -> String {
    lines.map(|line| format!("{line}\n")).collect()
}

fn one(
    to: &Path,
    from: &Path,
    plant: &str,
    pours: &str,
    readings: &str,
) -> Result<Vec<std::path::PathBuf>, String> {
    let failed = |error: std::io::Error| format!("{}: {error}", to.display());
    fs::create_dir_all(to.join("curves")).map_err(failed)?;
    for entry in fs::read_dir(from.join("curves")).map_err(failed)? {
        let entry = entry.map_err(failed)?;
        fs::copy(entry.path(), to.join("curves").join(entry.file_name())).map_err(failed)?;
    }
    for (name, text) in [
        ("plant.toml", plant),
        ("pours.jsonl", pours),
        ("readings.csv", readings),
    ] {
        fs::write(to.join(name), text).map_err(failed)?;
    }
    Ok(vec![to.to_owned()])
}

fn channel_of(row: &str) -> &str {
    row.split(',').nth(2).unwrap_or_default()
}

fn parsed(line: &str) -> Result<Value, String> {
    serde_json::from_str(line).map_err(|error| error.to_string())
}

/// The acts without the channels of a role, and these channels.
fn without_role(pours: &str, role: &str) -> Result<(String, HashSet<String>), String> {
    let mut gone = HashSet::new();
    let mut kept = String::new();
    for line in pours.lines() {
        let mut act = parsed(line)?;
        if act["act"] == "plug-moved" && act["role"] == role {
            continue;
        }
        if let Some(channels) = act["channels"].as_array_mut() {
            channels.retain(|binding| {
                let is_role = binding["role"] == role;
                if let (true, Some(channel)) = (is_role, binding["channel"].as_str()) {
                    gone.insert(channel.to_owned());
                }
                !is_role
            });
        }
        kept += &format!("{act}\n");
    }
    Ok((kept, gone))
}

fn each_alone(
    from: &Path,
    to: &Path,
    plant: &str,
    pours: &str,
    readings: &str,
) -> Result<Vec<std::path::PathBuf>, String> {
    let mut acts: BTreeMap<String, String> = BTreeMap::new();
    let mut opened: BTreeMap<String, DateTime<Utc>> = BTreeMap::new();
    let mut channels: BTreeMap<String, HashSet<String>> = BTreeMap::new();
    for line in pours.lines() {
        let act = parsed(line)?;
        let pour = act["pour"].as_str().unwrap_or_default().to_owned();
        let bindings = act["channels"].as_array().into_iter().flatten();
        let named = bindings
            .map(|binding| &binding["channel"])
            .chain([&act["channel"]]);
        let bound = channels.entry(pour.clone()).or_default();
        bound.extend(named.filter_map(|one| one.as_str().map(str::to_owned)));
        if act["act"] == "pour-opened" {
            let at = act["recorded_at"].as_str().and_then(|at| at.parse().ok());
            opened.insert(pour.clone(), at.ok_or("an opening without recorded_at")?);
        }
        *acts.entry(pour).or_default() += &format!("{line}\n");
    }
    let (header, rows) = readings.split_once('\n').ok_or("no readings")?;
    let mut folders = Vec::new();
    for (pour, acts) in &acts {
        let opened_at = opened
            .get(pour)
            .ok_or_else(|| format!("{pour} has no opening"))?;
        let (from_at, to_at) = (*opened_at - BEFORE, *opened_at + AFTER);
        let is_its = |row: &&str| {
            let at = row
                .split(',')
                .next()
                .and_then(|at| at.parse::<DateTime<Utc>>().ok());
            channels[pour].contains(channel_of(row))
                && at.is_some_and(|at| (from_at..to_at).contains(&at))
        };
        let rows = joined(rows.lines().filter(is_its));
        let folder = to.join(pour);
        folders.extend(one(
            &folder,
            from,
            plant,
            acts,
            &format!("{header}\n{rows}"),
        )?);
    }
    Ok(folders)
}

//! What became known later changes nothing said earlier: over whole simulated nights with their faults.

use std::path::{Path, PathBuf};
use std::process::Command;

use chrono::{DateTime, SecondsFormat, TimeDelta, Utc};
use harness::binary;
use serde_json::Value;

const SEED: u64 = 11;
const NIGHT_COUNT: u32 = 3;
/// Cuts lie this far apart, so that they fall into every part of a night and on no round time.
const BETWEEN_CUTS_MIN: i64 = 9 * 60 + 13;

fn time(text: &str) -> DateTime<Utc> {
    text.parse()
        .unwrap_or_else(|error| panic!("{text}: {error}"))
}

fn text(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::Millis, true)
}

/// The files of a past.
struct Past {
    plant: PathBuf,
    acts: String,
    readings: String,
}

impl Past {
    fn simulate(folder: &Path) -> Self {
        let made = Command::new(binary("tarplight-sim"))
            .args(["history", "--seed", &SEED.to_string()])
            .args(["--nights", &NIGHT_COUNT.to_string(), "--out"])
            .arg(folder)
            .status();
        assert!(made.expect("the simulator starts").success());
        let read = |name: &str| std::fs::read_to_string(folder.join(name)).expect("a file of it");
        Self {
            plant: folder.join("plant.toml"),
            acts: read("pours.jsonl"),
            readings: read("readings.csv"),
        }
    }

    /// When each act was recorded, and each reading received, beside its line.
    fn act_lines(&self) -> impl Iterator<Item = (DateTime<Utc>, &str)> {
        self.acts.lines().map(|line| {
            let act: Value = serde_json::from_str(line).expect("an act is JSON");
            (time(act["recorded_at"].as_str().expect("a text")), line)
        })
    }

    fn reading_lines(&self) -> impl Iterator<Item = (DateTime<Utc>, &str)> {
        let rows = self.readings.lines().skip(1);
        rows.map(|line| (time(line.split(',').next().unwrap_or_default()), line))
    }

    /// What replay says each hour from `from` to `until`, of what was known by `known_at`.
    fn said(
        &self,
        folder: &Path,
        known_at: DateTime<Utc>,
        (from, until): (DateTime<Utc>, DateTime<Utc>),
    ) -> String {
        let kept = |lines: &mut dyn Iterator<Item = (DateTime<Utc>, &str)>| -> String {
            let kept = lines.filter(|(at, _)| *at <= known_at);
            kept.map(|(_, line)| format!("{line}\n")).collect()
        };
        let (pours, readings) = (folder.join("pours.jsonl"), folder.join("readings.csv"));
        let header = self.readings.lines().next().expect("a header");
        let rows = kept(&mut self.reading_lines());
        std::fs::write(&pours, kept(&mut self.act_lines())).expect("written");
        std::fs::write(&readings, format!("{header}\n{rows}")).expect("written");
        let replayed = Command::new(binary("tarplightd"))
            .args(["replay", "--every", "1h"])
            .args(["--from", &text(from), "--to", &text(until)])
            .arg("--plant")
            .arg(&self.plant)
            .arg("--pours")
            .arg(&pours)
            .arg("--readings")
            .arg(&readings)
            .output()
            .expect("replay starts");
        let problem = String::from_utf8_lossy(&replayed.stderr);
        assert!(replayed.status.success(), "{problem}");
        String::from_utf8(replayed.stdout).expect("lines of text")
    }
}

/// The lines that were said by then; lines stand in order of time.
fn lines_until(lines: &str, until: DateTime<Utc>) -> String {
    let is_by_then = |line: &&str| {
        let line: Value = serde_json::from_str(line).expect("a line is JSON");
        time(line["at"].as_str().expect("a text")) <= until
    };
    let kept = lines.lines().take_while(is_by_then);
    kept.map(|line| format!("{line}\n")).collect()
}

#[test]
fn cutting_every_later_row_leaves_what_was_said_on_simulated_nights_as_it_was() {
    let folder = tempfile::tempdir().expect("a folder");
    let past = Past::simulate(&folder.path().join("past"));
    let cut_folder = folder.path().join("cut");
    std::fs::create_dir(&cut_folder).expect("a folder");
    let first_at = past.act_lines().map(|act| act.0).min().expect("acts");
    let last_at = past.act_lines().map(|act| act.0).max().expect("acts");
    let all = past.said(&cut_folder, last_at, (first_at, last_at));
    let mut cut_at = first_at + TimeDelta::minutes(BETWEEN_CUTS_MIN);
    let (mut cut_count, mut line_count) = (0, 0);
    while cut_at < last_at {
        let cut = past.said(&cut_folder, cut_at, (first_at, cut_at));
        let whole = lines_until(&all, cut_at);
        for (cut, whole) in cut.lines().zip(whole.lines()) {
            assert!(
                cut == whole,
                "seed {SEED}, cut at {cut_at}: {cut:.300}\ninstead of {whole:.300}"
            );
        }
        assert_eq!(cut.lines().count(), whole.lines().count(), "at {cut_at}");
        (cut_count, line_count) = (cut_count + 1, line_count + whole.lines().count());
        cut_at += TimeDelta::minutes(BETWEEN_CUTS_MIN);
    }
    println!("{cut_count} cuts, {line_count} lines the same, seed {SEED}");
    assert!(
        cut_count >= 5 && line_count > 500,
        "{cut_count} {line_count}"
    );
}

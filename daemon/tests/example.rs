//! The worked example prints what it says it prints, and nothing later than the asked moment counts.

use std::path::{Path, PathBuf};

use assert_cmd::Command;
use chrono::{DateTime, TimeDelta, Utc};
use daemon::replay::{Asked, ReplayOptions, replay};

fn example(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("example")
        .join(name)
}

fn text(name: &str) -> String {
    std::fs::read_to_string(example(name)).expect("a file of the example")
}

fn said(pours: &Path, readings: &Path, asked: Asked) -> String {
    let options = ReplayOptions {
        plant: example("plant.toml"),
        curves: Vec::new(),
        pours: pours.to_owned(),
        readings: vec![readings.to_owned()],
        asked,
    };
    let mut out = Vec::new();
    replay(&options, &mut out).expect("the example can be replayed");
    String::from_utf8(out).expect("text")
}

#[test]
fn the_worked_example_prints_its_lines_byte_for_byte() {
    let run = Command::cargo_bin("tarplightd")
        .expect("the binary")
        .current_dir(example(""))
        .args(["replay", "--plant", "plant.toml", "--pours", "pours.jsonl"])
        .args(["--readings", "readings.csv", "--every", "1h"])
        .output()
        .expect("it runs");
    assert!(
        run.status.success(),
        "{}",
        String::from_utf8_lossy(&run.stderr)
    );
    let printed = String::from_utf8(run.stdout).expect("text");
    let expected = text("expected.jsonl");
    for (line, (printed, expected)) in printed.lines().zip(expected.lines()).enumerate() {
        assert_eq!(printed, expected, "line {}", line + 1);
    }
    assert_eq!(printed, expected);
}

#[test]
fn deleting_everything_later_than_an_asked_moment_leaves_its_lines_as_they_are() {
    let folder = tempfile::tempdir().expect("a folder");
    let (pours, readings) = (
        folder.path().join("pours.jsonl"),
        folder.path().join("readings.csv"),
    );
    let hourly = Asked {
        every: Some(TimeDelta::hours(1)),
        ..Asked::default()
    };
    let all = said(&example("pours.jsonl"), &example("readings.csv"), hourly);
    let time = |value: &serde_json::Value| -> DateTime<Utc> {
        value.as_str().expect("a text").parse().expect("a time")
    };
    let mut moments: Vec<DateTime<Utc>> = all
        .lines()
        .map(|line| time(&serde_json::from_str::<serde_json::Value>(line).expect("JSON")["at"]))
        .collect();
    moments.dedup();
    assert!(
        moments.len() >= 12,
        "only {} moments are asked about",
        moments.len()
    );
    for at in moments {
        let known = |line: &&str| {
            let act: serde_json::Value = serde_json::from_str(line).expect("JSON");
            time(&act["recorded_at"]) <= at
        };
        let kept: String = text("pours.jsonl")
            .lines()
            .filter(known)
            .map(|line| format!("{line}\n"))
            .collect();
        std::fs::write(&pours, kept).expect("written");
        let received = |(index, line): &(usize, &str)| {
            let received_at = line.split(',').next().unwrap_or_default();
            *index == 0 || received_at.parse::<DateTime<Utc>>().expect("a time") <= at
        };
        let kept: String = text("readings.csv")
            .lines()
            .enumerate()
            .filter(received)
            .map(|(_, line)| format!("{line}\n"))
            .collect();
        std::fs::write(&readings, kept).expect("written");
        let asked = Asked {
            at: vec![at],
            ..Asked::default()
        };
        let cut = said(&pours, &readings, asked);
        let whole: String = all
            .lines()
            .filter(|line| {
                let line: serde_json::Value = serde_json::from_str(line).expect("JSON");
                time(&line["at"]) == at
            })
            .map(|line| format!("{line}\n"))
            .collect();
        assert_eq!(cut, whole, "at {at}");
    }
}

#[test]
fn the_order_of_rows_and_acts_does_not_matter() {
    let folder = tempfile::tempdir().expect("a folder");
    let turn = |name: &str, header_count: usize| {
        let text = text(name);
        let (header, rows): (Vec<_>, Vec<_>) = text
            .lines()
            .enumerate()
            .partition(|(index, _)| *index < header_count);
        let turned: String = header
            .into_iter()
            .chain(rows.into_iter().rev())
            .map(|(_, line)| format!("{line}\n"))
            .collect();
        let path = folder.path().join(name);
        std::fs::write(&path, turned).expect("written");
        path
    };
    let hourly = || Asked {
        every: Some(TimeDelta::hours(1)),
        ..Asked::default()
    };
    let turned = said(&turn("pours.jsonl", 0), &turn("readings.csv", 1), hourly());
    assert_eq!(turned, text("expected.jsonl"));
}

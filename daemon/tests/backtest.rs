//! `tarplightd backtest` on the worked example: text, numbers, charts, and a folder that cannot be made.

use std::path::{Path, PathBuf};
use std::process::Output;

use assert_cmd::Command;

fn backtest(more: &[&str]) -> Output {
    let example: PathBuf = Path::new(env!("CARGO_MANIFEST_DIR")).join("example");
    Command::cargo_bin("tarplightd")
        .expect("the binary")
        .current_dir(example)
        .args([
            "backtest",
            "--plant",
            "plant.toml",
            "--pours",
            "pours.jsonl",
        ])
        .args(["--readings", "readings.csv", "--every", "30m"])
        .args(more)
        .output()
        .expect("it runs")
}

fn said(output: &Output) -> &str {
    let problem = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{problem}");
    std::str::from_utf8(&output.stdout).expect("text")
}

#[test]
fn text_and_numbers_say_the_same() {
    let text = backtest(&[]);
    assert!(said(&text).contains("all pours\n  ahead  pours  median"));
    let numbers = backtest(&["--json"]);
    let numbers: serde_json::Value = serde_json::from_str(said(&numbers)).expect("JSON");
    let first = &numbers["all"][0];
    let median_h = first["median_h"].as_f64().expect("a median");
    assert!(said(&text).contains(&format!("{median_h:>6.2}")), "{first}");
    assert!(numbers["by_mix"]["M45"].is_array(), "{numbers}");
}

#[test]
fn each_horizon_has_its_chart() {
    let folder = tempfile::tempdir().expect("a folder");
    let charts = folder.path().join("charts");
    said(&backtest(&["--charts", charts.to_str().expect("UTF-8")]));
    let each =
        [6, 4, 2, 1].map(|hours| (format!("ahead-{hours}h.svg"), format!("{hours} h ahead")));
    let all = (
        "all-horizons.svg".to_owned(),
        "over how far ahead".to_owned(),
    );
    for (name, title) in each.into_iter().chain([all]) {
        let drawn = std::fs::read_to_string(charts.join(name)).expect("a chart");
        assert!(drawn.contains(&title), "{drawn}");
        assert!(drawn.contains("Broken cylinders decide"), "{drawn}");
    }
}

#[test]
fn a_folder_that_cannot_be_made_is_named() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("taken");
    std::fs::write(&file, "").expect("a file");
    let charts = file.join("charts");
    let refused = backtest(&["--charts", charts.to_str().expect("UTF-8")]);
    assert!(!refused.status.success());
    let problem = String::from_utf8_lossy(&refused.stderr);
    assert!(
        problem.contains("cannot make the folder") && problem.contains("taken"),
        "{problem}"
    );
}

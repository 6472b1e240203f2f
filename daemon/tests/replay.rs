//! Replay as a command: constants of maturity, curves beside the plant file, and bad files.

use std::fmt::Write as _;
use std::path::Path;

use assert_cmd::Command;
use serde_json::Value;

const PLANT: &str = r#"
[plant]
name = "Invented yard"
zone = "Europe/Berlin"
data_dir = "data"

[[bed]]
id = "B1"
length_m = 100

[[mix]]
id = "M"

[release]
basis = "average"
single_min_fraction = 0.9
specimen_count_min = 2
count_specimens_without_history = true
set_stands_for = "loads"
"#;

const OPENED: &str = r#"{"id":"019bdcb0-0000-7000-8000-000000000001","recorded_at":"2026-01-10T00:00:00Z","happened_at":"2026-01-10T00:00:00Z","by":"Q. Example","pour":"P","act":"pour-opened","bed":"B1","mix":"M","from_station_m":0.0,"to_station_m":90.0,"first_placement_at":"2026-01-10T00:00:00Z","last_placement_at":"2026-01-10T00:00:00Z","required":[{"act":"release","strength_mpa":25.0}],"positions":[{"id":"A","station_m":45.0}],"channels":[{"channel":"c1","role":"concrete","position":"A"}]}"#;

fn curve(maturity: &str) -> String {
    format!(
        r#"
schema = 1
name = "invented"
mix = "M"
author = "lab"
made_at = 2026-01-01
time_zero = "placed"
[maturity]
{maturity}
[curve]
form = "hyperbolic"
ultimate_mpa = 50.0
rate_per_unit = 0.0025
offset = 0.0
covariance_known = false
residual_sd_mpa = 1.0
residual_degrees_of_freedom = 10
[range]
maturity_min = 1
maturity_max = 20000
temperature_min_c = 5
temperature_max_c = 66
[specimens]
cured = "standard"
shape = "cylinder"
diameter_mm = 101.6
length_mm = 203.2
"#
    )
}

/// Writes a night of a position at 20 °C for 24 h, a reading each ten minutes.
fn write_files(folder: &Path, maturity: &str) {
    let curve = curve(maturity);
    let digest = calibration::digest(curve.as_bytes());
    let records = format!(
        "[[record]]\ndigest = \"{digest}\"\nact = \"approved\"\nby = \"lab lead\"\n\
         recorded_at = 2026-01-02T00:00:00Z\n"
    );
    let mut readings = "received_at,measured_at,channel,value\n".to_owned();
    for step in 0..=144 {
        let at = chrono::DateTime::from_timestamp(1_768_003_200 + step * 600, 0).expect("a time");
        let at = at.to_rfc3339_opts(chrono::SecondsFormat::Secs, true);
        writeln!(readings, "{at},{at},c1,20.0").expect("written");
    }
    for (name, text) in [
        ("plant.toml", PLANT),
        ("pours.jsonl", OPENED),
        ("curve.toml", &curve),
        ("curve.records.toml", &records),
        ("readings.csv", &readings),
    ] {
        std::fs::write(folder.join(name), text).expect("written");
    }
}

fn command(folder: &Path) -> Command {
    let mut command = Command::cargo_bin("tarplightd").expect("the binary");
    command
        .current_dir(folder)
        .args(["replay", "--plant", "plant.toml", "--curve", "curve.toml"]);
    command.args(["--pours", "pours.jsonl", "--readings", "readings.csv"]);
    command
}

fn maturity_after_24_h(maturity: &str) -> (f64, String) {
    let folder = tempfile::tempdir().expect("a folder");
    write_files(folder.path(), maturity);
    let run = command(folder.path())
        .args(["--at", "2026-01-11T00:00:00Z"])
        .output();
    let run = run.expect("it runs");
    assert!(
        run.status.success(),
        "{}",
        String::from_utf8_lossy(&run.stderr)
    );
    let line: Value = serde_json::from_slice(&run.stdout).expect("one line");
    let number = line["maturity"].as_f64().expect("a maturity");
    (
        number,
        line["maturity_unit"].as_str().expect("a unit").to_owned(),
    )
}

// Our computation: 20 °C for 24 h over a datum of 0 °C is 480 °C·h.
#[test]
fn twenty_degrees_for_a_day_is_a_temperature_time_factor_of_480() {
    let (maturity, unit) =
        maturity_after_24_h("function = \"temperature-time-factor\"\ndatum_c = 0");
    assert!((maturity - 480.0).abs() < 1e-9, "{maturity}");
    assert_eq!(unit, "°C·h");
}

// Our computation: at its reference temperature concrete is as old as the clock says.
#[test]
fn twenty_degrees_for_a_day_is_an_equivalent_age_of_24_h_at_20_degrees() {
    let (maturity, unit) = maturity_after_24_h(
        "function = \"equivalent-age\"\nactivation_energy_j_mol = 41570\nreference_c = 20",
    );
    assert!((maturity - 24.0).abs() < 1e-9, "{maturity}");
    assert_eq!(unit, "h");
}

#[test]
fn a_bad_file_is_refused_with_its_name_its_line_and_what_to_do() {
    let opened = |from: &str, to: &str| format!("{OPENED}\n{}", OPENED.replace(from, to));
    let cases = [
        (
            "pours.jsonl",
            OPENED.replace("\"recorded_at\":\"2026-01-10T00:00:00Z\",", ""),
            "pours.jsonl, line 1: the act has no `recorded_at`; say when it became known",
        ),
        (
            "pours.jsonl",
            OPENED.replace("\"bed\":\"B1\"", "\"bed\":\"B7\""),
            "pours.jsonl, line 1: the plant file has no bed \"B7\"; did you mean `B1`?",
        ),
        (
            "pours.jsonl",
            OPENED.replace("pour-opened", "pour-openned"),
            "pours.jsonl, line 1: this is not one act as JSON: unknown variant `pour-openned`",
        ),
        (
            "pours.jsonl",
            opened("\"from_station_m\":0.0", "\"from_station_m\":1.0"),
            "pours.jsonl, line 2: the id 019bdcb0-0000-7000-8000-000000000001 stands on an earlier",
        ),
        (
            "pours.jsonl",
            opened("000000000001", "000000000002").replace(
                "\"happened_at\":\"2026-01-10T00:00:00Z\"",
                "\"happened_at\":\"2026-01-10T00:02:00Z\"",
            ),
            "pours.jsonl, line 1: `recorded_at` is before `happened_at`",
        ),
        (
            "pours.jsonl",
            format!(
                "{OPENED}\n{}",
                r#"{"id":"019bdcb0-0000-7000-8000-000000000002","recorded_at":"2026-01-10T01:00:00Z","happened_at":"2026-01-10T01:00:00Z","by":"Q. Example","pour":"Q","act":"heat-on"}"#
            ),
            "pours.jsonl, line 2: no pour \"Q\" had been opened when this was recorded",
        ),
        (
            "readings.csv",
            "received_at,measured_at,channel,value\n2026-01-10T00:00:00Z,,c1,warm\n".to_owned(),
            "readings.csv: line 2, column value",
        ),
        (
            "readings.csv",
            "received_at,channel,value\n".to_owned(),
            "readings.csv: line 1",
        ),
    ];
    for (name, text, expected) in cases {
        let folder = tempfile::tempdir().expect("a folder");
        write_files(
            folder.path(),
            "function = \"temperature-time-factor\"\ndatum_c = 0",
        );
        std::fs::write(folder.path().join(name), text).expect("written");
        let run = command(folder.path())
            .args(["--at", "2026-01-11T00:00:00Z"])
            .output();
        let run = run.expect("it runs");
        let said = String::from_utf8_lossy(&run.stderr).into_owned();
        assert!(!run.status.success(), "{expected}");
        assert!(said.contains(expected), "{said}\ninstead of\n{expected}");
        assert!(run.stdout.is_empty(), "nothing is answered from a bad file");
    }
}

#[test]
fn a_moment_after_every_row_is_answered_and_one_before_every_act_has_no_line() {
    let folder = tempfile::tempdir().expect("a folder");
    write_files(
        folder.path(),
        "function = \"temperature-time-factor\"\ndatum_c = 0",
    );
    let lines_at = |at: &str| {
        let run = command(folder.path())
            .args(["--at", at])
            .output()
            .expect("it runs");
        assert!(
            run.status.success(),
            "{}",
            String::from_utf8_lossy(&run.stderr)
        );
        String::from_utf8(run.stdout).expect("text")
    };
    assert_eq!(lines_at("2026-01-09T00:00:00Z"), "");
    let later: Value = serde_json::from_str(&lines_at("2026-01-12T00:00:00Z")).expect("one line");
    assert_eq!(later["positions"][0]["reason"], "silent");
}

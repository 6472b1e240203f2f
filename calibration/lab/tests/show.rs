//! `tarplight-lab show` as a person runs it: what it prints, where, and with which exit code.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Output;

use assert_cmd::Command;
use tempfile::TempDir;

const CURVE: &str = r#"schema = 1
name = "M45 spring"
mix = "M45"
author = "lab"
made_at = 2026-03-14
time_zero = "placed"

[maturity]
function = "temperature-time-factor"
datum_c = 0

[curve]
form = "hyperbolic"
ultimate_mpa = 50
rate_per_unit = 0.0025
offset = 0
covariance = [[4, -3e-4, 0], [-3e-4, 4e-8, 0], [0, 0, 0]]
residual_sd_mpa = 1.2
residual_degrees_of_freedom = 10

[range]
maturity_min = 100
maturity_max = 10000
temperature_min_c = 10
temperature_max_c = 60

[specimens]
cured = "match-cured"
peak_c = 60
shape = "cylinder"
diameter_mm = 101.6
length_mm = 203.2
"#;

fn write(folder: &TempDir, name: &str, text: &str) -> PathBuf {
    let path = folder.path().join(name);
    fs::write(&path, text).expect("a temporary folder can be written");
    path
}

fn folder() -> TempDir {
    tempfile::tempdir().expect("a temporary folder")
}

fn show(path: &Path, options: &[&str]) -> Output {
    let mut command = Command::cargo_bin("tarplight-lab").expect("the command is built");
    command
        .arg("show")
        .arg(path)
        .args(options)
        .output()
        .expect("the command runs")
}

fn stdout(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).expect("text is UTF-8")
}

fn stderr(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).expect("text is UTF-8")
}

fn record(act: &str, recorded_at: &str, more: &str) -> String {
    let digest = calibration::digest(CURVE.as_bytes());
    format!(
        "[[record]]\ndigest = \"{digest}\"\nact = \"{act}\"\nby = \"lab lead\"\n\
         recorded_at = {recorded_at}\n{more}\n"
    )
}

#[test]
fn a_good_curve_is_shown_in_si_with_what_decides() {
    let folder = folder();
    let output = show(
        &write(&folder, "m45.toml", CURVE),
        &["--required", "25 MPa"],
    );
    let text = stdout(&output);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert!(output.stderr.is_empty());
    for expected in [
        "Curve M45 spring for mix M45",
        "sha256:",
        "NOT APPROVED",
        "temperature-time-factor in °C·h, from placement",
        "ultimate_mpa                 50           2.0000",
        "rate_per_unit            0.0025           0.0002",
        "residual scatter 1.2 MPa with 10 degrees of freedom",
        "maturity 100 °C·h to 10000 °C·h, specimens at 10 °C to 60 °C",
        "match-cured cylinders, 101.6 mm by 203.2 mm, peak 60 °C",
        "25.0 MPa is reached",
        "likely  400 °C·h (estimate)",
        "the broken cylinder decides, and a person signs.",
    ] {
        assert!(text.contains(expected), "no {expected:?} in\n{text}");
    }
}

#[test]
fn us_units_are_shown_without_a_32_in_what_is_no_temperature() {
    let folder = folder();
    let output = show(&write(&folder, "m45.toml", CURVE), &["--units", "us"]);
    let text = stdout(&output);
    for expected in [
        "specimens at 50 °F to 140 °F",
        "maturity 180 °F·h to 18000 °F·h",
        "4.00 in by 8.00 in",
        "3500 psi is reached",
    ] {
        assert!(text.contains(expected), "no {expected:?} in\n{text}");
    }
}

#[test]
fn json_carries_si_numbers_and_the_caution() {
    let folder = folder();
    let path = write(&folder, "m45.toml", CURVE);
    let output = show(&path, &["--json", "--units", "us", "--required", "25 MPa"]);
    let report: serde_json::Value = serde_json::from_slice(&output.stdout).expect("valid JSON");
    assert_eq!(report["digest"], calibration::digest(CURVE.as_bytes()));
    assert_eq!(report["standing"]["state"], "unapproved");
    assert_eq!(report["coefficients"][0]["standard_error"], 2.0);
    assert_eq!(report["required"]["likely"]["reached"], "within");
    assert_eq!(report["required"]["likely"]["maturity"], 400.0);
    let late = report["required"]["late"]["maturity"]
        .as_f64()
        .expect("a maturity");
    assert!(late > 400.0, "{late}");
    let rows = report["strengths"].as_array().expect("a table");
    assert_eq!(
        (&rows[0]["maturity"], rows.len()),
        (&serde_json::json!(100.0), 10)
    );
    assert!(
        report["caution"]
            .as_str()
            .is_some_and(|caution| caution.contains("cylinder decides"))
    );
}

#[test]
fn the_standing_follows_the_records_known_at_the_time_asked() {
    let folder = folder();
    let path = write(&folder, "m45.toml", CURVE);
    let records = record("approved", "2026-03-20T14:00:00Z", "")
        + &record(
            "withdrawn",
            "2026-05-01T08:00:00Z",
            "why = \"cement changed\"",
        );
    write(&folder, "m45.records.toml", &records);
    let standing = |at| {
        let text = stdout(&show(&path, &["--at", at]));
        text.lines()
            .find(|line| line.contains("standing"))
            .expect("a standing")
            .trim()
            .to_owned()
    };
    assert!(standing("2026-03-20T13:59:59Z").contains("NOT APPROVED"));
    assert_eq!(
        standing("2026-03-20T14:00:00Z"),
        "standing  approved by lab lead at 2026-03-20 14:00 UTC"
    );
    assert_eq!(
        standing("2026-05-02T00:00:00Z"),
        "standing  WITHDRAWN at 2026-05-01 08:00 UTC: cement changed; it gives no estimate"
    );
    let negative = CURVE.replace("offset = 0", "offset = -20");
    let doubtful = write(&folder, "doubtful.toml", &negative);
    let digest = calibration::digest(negative.as_bytes());
    let unaccepted = format!(
        "[[record]]\ndigest = \"{digest}\"\nact = \"approved\"\nby = \"lab lead\"\n\
         recorded_at = 2026-03-20T14:00:00Z\n"
    );
    write(&folder, "doubtful.records.toml", &unaccepted);
    let text = stdout(&show(&doubtful, &["--at", "2026-05-02T00:00:00Z"]));
    assert!(
        text.contains("NOT APPROVED: lab lead approved it at 2026-03-20 14:00 UTC without accepting negative-offset"),
        "{text}"
    );
    // Records kept elsewhere replace those beside the file.
    let elsewhere = write(
        &folder,
        "other.toml",
        &record("superseded", "2026-03-01T00:00:00Z", ""),
    );
    let elsewhere = elsewhere.to_str().expect("a readable path");
    assert!(stdout(&show(&path, &["--records", elsewhere])).contains("SUPERSEDED"));
}

#[test]
fn a_bad_file_ends_with_1_and_names_file_line_and_key() {
    let folder = folder();
    let path = write(
        &folder,
        "m45.toml",
        &CURVE.replace("offset = 0", "ofset = 0"),
    );
    let output = show(&path, &[]);
    assert_eq!(output.status.code(), Some(1));
    assert!(output.stdout.is_empty());
    let message = stderr(&output);
    assert!(
        message.contains(
            "m45.toml: line 16, `curve.ofset`: is not a known key here; did you mean `offset`?"
        ),
        "{message}"
    );
    let missing = show(&folder.path().join("absent.toml"), &[]);
    assert_eq!(missing.status.code(), Some(1));
    assert!(
        stderr(&missing).contains("cannot read the curve file"),
        "{}",
        stderr(&missing)
    );
}

#[test]
fn bad_or_missing_records_end_with_1() {
    let folder = folder();
    let path = write(&folder, "m45.toml", CURVE);
    let absent = show(&path, &["--records", "/nonexistent/records.toml"]);
    assert_eq!(absent.status.code(), Some(1));
    assert!(stderr(&absent).contains("cannot read the records"));
    write(
        &folder,
        "m45.records.toml",
        &record("retired", "2026-05-01T08:00:00Z", ""),
    );
    let faulty = show(&path, &[]);
    assert_eq!(faulty.status.code(), Some(1));
    assert!(stderr(&faulty).contains("m45.records.toml: line 3, `record[1].act`: must be"));
}

#[test]
fn a_wrong_command_line_ends_with_2_and_says_what_to_type() {
    let folder = folder();
    let path = write(&folder, "m45.toml", CURVE);
    for (options, expected) in [
        (["--required", "3500"], "has no unit: give MPa or psi"),
        (["--required", "3500 MPa"], "did you mean 3500 psi?"),
        (["--units", "metric"], "possible values: si, us"),
    ] {
        let output = show(&path, &options);
        assert_eq!(output.status.code(), Some(2), "{options:?}");
        assert!(stderr(&output).contains(expected), "{}", stderr(&output));
    }
}

#[test]
fn help_has_examples() {
    let mut command = Command::cargo_bin("tarplight-lab").expect("the command is built");
    let output = command
        .args(["show", "--help"])
        .output()
        .expect("the command runs");
    assert_eq!(output.status.code(), Some(0));
    assert!(stdout(&output).contains("tarplight-lab show curves/m45.toml --units us"));
}

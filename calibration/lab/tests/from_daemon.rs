//! Breaks fetched from a daemon: verified against a curve, and fitted to a new one.

mod support;

use std::io::{BufRead as _, BufReader, Write as _};
use std::net::TcpListener;

use calibration::{Curve, MaturityFunction};
use chrono::{DateTime, TimeDelta, Utc};
use serde_json::json;
use support::Lab;

const FUNCTION: MaturityFunction = MaturityFunction::EquivalentAge {
    activation_energy_j_mol: 41_570.0,
    reference_c: 20.0,
};
/// The truth behind the breaks below.
const CURVE: Curve = Curve::Exponential {
    ultimate_mpa: 58.0,
    tau: 14.0,
    shape: 0.85,
};

const CURVE_FILE: &str = r#"
schema = 1
name = "M45 test"
mix = "M45"
author = "lab"
made_at = 2026-01-02
time_zero = "placed"
[maturity]
function = "equivalent-age"
activation_energy_j_mol = 41570
reference_c = 20
[curve]
form = "exponential"
ultimate_mpa = 58.0
tau = 14.0
shape = 0.85
covariance = [[4.0, 1.0, -0.05], [1.0, 0.6, -0.02], [-0.05, -0.02, 0.002]]
residual_sd_mpa = 1.1
residual_degrees_of_freedom = 12
[range]
maturity_min = 6
maturity_max = 672
temperature_min_c = 5
temperature_max_c = 66
[specimens]
cured = "heat-cured"
shape = "cylinder"
diameter_mm = 101.6
length_mm = 203.2
"#;

/// A break at an age of specimens that stood at 35 °C, `ratio` times the curve.
fn broken(index: i64, age_h: i64, ratio: f64, has_sensor: bool) -> serde_json::Value {
    let placed_at: DateTime<Utc> = "2026-01-05T20:00:00Z".parse().expect("a time");
    let placed_at = placed_at + TimeDelta::days(index);
    let strength_mpa = ratio * CURVE.strength_mpa(FUNCTION.rate(35.0) * age_h as f64);
    let minutes = (0..=60 * age_h).step_by(10).filter(|_| has_sensor);
    json!({
        "pour": format!("P-{index}"), "set": "A", "purpose": "release", "is_heated": true,
        "tested_at": placed_at + TimeDelta::hours(age_h) + TimeDelta::minutes(12),
        "left_tarp_at": placed_at + TimeDelta::hours(age_h),
        "placed_at": placed_at, "batched_at": placed_at - TimeDelta::minutes(30),
        "diameter_mm": 101.6, "length_mm": 203.2,
        "specimens": [
            { "specimen": "A1", "strength_mpa": 0.99 * strength_mpa },
            { "specimen": "A2", "strength_mpa": 1.01 * strength_mpa },
        ],
        "temperatures": minutes
            .map(|minute| json!({
                "at": placed_at + TimeDelta::minutes(minute), "temperature_c": 35.0,
            }))
            .collect::<Vec<_>>(),
    })
}

/// Stands in for a daemon that answers one request; its address, and the request's first line later.
fn answers(breaks: &[serde_json::Value]) -> (String, std::thread::JoinHandle<String>) {
    let body = json!({ "now": "2026-02-01T00:00:00Z", "mix": "M45", "breaks": breaks }).to_string();
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let url = format!("http://{}", listener.local_addr().expect("its address"));
    let served = std::thread::spawn(move || {
        let (mut stream, _) = listener.accept().expect("a request");
        let mut lines = BufReader::new(stream.try_clone().expect("a stream")).lines();
        let first = lines.next().expect("a line").expect("text");
        for line in lines {
            if line.expect("text").is_empty() {
                break;
            }
        }
        write!(
            stream,
            "HTTP/1.1 200 OK\r\ncontent-type: application/json\r\ncontent-length: {}\r\n\
             connection: close\r\n\r\n{body}",
            body.len()
        )
        .expect("written");
        first
    });
    (url, served)
}

#[test]
fn breaks_of_the_plant_verify_a_curve_at_their_specimens_own_maturity() {
    let lab = Lab::new();
    lab.write("m45.toml", CURVE_FILE);
    let mut breaks: Vec<_> = (0..10).map(|index| broken(index, 14, 1.02, true)).collect();
    breaks.push(broken(10, 14, 0.5, false));
    let mut late = broken(11, 14, 0.5, true);
    late["placed_at"] = json!("2026-01-16T16:00:00Z");
    breaks.push(late);
    let (url, served) = answers(&breaks);
    let since = "2026-01-01T00:00:00Z";
    let ran = lab.run(&[
        "verify",
        "m45.toml",
        "--from-daemon",
        &url,
        "--since",
        since,
        "--json",
    ]);
    let report = ran.json();
    assert_eq!(report["state"], "holds");
    assert_eq!(report["points"].as_array().expect("points").len(), 10);
    assert_eq!(report["apart"].as_array().expect("apart").len(), 2);
    let talk = ran.stderr();
    assert!(talk.contains("P-11/A1: \"P-11 set A of"), "{talk}");
    assert!(talk.contains("begin 4.00 h after time zero"), "{talk}");
    let bias = report["bias"].as_f64().expect("a bias");
    assert!((bias - 0.02).abs() < 1e-6, "{bias}");
    let asked = served.join().expect("it answered");
    assert!(
        asked.starts_with("GET /v1/mixes/M45/breaks?from=2026-01-01T00%3A00%3A00.000Z "),
        "{asked}"
    );
}

#[test]
fn a_curve_is_fitted_to_the_plants_own_companion_cylinders() {
    let lab = Lab::new();
    let ages = [5, 6, 7, 8, 10, 12, 14, 17, 20, 26, 40, 70];
    let mut breaks: Vec<_> = ages
        .iter()
        .zip(0..)
        .map(|(age_h, index)| broken(index, *age_h, 1.0, true))
        .collect();
    breaks.push(broken(30, 14, 0.5, false));
    let (url, served) = answers(&breaks);
    let ran = lab.run(&[
        "fit",
        "--from-daemon",
        &url,
        "--mix",
        "M45",
        "--form",
        "exponential",
        "--author",
        "lab",
        "--out",
        "own.toml",
        "--json",
    ]);
    let report = ran.json();
    assert!(
        ran.stderr().contains("1 breaks are not used"),
        "{}",
        ran.stderr()
    );
    assert_eq!(report["point_count"], 24);
    let file = calibration::CurveFile::parse(&lab.read("own.toml")).expect("a curve file");
    let Curve::Exponential { ultimate_mpa, .. } = file.curve else {
        panic!("{:?}", file.curve);
    };
    assert!((ultimate_mpa - 58.0).abs() < 0.5, "{ultimate_mpa}");
    assert_eq!(file.specimens.cured, calibration::Cured::HeatCured);
    assert!(
        file.data
            .iter()
            .all(|row| row.source == calibration::DataSource::Pour)
    );
    assert_eq!(file.data[0].specimen, "P-0/A1");
    served.join().expect("it answered");
}

#[test]
fn what_is_missing_to_fetch_breaks_is_said() {
    let lab = Lab::new();
    lab.write("m45.toml", CURVE_FILE);
    let (url, served) = answers(&[]);
    let none = lab.run(&["verify", "m45.toml", "--from-daemon", &url]);
    none.fails_with(1, &["knows no such break of mix M45"]);
    served.join().expect("it answered");
    let nobody = lab.run(&["verify", "m45.toml", "--from-daemon", &url]);
    nobody.fails_with(1, &["is tarplightd running?"]);
    let no_mix = lab.run(&["fit", "--from-daemon", &url]);
    no_mix.fails_with(1, &["--from-daemon needs --mix"]);
    let neither = lab.run(&["verify", "m45.toml"]);
    neither.fails_with(2, &["BREAKS"]);
    let both = lab.run(&["verify", "m45.toml", "breaks.csv", "--from-daemon", &url]);
    both.fails_with(2, &["cannot be used with"]);
}

//! Published maturity figures, played through a broker and read back from the HTTP API.

use chrono::{DateTime, TimeDelta, Utc};
use std::time::Duration;

use harness::broker::Broker;
use harness::daemon::Daemon;
use harness::plant::{PlantFile, open_pour, payload};
use harness::wait_until;

/// Temperatures held for so many days: `(°C, d)`.
type Held = &'static [(f64, f64)];

/// The row's name, its temperatures, and its equivalent age in days.
pub type Published = (&'static str, Held, f64);

/// EN 1992-1-1 (B.10) and fib Model Code 2010 (5.1-85), as published in the tests of the open-source
/// library structuralcodes (mark: seen). The equivalent age in days stands beside each.
pub const PUBLISHED: [Published; 2] = [
    (
        "W8",
        &[
            (19.0, 1.0),
            (20.0, 2.0),
            (20.0, 1.0),
            (21.0, 1.0),
            (22.0, 1.0),
            (23.0, 2.0),
        ],
        8.379_867_81,
    ),
    ("W9", &[(20.0, 7.0), (25.0, 7.0)], 15.7723),
];

/// Two readings a millisecond apart at each change, so that a straight line between them is a step.
pub fn held_steps(start: DateTime<Utc>, held: Held) -> Vec<(DateTime<Utc>, f64)> {
    let mut at = start;
    let mut readings = Vec::new();
    for (index, (celsius, days)) in held.iter().enumerate() {
        let first = if index == 0 {
            at
        } else {
            at + TimeDelta::milliseconds(1)
        };
        readings.push((first, *celsius));
        at += TimeDelta::milliseconds((days * 86_400_000.0) as i64);
        readings.push((at, *celsius));
    }
    readings
}

/// How long a row's temperatures are held in all, d.
fn days_of(published: &Published) -> f64 {
    published.1.iter().map(|one| one.1).sum()
}

/// A plant that ages concrete as the rows do, without calling their long steps gaps.
pub fn published_plant(port: impl Into<Option<u16>>) -> PlantFile {
    let mut file = PlantFile::new(port);
    file.maturity = "function = \"en-1992-age\"".to_owned();
    file.short_gap_min = 14_400.0;
    file
}

/// Opens a pour for a row's temperatures; when they begin and end.
pub fn open_published(daemon: &Daemon, published: &Published) -> (DateTime<Utc>, DateTime<Utc>) {
    let length = TimeDelta::milliseconds((days_of(published) * 86_400_000.0) as i64);
    // It ends some seconds from now: the pour is recorded by then, and nothing is bridged behind it.
    let start = Utc::now() - length + TimeDelta::seconds(8);
    daemon
        .ask(async |client| client.act(&open_pour("w", start, &["w1"])).await)
        .expect("the pour opens");
    (start, start + length)
}

/// Waits until the daemon answers with the published age at `end`; what it says, h.
pub fn wait_for_age(daemon: &Daemon, published: &Published, end: DateTime<Utc>) -> f64 {
    let (id, _, published_d) = *published;
    let expected_h = published_d * 24.0;
    // Published digits are what they are: W9 is printed to a ten-thousandth of a day.
    let tolerance_h = if id == "W8" { 1e-5 } else { 0.000_05 * 24.0 };
    wait_until("every reading counts", Duration::from_secs(20), || {
        let text = daemon.ask(async |client| client.state_lines(Some(end)).await)?;
        let line: serde_json::Value =
            serde_json::from_str(text.trim()).map_err(|error| format!("{error}: {text}"))?;
        let maturity = line["maturity"].as_f64().ok_or_else(|| text.clone())?;
        if (maturity - expected_h).abs() <= tolerance_h {
            Ok(maturity)
        } else {
            Err(format!("{id}: {maturity} h, published {expected_h} h"))
        }
    })
}

#[test]
fn published_equivalent_ages_come_back_from_the_api_after_a_way_through_mqtt() {
    for published in &PUBLISHED {
        let folder = tempfile::tempdir().expect("a folder");
        let broker = Broker::start(&folder.path().join("broker"));
        let plant = published_plant(broker.port()).write(&folder.path().join("plant"));
        let daemon = Daemon::start(&plant, &folder.path().join("data"));
        let (start, end) = open_published(&daemon, published);
        let lines: String = held_steps(start, published.1)
            .iter()
            .map(|(at, value)| payload(&[("w1", *at, *value)]) + "\n")
            .collect();
        broker.publish_lines("logger/w/json", &lines);
        let age_h = wait_for_age(&daemon, published, end);
        println!("{} over MQTT: {age_h} h", published.0);
    }
}

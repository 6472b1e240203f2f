//! Serial ports of a running daemon: published ages over a wire, and a plug that is pulled out.

use std::time::Duration;

use chrono::{DateTime, SecondsFormat, TimeDelta, Utc};
use harness::daemon::Daemon;
use harness::plant::{PlantFile, serial_table};
use harness::wait_until;
use harness::wire::Wire;

use crate::published::{PUBLISHED, held_steps, open_published, published_plant, wait_for_age};

fn line(channel: &str, at: DateTime<Utc>, celsius: f64) -> String {
    let at = at.to_rfc3339_opts(SecondsFormat::Millis, true);
    format!("{at} {channel} {celsius}\n")
}

#[test]
fn published_equivalent_ages_come_back_from_the_api_after_a_way_through_serial() {
    for published in &PUBLISHED {
        let folder = tempfile::tempdir().expect("a folder");
        let wire = Wire::plug(folder.path(), "port");
        let mut file = published_plant(None);
        file.more = serial_table("bed 1", wire.port());
        let plant = file.write(&folder.path().join("plant"));
        let daemon = Daemon::start(&plant, &folder.path().join("data"));
        let (start, end) = open_published(&daemon, published);
        daemon.wait_for_source("bed 1", true);
        let lines: String = held_steps(start, published.1)
            .iter()
            .map(|(at, celsius)| line("w1", *at, *celsius))
            .collect();
        wire.write_lines(&lines);
        let age_h = wait_for_age(&daemon, published, end);
        println!("{} over serial: {age_h} h", published.0);
    }
}

#[test]
fn a_port_plugged_in_again_under_another_number_resumes_and_the_other_misses_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut pulled = Wire::plug(folder.path(), "pulled");
    let steady = Wire::plug(folder.path(), "steady");
    let mut file = PlantFile::new(None);
    file.more =
        serial_table("pulled port", pulled.port()) + &serial_table("steady port", steady.port());
    let plant = file.write(&folder.path().join("plant"));
    let daemon = Daemon::start(&plant, &folder.path().join("data"));
    daemon.wait_for_source("pulled port", true);
    daemon.wait_for_source("steady port", true);
    let start = Utc::now() - TimeDelta::hours(2);
    let mut sent = 0_i64;
    let mut steady_sends = |count: i64| {
        let lines: String = (sent..sent + count)
            .map(|second| {
                line(
                    "steady",
                    start + TimeDelta::seconds(second),
                    20.0 + second as f64 / 50.0,
                )
            })
            .collect();
        sent += count;
        steady.write_lines(&lines);
    };
    let stored_count = |channel: &str, count: usize| {
        wait_until(
            &format!("{count} readings of {channel}"),
            Duration::from_secs(20),
            || {
                let rows = daemon.stored_rows()?;
                let found = rows
                    .iter()
                    .filter(|row| row.contains(&format!(",{channel},")))
                    .count();
                if found == count {
                    Ok(())
                } else {
                    Err(format!("{found} stored"))
                }
            },
        );
    };
    steady_sends(50);
    pulled.write_lines(&line("pulled", start, 30.0));
    stored_count("pulled", 1);

    let before = pulled.number();
    pulled.unplug();
    steady_sends(50);
    daemon.wait_for_source("pulled port", false);
    let snapshot = daemon
        .ask(async |client| client.snapshot().await)
        .expect("the daemon answers");
    let told = snapshot
        .troubles
        .iter()
        .find(|trouble| trouble.kind == "source-down");
    let told = told.expect("the pulled plug is a trouble");
    assert_eq!(told.place.as_deref(), Some("pulled port"));
    assert!(told.first_act.contains("cable"), "{}", told.first_act);
    // Another pair takes the freed numbers, so that the wire cannot get its old one back.
    let _other = Wire::plug(folder.path(), "other");
    pulled.plug_again();
    let after = pulled.number();
    assert_ne!(before, after, "it is the same pseudo-terminal");
    steady_sends(50);
    daemon.wait_for_source("pulled port", true);
    let again: String = (1..=20)
        .map(|second| {
            line(
                "pulled",
                start + TimeDelta::seconds(second),
                30.0 + second as f64,
            )
        })
        .collect();
    pulled.write_lines(&again);
    stored_count("pulled", 21);
    stored_count("steady", 150);
    println!(
        "the port was {}, then {}",
        before.display(),
        after.display()
    );
}

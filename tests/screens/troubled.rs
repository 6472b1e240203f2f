//! Twelve troubled situations: can a tired person say in five seconds which bed, what, and what next?
//!
//! Each is captured as the yard at both sizes and as the far view at the small one. What a person must
//! find is asserted too: the bed, the word and the first act stand whole on the first screen.

use chrono::{DateTime, Utc};
use harness::disk::SmallDisk;
use harness::wait_until;
use serde_json::{Value, json};

use crate::FRAME_WITHIN;
use crate::night::{Night, Scene};
use crate::terminal::{SIZES, Size, Terminal};

/// An act of the night shift on the example's bed B1.
fn act(happened_at: &str, pour: &str, why: Option<&str>, mut body: Value) -> Value {
    body["happened_at"] = json!(happened_at);
    body["by"] = json!("N. Shift");
    body["pour"] = json!(pour);
    if let Some(why) = why {
        body["why"] = json!(why);
    }
    body
}

/// The air under a tarp that falls by 21 °C/h from 05:20 on.
fn falling_c(reading: &mut daemon_api::reading::BackfillReading) {
    let from: DateTime<Utc> = "2026-01-21T05:20:00Z".parse().expect("an instant");
    let minutes = (reading.measured_at - from).num_seconds() as f64 / 60.0;
    if minutes > 0.0 {
        reading.temperature_c = 57.0 - 0.35 * minutes;
    }
}

fn b1_loses_heat(reading: &mut daemon_api::reading::BackfillReading) -> bool {
    if reading.channel == "L1-04" {
        falling_c(reading);
    }
    true
}

/// Captures a night that stands, and sees that its words are whole.
fn capture(name: &str, night: &Night, words: &[&str]) {
    for size in SIZES {
        let terminal = Terminal::open(&night.daemon.address(), size);
        terminal.matches_file(&format!("ten-{name}-yard-{size}"));
        let screen = terminal.screen();
        let text = screen.split_whitespace().collect::<Vec<_>>().join(" ");
        for word in words {
            assert!(text.contains(word), "\"{word}\" is not whole in\n{screen}");
        }
    }
    let terminal = Terminal::open(&night.daemon.address(), Size::SMALL);
    terminal.shows("B1");
    terminal.keys(&["f"]);
    terminal.matches_file(&format!("ten-{name}-far-{}", Size::SMALL));
}

fn captured(name: &str, scene: &Scene, words: &[&str]) {
    capture(name, &Night::of(scene, None), words);
}

#[test]
fn concrete_too_hot() {
    let scene = Scene {
        more_acts: || {
            let why = Some("letter 12 of the engineer");
            let body = json!({ "act": "limit-stated", "limit": "concrete_c_max", "value": 50.0,
                "accept": ["breaks-a-limit"] });
            vec![act("2026-01-21T00:00:00Z", "P-101", why, body)]
        },
        kind: "too-hot",
        ..Scene::default()
    };
    let words = [
        "NOW B1 new",
        "above the limit of 122.0 °F",
        "First: Turn the heat down or off",
    ];
    captured("too-hot", &scene, &words);
}

#[test]
fn one_bed_loses_its_heat() {
    let scene = Scene {
        reading: b1_loses_heat,
        kind: "losing-heat",
        ..Scene::default()
    };
    let words = ["NOW B1 new", "falls", "First: See whether the tarp is off"];
    captured("losing-heat", &scene, &words);
}

#[test]
fn two_beds_lose_the_heat_of_one_boiler() {
    let scene = Scene {
        reading: |reading| {
            if ["L1-04", "L2-03"].contains(&reading.channel.as_str()) {
                falling_c(reading);
            }
            true
        },
        more_acts: || {
            let body = json!({ "act": "heat-on" });
            vec![act("2026-01-21T00:00:00Z", "P-102", None, body)]
        },
        kind: "heat-source-lost",
        is_on_one_boiler: true,
        ..Scene::default()
    };
    let words = [
        "NOW plant new",
        "Beds B1, B2 lose heat together",
        "First: Look at the boiler first",
    ];
    captured("boiler-trip", &scene, &words);
}

#[test]
fn heat_that_was_turned_on_and_does_not_come() {
    let scene = Scene {
        moment: "2026-01-21T00:30:05Z",
        reading: |reading| {
            if reading.channel == "L1-04" {
                reading.temperature_c = reading.temperature_c.min(15.0);
            }
            true
        },
        more_acts: || {
            let body = json!({ "act": "heat-on" });
            vec![act("2026-01-20T23:30:00Z", "P-101", None, body)]
        },
        kind: "heat-not-started",
        ..Scene::default()
    };
    let words = [
        "NOW B1 new",
        "The heat was turned on",
        "First: See whether the valve is open",
    ];
    captured("no-heat", &scene, &words);
}

#[test]
fn a_logger_that_says_nothing_any_more() {
    let scene = Scene {
        reading: |reading| {
            let until: DateTime<Utc> = "2026-01-21T04:50:00Z".parse().expect("an instant");
            !reading.channel.starts_with("L2") || reading.measured_at < until
        },
        kind: "logger-silent",
        ..Scene::default()
    };
    let words = [
        "SOON B2 new",
        "Nothing comes from logger L2",
        "First: Check that the logger has power",
    ];
    captured("logger-silent", &scene, &words);
}

#[test]
fn a_line_to_the_loggers_that_is_down() {
    let scene = Scene {
        plant: "[[serial]]\nname = \"bed 1 logger\"\npath = \"/dev/no-such-port\"\nbaud = 9600\n\
                pattern = '(?<channel>\\w+) (?<value>\\S+)'\n",
        act: |act| {
            // A bed that is late besides would need the rows.
            if let Some(fields) = act.as_object_mut() {
                fields.remove("wanted_release_at");
            }
        },
        kind: "source-down",
        ..Scene::default()
    };
    let words = [
        "SOON plant new",
        "No readings come from bed 1 logger",
        "First: Check the cable",
    ];
    captured("line-down", &scene, &words);
}

#[test]
fn cylinders_that_failed() {
    let scene = Scene {
        moment: "2026-01-21T10:55:05Z",
        act: |act| {
            if act["act"] == "break-recorded" {
                act["accept"] = json!(["off-its-own-maturity"]);
                for specimen in act["specimens"].as_array_mut().into_iter().flatten() {
                    specimen["load_kn"] = json!(165.0);
                    specimen["as_typed"] = json!("165 kN");
                }
            }
        },
        kind: "break-failed",
        ..Scene::default()
    };
    let words = [
        "NOW B1",
        "Cylinders failed",
        "First: Do not detension",
        "FAILED",
    ];
    captured("break-failed", &scene, &words);
}

#[test]
fn a_bed_that_will_be_late() {
    let scene = Scene {
        act: |act| {
            if act["act"] == "pour-opened" && act["bed"] == "B1" {
                act["wanted_release_at"] = json!("2026-01-21T09:00:00Z");
            }
        },
        kind: "late",
        ..Scene::default()
    };
    let words = [
        "B1 new",
        "by the plan its set is broken at",
        "Tell QC and the morning crew",
    ];
    captured("late", &scene, &words);
}

#[test]
fn a_curve_that_was_withdrawn() {
    let scene = Scene {
        curve_records: "[[record]]\n\
            digest = \"sha256:356869cacff17fb1163bd6e3957742072efeea2537d795d411c3e05445b8784b\"\n\
            act = \"withdrawn\"\nby = \"lab lead\"\nrecorded_at = 2026-01-21T04:00:00Z\n\
            why = \"the admixture changed\"\n",
        kind: "curve-not-usable",
        ..Scene::default()
    };
    let words = [
        "NOW B1 new",
        "the admixture changed",
        "goes on by cylinders alone",
    ];
    captured("curve-withdrawn", &scene, &words);
}

#[test]
fn a_full_disk() {
    let folder = tempfile::tempdir().expect("a folder");
    let scene = Scene {
        kind: "disk-nearly-full",
        ..Scene::default()
    };
    let night = Night::of(&scene, Some(SmallDisk::new(folder.path())));
    let disk = night.disk.as_ref().expect("its disk");
    disk.fill(&night.daemon);
    let note = act(
        "2026-01-21T06:00:00Z",
        "",
        Some("the disk is full"),
        json!({ "act": "shift-noted", "id": uuid::Uuid::now_v7() }),
    );
    let note = serde_json::from_value(note).expect("an act");
    wait_until("the act is refused", FRAME_WITHIN, || {
        match night.daemon.ask(async |client| client.act(&note).await) {
            Ok(_) => Err("it was recorded".to_owned()),
            Err(_) => Ok(()),
        }
    });
    night.stands("store-cannot-write");
    let words = ["NOTHING IS BEING RECORDED", "NOW plant new", "Free space"];
    capture("full-disk", &night, &words);
}

#[test]
fn a_trouble_that_somebody_sees_to_and_one_that_is_snoozed() {
    let scene = Scene {
        reading: b1_loses_heat,
        kind: "losing-heat",
        ..Scene::default()
    };
    let night = Night::of(&scene, None);
    let (losing, silent) = (night.stands("losing-heat"), night.stands("sensor-silent"));
    let now = "2026-01-21T06:00:00Z";
    let snooze =
        json!({ "act": "alarm-snoozed", "alarm": losing, "until_at": "2026-01-21T07:30:00Z" });
    night.act(act(now, "", Some("the boiler is being started"), snooze));
    night.act(act(
        now,
        "",
        None,
        json!({ "act": "alarm-seen", "alarm": silent }),
    ));
    let words = ["SOON B2 seen", "1 snoozed; B1 until 01:30"];
    capture("snoozed", &night, &words);
    for size in SIZES {
        let terminal = Terminal::open(&night.daemon.address(), size);
        terminal.shows("snoozed");
        terminal.keys(&["t"]);
        terminal.matches_file(&format!("ten-snoozed-troubles-{size}"));
        terminal.keys(&["w"]);
        terminal.matches_file(&format!("ten-snoozed-plan-{size}"));
    }
}

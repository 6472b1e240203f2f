//! The night shift's words on a running daemon: each `tarplight watch` command, and which plug is which.

use std::process::{Command, Output};
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use daemon_api::reading::{Backfill, BackfillReading};
use daemon_api::trouble::TroubleView;
use harness::daemon::{Daemon, Launch};
use harness::plant::{PlantFile, open_pour};
use harness::{binary, wait_until};

/// The watch looks every few seconds; a slow machine takes its time.
const WITHIN: Duration = Duration::from_secs(60);

/// A terminal of the night shift on a daemon whose bed has just lost its only logger.
struct Shift {
    daemon: Daemon,
    _folder: tempfile::TempDir,
}

impl Shift {
    fn begin() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let mut file = PlantFile::new(None);
        file.more = "[[limit_set]]\nid = \"spec\"\nconcrete_c_max = 70.0\nsource = \"clause 4\"\n"
            .to_owned();
        let plant = file.write(&folder.path().join("plant"));
        // On-delays of minutes pass in seconds.
        let options = [
            "--clock-start",
            "2026-01-20T20:00:00Z",
            "--clock-speed",
            "30",
        ];
        let launch = Launch {
            options: options.map(str::to_owned).to_vec(),
            ..Launch::default()
        };
        let daemon = Daemon::launch(&plant, &folder.path().join("data"), launch);
        let placed_at = "2026-01-20T17:00:00Z".parse().expect("an instant");
        let opened = open_pour("night", placed_at, &["c1", "c2"]);
        daemon
            .ask(async |client| client.act(&opened).await)
            .expect("the pour is opened");
        Self {
            daemon,
            _folder: folder,
        }
    }

    fn run(&self, arguments: &[&str]) -> Output {
        Command::new(binary("tarplight"))
            .arg("watch")
            .args(arguments)
            .env(
                "TARPLIGHT_DAEMON",
                format!("http://{}", self.daemon.address()),
            )
            .env("TARPLIGHT_BY", "N. Shift")
            .output()
            .expect("tarplight runs")
    }

    fn told(&self, arguments: &[&str]) -> String {
        let output = self.run(arguments);
        let talk = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(0), "{arguments:?}: {talk}");
        String::from_utf8(output.stdout).expect("text")
    }

    fn refused(&self, arguments: &[&str], words: &str) {
        let output = self.run(arguments);
        let talk = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(1), "{arguments:?}: {talk}");
        assert!(talk.contains(words), "{arguments:?}: {talk}");
    }

    /// The plant's own time.
    fn now(&self) -> DateTime<Utc> {
        let snapshot = self.daemon.ask(async |client| client.snapshot().await);
        snapshot.expect("the plant").plant.now
    }

    /// The alarm of that kind once it has this word.
    fn alarm(&self, kind: &str, word: &str) -> TroubleView {
        wait_until(&format!("{kind} is {word}"), WITHIN, || {
            let answer = self.daemon.ask(async |client| client.alarms().await)?;
            let told: Vec<String> = answer.alarms.iter().map(|one| one.id.clone()).collect();
            let is_it = |one: &TroubleView| {
                one.kind == kind && one.alarm.as_ref().is_some_and(|life| life.word == word)
            };
            let found = answer.alarms.into_iter().find(is_it);
            found.ok_or_else(|| format!("alarms: {}", told.join(", ")))
        })
    }
}

#[test]
fn an_alarm_is_listed_seen_snoozed_woken_and_told_in_the_log() {
    let shift = Shift::begin();
    let alarm = shift.alarm("bed-silent", "new");
    let id = alarm.id.as_str();
    let listed = shift.told(&["alarms"]);
    assert!(
        listed.contains(id) && listed.contains("First: Check that the bed's loggers"),
        "{listed}"
    );
    assert!(listed.contains("explained by bed-silent"), "{listed}");

    shift.refused(&["seen", "bed-silnt/B1/night"], "did you mean");
    shift.refused(&["snooze", id, "--until", "now", "--why", "x"], "is past");
    let until = (shift.now() + TimeDelta::hours(2)).to_rfc3339();
    shift.refused(&["snooze", id, "--until", &until], "--why");
    shift.refused(&["wake", id], "not snoozed");
    shift.refused(&["reset", id], "still stands");

    shift.told(&["seen", id]);
    let seen = shift.alarm("bed-silent", "seen").alarm.expect("its life");
    assert_eq!(seen.seen_by.as_deref(), Some("N. Shift"));
    let why = "the electrician is on his way";
    shift.told(&["snooze", id, "--until", &until, "--why", why]);
    let snoozed = shift
        .alarm("bed-silent", "snoozed")
        .alarm
        .expect("its life");
    assert_eq!(snoozed.snoozed.expect("a snooze").why, why);
    let plan = shift.told(&["plan"]);
    assert!(
        plan.contains("A snooze ends") && plan.contains(why),
        "{plan}"
    );
    shift.told(&["wake", id]);
    shift.alarm("bed-silent", "new");

    shift.told(&["note", "wire of B1 laid anew"]);
    shift.told(&["handover", "--to", "D. Morning"]);
    let log = wait_until("the log has all of it", WITHIN, || {
        let log = shift.told(&["log"]);
        let parts = ["raised:", "seen:", "snoozed:", "woken:", why];
        let missing: Vec<&str> = parts
            .into_iter()
            .filter(|part| !log.contains(part))
            .collect();
        if missing.is_empty() {
            Ok(log)
        } else {
            Err(format!("no {missing:?} in {log}"))
        }
    });
    for words in [
        "note: wire of B1 laid anew, by N. Shift (not verified)",
        "handover: shift handed over to D. Morning",
        "What stands:",
        "Only broken cylinders confirm",
    ] {
        assert!(log.contains(words), "\"{words}\" is not in {log}");
    }
    let history = shift.told(&["history"]);
    assert!(
        history.contains("raised") && history.contains(id),
        "{history}"
    );
    let json = shift.told(&["history", "--json"]);
    let json: serde_json::Value = serde_json::from_str(&json).expect("JSON");
    assert!(
        json["events"]
            .as_array()
            .is_some_and(|events| events.len() >= 4)
    );
}

#[test]
fn a_limit_of_one_pour_makes_a_breach_that_the_engineer_disposes_of() {
    let shift = Shift::begin();
    shift.refused(
        &["limit", "night", "concrete_max", "40", "--why", "x"],
        "concrete_c_max",
    );
    shift.refused(&["limit", "night", "concrete_c_max", "40"], "--why");
    shift.told(&[
        "limit",
        "night",
        "concrete_c_max",
        "40",
        "--why",
        "letter 12",
    ]);
    let now = shift.now();
    let reading = |minutes: i64, channel: &str, temperature_c: f64| BackfillReading {
        channel: channel.to_owned(),
        measured_at: now - TimeDelta::minutes(minutes),
        temperature_c,
    };
    let readings = (0..30).flat_map(|minute| {
        let swing = 0.1 * f64::from(i32::try_from(minute % 3).unwrap_or(0));
        [
            reading(minute, "c1", 45.0 + swing),
            reading(minute, "c2", 39.0 + swing),
        ]
    });
    let backfill = Backfill {
        by: "N. Shift".to_owned(),
        origin: "memory.csv".to_owned(),
        readings: readings.collect(),
    };
    shift
        .daemon
        .ask(async |client| client.backfill(&backfill).await)
        .expect("the readings are recorded");
    let alarm = shift.alarm("too-hot", "new");
    assert!(alarm.what.contains("letter 12"), "{}", alarm.what);
    let breach = wait_until("the breach holds the pieces", WITHIN, || {
        let pour = shift
            .daemon
            .ask(async |client| client.pour("night").await)?;
        let hold = pour.breaches.first().map(|breach| breach.hold.clone());
        hold.filter(|_| !pour.piece_holds.is_empty())
            .ok_or_else(|| format!("{:?}", pour.piece_holds))
    });
    shift.refused(
        &[
            "dispose",
            "night",
            "no-such-hold",
            "--number",
            "D-1",
            "--why",
            "x",
        ],
        "no-such-hold",
    );
    let disposed = [
        "dispose",
        "night",
        &breach,
        "--number",
        "D-118",
        "--may-ship",
        "--why",
        "within it",
    ];
    shift.told(&disposed);
    wait_until("the hold is lifted", WITHIN, || {
        let pour = shift
            .daemon
            .ask(async |client| client.pour("night").await)?;
        let number = pour
            .breaches
            .first()
            .and_then(|one| one.disposition.as_ref());
        let number = number.map(|disposition| disposition.number.clone());
        if pour.piece_holds.is_empty() && number.as_deref() == Some("D-118") {
            Ok(())
        } else {
            Err(format!("{number:?}, {:?}", pour.piece_holds))
        }
    });
}

#[test]
fn a_tip_warmed_in_the_hand_is_named_and_a_bed_says_whether_its_channels_agree() {
    let shift = Shift::begin();
    let now = shift.now();
    let since_at = now - TimeDelta::minutes(4);
    let readings = (0..10).rev().flat_map(|minute| {
        let hand_c = if minute < 4 { 30.0 } else { 14.0 };
        [("c1", 14.1), ("c2", hand_c), ("x9", 14.2)].map(|(channel, temperature_c)| {
            BackfillReading {
                channel: channel.to_owned(),
                measured_at: now - TimeDelta::minutes(minute),
                temperature_c,
            }
        })
    });
    let backfill = Backfill {
        by: "N. Shift".to_owned(),
        origin: "memory.csv".to_owned(),
        readings: readings.collect(),
    };
    let answer = shift
        .daemon
        .ask(async |client| client.backfill(&backfill).await)
        .expect("the readings are recorded");
    assert_eq!(
        answer.unknown_channels,
        ["x9"],
        "no pour names it, and it is told all the same"
    );
    let told = wait_until("the channel is named", WITHIN, || {
        let told = shift
            .daemon
            .ask(async |client| client.channels(Some(since_at)).await)?;
        if told.stands_out.is_some() {
            Ok(told)
        } else {
            Err(format!("{told:?}"))
        }
    });
    let found = told.stands_out.expect("it stands out");
    assert_eq!(found.channel, "c2");
    assert!((found.against_others_c - 16.0).abs() < 0.01, "{found:?}");
    let names: Vec<&str> = told
        .channels
        .iter()
        .map(|one| one.channel.as_str())
        .collect();
    assert_eq!(names, ["c1", "c2", "x9"]);
    let bed = &told.agreement[0];
    assert_eq!(
        (bed.name.as_str(), bed.poured, bed.agrees),
        ("B1", true, false)
    );
    let to_come = shift.now() + TimeDelta::hours(1);
    let refused = shift
        .daemon
        .ask(async |client| client.channels(Some(to_come)).await)
        .expect_err("that is still to come");
    assert!(refused.contains("still to come"), "{refused}");
}

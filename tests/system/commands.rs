//! The plant's own command, act by act, through a pour's life on a running daemon.

use std::path::Path;
use std::process::{Command, Output};
use std::time::Duration;

use chrono::{DateTime, SecondsFormat, TimeDelta, Utc};
use daemon_api::pour::{PourStatus, PourView};
use harness::daemon::Daemon;
use harness::plant::PlantFile;
use harness::{binary, wait_until};

/// A terminal at which people type.
struct Desk {
    daemon: Daemon,
    pour: &'static str,
}

impl Desk {
    fn run(&self, arguments: &[&str]) -> Output {
        Command::new(binary("tarplight"))
            .args(arguments)
            .env(
                "TARPLIGHT_DAEMON",
                format!("http://{}", self.daemon.address()),
            )
            .env_remove("TARPLIGHT_BY")
            .output()
            .expect("tarplight runs")
    }

    /// What a command that must be accepted prints.
    fn accepted(&self, arguments: &[&str]) -> String {
        let output = self.run(arguments);
        let talk = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(0), "{arguments:?}: {talk}");
        String::from_utf8(output.stdout).expect("text")
    }

    /// An act by R. Field; what is printed says its place in the record.
    fn act(&self, arguments: &[&str]) {
        let printed = self.accepted(&[arguments, &["--by", "R. Field"]].concat());
        assert!(printed.starts_with("recorded: "), "{printed}");
    }

    /// What a command that must be refused says.
    fn refused(&self, arguments: &[&str]) -> String {
        let output = self.run(arguments);
        let talk = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(1), "{arguments:?}: {talk}");
        assert!(
            output.stdout.is_empty(),
            "{arguments:?} printed as if it were done"
        );
        talk
    }

    /// The pour once it shows what was just recorded.
    fn shows(&self, what: &str, is_shown: impl Fn(&PourView) -> bool) -> PourView {
        wait_until(what, Duration::from_secs(20), || {
            let view = self
                .daemon
                .ask(async |client| client.pour(self.pour).await)?;
            if is_shown(&view) {
                Ok(view)
            } else {
                let (release, cautions) = (&view.release_holds, &view.cautions);
                Err(format!("{:?}, {release:?}, {cautions:?}", view.status))
            }
        })
    }
}

fn text(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::Millis, true)
}

/// A pour as R. Field wrote it down, in the units of the paper.
fn pour_file(folder: &Path, first_at: DateTime<Utc>) -> String {
    let path = folder.join("pour.toml");
    let written = format!(
        "pour = \"night\"\nby = \"R. Field\"\nbed = \"B1\"\nmix = \"M45\"\n\
         from_station = \"0 ft\"\nto_station = \"200 ft\"\nfirst_placement_at = \"{}\"\n\
         required = [{{ act = \"release\", strength = \"3500 psi\" }}]\n\
         [[positions]]\nid = \"P1\"\nstation = \"20 ft\"\nplace = \"stem\"\n\
         [[positions]]\nid = \"P2\"\nstation = \"180 ft\"\nplace = \"end block\"\n\
         [[channels]]\nchannel = \"c1\"\nrole = \"concrete\"\nposition = \"P1\"\n\
         [[channels]]\nchannel = \"c2\"\nrole = \"concrete\"\nposition = \"P2\"\n",
        text(first_at)
    );
    std::fs::write(&path, written).expect("the pour is written");
    path.display().to_string()
}

/// A logger's memory: every minute of these channels, each at its own temperature.
fn memory_file(folder: &Path, from: DateTime<Utc>, to: DateTime<Utc>) -> String {
    let path = folder.join("memory.csv");
    let mut rows = String::from("channel,measured_at,value\n");
    for minute in 0..=(to - from).num_minutes() {
        let at = text(from + TimeDelta::minutes(minute));
        // It wanders a little, as concrete does: a value that never changes would be called stuck.
        let swing = 0.1 * (minute % 5) as f64;
        for (channel, celsius) in [("c1", 50.0), ("c2", 49.0), ("c3", 49.0), ("s1", 44.0)] {
            rows += &format!("{channel},{at},{:.1}\n", celsius + swing);
        }
    }
    std::fs::write(&path, rows).expect("the memory is written");
    path.display().to_string()
}

#[test]
fn every_act_is_taken_from_the_command_line_through_a_pours_life() {
    let folder = tempfile::tempdir().expect("a folder");
    let plant = PlantFile::new(None).write(&folder.path().join("plant"));
    let daemon = Daemon::start(&plant, &folder.path().join("data"));
    let desk = Desk {
        daemon,
        pour: "night",
    };
    let now = Utc::now();
    let ago = |minutes: i64| text(now - TimeDelta::minutes(minutes));
    let first_at = now - TimeDelta::hours(14);

    open_and_place(&desk, folder.path(), first_at);
    let memory = memory_file(folder.path(), first_at, now);
    let printed = desk.accepted(&["backfill", &memory, "--by", "R. Field"]);
    assert!(printed.contains(" 0 in conflict"), "{printed}");
    watch(&desk, &ago);
    let broken = break_a_set(&desk, &ago);
    sign_and_strip(&desk, &broken);

    let acts = desk.accepted(&["acts", "--pour", "night", "--json"]);
    let kinds: Vec<String> = acts
        .lines()
        .map(|line| {
            let act: serde_json::Value = serde_json::from_str(line).expect("an act is JSON");
            act["act"].as_str().expect("an act has its name").to_owned()
        })
        .collect();
    println!("{} acts on record: {}", kinds.len(), kinds.join(", "));
    assert_eq!(kinds.len(), 22);

    give_another_up(&desk);
}

fn open_and_place(desk: &Desk, folder: &Path, first_at: DateTime<Utc>) {
    let at = |minutes: i64| text(first_at + TimeDelta::minutes(minutes));
    let file = pour_file(folder, first_at);
    let printed = desk.accepted(&["pour", "open", "--file", &file, "--at", &at(0)]);
    assert!(printed.starts_with("recorded: pour "), "{printed}");
    let nobody = desk.refused(&["heat", "on", "night"]);
    assert!(nobody.contains("--by"), "{nobody}");
    desk.act(&[
        "pour",
        "correct",
        "night",
        "--required",
        "3600 psi",
        "--why",
        "ticket of the job",
    ]);
    for (ticket, from_min, stations) in [
        ("4711", 0, ["0 ft", "100 ft"]),
        ("4712", 40, ["100 ft", "200 ft"]),
    ] {
        let (from, to) = (at(from_min), at(from_min + 30));
        let placed = ["--placed-from", &from, "--placed-to", &to];
        let covered = ["--from", stations[0], "--to", stations[1]];
        desk.act(
            &[
                &["load", "night", "--ticket", ticket][..],
                &placed,
                &covered,
            ]
            .concat(),
        );
    }
    desk.act(&["placement", "night", "--last", &at(70)]);
    for set in ["A", "B"] {
        let specimens = format!("{set}1,{set}2");
        let made = [
            "cylinders",
            "made",
            "night",
            "--set",
            set,
            "--specimens",
            &specimens,
        ];
        let sizes = [
            "--loads",
            "4711,4712",
            "--diameter",
            "4 in",
            "--length",
            "8 in",
        ];
        desk.act(&[&made[..], &sizes].concat());
    }
    let ahead = desk.accepted(&["show", "night", "--ahead"]);
    assert!(
        ahead.contains("No cylinder") || ahead.contains("no break"),
        "{ahead}"
    );
    let view = desk.shows("the pour is placed", |view| view.cylinder_sets.len() == 2);
    assert_eq!((view.status, view.loads.len()), (PourStatus::Curing, 2));
    assert_eq!(view.last_placement_at.map(text), Some(at(70)));
    let required_mpa = view.release_strength_mpa.expect("it was required");
    assert!(
        (required_mpa - 24.821).abs() < 1e-3,
        "3600 psi are not {required_mpa} MPa"
    );
}

fn watch(desk: &Desk, ago: &impl Fn(i64) -> String) {
    desk.act(&["heat", "on", "night", "--at", &ago(600)]);
    let view = desk.shows("the heat is on", |view| {
        view.heat.is_some_and(|heat| heat.on)
    });
    assert_eq!(view.heat.map(|heat| text(heat.since)), Some(ago(600)));
    desk.act(&["heat", "off", "night", "--at", &ago(120)]);
    desk.shows("the heat is off", |view| {
        view.heat.is_some_and(|heat| !heat.on)
    });
    desk.act(&["tarp", "lifted", "night", "--at", &ago(90)]);
    desk.shows("the tarp is lifted", |view| {
        view.tarp_lifted.is_some_and(|tarp| tarp.on)
    });
    desk.act(&["tarp", "back", "night", "--at", &ago(85)]);
    desk.shows("the tarp is back", |view| {
        view.tarp_lifted.is_some_and(|tarp| !tarp.on)
    });
    let position = |view: &PourView, index: usize| view.positions[index].clone();
    desk.act(&[
        "plug",
        "move",
        "night",
        "--channel",
        "c3",
        "--position",
        "P2",
        "--at",
        &ago(200),
    ]);
    desk.shows("the plug is moved", |view| {
        position(view, 1).channel.as_deref() == Some("c3")
    });
    let specimens = [
        "plug",
        "move",
        "night",
        "--channel",
        "s1",
        "--role",
        "specimen",
        "--set",
        "A",
    ];
    desk.act(&[&specimens[..], &["--at", &ago(14 * 60)]].concat());
    desk.shows("the specimens are read", |view| {
        view.other_channels
            .iter()
            .any(|one| one.channel == "s1" && one.set.as_deref() == Some("A"))
    });
    desk.act(&[
        "probe",
        "night",
        "--position",
        "P1",
        "--temperature",
        "122 °F",
        "--at",
        &ago(5),
    ]);
    let reasonless = desk.refused(&["exclude", "night", "--position", "P2", "--by", "Q. Lane"]);
    assert!(reasonless.contains("--why"), "{reasonless}");
    desk.act(&[
        "exclude",
        "night",
        "--position",
        "P2",
        "--why",
        "the wire was cut",
    ]);
    let view = desk.shows("P2 is left out", |view| {
        position(view, 1).excluded.is_some()
    });
    assert_eq!(
        position(&view, 1).excluded.as_deref(),
        Some("the wire was cut")
    );
    desk.act(&[
        "restore",
        "night",
        "--position",
        "P2",
        "--why",
        "the wire is mended",
    ]);
    desk.shows("P2 is back", |view| position(view, 1).excluded.is_none());
    desk.act(&[
        "accept-gaps",
        "night",
        "--position",
        "P1",
        "--why",
        "seen by hand",
    ]);
}

/// Breaks set A, well below its estimate, and has QC resolve it; the break's id.
fn break_a_set(desk: &Desk, ago: &impl Fn(i64) -> String) -> String {
    let unsigned = desk.refused(&["release", "night", "--line", "B1", "--by", "Q. Lane"]);
    assert!(unsigned.contains("nothing was recorded"), "{unsigned}");
    desk.act(&[
        "cylinders",
        "pulled",
        "night",
        "--set",
        "A",
        "--at",
        &ago(20),
    ]);
    let results = [
        "--specimen",
        "A1 50265 lbf 4 in",
        "--specimen",
        "A2 27.9 MPa",
    ];
    let times = ["--pulled", &ago(20), "--at", &ago(1)];
    let broken = [&["break", "night", "--set", "A"][..], &results, &times].concat();
    // So far off the curve it is asked back, and taken by name.
    let odd = desk.refused(&[&broken[..], &["--by", "Q. Lane"]].concat());
    assert!(odd.contains("--accept off-its-own-maturity"), "{odd}");
    desk.act(&[&broken[..], &["--accept", "off-its-own-maturity"]].concat());
    let view = desk.shows("the break is judged", |view| {
        view.cylinder_sets.iter().any(|set| !set.breaks.is_empty())
    });
    let broken = &view.cylinder_sets[0].breaks[0];
    assert!(broken.passes && broken.has_history, "{broken:?}");
    assert!(
        (broken.strengths_mpa[0] - 27.58).abs() < 0.01,
        "{:?}",
        broken.strengths_mpa
    );
    assert!(
        broken.ratio.is_some_and(|ratio| ratio < 0.8),
        "{:?}",
        broken.ratio
    );
    let holds: Vec<&str> = view
        .release_holds
        .iter()
        .map(|hold| hold.kind.as_str())
        .collect();
    assert!(
        holds.iter().any(|kind| kind.contains("disagree")),
        "{holds:?}"
    );
    let held = desk.refused(&["release", "night", "--line", "B1", "--by", "Q. Lane"]);
    assert!(held.contains("detensioning sequence"), "{held}");
    let id = broken.id.to_string();
    desk.act(&[
        "resolve",
        "night",
        "--break-id",
        &id,
        "--why",
        "the mix ran low on cement",
    ]);
    id
}

fn sign_and_strip(desk: &Desk, broken: &str) {
    desk.shows("cylinders passed", |view| {
        view.status == PourStatus::Confirmed
    });
    let unsigned = desk.refused(&["strip", "night", "--by", "R. Field"]);
    assert!(unsigned.contains("nothing was recorded"), "{unsigned}");
    desk.act(&["release", "night", "--line", "B1", "--break", broken]);
    let view = desk.shows("the line is released", |view| {
        view.status == PourStatus::Released
    });
    let release = view.release.expect("it is signed");
    assert_eq!(
        (release.by.as_str(), release.breaks[0].to_string()),
        ("R. Field", broken.to_owned())
    );
    desk.act(&["strip", "night"]);
    desk.shows("the products are off", |view| {
        view.status == PourStatus::Stripped
    });
}

fn give_another_up(desk: &Desk) {
    let opened = [
        "pour", "open", "--pour", "other", "--bed", "B1", "--mix", "M45",
    ];
    let given = ["--required", "24 MPa", "--from", "0 m", "--to", "50 m"];
    desk.act(&[&opened[..], &given].concat());
    let reasonless = desk.refused(&["abandon", "other", "--by", "Q. Lane"]);
    assert!(reasonless.contains("--why"), "{reasonless}");
    desk.act(&["abandon", "other", "--why", "the concrete was rejected"]);
    wait_until("the pour given up", Duration::from_secs(20), || {
        let view = desk.daemon.ask(async |client| client.pour("other").await)?;
        if view.status == PourStatus::Abandoned {
            Ok(())
        } else {
            Err(format!("{:?}", view.status))
        }
    });
    let yard = desk.accepted(&["show"]);
    assert!(yard.contains("B1"), "{yard}");
    let troubles = desk.accepted(&["troubles", "--json"]);
    let troubles: serde_json::Value = serde_json::from_str(&troubles).expect("JSON");
    assert!(troubles.is_array(), "{troubles}");
}

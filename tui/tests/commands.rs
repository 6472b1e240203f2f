//! The command line as a process against a daemon of the test's own: what is sent, printed and returned.

mod support;

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::process::{Command, Output};
use std::sync::{Arc, Mutex};

use daemon_api::act::{Act, ActAnswer, ActBody};
use daemon_api::bed::PlantSnapshot;
use daemon_api::error::{PROBLEM_MEDIA_TYPE, Problem, ProblemKind};
use daemon_api::reading::{Backfill, BackfillAnswer};
use support::normal;

/// Answers as the daemon would and keeps the bodies that were posted.
struct Daemon {
    base: String,
    posted: Arc<Mutex<Vec<String>>>,
}

impl Daemon {
    /// `refusal` is the problem with which every act is answered, where there is one.
    fn start(snapshot: PlantSnapshot, refusal: Option<Problem>) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let base = format!("http://{}", listener.local_addr().expect("an address"));
        let posted = Arc::new(Mutex::new(Vec::new()));
        let kept = Arc::clone(&posted);
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                answer(stream, &snapshot, refusal.as_ref(), &kept);
            }
        });
        Self { base, posted }
    }

    fn tarplight(&self, args: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_tarplight"))
            .args(args)
            .env("TARPLIGHT_DAEMON", &self.base)
            .env_remove("TARPLIGHT_BY")
            .output()
            .expect("the command runs")
    }

    fn act(&self) -> Act {
        let posted = self.posted.lock().expect("no panic elsewhere");
        serde_json::from_str(posted.last().expect("an act was posted")).expect("an act")
    }
}

fn answer(
    mut stream: TcpStream,
    snapshot: &PlantSnapshot,
    refusal: Option<&Problem>,
    posted: &Mutex<Vec<String>>,
) {
    let mut reader = BufReader::new(stream.try_clone().expect("a second handle"));
    let mut lines = Vec::new();
    loop {
        let mut line = String::new();
        if reader.read_line(&mut line).unwrap_or(0) == 0 || line.trim().is_empty() {
            break;
        }
        lines.push(line.trim().to_lowercase());
    }
    let length = lines
        .iter()
        .find_map(|line| line.strip_prefix("content-length:"))
        .map_or(0, |length| length.trim().parse().expect("a length"));
    let mut body = vec![0; length];
    reader.read_exact(&mut body).expect("a whole body");
    let body = String::from_utf8(body).expect("JSON");
    let request = lines.first().cloned().unwrap_or_default();
    let (status, media_type, answer) = if request.starts_with("post /v1/acts") {
        posted
            .lock()
            .expect("no panic elsewhere")
            .push(body.clone());
        let act: Act = serde_json::from_str(&body).expect("an act");
        match refusal {
            Some(problem) => (
                problem.status,
                PROBLEM_MEDIA_TYPE,
                serde_json::to_string(problem).expect("JSON"),
            ),
            None => {
                let answer = ActAnswer {
                    id: act.id,
                    sequence: 41,
                    recorded_at: support::now(),
                    already_known: false,
                    understood: "set A broken, N1, today 02:05".to_owned(),
                    cautions: vec!["Mind the steam.".to_owned()],
                    ..ActAnswer::default()
                };
                (
                    200,
                    "application/json",
                    serde_json::to_string(&answer).expect("JSON"),
                )
            }
        }
    } else if request.starts_with("post /v1/readings") {
        let sent: Backfill = serde_json::from_str(&body).expect("a back-fill");
        posted.lock().expect("no panic elsewhere").push(body);
        let answer = BackfillAnswer {
            new_count: u64::try_from(sent.readings.len()).expect("few"),
            known_count: 0,
            conflict_count: 0,
            unknown_channels: Vec::new(),
            from_the_future: None,
        };
        (
            200,
            "application/json",
            serde_json::to_string(&answer).expect("JSON"),
        )
    } else if let Some(pour) = request
        .strip_prefix("get /v1/pours/")
        .and_then(|rest| rest.split("/series").next())
    {
        let series = support::series(pour);
        (
            200,
            "application/json",
            serde_json::to_string(&series).expect("JSON"),
        )
    } else {
        (
            200,
            "application/json",
            serde_json::to_string(snapshot).expect("JSON"),
        )
    };
    let head = format!(
        "HTTP/1.1 {status} Answer\r\ncontent-type: {media_type}\r\ncontent-length: {}\r\nconnection: close\r\n\r\n",
        answer.len()
    );
    stream
        .write_all((head + &answer).as_bytes())
        .expect("the client waits for the answer");
}

fn out(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

fn err(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

#[test]
fn a_break_is_sent_as_typed_and_its_cautions_are_talk() {
    let daemon = Daemon::start(normal(), None);
    let output = daemon.tarplight(&[
        "break",
        "N1",
        "--set",
        "A",
        "--specimen",
        "A1 50265 lbf 4 in",
        "--specimen",
        "A2 3590 psi",
        "--pulled",
        "01:50",
        "--at",
        "02:05",
        "--by",
        "Q. Lane",
    ]);
    assert_eq!(output.status.code(), Some(0), "{}", err(&output));
    assert!(
        out(&output).starts_with("recorded: set A broken, N1, today 02:05 (number 41, id "),
        "{}",
        out(&output)
    );
    assert!(
        err(&output).contains("caution: Mind the steam."),
        "{}",
        err(&output)
    );
    let act = daemon.act();
    assert_eq!((act.pour.as_str(), act.by.as_str()), ("N1-77", "Q. Lane"));
    assert_eq!(act.happened_at, support::minutes_ago(9));
    let ActBody::BreakRecorded(result) = act.body else {
        panic!("not a break")
    };
    assert_eq!(result.pulled_at, Some(support::minutes_ago(24)));
    assert_eq!(
        result.specimens[0].as_typed.as_deref(),
        Some("50265 lbf 4 in")
    );
}

#[test]
fn a_refusal_and_a_missing_daemon_end_with_one_and_wrong_use_with_two() {
    let problem = Problem::new(
        ProblemKind::HoldStands,
        "hold",
        "No passing break confirms line N4.",
    );
    let daemon = Daemon::start(normal(), Some(problem));
    let output = daemon.tarplight(&["release", "N4", "--line", "N4", "--by", "Q. Lane"]);
    assert_eq!(output.status.code(), Some(1));
    let talk = err(&output);
    for words in [
        "refused, nothing was recorded: No passing break confirms line N4.",
        "Set A passed and confirms every position; the release is not signed.",
        "detensioning sequence and your local codes",
    ] {
        assert!(talk.contains(words), "{talk}");
    }
    assert_eq!(out(&output), "");
    let output = daemon.tarplight(&["heat", "sideways", "N4"]);
    assert_eq!(output.status.code(), Some(2));
    let gone = Daemon {
        base: "http://127.0.0.1:1".to_owned(),
        posted: Arc::default(),
    };
    let output = gone.tarplight(&["show"]);
    assert_eq!(output.status.code(), Some(1));
    assert!(
        err(&output).contains("is tarplightd running?"),
        "{}",
        err(&output)
    );
}

#[test]
fn what_is_wrong_is_said_before_anything_is_sent() {
    let daemon = Daemon::start(normal(), None);
    for (args, words) in [
        (&["heat", "on", "N1"][..], "--by \"YOUR NAME\""),
        (&["heat", "on", "N9", "--by", "x"], "the beds are N1, N2"),
        (&["heat", "on", "N3", "--by", "x"], "no open pour"),
        (&["exclude", "N1", "--position", "P1", "--by", "x"], "--why"),
        (
            &["release", "N4", "--line", "N5", "--by", "x"],
            "is cut with line N4",
        ),
        (
            &[
                "heat",
                "on",
                "N1",
                "--at",
                "2026-11-26T05:00:00-06:00",
                "--by",
                "x",
            ],
            "in the future",
        ),
        (
            &[
                "break",
                "N1",
                "--set",
                "A",
                "--specimen",
                "A1 50265",
                "--by",
                "x",
            ],
            "has no unit",
        ),
        (
            &[
                "probe",
                "N1",
                "--position",
                "P1",
                "--temperature",
                "58",
                "--by",
                "x",
            ],
            "has no unit",
        ),
    ] {
        let output = daemon.tarplight(args);
        assert_eq!(output.status.code(), Some(1), "{args:?}: {}", err(&output));
        assert!(err(&output).contains(words), "{args:?}: {}", err(&output));
    }
    assert!(daemon.posted.lock().expect("no panic elsewhere").is_empty());
}

#[test]
fn a_pour_is_opened_from_flags() {
    let daemon = Daemon::start(normal(), None);
    let id = "019aa7c0-0000-7000-8000-0000000000aa";
    let output = daemon.tarplight(&[
        "pour",
        "open",
        "--bed",
        "N3",
        "--mix",
        "DT-45",
        "--required",
        "3500 psi",
        "--from",
        "0 ft",
        "--to",
        "200 ft",
        "--first-placement",
        "13:10",
        "--wanted",
        "05:30",
        "--heat-on",
        "17:30",
        "--heat-off",
        "4 am",
        "--soak",
        "60 °C",
        "--position",
        "P1 20 ft stem",
        "--channel",
        "N3-01 P1",
        "--by",
        "R. Field",
        "--id",
        id,
    ]);
    assert_eq!(output.status.code(), Some(0), "{}", err(&output));
    let act = daemon.act();
    assert_eq!(
        (act.id.to_string().as_str(), act.pour.as_str()),
        (id, "N3-2026-11-26")
    );
    let ActBody::PourOpened(opened) = act.body else {
        panic!("not an opening")
    };
    assert!((opened.to_station_m - 60.96).abs() < 1e-9);
    assert_eq!(opened.channels[0].position.as_deref(), Some("P1"));
    let utc = |text: &str| text.parse().ok();
    assert_eq!(opened.first_placement_at, utc("2026-11-25T19:10:00Z"));
    assert_eq!(opened.wanted_release_at, utc("2026-11-26T11:30:00Z"));
    let plan = opened.heat_plan.expect("a heat plan");
    assert_eq!(plan.on_at, utc("2026-11-25T23:30:00Z"));
    assert_eq!(plan.off_at, utc("2026-11-26T10:00:00Z"));
    assert_eq!(plan.soak_c, Some(60.0));
}

#[test]
fn a_back_fill_with_bad_rows_stops_unless_told_to_skip_them() {
    let daemon = Daemon::start(normal(), None);
    let folder = std::env::temp_dir().join(format!("tarplight-backfill-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("a folder");
    let file = folder.join("memory.csv");
    std::fs::write(
        &file,
        "channel,measured_at,value\nN1-01,2026-11-26T07:00:00Z,58.4\nN1-01,soon,58.5\n",
    )
    .expect("a file");
    let path = file.to_str().expect("a plain path");
    let output = daemon.tarplight(&["backfill", path, "--by", "R. Field"]);
    assert_eq!(output.status.code(), Some(1));
    assert!(
        err(&output).contains("memory.csv: line 3, column measured_at"),
        "{}",
        err(&output)
    );
    assert!(daemon.posted.lock().expect("no panic elsewhere").is_empty());
    let output = daemon.tarplight(&["backfill", path, "--by", "R. Field", "--skip-bad-rows"]);
    std::fs::remove_dir_all(&folder).expect("the folder is the test's own");
    assert_eq!(output.status.code(), Some(0), "{}", err(&output));
    assert_eq!(
        out(&output),
        "1 new, 0 known already, 0 in conflict, 1 bad rows skipped\n"
    );
}

#[test]
fn what_lies_ahead_of_a_position_stands_below_what_the_cylinders_say() {
    let daemon = Daemon::start(normal(), None);
    let output = daemon.tarplight(&["show", "N1", "--ahead", "--units", "us"]);
    let text = out(&output);
    assert_eq!(output.status.code(), Some(0), "{}", err(&output));
    let line = |wanted: &str| {
        text.lines()
            .position(|line| line.contains(wanted))
            .unwrap_or_else(|| panic!("{wanted}: {text}"))
    };
    let ahead = line("position P1, required 3500 psi");
    assert!(line("only cylinders confirm") < ahead, "{text}");
    let last = text.lines().nth(ahead + 2).expect("the last hour");
    // 60 °C, 14.2 °C·h and 23.3 MPa, each 1 more and less.
    for told in [
        "140 °F (138 °F–142 °F)",
        "14.2 (13.2–15.2) °C·h",
        "3380 psi (3230 psi–3520 psi)",
    ] {
        assert!(last.contains(told), "{told}: {text}");
    }
    let wrong = daemon.tarplight(&["show", "--ahead"]);
    assert_eq!(wrong.status.code(), Some(2), "{}", out(&wrong));
}

#[test]
fn the_yard_as_text_never_shows_an_estimate_alone() {
    let daemon = Daemon::start(normal(), None);
    let text = out(&daemon.tarplight(&["show", "--units", "si"]));
    let lines: Vec<&str> = text.lines().collect();
    let estimates: Vec<usize> = (0..lines.len())
        .filter(|at| lines[*at].contains("estimate "))
        .collect();
    assert!(estimates.len() >= 4, "{text}");
    for at in estimates {
        let next = lines[at + 1];
        assert!(
            next.contains("confirm") || next.contains("failed"),
            "{text}"
        );
    }
    let json = out(&daemon.tarplight(&["show", "--json"]));
    let snapshot: PlantSnapshot = serde_json::from_str(&json).expect("the daemon's own JSON");
    assert_eq!(snapshot.beds.len(), 6);
}

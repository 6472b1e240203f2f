//! A broker that is away for thirty minutes: what loggers with and without a clock lose by it.

use std::time::Duration;

use chrono::{DateTime, SecondsFormat, TimeDelta, Utc};
use daemon_api::pour::{PositionView, PourView};
use harness::broker::Broker;
use harness::daemon::{Daemon, Launch};
use harness::plant::{PlantFile, open_pour, payload};
use harness::wait_until;

/// Plant seconds per second of wall time.
const SPEED: f64 = 150.0;
/// Minutes of plant time at which the broker goes and comes back, and at which the night ends.
const AWAY_FROM_MIN: i64 = 20;
const AWAY_TO_MIN: i64 = 50;
const END_MIN: i64 = 80;

/// The plant's clock, as the daemon is told to keep it.
struct Clock {
    start_wall: DateTime<Utc>,
    start: DateTime<Utc>,
}

impl Clock {
    fn options(&self) -> Vec<String> {
        let text = |at: DateTime<Utc>| at.to_rfc3339_opts(SecondsFormat::Millis, true);
        let pairs = [
            ("--clock-start-wall", text(self.start_wall)),
            ("--clock-start", text(self.start)),
            ("--clock-speed", SPEED.to_string()),
        ];
        pairs
            .into_iter()
            .flat_map(|(name, value)| [name.to_owned(), value])
            .collect()
    }

    fn now(&self) -> DateTime<Utc> {
        let elapsed_ms = (Utc::now() - self.start_wall).num_milliseconds() as f64 * SPEED;
        self.start + TimeDelta::milliseconds(elapsed_ms as i64)
    }

    fn wait_for(&self, at: DateTime<Utc>) {
        wait_until(
            "the plant's clock shows it",
            Duration::from_secs(60),
            || {
                let now = self.now();
                if now >= at {
                    Ok(())
                } else {
                    Err(format!("it shows {now}"))
                }
            },
        );
    }
}

/// A temperature that rises and never repeats itself.
fn celsius(minute: i64) -> f64 {
    22.0 + minute as f64 / 10.0
}

fn position<'a>(pour: &'a PourView, id: &str) -> &'a PositionView {
    let mut positions = pour.positions.iter();
    positions
        .find(|position| position.position == id)
        .unwrap_or_else(|| panic!("the pour has no {id}"))
}

/// Times at which a channel's readings count, as exported: measured, or received without a clock.
fn times(rows: &[String], channel: &str, column: usize) -> Vec<DateTime<Utc>> {
    let fields = |row: &String| row.split(',').map(str::to_owned).collect::<Vec<_>>();
    let mut found: Vec<DateTime<Utc>> = rows
        .iter()
        .map(fields)
        .filter(|row| row[2] == channel)
        .map(|row| {
            row[column]
                .parse()
                .unwrap_or_else(|_| panic!("{row:?}: column {column}"))
        })
        .collect();
    found.sort();
    found
}

#[test]
fn while_the_broker_is_away_a_clock_in_the_logger_decides_between_a_back_fill_and_a_gap() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut broker = Broker::start(&folder.path().join("broker"));
    let mut file = PlantFile::new(broker.port());
    file.short_gap_min = 10.0;
    let plant = file.write(&folder.path().join("plant"));
    let start: DateTime<Utc> = "2026-03-01T18:00:00Z".parse().expect("a time");
    let clock = Clock {
        start_wall: Utc::now(),
        start,
    };
    let launch = Launch {
        options: clock.options(),
        ..Launch::default()
    };
    let daemon = Daemon::launch(&plant, &folder.path().join("data"), launch);
    broker.wait_for_subscription();
    // The first readings are of a plant minute that has not come yet when the pour is opened.
    let first = clock.now() + TimeDelta::minutes(5);
    let opened = open_pour(
        "p",
        first - TimeDelta::minutes(5),
        &["clocked", "clockless"],
    );
    daemon
        .ask(async |client| client.act(&opened).await)
        .expect("the pour opens");
    // A logger with a clock and a memory keeps what the broker did not take; one without sends and
    // forgets.
    let mut memory: Vec<(i64, DateTime<Utc>)> = Vec::new();
    let mut taken_count = 0;
    let mut silent = None;
    for minute in 0..=END_MIN {
        let at = first + TimeDelta::minutes(minute);
        clock.wait_for(at);
        if minute == AWAY_FROM_MIN {
            broker.stop();
        }
        if minute == AWAY_TO_MIN {
            silent = Some(
                daemon.ask(async |client| Ok((client.pour("p").await?, client.snapshot().await?))),
            );
            broker.resume();
        }
        memory.push((minute, at));
        let lines: String = memory
            .iter()
            .map(|(minute, at)| payload(&[("clocked", *at, celsius(*minute))]) + "\n")
            .collect();
        if broker.try_publish_lines("logger/x/json", &lines) {
            memory.clear();
        }
        let plain = format!("{}\n", celsius(minute));
        taken_count += usize::from(broker.try_publish_lines("plain/clockless", &plain));
    }
    let (during, snapshot) = silent
        .expect("the broker was away")
        .expect("the daemon answers meanwhile");
    let trust = &position(&during, "P2").trust;
    assert_eq!(trust.reason.as_deref(), Some("silent"), "{trust:?}");
    let down: Vec<&str> = snapshot
        .troubles
        .iter()
        .filter(|trouble| trouble.kind == "source-down")
        .map(|trouble| trouble.what.as_str())
        .collect();
    assert!(
        !down.is_empty()
            && down
                .iter()
                .all(|what| what.contains("the broker at 127.0.0.1")),
        "{down:?}"
    );

    let minutes: Vec<DateTime<Utc>> = (0..=END_MIN)
        .map(|minute| first + TimeDelta::minutes(minute))
        .collect();
    let rows = wait_until("the back-fill is complete", Duration::from_secs(30), || {
        let rows = daemon.stored_rows()?;
        let found = times(&rows, "clocked", 1);
        if found == minutes {
            Ok(rows)
        } else {
            Err(format!("{} of {}", found.len(), minutes.len()))
        }
    });
    // Both loggers' last readings are of the same minute, so the judgement sees both whole.
    let pour = wait_until("the gap is judged", Duration::from_secs(30), || {
        let pour = daemon.ask(async |client| client.pour("p").await)?;
        let bridged_h = position(&pour, "P2").bridged_h;
        if bridged_h > 0.0 {
            Ok(pour)
        } else {
            Err(format!("{bridged_h} h bridged"))
        }
    });
    let outage_h = (AWAY_TO_MIN - AWAY_FROM_MIN) as f64 / 60.0;
    assert!(
        position(&pour, "P1").bridged_h.abs() < 1e-9,
        "{:?}",
        position(&pour, "P1")
    );
    assert!(
        position(&pour, "P2").bridged_h >= outage_h,
        "{:?}",
        position(&pour, "P2")
    );

    let arrivals = times(&rows, "clockless", 0);
    assert!(
        arrivals.len() <= taken_count,
        "{} of {taken_count}",
        arrivals.len()
    );
    let longest = arrivals.windows(2).map(|pair| pair[1] - pair[0]).max();
    assert!(
        longest >= Some(TimeDelta::minutes(AWAY_TO_MIN - AWAY_FROM_MIN)),
        "{longest:?}"
    );
    let series = daemon
        .ask(async |client| client.series("p", 200).await)
        .expect("the series is there");
    let run_count = |name: &str| {
        let one = series.series.iter().find(|one| one.name == name);
        one.map(|one| one.runs.len())
    };
    assert_eq!((run_count("P1"), run_count("P2")), (Some(1), Some(2)));
    println!(
        "the clockless logger's gap: {} min; back-filled: {} readings",
        longest.map_or(0, |longest| longest.num_minutes()),
        AWAY_TO_MIN - AWAY_FROM_MIN
    );
}

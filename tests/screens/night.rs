//! The daemon's worked example as a running daemon: what was known by a moment, and a clock that stands.

use std::path::PathBuf;
use std::process::Command;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use chrono::{DateTime, Utc};
use daemon_api::Act;
use daemon_api::reading::{Backfill, BackfillReading};
use harness::daemon::{Daemon, Launch};
use harness::{wait_until, workspace_root};
use serde_json::Value;
use tempfile::TempDir;

/// Plant seconds per wall second of a clock that stands: no test lasts the eight minutes that would
/// move it by a millisecond, which could move a dot of a chart.
const STANDING: &str = "0.000001";
/// Slow enough that no test lasts a minute of it, fast enough that ages count.
const SLOW: &str = "0.1";
/// After an answer to an act the daemon looks at its pours anew; a slow machine takes its time.
const ASSESSED_WITHIN: Duration = Duration::from_secs(30);

/// Held while a daemon takes its port.
static STARTING: Mutex<()> = Mutex::new(());

/// A daemon that knows what the example's people and loggers had said by a moment.
pub struct Night {
    pub daemon: Daemon,
    _folder: TempDir,
}

fn example(name: &str) -> PathBuf {
    workspace_root().join("daemon/example").join(name)
}

fn text(name: &str) -> String {
    std::fs::read_to_string(example(name)).expect("a file of the example")
}

fn time(text: &str) -> DateTime<Utc> {
    text.parse().expect("an instant of the example")
}

impl Night {
    /// With a clock that stands at `moment`.
    pub fn stopped_at(moment: &str) -> Self {
        Self::start(moment, STANDING)
    }

    /// With a clock that goes on slowly from `moment`.
    pub fn slow_from(moment: &str) -> Self {
        Self::start(moment, SLOW)
    }

    fn start(moment: &str, speed: &str) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let options = ["--clock-start", moment, "--clock-speed", speed];
        let launch = Launch {
            options: options.map(str::to_owned).to_vec(),
            ..Launch::default()
        };
        let data = folder.path().join("data");
        // A free port is only known to be free until another test asks for one.
        let one_at_a_time = STARTING.lock().unwrap_or_else(PoisonError::into_inner);
        let daemon = Daemon::launch(&example("plant.toml"), &data, launch);
        drop(one_at_a_time);
        let night = Self {
            daemon,
            _folder: folder,
        };
        night.tell(time(moment));
        night
    }

    /// Acts and readings of the example that were known by `moment`.
    fn tell(&self, moment: DateTime<Utc>) {
        // Readings come first, as they would in a night: a trouble keeps the time since when it was first
        // known, and a channel that has not spoken yet would be silent since its pour began.
        let backfill = Backfill {
            by: "Q. Example".to_owned(),
            origin: "readings.csv".to_owned(),
            readings: readings(moment),
        };
        self.daemon
            .ask(async |client| client.backfill(&backfill).await)
            .expect("the readings are recorded");
        let mut break_count = 0;
        for line in text("pours.jsonl").lines() {
            let mut act: Value = serde_json::from_str(line).expect("an act");
            let fields = act.as_object_mut().expect("an act is an object");
            let recorded_at = fields.remove("recorded_at").expect("recorded at some time");
            if time(recorded_at.as_str().expect("an instant")) > moment {
                continue;
            }
            break_count += usize::from(act["act"] == "break-recorded");
            let act: Act = serde_json::from_value(act).expect("an act");
            self.daemon
                .ask(async |client| client.act(&act).await)
                .expect("the act is recorded");
        }
        wait_until("the readings are assessed", ASSESSED_WITHIN, || {
            let plant = self.daemon.ask(async |client| client.snapshot().await)?;
            let pours = plant.beds.iter().flat_map(|bed| &bed.pours);
            let unread: Vec<&str> = pours
                .filter(|pour| pour.forecast.likely_at.is_none())
                .map(|pour| pour.pour.as_str())
                .collect();
            let sets = plant.beds.iter().flat_map(|bed| &bed.pours);
            let sets = sets.flat_map(|pour| &pour.cylinder_sets);
            let judged_count: usize = sets.map(|set| set.breaks.len()).sum();
            if judged_count < break_count {
                Err(format!("{judged_count} of {break_count} breaks are judged"))
            } else if unread.is_empty() {
                Ok(())
            } else {
                Err(format!("no forecast of {}", unread.join(", ")))
            }
        });
    }

    /// Halts the daemon's process until the answer is dropped: it keeps its connections and says nothing.
    pub fn halt(&self) -> Halted {
        let process_id = self.daemon.process_id();
        signal("-STOP", process_id);
        Halted(process_id)
    }
}

/// The example's values received by `moment`. A logger without a clock gets the time of arrival;
/// faults cannot be filled in, so a cut wire is a channel that fell silent.
fn readings(moment: DateTime<Utc>) -> Vec<BackfillReading> {
    let text = text("readings.csv");
    let rows = text
        .lines()
        .skip(1)
        .map(|line| line.split(',').collect::<Vec<_>>());
    rows.filter(|row| time(row[0]) <= moment)
        .filter_map(|row| {
            let measured_at = if row[1].is_empty() { row[0] } else { row[1] };
            Some(BackfillReading {
                channel: row[2].to_owned(),
                measured_at: time(measured_at),
                temperature_c: row[3].parse().ok()?,
            })
        })
        .collect()
}

/// A process that does not run until this is dropped.
pub struct Halted(u32);

impl Drop for Halted {
    fn drop(&mut self) {
        signal("-CONT", self.0);
    }
}

fn signal(signal: &str, process_id: u32) {
    let told = Command::new("kill")
        .args([signal, &process_id.to_string()])
        .status()
        .expect("kill runs");
    assert!(told.success(), "kill {signal} {process_id}: {told}");
}

//! The daemon's worked example as a running daemon: what was known by a moment, and a clock that stands.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use chrono::{DateTime, Utc};
use daemon_api::reading::{Backfill, BackfillReading};
use daemon_api::{Act, ActBody};
use harness::daemon::{Daemon, Launch};
use harness::disk::SmallDisk;
use harness::{wait_until, workspace_root};
use serde_json::Value;
use tempfile::TempDir;
use uuid::Uuid;

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
    pub disk: Option<SmallDisk>,
    _folder: TempDir,
}

fn example(name: &str) -> PathBuf {
    workspace_root().join("daemon/example").join(name)
}

/// The example's plant file with what a scene adds, its curve beside it.
fn plant_file(folder: &Path, scene: &Scene) -> PathBuf {
    let curves = folder.join("curves");
    std::fs::create_dir_all(&curves).expect("a folder");
    std::fs::copy(example("curves/m45.toml"), curves.join("m45.toml"))
        .expect("the curve is copied");
    let records = text("curves/m45.records.toml") + scene.curve_records;
    std::fs::write(curves.join("m45.records.toml"), records).expect("its records are written");
    let plant = folder.join("plant.toml");
    let mut written = text("plant.toml");
    if scene.is_on_one_boiler {
        let named = "limit_set = \"plant spec\"\nheat_source = \"boiler 1\"";
        written = written.replace("limit_set = \"plant spec\"", named);
    }
    std::fs::write(&plant, written + scene.plant).expect("the plant file is written");
    plant
}

fn text(name: &str) -> String {
    std::fs::read_to_string(example(name)).expect("a file of the example")
}

fn time(text: &str) -> DateTime<Utc> {
    text.parse().expect("an instant of the example")
}

/// What a situation changes of the example's night.
pub struct Scene {
    /// Up to when the example's people and loggers are heard.
    pub moment: &'static str,
    /// Further text of the plant file.
    pub plant: &'static str,
    /// Further text of the records beside the curve.
    pub curve_records: &'static str,
    /// Changes a reading; false where it never came.
    pub reading: fn(&mut BackfillReading) -> bool,
    /// Changes an act of the example.
    pub act: fn(&mut Value),
    /// What people did besides.
    pub more_acts: fn() -> Vec<Value>,
    /// Whether both beds have their heat from one boiler.
    pub is_on_one_boiler: bool,
    /// The trouble that must stand then.
    pub kind: &'static str,
}

impl Default for Scene {
    fn default() -> Self {
        Self {
            moment: "2026-01-21T06:00:05Z",
            plant: "",
            curve_records: "",
            reading: |_| true,
            act: |_| {},
            more_acts: Vec::new,
            is_on_one_boiler: false,
            kind: "",
        }
    }
}

impl Night {
    /// With a clock that stands at `moment`.
    pub fn stopped_at(moment: &'static str) -> Self {
        let night = Self::start(moment, STANDING, &Scene::default(), None);
        night.tell(time(moment), &Scene::default());
        night.is_forecast();
        night
    }

    /// With a clock that goes on slowly from `moment`.
    pub fn slow_from(moment: &'static str) -> Self {
        let night = Self::start(moment, SLOW, &Scene::default(), None);
        night.tell(time(moment), &Scene::default());
        night.is_forecast();
        night
    }

    /// A situation at a clock that stands.
    ///
    /// The daemon is started again once it knows everything: at its first look it tells at once how
    /// long a trouble has stood, where a clock that stands would never end an on-delay.
    pub fn of(scene: &Scene, disk: Option<SmallDisk>) -> Self {
        let mut night = Self::start(scene.moment, STANDING, scene, disk);
        night.tell(time(scene.moment), scene);
        night.daemon.stop();
        night.daemon.resume();
        night.stands(scene.kind);
        night
    }

    fn start(moment: &str, speed: &str, scene: &Scene, disk: Option<SmallDisk>) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let options = ["--clock-start", moment, "--clock-speed", speed];
        let log = folder.path().join("daemon.log");
        let launch = Launch {
            options: options.map(str::to_owned).to_vec(),
            ..disk
                .as_ref()
                .map_or_else(Launch::default, |disk| disk.launch(log))
        };
        let data = disk
            .as_ref()
            .map_or(folder.path(), SmallDisk::path)
            .join("data");
        let plant = plant_file(folder.path(), scene);
        // A free port is only known to be free until another test asks for one.
        let one_at_a_time = STARTING.lock().unwrap_or_else(PoisonError::into_inner);
        let daemon = Daemon::launch(&plant, &data, launch);
        drop(one_at_a_time);
        Self {
            daemon,
            disk,
            _folder: folder,
        }
    }

    /// Acts and readings of the example that were known by `moment`, as the scene has them.
    fn tell(&self, moment: DateTime<Utc>, scene: &Scene) {
        // Readings come first, as they would in a night: a trouble keeps the time since when it was first
        // known, and a channel that has not spoken yet would be silent since its pour began.
        let readings = readings(moment).into_iter().filter_map(|mut reading| {
            let came = (scene.reading)(&mut reading);
            came.then_some(reading)
        });
        let backfill = Backfill {
            by: "Q. Example".to_owned(),
            origin: "readings.csv".to_owned(),
            readings: readings.collect(),
        };
        self.daemon
            .ask(async |client| client.backfill(&backfill).await)
            .expect("the readings are recorded");
        for line in text("pours.jsonl").lines() {
            let mut act: Value = serde_json::from_str(line).expect("an act");
            let fields = act.as_object_mut().expect("an act is an object");
            let recorded_at = fields.remove("recorded_at").expect("recorded at some time");
            if time(recorded_at.as_str().expect("an instant")) > moment {
                continue;
            }
            (scene.act)(&mut act);
            self.act(act);
        }
        for act in (scene.more_acts)() {
            self.act(act);
        }
    }

    /// Something that a person did, with an id of its own where it has none.
    pub fn act(&self, mut act: Value) {
        let fields = act.as_object_mut().expect("an act is an object");
        fields
            .entry("id")
            .or_insert_with(|| Uuid::now_v7().to_string().into());
        let act: Act = serde_json::from_value(act).expect("an act");
        self.daemon
            .ask(async |client| client.act(&act).await)
            .expect("the act is recorded");
    }

    /// Waits until every pour has its forecast and every break is judged.
    fn is_forecast(&self) {
        let acts = self.daemon.ask(async |client| client.acts(None).await);
        let acts = acts.expect("the acts on record");
        let is_break = |act: &&Act| matches!(act.body, ActBody::BreakRecorded(_));
        let break_count = acts.iter().filter(is_break).count();
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

    /// Waits until a trouble of that kind is told; its alarm's id.
    pub fn stands(&self, kind: &str) -> String {
        wait_until(&format!("{kind} stands"), ASSESSED_WITHIN, || {
            let plant = self.daemon.ask(async |client| client.snapshot().await)?;
            let told: Vec<String> = plant.troubles.iter().map(|one| one.id.clone()).collect();
            let found = plant.troubles.into_iter().find(|one| one.kind == kind);
            found.map(|one| one.id).ok_or_else(|| told.join(", "))
        })
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

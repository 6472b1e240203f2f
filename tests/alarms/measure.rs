//! Nights simulated, replayed through the watch, and held against the faults that befell them.

use std::collections::{BTreeMap, HashMap};
use std::fmt::Write;
use std::fs;
use std::path::Path;
use std::process::Command;

use chrono::{DateTime, TimeDelta, Utc};
use serde::Deserialize;
use serde_json::Value;

use crate::effect::{Truth, values};

type Instant = DateTime<Utc>;

/// A fault must last this long while it matters: a shorter one is over before a person comes.
const LASTING: TimeDelta = TimeDelta::minutes(45);
/// A fault that did less than this to the concrete, or to what was read of it, needs nobody, °C: the heat
/// made up for it, or the wire hung where it was as warm as in the concrete.
const FELT_C: f64 = 2.0;
/// An alarm that rings this long after a fault's end still tells of it.
const TOLD_WITHIN: TimeDelta = TimeDelta::minutes(20);
/// An alarm that stands for longer is stale (seen at second hand: pages that quote EEMUA 191).
const STALE: TimeDelta = TimeDelta::hours(24);

/// Which alarms tell of a fault; none where no person is needed.
fn telling(fault: &str) -> &'static [&'static str] {
    match fault {
        "cut-wire" => &["sensor-open", "sensor-fault", "sensor-silent"],
        "stuck" => &["sensor-stuck"],
        "reads-air" => &["sensor-reads-air", "sensor-step"],
        "reads-steam" => &[
            "sensor-step",
            "sensor-reads-air",
            "heating-too-fast",
            "too-hot",
            "sensor-out-of-range",
        ],
        "tarp-off" | "boiler-trip" => &[
            "losing-heat",
            "local-heat-loss",
            "heat-source-lost",
            "heat-not-started",
        ],
        "logger-unplugged" | "late-batch" => &["logger-silent", "bed-silent", "sensor-silent"],
        "clock-wrong" => &["clock-wrong"],
        // Single values that jump, and what comes twice or damaged, are dealt with without a person.
        _ => &[],
    }
}

/// One pour while its bed is under cure, with what was plugged in where.
struct Cure {
    pour: String,
    bed: String,
    from: Instant,
    to: Instant,
    heat_from: Option<Instant>,
    heat_to: Option<Instant>,
    /// Channel → position, or itself where it reads no concrete.
    places: HashMap<String, String>,
}

/// One alarm that rang.
#[derive(Debug, Clone)]
struct Rang {
    at: Instant,
    kind: String,
    bed: Option<String>,
    place: Option<String>,
}

/// What became of one fault.
#[derive(Debug, Clone)]
pub struct Told {
    pub kind: String,
    pub target: String,
    pub from: Instant,
    /// How far it moved the concrete or what was read of it, °C; `None` where nothing could be read.
    pub moved_c: Option<f64>,
    pub outcome: Outcome,
}

/// Whether somebody was called.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Outcome {
    /// So many minutes after it began to matter.
    Rang(f64),
    TooShort,
    /// It moved nothing that matters.
    Unfelt,
    Missed,
}

/// The nights as measured.
pub struct Measured {
    rang: Vec<Rang>,
    told: Vec<Told>,
    /// Alarms that stood for too long: id and since when.
    stale: Vec<(String, Instant)>,
    hours: f64,
}

/// Simulates nights, replays them through the watch, and compares.
pub fn measure(seed: u64, nights: u32) -> Measured {
    let folder = tempfile::tempdir().expect("a folder");
    let dir = folder.path();
    let out = dir.to_str().expect("a path in UTF-8");
    let unharmed_dir = dir.join("unharmed");
    let unharmed_out = unharmed_dir.to_str().expect("a path in UTF-8");
    let (seed, nights) = (seed.to_string(), nights.to_string());
    let args = ["history", "--seed", &seed, "--nights", &nights, "--out"];
    for more in [&[out][..], &[unharmed_out, "--without-faults"]] {
        let mut simulator = Command::new(harness::binary("tarplight-sim"));
        run(simulator.args(args).args(more));
    }
    let file = |name: &str| dir.join(name).display().to_string();
    let (plant, pours, readings) = (
        file("plant.toml"),
        file("pours.jsonl"),
        file("readings.csv"),
    );
    let args = ["replay-alarms", "--plant", &plant, "--pours", &pours];
    let args = args
        .into_iter()
        .chain(["--readings", &readings, "--every", "2m"]);
    let alarms = run(Command::new(harness::binary("tarplightd")).args(args));
    let events: Vec<Value> = lines(&alarms);
    let cures = cures(&dir.join("pours.jsonl"));
    let rang: Vec<Rang> = events.iter().filter_map(rang).collect();
    let faults = fs::read_to_string(dir.join("faults.jsonl")).expect("the faults");
    let fault = |line: &str| serde_json::from_str(line).expect("a fault");
    let faults: Vec<Fault> = faults.lines().map(fault).collect();
    let targets: Vec<String> = faults.iter().map(|fault| fault.target.clone()).collect();
    let known = Known {
        rang: &rang,
        truth: Truth::read(dir),
        unharmed: Truth::read(&unharmed_dir),
        values: values(dir, &targets),
    };
    Measured {
        told: faults
            .iter()
            .flat_map(|fault| known.told(fault, &cures))
            .collect(),
        stale: stale(&events),
        hours: manned_h(&cures),
        rang,
    }
}

fn run(command: &mut Command) -> String {
    let output = command.output().expect("it starts");
    let problem = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{command:?}: {problem}");
    String::from_utf8(output.stdout).expect("UTF-8")
}

fn lines(text: &str) -> Vec<Value> {
    let parse = |line: &str| serde_json::from_str(line).expect("a line of JSON");
    text.lines().map(parse).collect()
}

fn instant(value: &Value) -> Instant {
    let text = value.as_str().expect("a time");
    text.parse().expect("a time in RFC 3339")
}

fn rang(event: &Value) -> Option<Rang> {
    let name = event["event"].as_str()?;
    let trouble = &event["trouble"];
    ["raised", "worsened", "woken"]
        .contains(&name)
        .then(|| Rang {
            at: instant(&event["at"]),
            kind: trouble["kind"].as_str().unwrap_or_default().to_owned(),
            bed: trouble["bed"].as_str().map(str::to_owned),
            place: trouble["place"].as_str().map(str::to_owned),
        })
}

fn stale(events: &[Value]) -> Vec<(String, Instant)> {
    let mut standing: BTreeMap<String, Instant> = BTreeMap::new();
    let mut stale = Vec::new();
    for event in events {
        let id = event["trouble"]["id"]
            .as_str()
            .unwrap_or_default()
            .to_owned();
        let at = instant(&event["at"]);
        match event["event"].as_str().unwrap_or_default() {
            "raised" => {
                standing.insert(id, at);
            }
            "cleared" | "closed" => {
                let since = standing.remove(&id);
                stale.extend(
                    since
                        .filter(|since| at - *since > STALE)
                        .map(|since| (id, since)),
                );
            }
            _ => {}
        }
    }
    stale
}

/// Every pour from its opening to its release.
fn cures(file: &Path) -> Vec<Cure> {
    let mut cures: BTreeMap<String, Cure> = BTreeMap::new();
    for act in lines(&fs::read_to_string(file).expect("the pours")) {
        let pour = act["pour"].as_str().expect("a pour").to_owned();
        let at = instant(&act["happened_at"]);
        if act["act"] == "pour-opened" {
            let channels = act["channels"].as_array().into_iter().flatten();
            let places = channels.filter_map(|channel| {
                let name = channel["channel"].as_str()?;
                let place = channel["position"].as_str().unwrap_or(name);
                Some((name.to_owned(), place.to_owned()))
            });
            let cure = Cure {
                bed: act["bed"].as_str().expect("a bed").to_owned(),
                pour,
                from: at,
                to: Instant::MAX_UTC,
                heat_from: None,
                heat_to: None,
                places: places.collect(),
            };
            cures.insert(cure.pour.clone(), cure);
        } else if let Some(cure) = cures.get_mut(&pour) {
            match act["act"].as_str().unwrap_or_default() {
                "heat-on" => cure.heat_from = Some(at),
                "heat-off" => cure.heat_to = Some(at),
                "release-signed" | "abandoned" => cure.to = cure.to.min(at),
                _ => {}
            }
        }
    }
    cures.into_values().collect()
}

/// Hours during which anything at all was under cure.
fn manned_h(cures: &[Cure]) -> f64 {
    let mut spans: Vec<(Instant, Instant)> =
        cures.iter().map(|cure| (cure.from, cure.to)).collect();
    spans.sort();
    let mut seconds = 0;
    let mut until = Instant::MIN_UTC;
    for (from, to) in spans {
        seconds += (to - from.max(until)).num_seconds().max(0);
        until = until.max(to);
    }
    seconds as f64 / 3600.0
}

/// What the nights are judged by.
struct Known<'a> {
    rang: &'a [Rang],
    truth: Truth,
    unharmed: Truth,
    values: HashMap<String, Vec<(Instant, f64)>>,
}

/// A fault as the simulator tells it.
#[derive(Deserialize)]
struct Fault {
    kind: String,
    target: String,
    from_at: Instant,
    until_at: Instant,
}

impl Fault {
    fn is_of_heat(&self) -> bool {
        ["tarp-off", "boiler-trip"].contains(&self.kind.as_str())
    }

    /// When it mattered to a pour; `None` where it befell another, or not at its time.
    fn mattered(&self, cure: &Cure) -> Option<(Instant, Instant)> {
        if self.target != cure.bed && !cure.places.contains_key(&self.target) {
            return None;
        }
        let (begins, ends) = if self.is_of_heat() {
            (
                cure.heat_from?,
                cure.heat_to.unwrap_or(cure.to).min(cure.to),
            )
        } else {
            (cure.from, cure.to)
        };
        let (begins, ends) = (self.from_at.max(begins), self.until_at.min(ends));
        (ends > begins).then_some((begins, ends))
    }
}

impl Known<'_> {
    /// What became of a fault on every bed that it befell while it mattered there.
    fn told(&self, fault: &Fault, cures: &[Cure]) -> Vec<Told> {
        if telling(&fault.kind).is_empty() {
            return Vec::new();
        }
        let told = |cure: &Cure| {
            let span = fault.mattered(cure)?;
            let moved_c = self.moved_c(fault, cure, span);
            Some(Told {
                kind: fault.kind.clone(),
                target: fault.target.clone(),
                from: span.0,
                moved_c,
                outcome: self.outcome(fault, cure, span, moved_c),
            })
        };
        cures.iter().filter_map(told).collect()
    }

    fn outcome(
        &self,
        fault: &Fault,
        cure: &Cure,
        (begins, ends): (Instant, Instant),
        moved_c: Option<f64>,
    ) -> Outcome {
        let place = cure.places.get(&fault.target);
        let first = self.rang.iter().find(|one| {
            telling(&fault.kind).contains(&one.kind.as_str())
                && (begins..ends + TOLD_WITHIN).contains(&one.at)
                && one.bed.as_ref().is_none_or(|bed| *bed == cure.bed)
                && place.is_none_or(|place| one.place.as_ref().is_none_or(|at| at == place))
        });
        match first {
            Some(first) => Outcome::Rang((first.at - begins).num_seconds() as f64 / 60.0),
            None if ends - begins < LASTING => Outcome::TooShort,
            None if moved_c.is_some_and(|moved_c| moved_c < FELT_C) => Outcome::Unfelt,
            None => Outcome::Missed,
        }
    }

    /// How far it moved the concrete of a bed, or what was read of it from the concrete, °C.
    fn moved_c(&self, fault: &Fault, cure: &Cure, span: (Instant, Instant)) -> Option<f64> {
        if fault.is_of_heat() {
            return Some(self.truth.cooled_c(&self.unharmed, &cure.pour, span));
        }
        if !["reads-air", "reads-steam", "stuck"].contains(&fault.kind.as_str()) {
            return None;
        }
        let place = cure.places.get(&fault.target)?;
        let values = self
            .values
            .get(&fault.target)
            .map_or(&[][..], Vec::as_slice);
        Some(self.truth.off_c((&cure.pour, place), values, span))
    }
}

impl Measured {
    pub fn rate_per_h(&self) -> f64 {
        self.rang.len() as f64 / self.hours.max(1.0)
    }

    pub fn most_in_ten_minutes(&self) -> usize {
        let window = TimeDelta::minutes(10);
        let within = |from: Instant| {
            let one = |other: &&Rang| other.at >= from && other.at <= from + window;
            self.rang.iter().filter(one).count()
        };
        self.rang
            .iter()
            .map(|one| within(one.at))
            .max()
            .unwrap_or(0)
    }

    pub fn stale(&self) -> &[(String, Instant)] {
        &self.stale
    }

    /// Faults that lasted, were felt, could be read, and that no alarm told of.
    pub fn missed(&self) -> Vec<&Told> {
        let is_missed = |told: &&Told| told.outcome == Outcome::Missed;
        self.told.iter().filter(is_missed).collect()
    }

    /// A table in words and numbers.
    pub fn report(&self) -> String {
        let mut text = format!(
            "{} alarms in {:.0} h: {:.2} an hour over the whole plant, at most {} in ten minutes\n\n",
            self.rang.len(),
            self.hours,
            self.rate_per_h(),
            self.most_in_ten_minutes()
        );
        let mut kinds: BTreeMap<&str, usize> = BTreeMap::new();
        for one in &self.rang {
            *kinds.entry(&one.kind).or_default() += 1;
        }
        // Writing into a string cannot fail.
        let _ = writeln!(text, "{:<28} {:>5}", "alarm", "count");
        for (kind, count) in kinds {
            let _ = writeln!(text, "{kind:<28} {count:>5}");
        }
        let _ = writeln!(
            text,
            "\n{:<18} {:<10} {:<17} {:>7}  {:<9}",
            "fault", "target", "from", "moved", "after"
        );
        for told in &self.told {
            let after = match told.outcome {
                Outcome::Rang(after_min) => format!("{after_min:.0} min"),
                Outcome::TooShort => "too short".to_owned(),
                Outcome::Unfelt => "not felt".to_owned(),
                Outcome::Missed => "MISSED".to_owned(),
            };
            let moved = told
                .moved_c
                .map_or_else(String::new, |moved_c| format!("{moved_c:.1} °C"));
            let _ = writeln!(
                text,
                "{:<18} {:<10} {:<17} {moved:>7}  {after}",
                told.kind,
                told.target,
                told.from.format("%Y-%m-%d %H:%M")
            );
        }
        text
    }
}

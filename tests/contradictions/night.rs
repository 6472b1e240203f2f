//! A simulated night in which invented people break, sign and switch at random, looked at again and again.

use std::process::Command;
use std::sync::Arc;

use chrono::{DateTime, TimeDelta, Utc};
use daemon::config::PlantFile;
use daemon::convert;
use daemon::pour_file::read_pour_file;
use daemon::watch::plan::plan;
use daemon_api::bed::{BedView, PlantSnapshot, PlantView, StoreView};
use daemon_api::plan::PlanAnswer;
use daemon_api::trouble::TroubleView;
use daemon_core::act::{Act, ActBody};
use daemon_core::alarm::{Alarm, AlarmBook};
use daemon_core::assessment::{Outcome, PourAssessment};
use daemon_core::plant::Plant;
use daemon_core::reading::{Content, Reading};
use daemon_core::time::UtcMs;
use serde_json::{Value, json};
use uuid::Uuid;

/// Chances at one look that people break a set, sign what is confirmed, and switch heat.
const BREAKS: f64 = 0.12;
const BREAKS_AFTER_RELEASE: f64 = 0.08;
const SIGNS: f64 = 0.3;
const SWITCHES: f64 = 0.03;
/// Strengths over the required one, from … to.
const STRENGTHS: (f64, f64) = (0.85, 1.2);
/// From when on sets are broken, h after the first reading.
const BREAKS_FROM_H: f64 = 9.0;
const LASTS_H: i64 = 22;

/// All that is known and told at one moment.
pub struct Look {
    pub snapshot: PlantSnapshot,
    pub plan: PlanAnswer,
}

pub struct Night {
    plant: Plant,
    zone: String,
    acts: Vec<Act>,
    readings: Vec<Reading>,
    book: AlarmBook,
    began_at: UtcMs,
    now: UtcMs,
    dice: Dice,
}

/// Chance that is the same again for a seed (splitmix64).
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((mixed ^ (mixed >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    fn between(&mut self, from: f64, to: f64) -> f64 {
        from + (to - from) * self.next()
    }
}

impl Night {
    /// One night of eight beds with its faults; its own breaks and signatures are left to chance instead.
    pub fn simulated(seed: u64) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let made = Command::new(harness::binary("tarplight-sim"))
            .args(["history", "--nights", "1", "--seed", &seed.to_string()])
            .arg("--out")
            .arg(folder.path())
            .status()
            .expect("the simulator runs");
        assert!(made.success(), "{made}");
        let file = PlantFile::load(&folder.path().join("plant.toml"), &[]).expect("its plant file");
        let acts = read_pour_file(&folder.path().join("pours.jsonl"), &file.core);
        let mut acts = acts.expect("its acts");
        acts.retain(|act| {
            !matches!(
                act.body,
                ActBody::BreakRecorded(_) | ActBody::ReleaseSigned(_) | ActBody::Stripped
            )
        });
        let readings = readings(&folder.path().join("readings.csv"));
        let began_at = readings
            .first()
            .map(|one| one.received_at)
            .expect("readings");
        let mut plant_file = file;
        // Both rules for what a set stands for are read, one in each night.
        if seed.is_multiple_of(2) {
            plant_file.core.release.set_stands_for = daemon_core::config::SetScope::Pour;
        }
        Self {
            zone: plant_file.zone.name().to_owned(),
            plant: Plant::new(plant_file.core),
            acts,
            readings,
            book: AlarmBook::default(),
            began_at,
            now: began_at,
            dice: Dice(seed),
        }
    }

    /// The next look, some minutes after the last; none when the night is over.
    pub fn look(&mut self, after_min: i64) -> Option<Look> {
        self.now = UtcMs(self.now.0 + after_min * 60_000);
        if self.now > self.began_at.plus_hours(LASTS_H as f64) {
            return None;
        }
        self.hear();
        let before = self.plant.assess(self.now);
        for act in self.people(&before.pours) {
            let act: daemon_api::Act = serde_json::from_value(act).expect("an act");
            self.plant
                .take_act(convert::act::act(&act).expect("the core reads it"));
        }
        let assessment = self.plant.assess(self.now);
        self.book.look(&assessment.troubles, self.now);
        // What stands by itself, told without the delays of alarms: those are judged elsewhere.
        let alarms: Vec<Alarm> = self.book.alarms().into_iter().cloned().collect();
        let is_told = |alarm: &&Alarm| {
            let mut troubles = assessment.troubles.iter();
            troubles.any(|trouble| trouble.id() == alarm.id)
        };
        let troubles: Vec<TroubleView> = alarms
            .iter()
            .filter(is_told)
            .map(convert::watch::alarm)
            .collect();
        let plan = plan(&self.plant, &assessment.pours, &alarms, self.now);
        Some(Look {
            snapshot: self.snapshot(&assessment.pours, troubles),
            plan,
        })
    }

    fn hear(&mut self) {
        let now = self.now;
        let heard = self.readings.partition_point(|one| one.received_at <= now);
        for reading in self.readings.drain(..heard) {
            self.plant.take_reading(&reading);
        }
        let (known, later) = std::mem::take(&mut self.acts)
            .into_iter()
            .partition(|act| act.recorded_at <= now);
        self.acts = later;
        let known: Vec<Act> = known;
        known.into_iter().for_each(|act| self.plant.take_act(act));
    }

    /// What people do before a look.
    fn people(&mut self, pours: &[PourAssessment]) -> Vec<Value> {
        let mut acts = Vec::new();
        let at = utc(self.now);
        for pour in pours.iter().filter(|pour| pour.record.is_on_bed()) {
            let mut record = |mut act: Value| {
                act["id"] = json!(Uuid::now_v7());
                act["by"] = json!("Q. Chance");
                act["pour"] = json!(pour.record.id);
                act["happened_at"] = json!(at);
                act["recorded_at"] = json!(at);
                acts.push(act);
            };
            if self.dice.next() < SWITCHES
                && let Some(last) = pour.record.heat.last()
            {
                let act = if last.on { "heat-off" } else { "heat-on" };
                record(json!({ "act": act }));
            }
            let outcome = pour.confirmation.outcome;
            let may_break = match outcome {
                Outcome::Confirmed | Outcome::FailedAfterRelease => 0.0,
                Outcome::Released => BREAKS_AFTER_RELEASE,
                _ => BREAKS,
            };
            let is_early = self.now.hours_since(self.began_at) < BREAKS_FROM_H;
            if !is_early && self.dice.next() < may_break {
                record_break(pour, at, &mut self.dice)
                    .into_iter()
                    .for_each(&mut record);
            }
            if outcome == Outcome::Confirmed && self.dice.next() < SIGNS {
                let breaks: Vec<Uuid> = pour
                    .confirmation
                    .breaks
                    .iter()
                    .map(|id| Uuid::from_u128(*id))
                    .collect();
                record(json!({ "act": "release-signed", "pours": [pour.record.id],
                    "breaks": breaks }));
            }
        }
        acts
    }

    fn snapshot(&self, pours: &[PourAssessment], troubles: Vec<TroubleView>) -> PlantSnapshot {
        let config = self.plant.config();
        let views: Vec<_> = pours
            .iter()
            .map(|pour| convert::view::pour(&self.plant, pour))
            .collect();
        let bed = |(order, bed): (usize, &daemon_core::config::Bed)| BedView {
            bed: bed.id.clone(),
            order,
            length_m: bed.length_m,
            pours: views
                .iter()
                .filter(|pour| pour.bed == bed.id)
                .cloned()
                .collect(),
            troubles: troubles
                .iter()
                .filter(|one| one.bed.as_deref() == Some(bed.id.as_str()))
                .cloned()
                .collect(),
        };
        PlantSnapshot {
            sequence: 1,
            acts_through: 1,
            plant: PlantView {
                name: config.name.clone(),
                zone: self.zone.clone(),
                units: "us".to_owned(),
                now: utc(self.now),
                clock_speed: 1.0,
                simulated: false,
                version: "0".to_owned(),
                store: StoreView {
                    writing: true,
                    problem: None,
                    since: None,
                },
            },
            beds: config.beds.iter().enumerate().map(bed).collect(),
            troubles,
            cleared: Vec::new(),
            sources: Vec::new(),
        }
    }
}

/// A set that has cylinders left, broken whole, now and then with one cylinder far below the others.
fn record_break(pour: &PourAssessment, at: DateTime<Utc>, dice: &mut Dice) -> Option<Value> {
    let required_mpa = pour.record.release_strength_mpa()?;
    let whole = |set: &&daemon_core::act::CylinderSet| {
        pour.record.broken_specimens(&set.set).is_empty() && set.specimens.len() > 1
    };
    let set = pour.record.sets.values().find(whole)?;
    let level = dice.between(STRENGTHS.0, STRENGTHS.1);
    let has_weak = dice.next() < 0.2;
    let specimens: Vec<Value> = set
        .specimens
        .iter()
        .enumerate()
        .map(|(index, specimen)| {
            let weak = if has_weak && index == 0 { 0.75 } else { 1.0 };
            let strength_mpa = required_mpa * level * weak * dice.between(0.98, 1.02);
            json!({ "specimen": specimen, "strength_mpa": strength_mpa, "as_typed": "typed" })
        })
        .collect();
    let why =
        (set.purpose != daemon_core::act::SetPurpose::Release).then_some("the press was free");
    Some(
        json!({ "act": "break-recorded", "set": set.set, "tested_at": at,
        "pulled_at": at - TimeDelta::minutes(10), "specimens": specimens, "why": why }),
    )
}

fn utc(at: UtcMs) -> DateTime<Utc> {
    at.to_utc().expect("a time of the calendar")
}

fn readings(file: &std::path::Path) -> Vec<Reading> {
    let text = std::fs::read_to_string(file).expect("the readings");
    let time = |text: &str| UtcMs::from(text.parse::<DateTime<Utc>>().expect("a time"));
    let mut readings: Vec<Reading> = text
        .lines()
        .skip(1)
        .filter_map(|line| {
            let fields: Vec<&str> = line.split(',').collect();
            Some(Reading {
                channel: Arc::from(fields[2]),
                measured_at: (!fields[1].is_empty()).then(|| time(fields[1])),
                received_at: time(fields[0]),
                content: Content::TemperatureC(fields[3].parse().ok()?),
            })
        })
        .collect();
    readings.sort_by_key(|one| one.received_at);
    readings
}

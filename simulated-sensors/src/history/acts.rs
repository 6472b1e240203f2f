//! What people write down of a night: one act per line, as the daemon exports them.

use chrono::{DateTime, TimeDelta, Utc};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use serde_json::{Map, Value, json};

use crate::paperwork::{
    self, CYLINDER_DIAMETER_MM, CYLINDER_LENGTH_MM, NIGHT_SHIFT, QUALITY, YARD, stamp,
};
use crate::plan::{BedPlan, NightPlan};
use crate::plant::BrokenCylinder;
use crate::scenario::{Bed, Scenario};
use crate::streams;

/// Nobody writes while the concrete runs: an act is recorded a little later.
const RECORDED_AFTER: TimeDelta = TimeDelta::minutes(2);

/// The acts of one night.
pub struct Diary {
    acts: Vec<(DateTime<Utc>, Value)>,
    rng: ChaCha8Rng,
}

impl Diary {
    /// With everything that the plan says: opening, loads, cylinders, heat.
    pub fn planned(scenario: &Scenario, plan: &NightPlan) -> Self {
        let mut diary = Self {
            acts: Vec::new(),
            rng: streams::stream(plan.seed, "history/acts"),
        };
        for (bed, bed_plan) in scenario.beds.iter().zip(&plan.beds) {
            diary.plan_of(scenario, plan, bed, bed_plan);
        }
        diary
    }

    fn plan_of(&mut self, scenario: &Scenario, plan: &NightPlan, bed: &Bed, bed_plan: &BedPlan) {
        let pour = paperwork::pour_id(plan, &bed.id);
        let opened = paperwork::pour_file(scenario, plan, bed, bed_plan);
        // The pour file has the keys of the act; only its frame is missing.
        let opened: Map<String, Value> = toml::from_str(&opened).unwrap_or_default();
        self.write(
            bed_plan.first_placed_at,
            YARD,
            &pour,
            "pour-opened",
            Value::from(opened),
        );
        for load in &bed_plan.loads {
            let body = json!({
                "ticket": load.load_id,
                "batched_at": stamp(load.batched_at),
                "placed_from_at": stamp(load.placed_from_at),
                "placed_to_at": stamp(load.placed_to_at),
                "from_station_m": load.from_m,
                "to_station_m": load.to_m,
            });
            self.write(load.placed_to_at, YARD, &pour, "load-placed", body);
        }
        let last_at = bed_plan.last_placed_at;
        let body = json!({ "last_at": stamp(last_at) });
        self.write(last_at, YARD, &pour, "placement-recorded", body);
        self.make_cylinders(&pour, bed, bed_plan);
        let at = bed_plan.tarp_on_at;
        self.write(at, NIGHT_SHIFT, &pour, "tarp-back", json!({}));
        let at = bed_plan.heat_on_at;
        self.write(at, NIGHT_SHIFT, &pour, "heat-on", json!({}));
    }

    fn make_cylinders(&mut self, pour: &str, bed: &Bed, plan: &BedPlan) {
        let at = plan.last_placed_at + TimeDelta::minutes(5);
        for set in plan.sets() {
            let body = json!({
                "set": set.name,
                "purpose": "release",
                "specimens": set.specimens,
                "loads": set.loads,
                "storage": "under-tarp",
                "diameter_mm": CYLINDER_DIAMETER_MM,
                "length_mm": CYLINDER_LENGTH_MM,
            });
            self.write(at, QUALITY, pour, "cylinders-made", body);
        }
        let body = json!({
            "channel": bed.companion.channel, "role": "specimen", "set": "A",
        });
        let at = at + TimeDelta::minutes(2);
        self.write(at, QUALITY, pour, "plug-moved", body);
    }

    /// The heat went off, by the plan or because the line is released.
    pub fn heat_off(&mut self, pour: &str, at: DateTime<Utc>) {
        self.write(at, NIGHT_SHIFT, pour, "heat-off", json!({}));
    }

    /// A set was broken; returns the id of the break.
    pub fn broken(
        &mut self,
        pour: &str,
        set: &str,
        pulled_at: DateTime<Utc>,
        tested_at: DateTime<Utc>,
        cylinders: &[BrokenCylinder],
    ) -> String {
        let specimens: Vec<Value> = cylinders
            .iter()
            .map(|cylinder| {
                json!({
                    "specimen": cylinder.specimen_id,
                    "load_kn": cylinder.breaking_load_kn,
                    "diameter_mm": cylinder.diameter_mm,
                })
            })
            .collect();
        let body = json!({
            "set": set,
            "pulled_at": stamp(pulled_at),
            "tested_at": stamp(tested_at),
            "specimens": specimens,
        });
        self.write(tested_at, QUALITY, pour, "break-recorded", body)
    }

    /// The release was signed on these breaks.
    pub fn signed(&mut self, pour: &str, at: DateTime<Utc>, breaks: &[String]) {
        let body = json!({ "pours": [pour], "breaks": breaks });
        self.write(at, QUALITY, pour, "release-signed", body);
    }

    pub fn stripped(&mut self, pour: &str, at: DateTime<Utc>) {
        self.write(at, YARD, pour, "stripped", json!({}));
    }

    /// The night ended without a release.
    pub fn give_up(&mut self, pour: &str, at: DateTime<Utc>) {
        let body = json!({ "why": "no release by morning, the engineer takes over" });
        self.write(at, QUALITY, pour, "abandoned", body);
    }

    fn write(
        &mut self,
        happened_at: DateTime<Utc>,
        by: &str,
        pour: &str,
        act: &str,
        body: Value,
    ) -> String {
        let recorded_at = happened_at + RECORDED_AFTER;
        let millis = recorded_at.timestamp_millis().unsigned_abs();
        let id = uuid::Builder::from_unix_timestamp_millis(millis, &self.rng.random());
        let id = id.into_uuid().to_string();
        let mut line = json!({
            "id": id,
            "version": 1,
            "recorded_at": stamp(recorded_at),
            "happened_at": stamp(happened_at),
            "by": by,
            "pour": pour,
            "act": act,
        });
        if let (Some(line), Value::Object(body)) = (line.as_object_mut(), body) {
            for (key, value) in body {
                line.entry(key).or_insert(value);
            }
        }
        self.acts.push((recorded_at, line));
        id
    }

    /// All acts in the order in which they were recorded.
    pub fn finish(&mut self) -> Vec<Value> {
        let mut acts = std::mem::take(&mut self.acts);
        acts.sort_by_key(|(recorded_at, _)| *recorded_at);
        acts.into_iter().map(|(_, act)| act).collect()
    }
}

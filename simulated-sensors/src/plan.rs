//! A scenario's night made definite: instants instead of local times, loads with their luck.

use chrono::{DateTime, Days, NaiveDate, TimeDelta, Timelike, Utc};
use rand::RngExt;
use serde::Serialize;

use crate::clock::hours;
use crate::physics::heat::HeatSchedule;
use crate::scenario::{Bed, Scatter, Scenario};
use crate::streams;

/// One night of a scenario under one seed.
#[derive(Debug, Clone, Serialize)]
pub struct NightPlan {
    pub seed: u64,
    pub night: NaiveDate,
    pub starts_at: DateTime<Utc>,
    pub ends_at: DateTime<Utc>,
    pub beds: Vec<BedPlan>,
}

/// The pour that a bed takes: what a plant writes down, and (not printed) what only nature knows.
#[derive(Debug, Clone, Serialize)]
pub struct BedPlan {
    pub bed_id: String,
    pub mix: String,
    pub product: String,
    pub length_m: f64,
    pub first_placed_at: DateTime<Utc>,
    pub last_placed_at: DateTime<Utc>,
    pub tarp_on_at: DateTime<Utc>,
    pub heat_on_at: DateTime<Utc>,
    pub heat_off_at: DateTime<Utc>,
    pub rise_c_per_h: f64,
    pub soak_c: f64,
    #[serde(skip)]
    pub dead_band_c: f64,
    pub required_release_mpa: f64,
    pub wanted_release_at: DateTime<Utc>,
    pub loads: Vec<LoadPlan>,
    pub specimens: Vec<Specimen>,
}

/// One batch ticket.
#[derive(Debug, Clone, Serialize)]
pub struct LoadPlan {
    pub load_id: String,
    pub batched_at: DateTime<Utc>,
    pub placed_from_at: DateTime<Utc>,
    pub placed_to_at: DateTime<Utc>,
    pub from_m: f64,
    pub to_m: f64,
    pub fresh_c: f64,
    /// What this load's strength is to the mix's.
    #[serde(skip)]
    pub strength_factor: f64,
    /// What this load's time parameter is to the mix's; above 1 is slower.
    #[serde(skip)]
    pub pace_factor: f64,
}

/// A release cylinder that was made.
#[derive(Debug, Clone, Serialize)]
pub struct Specimen {
    pub specimen_id: String,
    pub set: String,
    pub load_id: String,
    #[serde(skip)]
    pub load_index: usize,
}

/// Specimens that were made together and are broken together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CylinderSet {
    pub name: String,
    pub specimens: Vec<String>,
    /// The loads they were made from, each once.
    pub loads: Vec<String>,
}

impl NightPlan {
    pub fn new(scenario: &Scenario, seed: u64, night: NaiveDate) -> Self {
        let zone = scenario.plant.zone;
        Self {
            seed,
            night,
            starts_at: scenario.plant.night_starts.on(night, zone),
            ends_at: scenario.plant.night_ends.on(night, zone),
            beds: scenario
                .beds
                .iter()
                .map(|bed| bed_plan(scenario, seed, night, bed))
                .collect(),
        }
    }

    /// The night that a plant clock is in: from noon to noon, local time.
    pub fn night_of(scenario: &Scenario, now: DateTime<Utc>) -> NaiveDate {
        let local = now.with_timezone(&scenario.plant.zone);
        let date = local.date_naive();
        if local.hour() < 12 {
            date - Days::new(1)
        } else {
            date
        }
    }
}

impl BedPlan {
    /// The mean over the pour's loads of what one has.
    pub fn mean_over_loads(&self, of: fn(&LoadPlan) -> f64) -> f64 {
        self.loads.iter().map(of).sum::<f64>() / self.loads.len() as f64
    }

    pub fn heat_schedule(&self) -> HeatSchedule {
        HeatSchedule {
            on_at: self.heat_on_at,
            off_at: self.heat_off_at,
            rise_c_per_h: self.rise_c_per_h,
            soak_c: self.soak_c,
            dead_band_c: self.dead_band_c,
        }
    }

    /// The release cylinders by their sets.
    pub fn sets(&self) -> Vec<CylinderSet> {
        let mut sets: Vec<CylinderSet> = Vec::new();
        for specimen in &self.specimens {
            if sets.last().is_none_or(|set| set.name != specimen.set) {
                sets.push(CylinderSet {
                    name: specimen.set.clone(),
                    specimens: Vec::new(),
                    loads: Vec::new(),
                });
            }
            let Some(set) = sets.last_mut() else {
                continue;
            };
            set.specimens.push(specimen.specimen_id.clone());
            if !set.loads.contains(&specimen.load_id) {
                set.loads.push(specimen.load_id.clone());
            }
        }
        sets
    }

    /// The load that covers a station.
    pub fn load_index_at(&self, station_m: f64) -> usize {
        let found = self.loads.iter().position(|load| station_m < load.to_m);
        found.unwrap_or(self.loads.len() - 1)
    }

    /// When concrete arrives at a station.
    pub fn placed_at(&self, station_m: f64) -> DateTime<Utc> {
        let load = &self.loads[self.load_index_at(station_m)];
        let share = (station_m - load.from_m) / (load.to_m - load.from_m);
        load.placed_from_at + scaled(load.placed_to_at - load.placed_from_at, share)
    }
}

fn scaled(span: TimeDelta, share: f64) -> TimeDelta {
    TimeDelta::milliseconds((span.num_milliseconds() as f64 * share).round() as i64)
}

fn minutes(minutes: f64) -> TimeDelta {
    TimeDelta::seconds((minutes * 60.0).round() as i64)
}

fn bed_plan(scenario: &Scenario, seed: u64, night: NaiveDate, bed: &Bed) -> BedPlan {
    let zone = scenario.plant.zone;
    let scatter = &scenario.scatter;
    let mut rng = streams::stream(seed, &format!("pour/{}", bed.id));
    // The clock on the wall is not obeyed to the minute.
    let first_placed_at =
        bed.first_placed.on(night, zone) + minutes(streams::bounded_normal(&mut rng, 0.0, 4.0));
    let planned = bed.last_placed.on(night, zone) - bed.first_placed.on(night, zone);
    let last_placed_at =
        first_placed_at + scaled(planned, streams::bounded_normal(&mut rng, 1.0, 0.06));
    let heat_on_at = last_placed_at
        + minutes(bed.heat.preset_h * 60.0)
        + minutes(streams::bounded_normal(&mut rng, 0.0, scatter.heat_on_min));
    let tarp_on_at = last_placed_at + minutes(streams::bounded_normal(&mut rng, 20.0, 4.0));
    let pour_strength = streams::factor(&mut rng, scatter.pour_strength);
    let pour_pace = streams::factor(&mut rng, scatter.pour_pace) * retardation(scatter, seed, bed);
    let pour_fresh_c = streams::bounded_normal(&mut rng, bed.fresh_c, scatter.fresh_c);
    let loads: Vec<LoadPlan> = (0..bed.load_count)
        .map(|index| {
            let mut rng = streams::stream(seed, &format!("load/{}/{index}", bed.id));
            let share = |index: u32| f64::from(index) / f64::from(bed.load_count);
            let span = last_placed_at - first_placed_at;
            let placed_from_at = first_placed_at + scaled(span, share(index));
            let haul = minutes(streams::bounded_normal(&mut rng, 16.0, 3.0));
            LoadPlan {
                load_id: format!("{}-{}", bed.id, 4101 + index),
                batched_at: placed_from_at - haul,
                placed_from_at,
                placed_to_at: first_placed_at + scaled(span, share(index + 1)),
                from_m: bed.length_m * share(index),
                to_m: bed.length_m * share(index + 1),
                fresh_c: streams::bounded_normal(&mut rng, pour_fresh_c, scatter.fresh_c / 3.0),
                strength_factor: pour_strength * streams::factor(&mut rng, scatter.load_strength),
                pace_factor: pour_pace * streams::factor(&mut rng, scatter.load_pace),
            }
        })
        .collect();
    BedPlan {
        bed_id: bed.id.clone(),
        mix: bed.mix.clone(),
        product: bed.product.clone(),
        length_m: bed.length_m,
        first_placed_at,
        last_placed_at,
        tarp_on_at,
        heat_on_at,
        heat_off_at: bed.heat.off.on(night, zone),
        rise_c_per_h: bed.heat.rise_c_per_h,
        soak_c: bed.heat.soak_c,
        dead_band_c: bed.heat.dead_band_c,
        required_release_mpa: bed.required_release_mpa,
        wanted_release_at: bed.wanted_release.on(night, zone),
        specimens: specimens(bed, &loads),
        loads,
    }
}

/// 1, or for a share of the pours about a third more time for everything.
fn retardation(scatter: &Scatter, seed: u64, bed: &Bed) -> f64 {
    let mut rng = streams::stream(seed, &format!("retarded/{}", bed.id));
    let is_retarded = rng.random_bool(scatter.retarded_share.clamp(0.0, 1.0));
    let factor = (0.33 + streams::normal(&mut rng, 0.09)).exp();
    if is_retarded { factor } else { 1.0 }
}

/// Sets A, B, C … with a specimen from each of the sampled loads in turn.
fn specimens(bed: &Bed, loads: &[LoadPlan]) -> Vec<Specimen> {
    let cylinders = &bed.cylinders;
    (0..cylinders.set_count)
        .zip('A'..='Z')
        .flat_map(|(_, set)| {
            let sampled = cylinders.sampled_loads.iter().cycle();
            (1..=cylinders.per_set)
                .zip(sampled)
                .map(move |(number, &load)| {
                    let load_index = load as usize - 1;
                    Specimen {
                        specimen_id: format!("{}-{set}{number}", bed.id),
                        set: set.to_string(),
                        load_id: loads[load_index].load_id.clone(),
                        load_index,
                    }
                })
        })
        .collect()
}

/// Hours from batching until placement at a station: the age that fresh concrete brings along.
pub fn age_when_placed_h(load: &LoadPlan, placed_at: DateTime<Utc>) -> f64 {
    hours(placed_at - load.batched_at).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn loads_cover_the_bed_in_order_and_stations_are_placed_within_them() {
        let scenario = Scenario::eight_beds().expect("scenario");
        let plan = NightPlan::new(&scenario, 3, "2026-11-24".parse().expect("date"));
        for bed in &plan.beds {
            assert!(bed.loads[0].from_m.abs() < 1e-9);
            let pairs = bed.loads.iter().zip(bed.loads.iter().skip(1));
            assert!(
                pairs
                    .clone()
                    .all(|(one, next)| (one.to_m - next.from_m).abs() < 1e-9)
            );
            assert!((bed.loads[bed.loads.len() - 1].to_m - bed.length_m).abs() < 1e-9);
            assert_eq!(bed.placed_at(0.0), bed.first_placed_at);
            assert_eq!(bed.placed_at(bed.length_m), bed.last_placed_at);
            assert!(bed.placed_at(10.0) < bed.placed_at(50.0));
            assert!(bed.last_placed_at < bed.heat_on_at && bed.heat_on_at < bed.heat_off_at);
            let from_each_load = |set: &str, load: &LoadPlan| {
                let is_of = |one: &&Specimen| one.set == set && one.load_id == load.load_id;
                bed.specimens.iter().filter(is_of).count()
            };
            for set in ["A", "B", "C", "D"] {
                assert!(bed.loads.iter().all(|load| from_each_load(set, load) == 1));
            }
        }
    }

    #[test]
    fn a_morning_belongs_to_the_night_before() {
        let scenario = Scenario::eight_beds().expect("scenario");
        let night_of =
            |text: &str| NightPlan::night_of(&scenario, text.parse().expect("instant")).to_string();
        assert_eq!(night_of("2026-11-24T19:00:00Z"), "2026-11-24");
        assert_eq!(night_of("2026-11-25T11:00:00Z"), "2026-11-24");
    }
}

//! All beds of a night under one weather, their boilers, and the breaking of cylinders.

use std::collections::HashSet;

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use serde::Serialize;

use crate::bed::BedSim;
use crate::fault::{FaultKind, Faults};
use crate::physics::enclosure::Outside;
use crate::physics::weather::{Climate, Weather};
use crate::plan::NightPlan;
use crate::scenario::{Boiler, Scenario};
use crate::streams;

/// The longest step of the simulation.
const STEP_S_MAX: u32 = 30;

/// The plant as nature knows it, at one moment.
#[derive(Debug)]
pub struct Plant {
    pub scenario: Scenario,
    pub seed: u64,
    pub faults: Faults,
    pub beds: Vec<BedSim>,
    pub now: DateTime<Utc>,
    weather: Weather,
    boilers: Vec<Boiler>,
    pulled: HashSet<String>,
}

/// A cylinder as the testing machine saw it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BrokenCylinder {
    pub specimen_id: String,
    pub set: String,
    pub load_id: String,
    pub diameter_mm: f64,
    pub breaking_load_kn: f64,
    pub strength_mpa: f64,
}

/// Why no cylinders can be broken.
#[derive(Debug, PartialEq, Eq, thiserror::Error)]
pub enum BreakError {
    #[error("there is no bed {0}")]
    UnknownBed(String),
    #[error("the bed {bed} has {left} unbroken cylinders left, not {wanted}")]
    TooFew {
        bed: String,
        left: usize,
        wanted: usize,
    },
    #[error("the cylinders of bed {0} are not made yet")]
    NotMade(String),
}

impl Plant {
    /// The plant at the start of a night.
    pub fn new(scenario: Scenario, seed: u64, night: NaiveDate) -> Self {
        let plan = NightPlan::new(&scenario, seed, night);
        let climate = Climate {
            mean_c: scenario.weather.mean_c,
            daily_amplitude_c: scenario.weather.daily_amplitude_c,
            between_nights_c: scenario.weather.between_nights_c,
            wander_c: scenario.weather.wander_c,
        };
        let warmest_at = scenario.weather.warmest.on(night, scenario.plant.zone);
        let weather = Weather::new(climate, seed, plan.starts_at, warmest_at);
        let start_c = weather.outside_c() + 2.0;
        let beds = scenario.beds.iter().zip(plan.beds);
        let beds = beds.filter_map(|(bed, plan)| BedSim::new(&scenario, bed, plan, start_c));
        Self {
            seed,
            faults: Faults::of_night(&scenario, seed, night),
            beds: beds.collect(),
            now: plan.starts_at,
            weather,
            boilers: scenario.boilers.clone(),
            pulled: HashSet::new(),
            scenario,
        }
    }

    /// Lets one sample period pass.
    pub fn advance(&mut self) {
        let sample_s = self.scenario.plant.sample_period_s;
        let steps = sample_s.div_ceil(STEP_S_MAX);
        let step = TimeDelta::milliseconds(i64::from(sample_s) * 1000 / i64::from(steps));
        let end = self.now + TimeDelta::seconds(i64::from(sample_s));
        for index in 1..=steps {
            let next = if index == steps { end } else { self.now + step };
            self.step_to(next);
        }
    }

    fn step_to(&mut self, next: DateTime<Utc>) {
        let period_s = crate::clock::seconds(next - self.now);
        self.now = next;
        self.weather.advance(period_s);
        let outside = Outside {
            temperature_c: self.weather.outside_c(),
            wind_factor: self.weather.wind_factor(),
        };
        let demands_w: Vec<f64> = self.beds.iter_mut().map(|bed| bed.demand_w(next)).collect();
        for boiler in &self.boilers {
            let on_boiler = |bed: &BedSim| bed.boiler() == boiler.id;
            let asked_w: f64 = self
                .beds
                .iter()
                .zip(&demands_w)
                .filter(|(bed, _)| on_boiler(bed))
                .map(|(_, demand_w)| demand_w)
                .sum();
            let is_down = self
                .faults
                .active(FaultKind::BoilerTrip, &boiler.id, next)
                .is_some();
            // A boiler that is asked for more than it has gives each bed the same share.
            let share = if is_down {
                0.0
            } else {
                (boiler.capacity_kw * 1e3 / asked_w).min(1.0)
            };
            for (bed, demand_w) in self.beds.iter_mut().zip(&demands_w) {
                if bed.boiler() != boiler.id {
                    continue;
                }
                let bed_id = &bed.plan.bed_id;
                let is_cut = self
                    .faults
                    .active(FaultKind::BoilerTrip, bed_id, next)
                    .is_some();
                let granted_w = if is_cut || *demand_w <= 0.0 {
                    0.0
                } else {
                    demand_w * share
                };
                bed.step(next, period_s, outside, granted_w, &self.faults);
            }
        }
    }

    /// The yard's air.
    pub fn ambient_c(&self) -> f64 {
        self.weather.outside_c()
    }

    /// Pulls and breaks the next cylinders of a bed, of one set if it is named.
    pub fn break_cylinders(
        &mut self,
        bed_id: &str,
        count: usize,
        set: Option<&str>,
    ) -> Result<Vec<BrokenCylinder>, BreakError> {
        let bed = self
            .beds
            .iter()
            .find(|bed| bed.plan.bed_id == bed_id)
            .ok_or_else(|| BreakError::UnknownBed(bed_id.to_owned()))?;
        let left: Vec<_> = bed
            .plan
            .specimens
            .iter()
            .filter(|specimen| set.is_none_or(|set| set == specimen.set))
            .filter(|specimen| !self.pulled.contains(&specimen.specimen_id))
            .collect();
        if left.len() < count {
            return Err(BreakError::TooFew {
                bed: bed_id.to_owned(),
                left: left.len(),
                wanted: count,
            });
        }
        let mut broken = Vec::with_capacity(count);
        for specimen in left.into_iter().take(count) {
            let truth = bed
                .cylinder(specimen.load_index)
                .ok_or_else(|| BreakError::NotMade(bed_id.to_owned()))?;
            // A specimen's own luck is fixed when it is made, whenever it is broken.
            let name = format!("specimen/{}", specimen.specimen_id);
            let mut rng = streams::stream(self.seed, &name);
            let luck = streams::factor(&mut rng, self.scenario.scatter.specimen_strength);
            let diameter_mm = streams::bounded_normal(&mut rng, 100.0, 0.25);
            let area_mm2 = std::f64::consts::PI * diameter_mm * diameter_mm / 4.0;
            let breaking_load_kn = round(truth.strength_mpa * luck * area_mm2 / 1000.0, 10.0);
            let diameter_mm = round(diameter_mm, 10.0);
            broken.push(BrokenCylinder {
                specimen_id: specimen.specimen_id.clone(),
                set: specimen.set.clone(),
                load_id: specimen.load_id.clone(),
                diameter_mm,
                breaking_load_kn,
                strength_mpa: round(truth.strength_mpa * luck, 100.0),
            });
        }
        self.pulled
            .extend(broken.iter().map(|cylinder| cylinder.specimen_id.clone()));
        Ok(broken)
    }
}

fn round(value: f64, per_unit: f64) -> f64 {
    (value * per_unit).round() / per_unit
}

#[cfg(test)]
mod tests;

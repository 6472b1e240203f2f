//! Quality control of the simulated plant: when sets are broken, when the line is signed.

use chrono::{DateTime, TimeDelta, Utc};

use super::acts::Diary;
use crate::paperwork;
use crate::plan::{BedPlan, NightPlan};
use crate::plant::{BrokenCylinder, Plant};
use crate::streams;

/// Error of what people think of the cylinders' strength, as deviation of the logarithm.
const GUESS_DEVIATION: f64 = 0.06;
/// No specimen may be weaker than this share of what is required.
const LEAST_SHARE: f64 = 0.9;
const TEST_AFTER: TimeDelta = TimeDelta::minutes(15);
const NEXT_SET_AFTER: TimeDelta = TimeDelta::minutes(50);
const SIGN_AFTER: TimeDelta = TimeDelta::minutes(20);
/// The engineer wants the coldest end to be there for a while before anything is cut.
const WAIT_FOR_SLOWEST: TimeDelta = TimeDelta::minutes(30);
const STRIP_AFTER: TimeDelta = TimeDelta::minutes(60);
/// Above this pace a batch counts as retarded in tables.
const RETARDED_PACE: f64 = 1.18;

/// What is known of one pour.
pub struct QualityControl {
    /// A set is broken when it is thought to have this share of what is required.
    break_at: f64,
    guess: f64,
    sets: Vec<(String, usize)>,
    next_set: usize,
    not_before_at: DateTime<Utc>,
    at_machine: Option<Pulled>,
    passed: Option<(DateTime<Utc>, String)>,
    strength_reached_at: Option<DateTime<Utc>>,
    heat_is_off: bool,
    signed_at: Option<DateTime<Utc>>,
    is_stripped: bool,
    is_retarded: bool,
}

/// A set on its way to the testing machine.
struct Pulled {
    set: String,
    pulled_at: DateTime<Utc>,
    cylinders: Vec<BrokenCylinder>,
}

impl QualityControl {
    pub fn new(seed: u64, bed: &BedPlan, break_at: f64) -> Self {
        let mut rng = streams::stream(seed, &format!("history/quality/{}", bed.bed_id));
        let sets = bed.sets().into_iter();
        Self {
            break_at,
            guess: streams::factor(&mut rng, GUESS_DEVIATION),
            sets: sets.map(|set| (set.name, set.specimens.len())).collect(),
            next_set: 0,
            not_before_at: bed.last_placed_at + TimeDelta::hours(3),
            at_machine: None,
            passed: None,
            strength_reached_at: None,
            heat_is_off: false,
            signed_at: None,
            is_stripped: false,
            is_retarded: bed.mean_over_loads(|load| load.pace_factor) > RETARDED_PACE,
        }
    }

    pub fn is_stripped(&self) -> bool {
        self.is_stripped
    }

    pub fn is_retarded(&self) -> bool {
        self.is_retarded
    }

    /// When the slowest position truly reached the required strength.
    pub fn strength_reached_at(&self) -> Option<DateTime<Utc>> {
        self.strength_reached_at
    }

    /// Looks at a bed and does what is due; the acts go into the diary.
    pub fn look(
        &mut self,
        plant: &mut Plant,
        bed_index: usize,
        plan: &NightPlan,
        diary: &mut Diary,
    ) -> anyhow::Result<()> {
        let now = plant.now;
        let bed = &plan.beds[bed_index];
        let pour = paperwork::pour_id(plan, &bed.bed_id);
        self.see_truth(plant, bed_index, bed);
        if !self.heat_is_off && now >= bed.heat_off_at {
            self.heat_is_off = true;
            diary.heat_off(&pour, bed.heat_off_at);
        }
        if let Some(signed_at) = self.signed_at {
            if !self.is_stripped && now >= signed_at + STRIP_AFTER {
                self.is_stripped = true;
                diary.stripped(&pour, now);
            }
            return Ok(());
        }
        if let Some(pulled) = self
            .at_machine
            .take_if(|pulled| now >= pulled.pulled_at + TEST_AFTER)
        {
            self.test(now, bed, &pour, &pulled, diary);
        }
        if let Some((passed_at, broken)) = &self.passed {
            let slowest_is_there = self
                .strength_reached_at
                .is_some_and(|reached_at| now >= reached_at + WAIT_FOR_SLOWEST);
            if slowest_is_there && now >= *passed_at + SIGN_AFTER {
                diary.signed(&pour, now, std::slice::from_ref(broken));
                self.signed_at = Some(now);
            }
        } else if self.at_machine.is_none() && now >= self.not_before_at {
            self.consider(plant, bed_index, bed)?;
        }
        Ok(())
    }

    fn see_truth(&mut self, plant: &Plant, bed_index: usize, bed: &BedPlan) {
        if self.strength_reached_at.is_some() {
            return;
        }
        let required_mpa = bed.required_release_mpa;
        let mut truths = plant.beds[bed_index].truths();
        let all_there =
            truths.all(|(_, truth)| truth.is_some_and(|truth| truth.strength_mpa >= required_mpa));
        if all_there {
            self.strength_reached_at = Some(plant.now);
        }
    }

    /// Pulls the next set when the stored cylinders are thought to be strong enough.
    fn consider(
        &mut self,
        plant: &mut Plant,
        bed_index: usize,
        bed: &BedPlan,
    ) -> anyhow::Result<()> {
        let Some((set, specimen_count)) = self.sets.get(self.next_set) else {
            return Ok(());
        };
        let strengths: Vec<f64> = (0..bed.loads.len())
            .filter_map(|load| Some(plant.beds[bed_index].cylinder(load)?.strength_mpa))
            .collect();
        if strengths.is_empty() {
            return Ok(());
        }
        let mean_mpa = strengths.iter().sum::<f64>() / strengths.len() as f64;
        if mean_mpa * self.guess >= bed.required_release_mpa * self.break_at {
            self.at_machine = Some(Pulled {
                set: set.clone(),
                pulled_at: plant.now,
                cylinders: plant.break_cylinders(&bed.bed_id, *specimen_count, Some(set))?,
            });
            self.next_set += 1;
        }
        Ok(())
    }

    fn test(
        &mut self,
        now: DateTime<Utc>,
        bed: &BedPlan,
        pour: &str,
        pulled: &Pulled,
        diary: &mut Diary,
    ) {
        let cylinders = &pulled.cylinders;
        let broken = diary.broken(pour, &pulled.set, pulled.pulled_at, now, cylinders);
        let strengths = cylinders.iter().map(|cylinder| cylinder.strength_mpa);
        let mean_mpa = strengths.clone().sum::<f64>() / cylinders.len() as f64;
        let least_mpa = strengths.fold(f64::INFINITY, f64::min);
        let required_mpa = bed.required_release_mpa;
        if mean_mpa >= required_mpa && least_mpa >= LEAST_SHARE * required_mpa {
            self.passed = Some((now, broken));
        } else {
            // A failed set teaches people too.
            self.guess = self.guess.min(1.0) * 0.97;
            self.not_before_at = now + NEXT_SET_AFTER;
        }
    }
}

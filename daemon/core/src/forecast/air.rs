//! The air under the tarp ahead: what the heat plan, the switches and the readings say of it.

use crate::forecast::STEP_H;
use crate::forecast::draws::Draws;
use crate::forecast::track::mean_between;
use crate::pour::PourRecord;
use crate::time::UtcMs;

/// Thermostat cycling is smoothed over this, h.
const SMOOTH_H: f64 = 0.4;
/// Whether heat is on is read from the change of air over this, h.
const EVIDENCE_H: f64 = 0.75;
const EVIDENCE_SD_C: f64 = 2.5;
/// No reading proves more than this against a hypothesis.
const LIKELIHOOD_MIN: f64 = 1e-3;
/// Air read longer ago than this says nothing of now, h.
const STALE_H: f64 = 1.0;
/// The air is on a plateau when two half-hours an hour apart differ by less than this, °C.
const PLATEAU_C: f64 = 1.5;
/// Air follows the heat with this time constant, h, and loses it with that one (common practice).
const FOLLOW_H: f64 = 0.35;
const LOSE_H: f64 = 0.5;
/// Without heat the air lies this share of the way from the yard to the concrete.
const CONCRETE_SHARE: f64 = 0.70;
/// Rise and soak where nobody gave them, °C/h and °C (common practice, no source).
const RISE_C_PER_H: f64 = 16.0;
const SOAK_C: f64 = 54.0;
/// The yard where nothing reads it, °C, and how far that may be off.
const YARD_C: f64 = 12.0;
const YARD_SD_C: f64 = 6.0;
/// Heat goes off about when it is planned, h, and a running heat fails at this mean distance, h.
const OFF_SD_H: f64 = 0.45;
const ON_SD_H: f64 = 0.3;
const FAILURE_MEAN_H: f64 = 50.0;
/// Heat that has outlived its plan goes on this much longer, h, on average.
const OVERDUE_MEAN_H: f64 = 3.0;
/// A heat that stopped before its plan comes back with this probability, after this median time, h.
const RESUME_PROBABILITY: f64 = 0.6;
const RESUME_AFTER_SWITCH_PROBABILITY: f64 = 0.25;
const RESUME_MEDIAN_H: f64 = 1.8;
const RESUME_LN_SD: f64 = 0.8;
/// One night in eight does not follow its plan at all.
const ODD_NIGHT_PROBABILITY: f64 = 0.12;

/// What is known of the air now and ahead.
#[derive(Debug, Clone)]
pub(super) struct AirOutlook {
    air_c: f64,
    yard_c: f64,
    yard_sd_c: f64,
    goal_c: f64,
    goal_sd_c: f64,
    rise_c_per_h: f64,
    /// The air still has to climb to its goal, so that an odd night may go elsewhere.
    is_rising: bool,
    on_probability: f64,
    /// Hours from now, where planned.
    on_h: Option<f64>,
    off_h: Option<f64>,
    was_switched_off: bool,
}

/// One sampled night of air.
#[derive(Debug, Clone)]
pub(super) struct AirMember {
    pub(super) air_c: f64,
    pub(super) yard_c: f64,
    goal_c: f64,
    rise_c_per_h: f64,
    concrete_share: f64,
    followed: f64,
    lost: f64,
    /// Hours from now.
    on_from_h: f64,
    on_to_h: f64,
}

/// The yard's temperature, and how far it may be off.
pub(super) fn yard(ambient: &[(UtcMs, f64)], now: UtcMs) -> (f64, f64) {
    let last = ambient.last().and_then(|last| {
        let (mean_c, _) = mean_between(ambient, last.0.plus_hours(-SMOOTH_H), last.0)?;
        Some((mean_c, 0.5 + 0.3 * now.hours_since(last.0).max(0.0).sqrt()))
    });
    last.unwrap_or((YARD_C, YARD_SD_C))
}

/// The air now by its own readings; `None` where they are missing or old.
pub(super) fn measured_air_c(enclosure: &[(UtcMs, f64)], now: UtcMs) -> Option<f64> {
    let last_at = enclosure.last()?.0;
    if now.hours_since(last_at) > STALE_H {
        return None;
    }
    mean_between(enclosure, last_at.plus_hours(-SMOOTH_H), last_at).map(|mean| mean.0)
}

impl AirOutlook {
    /// `air_c` is the air now, measured or inferred from the concrete; `concrete_c` the concrete's
    /// mean.
    pub(super) fn new(
        record: &PourRecord,
        enclosure: &[(UtcMs, f64)],
        (air_c, yard, concrete_c): (f64, (f64, f64), f64),
        now: UtcMs,
    ) -> Self {
        let plan = record.facts.heat_plan.unwrap_or_default();
        let switch = record.heat.iter().rfind(|switch| switch.at <= now);
        let switched_on = switch.filter(|switch| switch.on).map(|switch| switch.at);
        let on_since = switched_on.or(plan.on_at.filter(|at| *at <= now));
        let mean_ago = |from_h: f64, to_h: f64| {
            mean_between(enclosure, now.plus_hours(-from_h), now.plus_hours(-to_h))
                .map(|mean| mean.0)
        };
        let earlier_c = mean_ago(EVIDENCE_H + SMOOTH_H, EVIDENCE_H);
        let slope = earlier_c.map(|earlier_c| (air_c - earlier_c) / EVIDENCE_H);
        let says_nothing = plan.on_at.is_none() && plan.soak_c.is_none() && switch.is_none();
        let is_plateau = mean_ago(1.5, 1.0)
            .zip(mean_ago(0.5, 0.0))
            .is_some_and(|(early, late)| (late - early).abs() < PLATEAU_C && late > yard.0 + 8.0)
            && on_since.is_some_and(|since| now.hours_since(since) > 1.5);
        let (goal_c, goal_sd_c) = match (is_plateau, plan.soak_c) {
            (true, _) => (mean_ago(1.5, 0.0).unwrap_or(air_c), 0.8),
            (false, Some(soak_c)) => (soak_c, 2.0),
            (false, None) if says_nothing => (air_c, 2.0),
            (false, None) => (SOAK_C.max(air_c), 6.0),
        };
        let planned_rise = plan
            .rise_c_per_h
            .filter(|rise| *rise > 0.0)
            .unwrap_or(RISE_C_PER_H);
        let rise_c_per_h = match slope {
            Some(slope) if on_since.is_some() && !is_plateau && slope > 4.0 => {
                0.35 * planned_rise + 0.65 * slope
            }
            _ => planned_rise,
        };
        let mut outlook = Self {
            air_c,
            yard_c: yard.0,
            yard_sd_c: yard.1,
            goal_c,
            goal_sd_c,
            rise_c_per_h,
            is_rising: !is_plateau && goal_c > air_c + 3.0,
            on_probability: expected_on(record, now),
            on_h: plan.on_at.map(|at| at.hours_since(now)),
            off_h: plan.off_at.map(|at| at.hours_since(now)),
            was_switched_off: switch.is_some_and(|switch| !switch.on),
        };
        if let Some(earlier_c) = earlier_c {
            outlook.weigh(earlier_c, concrete_c);
        }
        outlook
    }

    /// Weighs heat on against heat off by how the air moved of late.
    fn weigh(&mut self, earlier_c: f64, concrete_c: f64) {
        let on_c = earlier_c
            + ((self.goal_c - earlier_c) * (1.0 - (-EVIDENCE_H / FOLLOW_H).exp()))
                .min(self.rise_c_per_h * EVIDENCE_H);
        let without_c = CONCRETE_SHARE * concrete_c + (1.0 - CONCRETE_SHARE) * self.yard_c;
        let off_c = without_c + (earlier_c - without_c) * (-EVIDENCE_H / LOSE_H).exp();
        let likelihood = |expected_c: f64| {
            let deviations = (self.air_c - expected_c) / EVIDENCE_SD_C;
            (-0.5 * deviations * deviations).exp().max(LIKELIHOOD_MIN)
        };
        let on = self.on_probability * likelihood(on_c);
        let off = (1.0 - self.on_probability) * likelihood(off_c);
        self.on_probability = on / (on + off);
    }

    /// One night of air. The number of draws is the same whatever they say.
    pub(super) fn sample(&self, draws: &mut Draws) -> AirMember {
        let [is_on, is_odd, odd_rise, odd_goal, resumes] = std::array::from_fn(|_| draws.uniform());
        let [goal, rise, share, lose, yard, on, off, resume] =
            std::array::from_fn(|_| draws.normal());
        let failure_h = draws.waiting_h(FAILURE_MEAN_H);
        let overdue_h = draws.waiting_h(OVERDUE_MEAN_H);
        let planned_off_h = match self.off_h {
            Some(off_h) if off_h < -OFF_SD_H => overdue_h,
            Some(off_h) => (off_h + OFF_SD_H * off).max(0.0),
            None => f64::INFINITY,
        };
        let will_start = self.on_h.is_some_and(|on_h| on_h > 0.0);
        let was_planned_on = self.off_h.is_none_or(|off_h| off_h > 0.5);
        let resume_probability = if self.was_switched_off {
            RESUME_AFTER_SWITCH_PROBABILITY
        } else {
            RESUME_PROBABILITY
        };
        let on_from_h = if is_on < self.on_probability {
            f64::NEG_INFINITY
        } else if let Some(on_h) = self.on_h.filter(|_| will_start) {
            (on_h + ON_SD_H * on).max(0.0)
        } else if was_planned_on && self.on_h.is_some() && resumes < resume_probability {
            RESUME_MEDIAN_H * (RESUME_LN_SD * resume).exp()
        } else {
            f64::INFINITY
        };
        let (mut goal_c, mut rise_c_per_h) = (
            self.goal_c + self.goal_sd_c * goal,
            self.rise_c_per_h * (0.15 * rise).exp(),
        );
        if self.is_rising && is_odd < ODD_NIGHT_PROBABILITY {
            goal_c = self.goal_c - 8.0 + 20.0 * odd_goal;
            rise_c_per_h = 8.0 + 30.0 * odd_rise;
        }
        AirMember {
            air_c: self.air_c,
            yard_c: self.yard_c + self.yard_sd_c * yard,
            goal_c,
            rise_c_per_h,
            concrete_share: (CONCRETE_SHARE + 0.08 * share).clamp(0.0, 1.0),
            followed: 1.0 - (-STEP_H / FOLLOW_H).exp(),
            lost: 1.0 - (-STEP_H / (LOSE_H * (0.3 * lose).exp())).exp(),
            on_from_h,
            on_to_h: planned_off_h.min(on_from_h.max(0.0) + failure_h),
        }
    }
}

/// Whether heat is on, before the air is looked at: the last switch, else the plan.
fn expected_on(record: &PourRecord, now: UtcMs) -> f64 {
    let plan = record.facts.heat_plan.unwrap_or_default();
    match record.heat.iter().rfind(|switch| switch.at <= now) {
        Some(switch) if switch.on => 0.97,
        Some(_) => 0.03,
        None => match (plan.on_at, plan.off_at) {
            (Some(on_at), _) if now < on_at => 0.03,
            (_, Some(off_at)) if now >= off_at => 0.15,
            _ => 0.9,
        },
    }
}

impl AirMember {
    /// The air one step on; `hours` from now at the step's end, `concrete_c` the concrete's mean.
    pub(super) fn step(&mut self, hours: f64, concrete_c: f64, draws: &mut Draws) {
        self.yard_c += 0.3 * STEP_H.sqrt() * draws.normal();
        let without_c =
            self.concrete_share * concrete_c + (1.0 - self.concrete_share) * self.yard_c;
        let middle_h = hours - 0.5 * STEP_H;
        if (self.on_from_h..self.on_to_h).contains(&middle_h) {
            // Concrete hotter than the set point keeps the air above it: the heat then only pauses.
            let change_c = (self.goal_c.max(without_c) - self.air_c) * self.followed;
            self.air_c += change_c.min(self.rise_c_per_h * STEP_H);
        } else {
            self.air_c += (without_c - self.air_c) * self.lost;
        }
    }
}

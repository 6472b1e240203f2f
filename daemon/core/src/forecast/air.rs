//! The air under the tarp: how it follows the heat, fitted to what was read, and whether heat is on.
//!
//! With heat the air relaxes to the set point, which rises to its hold, as far as the heat can lift it
//! above where it would lie without; without heat it relaxes to a place between concrete and yard.

use crate::forecast::past::Past;
use crate::forecast::squares::{Expectation, Fitted, Problem, Row};
use crate::grid::STEP_H;
use crate::pour::PourRecord;
use crate::time::UtcMs;

pub(crate) const AIR_COUNT: usize = 5;
/// Rise and soak where nobody gave them, °C/h and °C (common practice, no source).
pub(crate) const RISE_C_PER_H: f64 = 16.0;
pub(crate) const SOAK_C: f64 = 54.0;
/// What to expect before anything is learned: the share of the way from yard to concrete, the lift
/// that heat can give, °C, and the time constant, h (common practice, no source).
const CONCRETE_SHARE: (f64, f64) = (0.70, 0.12);
const LIFT_C: (f64, f64) = (22.0, 0.35);
const FOLLOW_H: (f64, f64) = (0.35, 0.45);
const RISE_LN_SD: f64 = 0.25;
const PLANNED_SOAK_SD_C: f64 = 2.5;
const SOAK_SD_C: f64 = 6.0;
/// How far the air as read is off from this model, °C.
const AIR_SD_C: f64 = 2.0;
const NUDGE: f64 = 0.02;
/// Every second point counts.
const EVERY: usize = 2;
/// The fit starts so many points before the heat.
const BEFORE_HEAT: usize = 3;
/// Heat on or off is judged in blocks of so many points, so that a thermostat's cycling is no outage.
const BLOCK: usize = 3;
const EVIDENCE_SD_C: f64 = 2.0;
/// No block proves more than this against a hypothesis.
const LIKELIHOOD_MIN: f64 = 1e-3;
/// Heat switches by itself in a block with this probability, and near its planned times with that.
const SWITCH: f64 = 0.044;
const PLANNED_SWITCH: f64 = 0.5;
const PLANNED_WITHIN_H: f64 = 0.75;
const SURE: f64 = 0.97;

/// What is expected of the air in this order: concrete's share, logarithms of lift, time constant and
/// rise, hold.
pub(crate) type AirExpectations = [Expectation; AIR_COUNT];

/// What is expected of the air of a pour whose bed has no history.
pub(crate) fn generic(record: &PourRecord) -> AirExpectations {
    let plan = record.facts.heat_plan.unwrap_or_default();
    let rise = planned_rise_c_per_h(record);
    let (soak_c, soak_sd_c) = plan
        .soak_c
        .map_or((SOAK_C, SOAK_SD_C), |soak_c| (soak_c, PLANNED_SOAK_SD_C));
    let one = |mean: f64, sd: f64, min: f64, max: f64| Expectation { mean, sd, min, max };
    [
        one(CONCRETE_SHARE.0, CONCRETE_SHARE.1, 0.0, 1.1),
        one(LIFT_C.0.ln(), LIFT_C.1, 1.0, 5.0),
        one(FOLLOW_H.0.ln(), FOLLOW_H.1, -3.0, 1.5),
        one(rise.ln(), RISE_LN_SD, 0.5, 5.0),
        one(soak_c, soak_sd_c, 0.0, 95.0),
    ]
}

/// The rise that was planned, °C/h, or the usual one.
pub(crate) fn planned_rise_c_per_h(record: &PourRecord) -> f64 {
    let planned = record.facts.heat_plan.and_then(|plan| plan.rise_c_per_h);
    planned.filter(|rise| *rise > 1.0).unwrap_or(RISE_C_PER_H)
}

/// The soak that was planned, °C, or the usual one.
pub(crate) fn planned_soak_c(record: &PourRecord) -> f64 {
    record
        .facts
        .heat_plan
        .and_then(|plan| plan.soak_c)
        .unwrap_or(SOAK_C)
}

/// How the air of one bed behaves.
#[derive(Debug, Clone, Copy)]
pub(crate) struct AirModel {
    share: f64,
    lift_c: f64,
    follow_h: f64,
    rise_c_per_h: f64,
    hold_c: f64,
    /// Of a step: the time constant beside it, what is left of a difference by its end and on its mean, and
    /// how far the set point rises.
    lag: f64,
    left: f64,
    left_on_mean: f64,
    rise_c: f64,
}

/// The air and the set point that it follows.
#[derive(Debug, Clone, Copy)]
pub(crate) struct AirState {
    pub(crate) air_c: f64,
    pub(crate) set_c: f64,
}

impl AirState {
    /// Part of the way to another state.
    pub(crate) fn towards(&self, other: &Self, share: f64) -> Self {
        let between = |from_c: f64, to_c: f64| from_c + (to_c - from_c) * share;
        Self {
            air_c: between(self.air_c, other.air_c),
            set_c: between(self.set_c, other.set_c),
        }
    }
}

impl AirModel {
    pub(crate) fn new(parameters: &[f64]) -> Self {
        let mut model = Self {
            share: parameters[0],
            lift_c: parameters[1].exp(),
            follow_h: parameters[2].exp(),
            rise_c_per_h: parameters[3].exp(),
            hold_c: parameters[4],
            lag: 0.0,
            left: 0.0,
            left_on_mean: 0.0,
            rise_c: 0.0,
        };
        model.lengthen(STEP_H);
        model
    }

    /// From here on steps take so long.
    pub(crate) fn lengthen(&mut self, step_h: f64) {
        self.lag = self.follow_h / step_h;
        self.left = (-step_h / self.follow_h).exp();
        self.left_on_mean = (1.0 - self.left) * self.lag;
        self.rise_c = self.rise_c_per_h * step_h;
    }

    /// One step on; the mean air over the step, °C.
    pub(crate) fn step(
        &self,
        state: &mut AirState,
        is_on: bool,
        concrete_c: f64,
        yard_c: f64,
    ) -> f64 {
        let without_c = self.share * concrete_c + (1.0 - self.share) * yard_c;
        let goal_c = |set_c: f64| {
            if is_on {
                // Concrete hotter than the set point keeps the air above it: the heat then only pauses.
                without_c.max(set_c.min(without_c + self.lift_c))
            } else {
                without_c
            }
        };
        let from_c = goal_c(state.set_c);
        if is_on {
            state.set_c = (state.set_c + self.rise_c).min(self.hold_c);
        }
        let to_c = goal_c(state.set_c);
        // Behind a goal that rises evenly the air lags, and what else it is off dies out.
        let lag_c = (to_c - from_c) * self.lag;
        let off_c = state.air_c - from_c + lag_c;
        state.air_c = to_c - lag_c + off_c * self.left;
        if !is_on {
            state.set_c = state.air_c;
        }
        f64::midpoint(from_c, to_c) - lag_c + off_c * self.left_on_mean
    }
}

/// The air of the night so far, beside the mean concrete.
pub(crate) struct AirPast<'a> {
    pub(crate) past: &'a Past,
    pub(crate) concrete_c: &'a [f64],
}

/// What was made of the air so far.
pub(crate) struct AirFit {
    pub(crate) fitted: Fitted,
    /// The probability that heat was on, at each point.
    pub(crate) on: Vec<f64>,
    pub(crate) state: AirState,
}

impl AirPast<'_> {
    /// Judges heat and fits the model in turn, twice: each needs the other.
    pub(crate) fn fit(&self, record: &PourRecord, expectations: &AirExpectations) -> AirFit {
        let mut fitted = Fitted::expected(expectations);
        let mut on = Vec::new();
        for _ in 0..2 {
            on = self.on_probabilities(record, &AirModel::new(&fitted.parameters));
            let first = on
                .iter()
                .position(|on| *on > 0.5)
                .unwrap_or(on.len().saturating_sub(12));
            let problem = AirProblem {
                air: self,
                on: &on,
                start: first.saturating_sub(BEFORE_HEAT),
            };
            fitted = Fitted::new(expectations, &problem);
        }
        let mut state = AirState {
            air_c: self.past.air_c[0],
            set_c: self.past.air_c[0],
        };
        let model = AirModel::new(&fitted.parameters);
        self.run(&model, &on, 0, |_, run| state = run);
        state.air_c = self.now_c();
        if on.last().is_some_and(|on| *on <= 0.5) {
            state.set_c = state.air_c;
        }
        AirFit { fitted, on, state }
    }

    /// The air now, with its cycling smoothed.
    fn now_c(&self) -> f64 {
        let last = self.past.air_c.len() - 1;
        self.smooth_c(last)
    }

    fn smooth_c(&self, point: usize) -> f64 {
        let air = &self.past.air_c;
        let from = point.saturating_sub(1);
        let to = (point + 1).min(air.len() - 1);
        air[from..=to].iter().sum::<f64>() / (to - from + 1) as f64
    }

    fn run(
        &self,
        model: &AirModel,
        on: &[f64],
        start: usize,
        mut look: impl FnMut(usize, AirState),
    ) {
        let air_c = self.smooth_c(start);
        let mut state = AirState {
            air_c,
            set_c: air_c,
        };
        for (point, on) in on.iter().enumerate().skip(start + 1) {
            let concrete_c = self.concrete_c[point - 1];
            model.step(&mut state, *on > 0.5, concrete_c, self.past.yard_c[point]);
            look(point, state);
        }
    }

    /// A forward filter over blocks that end now.
    fn on_probabilities(&self, record: &PourRecord, model: &AirModel) -> Vec<f64> {
        let count = self.past.grid.count;
        let mut on = vec![0.0; count];
        if record.is_never_heated() {
            return on;
        }
        let mut probability = first_on(record, self.past.grid.from);
        let offset = (count - 1) % BLOCK;
        on[..=offset].fill(probability);
        for end in (offset + BLOCK..count).step_by(BLOCK) {
            let start = end - BLOCK;
            let (from, to) = (self.past.grid.at(start), self.past.grid.at(end));
            probability = scheduled(record, probability, from, to);
            let (read_c, before_c) = (self.smooth_c(end), self.smooth_c(start));
            let likelihood = |is_on: bool| {
                let mut state = AirState {
                    air_c: before_c,
                    set_c: before_c,
                };
                for point in start + 1..=end {
                    let concrete_c = self.concrete_c[point - 1];
                    model.step(&mut state, is_on, concrete_c, self.past.yard_c[point]);
                }
                // Air that climbs faster than planned speaks no less for heat.
                let over_c = read_c - state.air_c;
                let deviations = if is_on {
                    over_c.min(0.3 * over_c)
                } else {
                    over_c
                } / EVIDENCE_SD_C;
                (-0.5 * deviations * deviations).exp().max(LIKELIHOOD_MIN)
            };
            let (with, without) = (
                probability * likelihood(true),
                (1.0 - probability) * likelihood(false),
            );
            probability = with / (with + without);
            on[start + 1..=end].fill(probability);
        }
        on
    }
}

/// Whether heat was on when the night began.
fn first_on(record: &PourRecord, from: UtcMs) -> f64 {
    let switched = record.heat.iter().rfind(|switch| switch.at <= from);
    let planned = record.facts.heat_plan.and_then(|plan| plan.on_at);
    match (switched, planned) {
        (Some(switch), _) => {
            if switch.on {
                SURE
            } else {
                1.0 - SURE
            }
        }
        (None, Some(on_at)) => {
            if on_at <= from {
                0.8
            } else {
                1.0 - SURE
            }
        }
        (None, None) => {
            if record.heat.is_empty() {
                0.2
            } else {
                1.0 - SURE
            }
        }
    }
}

/// The probability after a block in which heat may have been switched.
fn scheduled(record: &PourRecord, before: f64, from: UtcMs, to: UtcMs) -> f64 {
    if let Some(switch) = record
        .heat
        .iter()
        .rfind(|one| one.at > from && one.at <= to)
    {
        return if switch.on { SURE } else { 1.0 - SURE };
    }
    let plan = record.facts.heat_plan.unwrap_or_default();
    // A switch that somebody wrote down replaces the planned one.
    let is_near = |planned: Option<UtcMs>, on: bool| {
        let is_written = record.heat.iter().any(|switch| switch.on == on);
        planned.is_some_and(|at| {
            !is_written
                && at.hours_since(to) < PLANNED_WITHIN_H
                && from.hours_since(at) < PLANNED_WITHIN_H
        })
    };
    let to_on = if is_near(plan.on_at, true) {
        PLANNED_SWITCH
    } else {
        SWITCH
    };
    let to_off = if is_near(plan.off_at, false) {
        PLANNED_SWITCH
    } else {
        SWITCH
    };
    before * (1.0 - to_off) + (1.0 - before) * to_on
}

struct AirProblem<'a> {
    air: &'a AirPast<'a>,
    on: &'a [f64],
    start: usize,
}

impl Problem for AirProblem<'_> {
    fn residuals(&self, parameters: &[f64], out: &mut Vec<f64>) {
        out.clear();
        let model = AirModel::new(parameters);
        self.air.run(&model, self.on, self.start, |point, state| {
            if point % EVERY == 0 {
                out.push((self.air.past.air_c[point] - state.air_c) / AIR_SD_C);
            }
        });
    }

    fn rows(&self, parameters: &[f64], residuals: &[f64], out: &mut Vec<Row>) {
        let empty = Row {
            columns: [0, 1, 2, 3, 4],
            slopes: [0.0; AIR_COUNT],
            width: AIR_COUNT,
        };
        out.clear();
        out.resize(residuals.len(), empty);
        let mut nudged = Vec::new();
        for column in 0..AIR_COUNT {
            // The hold is in °C, the others are relative.
            let nudge = if column + 1 == AIR_COUNT { 0.5 } else { NUDGE };
            let mut aside = parameters.to_vec();
            aside[column] += nudge;
            self.residuals(&aside, &mut nudged);
            for ((row, moved), at) in out.iter_mut().zip(&nudged).zip(residuals) {
                row.slopes[column] = (moved - at) / nudge;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Air that follows a rising set point and then a hold, stepped so many times an hour: the mean over
    /// each hour, and the air at its end.
    fn heated(steps_per_h: u32) -> Vec<(f64, f64)> {
        let mut model = AirModel::new(&[0.7, 3.0, -1.0, 2.7, 54.0]);
        model.lengthen(1.0 / f64::from(steps_per_h));
        let mut state = AirState {
            air_c: 15.0,
            set_c: 15.0,
        };
        let hour = |_| {
            let means = (0..steps_per_h).map(|_| model.step(&mut state, true, 40.0, 10.0));
            let mean_c = means.sum::<f64>() / f64::from(steps_per_h);
            (mean_c, state.air_c)
        };
        (0..6).map(hour).collect()
    }

    #[test]
    fn half_hour_steps_of_air_follow_those_of_a_minute() {
        for (hour, (fine, coarse)) in heated(60).iter().zip(heated(2)).enumerate() {
            let off = (coarse.0 - fine.0, coarse.1 - fine.1);
            assert!(
                off.0.abs() < 0.3 && off.1.abs() < 0.3,
                "hour {}: {fine:?}, off by {off:?}",
                hour + 1
            );
        }
    }
}

//! What a position's own temperatures so far say about its heat: a small robust least-squares fit.

use crate::forecast::STEP_H;
use crate::forecast::concrete::{Concrete, Parameters, Section};
use crate::forecast::draws::Draws;
use crate::forecast::track::{RateTable, filled, step_means};
use crate::time::UtcMs;

/// The model starts this long after time zero, h: mixing and placing are over.
const START_H: f64 = 0.35;
/// The fit looks back this far, h.
const LOOK_BACK_H: f64 = 24.0;
/// Fewer steps than this teach nothing.
const STEP_COUNT_MIN: usize = 6;
/// Air must have been read in this share of the steps.
const AIR_SHARE_MIN: f64 = 0.6;
const ITERATION_COUNT: usize = 5;
/// Residuals beyond this many deviations pull no harder than there.
const HUBER: f64 = 2.5;
/// How far one node is off from a real section, °C, and how that grows with each hour of model.
const MODEL_SD_C: f64 = 0.7;
const MODEL_GROWTH_PER_H: f64 = 0.12;
const MODEL_GROWTH_H_MAX: f64 = 8.0;
const NUDGE: f64 = 1e-3;

type Square = [[f64; 4]; 4];

/// Parameters with their uncertainty.
#[derive(Debug, Clone)]
pub(super) struct Fitted {
    pub(super) parameters: Parameters,
    /// Cholesky factor of the inverse covariance.
    factor: Square,
}

/// One position's past on a grid of steps.
pub(super) struct History {
    temperatures_c: Vec<f64>,
    is_read: Vec<bool>,
    ages_h: Vec<f64>,
    ripening: Vec<f64>,
    air_c: Vec<f64>,
    yard_c: Vec<f64>,
    /// Equivalent age at the end.
    pub(super) age_h: f64,
}

impl History {
    /// `None` where too little was read of the concrete.
    pub(super) fn new(
        readings: &[(UtcMs, f64)],
        air: &[(UtcMs, f64)],
        yard: (&[(UtcMs, f64)], f64),
        zero_at: UtcMs,
        ripening: &RateTable,
        now: UtcMs,
    ) -> Option<Self> {
        let from = zero_at.plus_hours(START_H);
        let step_count = (now.hours_since(from) / STEP_H).floor().max(0.0) as usize;
        let means = step_means(readings, from, step_count);
        let temperatures_c = filled(&means)?;
        let speeds: Vec<f64> = temperatures_c
            .iter()
            .map(|value| ripening.at(*value))
            .collect();
        let mut age_h = START_H * speeds[0];
        let ages_h: Vec<f64> = speeds
            .iter()
            .map(|speed| {
                let before_h = age_h;
                age_h += speed * STEP_H;
                before_h
            })
            .collect();
        let skipped = step_count - step_count.min((LOOK_BACK_H / STEP_H) as usize);
        let air_means = step_means(air, from, step_count).split_off(skipped);
        let is_covered = air_means.iter().flatten().count() as f64
            >= AIR_SHARE_MIN * (step_count - skipped) as f64;
        let air_c = if is_covered {
            filled(&air_means).unwrap_or_default()
        } else {
            Vec::new()
        };
        let yard_c = filled(&step_means(yard.0, from, step_count))
            .unwrap_or_else(|| vec![yard.1; step_count])
            .split_off(skipped);
        Some(Self {
            temperatures_c: temperatures_c[skipped..].to_vec(),
            is_read: means[skipped..].iter().map(Option::is_some).collect(),
            ages_h: ages_h[skipped..].to_vec(),
            ripening: speeds[skipped..].to_vec(),
            air_c,
            yard_c,
            age_h,
        })
    }

    fn can_teach(&self) -> bool {
        self.air_c.len() >= STEP_COUNT_MIN
    }

    /// Residuals of every second step, in deviations.
    fn residuals(&self, concrete: &Concrete, residuals: &mut Vec<f64>) {
        residuals.clear();
        let mut model_c = self.temperatures_c[0];
        for index in 1..self.temperatures_c.len() {
            let before = index - 1;
            let air_c = 0.5 * (self.air_c[before] + self.air_c[index]);
            let beside_c = concrete.air_c(air_c, self.yard_c[index]);
            let heating = concrete.hydration_c_per_h(self.ages_h[index], self.ripening[before]);
            model_c = concrete.step(model_c, beside_c, heating);
            if index % 2 == 0 {
                let model_h = (index as f64 * STEP_H).min(MODEL_GROWTH_H_MAX);
                let sd_c = MODEL_SD_C * (1.0 + MODEL_GROWTH_PER_H * model_h);
                let read = f64::from(u8::from(self.is_read[index]));
                residuals.push(read * (self.temperatures_c[index] - model_c) / sd_c);
            }
        }
    }
}

impl Fitted {
    /// What is expected before anything was read.
    pub(super) fn expected(section: &Section) -> Self {
        let (parameters, sds) = section.prior();
        let mut factor = Square::default();
        for index in 0..4 {
            factor[index][index] = 1.0 / sds[index];
        }
        Self { parameters, factor }
    }

    /// Gauss-Newton on the expectation and the residuals, the step halved while it makes things
    /// worse.
    pub(super) fn new(section: &Section, history: &History) -> Self {
        let mut fitted = Self::expected(section);
        if !history.can_teach() {
            return fitted;
        }
        let (expected, sds) = section.prior();
        let mut residuals = Vec::new();
        let mut nudged = Vec::new();
        let mut parameters = expected;
        history.residuals(&Concrete::new(section, &parameters), &mut residuals);
        let mut cost = cost_of(&residuals, &parameters, &expected, &sds);
        for _ in 0..ITERATION_COUNT {
            let mut jacobian = vec![[0.0; 4]; residuals.len()];
            for column in 0..4 {
                let mut aside = parameters;
                aside[column] += NUDGE;
                history.residuals(&Concrete::new(section, &aside), &mut nudged);
                for ((row, moved), at) in jacobian.iter_mut().zip(&nudged).zip(&residuals) {
                    row[column] = (moved - at) / NUDGE;
                }
            }
            let (hessian, gradient) =
                normal_equations(&jacobian, &residuals, &parameters, &expected, &sds);
            let Some(factor) = cholesky(&hessian) else {
                break;
            };
            fitted = Self { parameters, factor };
            let step = solve(&factor, &gradient);
            let mut share = 1.0;
            let gain = loop {
                let mut next = parameters;
                next.iter_mut()
                    .zip(&step)
                    .for_each(|(one, by)| *one -= share * by);
                // Beyond these the fit has left what concrete can be.
                next[2] = next[2].clamp(-2.0, 2.0);
                next[3] = next[3].clamp(-0.5, 0.8);
                history.residuals(&Concrete::new(section, &next), &mut nudged);
                let next_cost = cost_of(&nudged, &next, &expected, &sds);
                if next_cost < cost {
                    let gain = cost - next_cost;
                    (parameters, cost) = (next, next_cost);
                    std::mem::swap(&mut residuals, &mut nudged);
                    break gain;
                }
                share *= 0.5;
                if share < 0.1 {
                    break 0.0;
                }
            };
            fitted.parameters = parameters;
            if gain < 1e-3 {
                break;
            }
        }
        fitted
    }

    /// One draw of the parameters.
    pub(super) fn sample(&self, draws: &mut Draws) -> Parameters {
        let normals: Parameters = std::array::from_fn(|_| draws.normal());
        let aside = back_substitute(&self.factor, &normals);
        std::array::from_fn(|index| self.parameters[index] + aside[index])
    }
}

fn cost_of(
    residuals: &[f64],
    parameters: &Parameters,
    expected: &Parameters,
    sds: &Parameters,
) -> f64 {
    let huber = |residual: &f64| {
        let size = residual.abs();
        if size <= HUBER {
            size * size
        } else {
            HUBER * (2.0 * size - HUBER)
        }
    };
    let prior = |index: usize| ((parameters[index] - expected[index]) / sds[index]).powi(2);
    residuals.iter().map(huber).sum::<f64>() + (0..4).map(prior).sum::<f64>()
}

fn normal_equations(
    jacobian: &[Parameters],
    residuals: &[f64],
    parameters: &Parameters,
    expected: &Parameters,
    sds: &Parameters,
) -> (Square, Parameters) {
    let mut hessian = Square::default();
    let mut gradient = Parameters::default();
    for index in 0..4 {
        let weight = sds[index].powi(-2);
        hessian[index][index] = weight;
        gradient[index] = weight * (parameters[index] - expected[index]);
    }
    for (row, residual) in jacobian.iter().zip(residuals) {
        let weight = (HUBER / residual.abs().max(HUBER)).min(1.0);
        for i in 0..4 {
            gradient[i] += weight * row[i] * residual;
            for j in 0..4 {
                hessian[i][j] += weight * row[i] * row[j];
            }
        }
    }
    (hessian, gradient)
}

/// The lower factor L of `matrix = L L'`; `None` where it is not positive definite.
fn cholesky(matrix: &Square) -> Option<Square> {
    let mut lower = Square::default();
    for i in 0..4 {
        for j in 0..=i {
            let known: f64 = (0..j).map(|k| lower[i][k] * lower[j][k]).sum();
            let rest = matrix[i][j] - known;
            lower[i][j] = if i == j {
                rest.sqrt()
            } else {
                rest / lower[j][j]
            };
        }
        if !(lower[i][i] > 0.0 && lower[i][i].is_finite()) {
            return None;
        }
    }
    Some(lower)
}

fn solve(lower: &Square, right: &Parameters) -> Parameters {
    let mut forward = Parameters::default();
    for i in 0..4 {
        let known: f64 = (0..i).map(|k| lower[i][k] * forward[k]).sum();
        forward[i] = (right[i] - known) / lower[i][i];
    }
    back_substitute(lower, &forward)
}

/// Solves `L' x = right`.
fn back_substitute(lower: &Square, right: &Parameters) -> Parameters {
    let mut solution = Parameters::default();
    for i in (0..4).rev() {
        let known: f64 = (i + 1..4).map(|k| lower[k][i] * solution[k]).sum();
        solution[i] = (right[i] - known) / lower[i][i];
    }
    solution
}

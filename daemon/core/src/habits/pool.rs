//! Robust middle and spread of what was learned, drawn towards what is expected anyway.

use crate::statistics::median;

/// So many observations weigh as much as the expectation.
const SHRINK: f64 = 3.0;
/// No habit is taken to be known better than this.
const SD_MIN: f64 = 0.03;
/// A median absolute deviation times this is a normal's standard deviation.
const MAD_TO_SD: f64 = 1.4826;

/// A mean and spread with the number of observations behind them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Pooled {
    pub(crate) mean: f64,
    pub(crate) sd: f64,
    pub(crate) count: usize,
}

/// Observations shrunk towards an expectation.
pub(crate) fn pooled(values: &[f64], expected: Pooled) -> Pooled {
    let Some(middle) = median(values) else {
        return expected;
    };
    let deviations: Vec<f64> = values.iter().map(|value| (value - middle).abs()).collect();
    let spread = MAD_TO_SD * median(&deviations).unwrap_or(0.0);
    let count = values.len() as f64;
    let share = count / (count + SHRINK);
    let variance = share * spread * spread + (1.0 - share) * expected.sd * expected.sd;
    Pooled {
        mean: share * middle + (1.0 - share) * expected.mean,
        sd: variance.sqrt().max(SD_MIN),
        count: values.len(),
    }
}

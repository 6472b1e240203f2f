//! The thing the lab really asks: the maturity at which the curve reaches a strength, with its
//! interval.
//!
//! The interval is the set of maturities at which the curve's own two-sided 90 % band holds the
//! strength. It speaks of the mean of specimens like those fitted; the estimate at a position adds
//! what separates that position from them.

use super::CurveFit;
use crate::estimate::t_quantile;

/// The probability on each side of the interval is half of what this leaves.
const TWO_SIDED_PROBABILITY: f64 = 0.90;

/// Factor by which the search for an end of the interval steps, and how far it goes.
const STEP: f64 = 1.02;
const STEP_COUNT_MAX: usize = 600;

/// A maturity with the interval that the fit gives it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Crossing {
    /// Where the curve reaches the strength.
    pub maturity: f64,
    /// Where the band's upper side reaches it; none when it is above it at every maturity tried.
    pub early: Option<f64>,
    /// Where the band's lower side reaches it; none when it never does: the data give no end.
    pub late: Option<f64>,
}

/// When a fitted curve reaches a strength.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TargetMaturity {
    /// Inside the data.
    Within(Crossing),
    /// Before the first data; nothing is claimed there.
    BeforeData {
        /// Maturity of the first data.
        first_maturity: f64,
    },
    /// After the last data; nothing is claimed there.
    BeyondData {
        /// Maturity of the last data.
        last_maturity: f64,
    },
    /// Never: the strength is at or above the curve's ultimate.
    Never {
        /// The curve's ultimate strength, MPa.
        ultimate_mpa: f64,
    },
}

impl CurveFit {
    /// When the curve reaches a strength.
    pub fn target_maturity(&self, strength_mpa: f64) -> TargetMaturity {
        let (first_maturity, last_maturity) = self.maturity_range;
        let Some(crossing) = self.crossing(strength_mpa) else {
            return match self.curve.coefficients().first() {
                Some(("ultimate_mpa", ultimate_mpa)) if strength_mpa >= *ultimate_mpa => {
                    TargetMaturity::Never {
                        ultimate_mpa: *ultimate_mpa,
                    }
                }
                _ => TargetMaturity::BeforeData { first_maturity },
            };
        };
        if crossing.maturity < first_maturity {
            TargetMaturity::BeforeData { first_maturity }
        } else if crossing.maturity > last_maturity {
            TargetMaturity::BeyondData { last_maturity }
        } else {
            TargetMaturity::Within(crossing)
        }
    }

    /// Where the formula reaches a strength, whether data stand there or not.
    pub fn crossing(&self, strength_mpa: f64) -> Option<Crossing> {
        let maturity = self.curve.maturity_at(strength_mpa)?;
        if !(maturity.is_finite() && maturity > 0.0) {
            return None;
        }
        let probability = 0.5 + TWO_SIDED_PROBABILITY / 2.0;
        let t = t_quantile(probability, self.degrees_of_freedom);
        let side = |at: f64, sign: f64| {
            self.curve.strength_mpa(at) + sign * t * self.curve_sd_mpa(at) - strength_mpa
        };
        Some(Crossing {
            maturity,
            early: first_change(maturity, 1.0 / STEP, |at| side(at, 1.0) < 0.0),
            late: first_change(maturity, STEP, |at| side(at, -1.0) > 0.0),
        })
    }
}

/// Walks from `from` by a factor until a condition holds, then halves the last step down to
/// rounding.
fn first_change(from: f64, factor: f64, has_changed: impl Fn(f64) -> bool) -> Option<f64> {
    let mut inside = from;
    for _ in 0..STEP_COUNT_MAX {
        let mut outside = inside * factor;
        if has_changed(outside) {
            for _ in 0..48 {
                let middle = 0.5 * (inside + outside);
                if has_changed(middle) {
                    outside = middle;
                } else {
                    inside = middle;
                }
            }
            return Some(0.5 * (inside + outside));
        }
        inside = outside;
    }
    None
}

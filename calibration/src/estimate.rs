//! Strength from maturity, as an interval: value, lower bound, and what the data do not cover.
//!
//! At a maturity M the variance of the mean strength of the concrete at a position is
//!
//! `sd² = g' C g + residual_sd² + (pour_cv² + load_cv²) S(M)²`
//!
//! (`residual_sd` is `residual_cv S(M)` where the scatter is proportional)
//!
//! with g the curve's gradient and C the covariance of its coefficients; `lower_90 = S - t sd`,
//! where t is Student's 0.90 quantile with the residual's degrees of freedom (one-sided). Strength
//! does not fall as maturity grows, so a bound proven at one maturity holds at every larger one:
//! the bound is the running maximum over the curve's range, and never negative.
//!
//! Where the covariance is not known, `g' C g` is taken as `residual_sd²`: that is the most it can
//! be at a maturity where a specimen was broken, because no leverage in least squares exceeds one.

use statrs::distribution::{ContinuousCDF, StudentsT};

use crate::curve::Curve;
use crate::curve_file::{CurveFile, CurveRange, grid};
use crate::fit::ResidualScatter;

/// The confidence of `lower_90_mpa`, one-sided.
const LOWER_BOUND_PROBABILITY: f64 = 0.90;

/// Nodes on the curve's range. The bound lags by up to one node to stay below the true running
/// maximum; with a range of 100 to 1 a node is 0.2 % of maturity, about a minute of a night.
const NODE_COUNT: usize = 2048;

/// Relative scatter of strength that the curve's own data do not hold, learned from past breaks.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Scatter {
    /// Coefficient of variation from pour to pour of the mix, a fraction.
    pub pour_cv: f64,
    /// Coefficient of variation from load to load within a pour, a fraction.
    pub load_cv: f64,
}

/// What a curve says about the strength at a maturity. An estimate is never permission: the
/// cylinder decides and a person signs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum StrengthEstimate {
    /// The maturity is below the curve's first data: no estimate yet.
    BelowData {
        /// Maturity at which estimates begin.
        first_maturity: f64,
    },
    /// The maturity is inside the curve's data.
    Within {
        /// Estimated strength, MPa.
        estimate_mpa: f64,
        /// One-sided 90 % lower bound of the mean strength, MPa; zero where nothing is proven.
        lower_90_mpa: f64,
    },
    /// The maturity is above the curve's last data: the strength is at least what it was there.
    AboveData {
        /// Estimated strength at the last data, MPa.
        at_least_mpa: f64,
        /// One-sided 90 % lower bound of the mean strength, MPa, at the last data or earlier.
        lower_90_mpa: f64,
    },
}

/// At what maturity a strength is reached.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum RequiredMaturity {
    /// At this maturity, inside the curve's data.
    Within(f64),
    /// Before the curve's first data, so no later than the maturity given here.
    BeforeData {
        /// Maturity of the curve's first data.
        first_maturity: f64,
    },
    /// Not inside the curve's data, which end at the maturity given here.
    BeyondData {
        /// Maturity of the curve's last data.
        last_maturity: f64,
    },
    /// Never: the curve does not get there at any maturity.
    Never,
}

/// When a strength is reached, as an interval of maturity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MaturityInterval {
    /// Where the upper 90 % bound reaches the strength.
    pub early: RequiredMaturity,
    /// Where the estimate reaches it.
    pub likely: RequiredMaturity,
    /// Where the lower 90 % bound reaches it.
    pub late: RequiredMaturity,
}

/// A curve with its scatter, prepared once (a fraction of a millisecond) and cheap to evaluate.
#[derive(Debug, Clone)]
pub struct PreparedCurve {
    curve: Curve,
    range: CurveRange,
    covariance: Option<[[f64; 3]; 3]>,
    residual: ResidualScatter,
    scatter: Scatter,
    t_90: f64,
    /// The curve's strength at the first of its data.
    first_mpa: f64,
    /// Nodes per e-fold of maturity.
    nodes_per_log: f64,
    maturities: Vec<f64>,
    /// Running maximum of the bound up to the node *before*; the chord between two entries is then
    /// never above the running maximum itself, and it never falls.
    lower_mpa: Vec<f64>,
}

/// Estimates once; [`PreparedCurve`] is for more than once.
pub fn estimate(
    curve: &CurveFile,
    maturity: f64,
    maturity_low: f64,
    scatter: Scatter,
) -> StrengthEstimate {
    PreparedCurve::new(curve, scatter).estimate(maturity, maturity_low)
}

/// Student's t quantile: the value that a t variable with `degrees_of_freedom` stays below with
/// `probability` (0 to 1, ends excluded).
///
/// # Panics
/// When `probability` is not strictly between 0 and 1 or `degrees_of_freedom` is 0.
pub fn t_quantile(probability: f64, degrees_of_freedom: u32) -> f64 {
    assert!(
        probability > 0.0 && probability < 1.0,
        "{probability} is not strictly between 0 and 1"
    );
    StudentsT::new(0.0, 1.0, f64::from(degrees_of_freedom))
        .expect("a t distribution has at least one degree of freedom")
        .inverse_cdf(probability)
}

impl PreparedCurve {
    /// Prepares a checked curve for a scatter.
    pub fn new(file: &CurveFile, scatter: Scatter) -> Self {
        let CurveRange {
            maturity_min,
            maturity_max,
            ..
        } = file.range;
        let mut prepared = Self {
            curve: file.curve,
            range: file.range,
            covariance: file.covariance,
            residual: file.residual,
            scatter,
            t_90: t_quantile(LOWER_BOUND_PROBABILITY, file.residual_degrees_of_freedom),
            first_mpa: file.curve.strength_mpa(maturity_min),
            nodes_per_log: (NODE_COUNT - 1) as f64 / (maturity_max / maturity_min).ln(),
            maturities: grid(&file.range, NODE_COUNT).collect(),
            lower_mpa: Vec::with_capacity(NODE_COUNT),
        };
        let mut proven_mpa = prepared.bound_mpa(maturity_min);
        for index in 0..NODE_COUNT {
            // The first two nodes share the first bound: the second must not exceed what the first
            // proves.
            prepared.lower_mpa.push(proven_mpa);
            if index > 0 {
                proven_mpa = proven_mpa.max(prepared.bound_mpa(prepared.maturities[index]));
            }
        }
        prepared
    }

    /// What the curve says at `maturity`, with the bound taken at `maturity_low`: a maturity that
    /// cannot overstate (gaps, doubt about time zero, sensor tolerance). Were it larger than
    /// `maturity`, `maturity` is used. A `maturity_low` below the first data proves nothing: the
    /// bound is then zero.
    pub fn estimate(&self, maturity: f64, maturity_low: f64) -> StrengthEstimate {
        let CurveRange {
            maturity_min,
            maturity_max,
            ..
        } = self.range;
        let lower_90_mpa = self.lower_90_mpa(maturity_low.min(maturity));
        if maturity > maturity_max {
            let at_least_mpa = self.curve.strength_mpa(maturity_max);
            StrengthEstimate::AboveData {
                at_least_mpa,
                lower_90_mpa,
            }
        } else if maturity >= maturity_min {
            let estimate_mpa = self.curve.strength_mpa(maturity);
            StrengthEstimate::Within {
                estimate_mpa,
                lower_90_mpa,
            }
        } else {
            StrengthEstimate::BelowData {
                first_maturity: maturity_min,
            }
        }
    }

    /// The curve's strength at a maturity, MPa, for a forecast: the formula below its data, and
    /// held at its last value above them.
    pub fn strength_at(&self, maturity: f64) -> f64 {
        self.curve
            .strength_mpa(maturity.min(self.range.maturity_max))
    }

    /// Standard deviation of the mean strength at a maturity (held above the data), MPa.
    pub fn sd_at(&self, maturity: f64) -> f64 {
        let maturity = maturity.min(self.range.maturity_max);
        let strength_mpa = self.curve.strength_mpa(maturity);
        let residual_variance = self.residual.sd_mpa_at(strength_mpa).powi(2);
        let coefficient_variance = match &self.covariance {
            Some(covariance) => quadratic_form(&self.curve.gradient(maturity), covariance),
            None => residual_variance,
        };
        let Scatter { pour_cv, load_cv } = self.scatter;
        let scatter_variance =
            (pour_cv * pour_cv + load_cv * load_cv) * strength_mpa * strength_mpa;
        (coefficient_variance + residual_variance + scatter_variance).sqrt()
    }

    /// The one-sided 90 % lower bound of the mean strength at a maturity, MPa: never negative,
    /// never falling, zero below the data, and held above them.
    pub fn lower_90_mpa(&self, maturity: f64) -> f64 {
        let CurveRange {
            maturity_min,
            maturity_max,
            ..
        } = self.range;
        if maturity.is_nan() || maturity < maturity_min {
            return 0.0;
        }
        let maturity = maturity.min(maturity_max);
        // The logarithm finds the cell; rounding may miss it by one, which the two loops put right.
        let guess = ((maturity / maturity_min).ln() * self.nodes_per_log) as usize;
        let mut cell = guess.min(NODE_COUNT - 2);
        while cell > 0 && self.maturities[cell] > maturity {
            cell -= 1;
        }
        while cell < NODE_COUNT - 2 && self.maturities[cell + 1] <= maturity {
            cell += 1;
        }
        let (left, right) = (self.maturities[cell], self.maturities[cell + 1]);
        let (low_mpa, high_mpa) = (self.lower_mpa[cell], self.lower_mpa[cell + 1]);
        low_mpa + (high_mpa - low_mpa) * ((maturity - left) / (right - left))
    }

    /// Student's 0.90 quantile that the bounds use.
    pub fn t_90(&self) -> f64 {
        self.t_90
    }

    /// What the curve's data cover.
    pub fn range(&self) -> &CurveRange {
        &self.range
    }

    /// The maturity at which the estimate reaches a strength.
    pub fn required_maturity(&self, strength_mpa: f64) -> RequiredMaturity {
        let CurveRange {
            maturity_min,
            maturity_max,
            ..
        } = self.range;
        if strength_mpa <= self.first_mpa {
            return RequiredMaturity::BeforeData {
                first_maturity: maturity_min,
            };
        }
        match self.curve.maturity_at(strength_mpa) {
            None => RequiredMaturity::Never,
            Some(maturity) if maturity > maturity_max => RequiredMaturity::BeyondData {
                last_maturity: maturity_max,
            },
            Some(maturity) => RequiredMaturity::Within(maturity.max(maturity_min)),
        }
    }

    /// The maturity at which the lower bound reaches a strength.
    pub fn required_maturity_lower_90(&self, strength_mpa: f64) -> RequiredMaturity {
        self.first_reaching(strength_mpa, |index| self.lower_mpa[index])
    }

    /// The maturities at which the upper bound, the estimate and the lower bound reach a strength.
    pub fn maturity_interval(&self, strength_mpa: f64) -> MaturityInterval {
        let upper_mpa = |index: usize| {
            let maturity = self.maturities[index];
            self.curve.strength_mpa(maturity) + self.t_90 * self.sd_at(maturity)
        };
        MaturityInterval {
            early: self.first_reaching(strength_mpa, upper_mpa),
            likely: self.required_maturity(strength_mpa),
            late: self.required_maturity_lower_90(strength_mpa),
        }
    }

    /// Where a sequence of values at the nodes first reaches a strength, on the chord before it.
    fn first_reaching(
        &self,
        strength_mpa: f64,
        value_mpa: impl Fn(usize) -> f64,
    ) -> RequiredMaturity {
        let CurveRange {
            maturity_min,
            maturity_max,
            ..
        } = self.range;
        let Some(index) = (0..NODE_COUNT).find(|index| value_mpa(*index) >= strength_mpa) else {
            return RequiredMaturity::BeyondData {
                last_maturity: maturity_max,
            };
        };
        if index == 0 {
            return RequiredMaturity::BeforeData {
                first_maturity: maturity_min,
            };
        }
        let (low_mpa, high_mpa) = (value_mpa(index - 1), value_mpa(index));
        let share = (strength_mpa - low_mpa) / (high_mpa - low_mpa);
        let (left, right) = (self.maturities[index - 1], self.maturities[index]);
        RequiredMaturity::Within(left + share * (right - left))
    }

    /// `S - t sd` at one maturity, not below zero; a scatter that is not a number proves nothing.
    fn bound_mpa(&self, maturity: f64) -> f64 {
        (self.curve.strength_mpa(maturity) - self.t_90 * self.sd_at(maturity)).max(0.0)
    }
}

/// `g' C g`; a matrix that is semi-definite only up to rounding must not give a negative variance.
fn quadratic_form(gradient: &[f64; 3], covariance: &[[f64; 3]; 3]) -> f64 {
    let mut sum = 0.0;
    for (row, left) in covariance.iter().zip(gradient) {
        for (value, right) in row.iter().zip(gradient) {
            sum += left * value * right;
        }
    }
    sum.max(0.0)
}

#[cfg(test)]
mod tests;

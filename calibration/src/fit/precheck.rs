//! What the data must show before a fit is tried, and what its coefficients may be afterwards.

use std::fmt;

use units::bounds;

use super::Point;
use super::form::Form;
use crate::curve::Curve;
use crate::least_squares::Termination;

/// Why the data give no curve of a form.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FitRefusal {
    /// A maturity or strength that is no positive finite number.
    NotPositive {
        /// Place of the point, from 1.
        point: usize,
    },
    /// No more specimens than coefficients.
    TooFewSpecimens {
        /// How many there are.
        have: usize,
        /// How many it takes at least.
        need: usize,
    },
    /// Fewer different maturities than coefficients.
    TooFewAges {
        /// How many there are.
        have: usize,
        /// How many it takes at least.
        need: usize,
    },
    /// The strengths do not rise with maturity.
    NotRising,
    /// No start led to a minimum.
    NoMinimum {
        /// Why the most promising one ended.
        termination: Termination,
    },
    /// The ultimate strength runs away: the data do not bend towards one.
    NoUltimate {
        /// Where the search left it, MPa.
        ultimate_mpa: f64,
    },
    /// The rate runs away: the data are already at their ultimate strength.
    NoRise,
    /// The coefficients cannot be told apart by these data.
    Undetermined,
}

impl FitRefusal {
    /// Whether more or other data were needed before anything could be tried.
    pub fn is_usage_error(&self) -> bool {
        matches!(
            self,
            Self::NotPositive { .. } | Self::TooFewSpecimens { .. } | Self::TooFewAges { .. }
        )
    }

    /// The reason as a word for machines.
    pub fn name(&self) -> &'static str {
        match self {
            Self::NotPositive { .. } => "not-positive",
            Self::TooFewSpecimens { .. } => "too-few-specimens",
            Self::TooFewAges { .. } => "too-few-ages",
            Self::NotRising => "not-rising",
            Self::NoMinimum { .. } => "no-minimum",
            Self::NoUltimate { .. } => "no-ultimate",
            Self::NoRise => "no-rise",
            Self::Undetermined => "undetermined",
        }
    }
}

impl fmt::Display for FitRefusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotPositive { point } => write!(
                f,
                "point {point} has a maturity or a strength that is no positive number"
            ),
            Self::TooFewSpecimens { have, need } => write!(
                f,
                "{have} specimens are too few for this form: it takes at least {need}"
            ),
            Self::TooFewAges { have, need } => write!(
                f,
                "{have} different maturities are too few for this form: it takes at least {need}; \
                 break groups at more ages"
            ),
            Self::NotRising => f.write_str(
                "the strengths do not rise with maturity: check ages, temperatures and units",
            ),
            Self::NoMinimum { termination } => write!(
                f,
                "no start value led to a best fit ({termination}): the data do not have this form"
            ),
            Self::NoUltimate { ultimate_mpa } => write!(
                f,
                "the data do not bend towards an ultimate strength (the search was at \
                 {ultimate_mpa:.3e} MPa): break later groups, or use the logarithmic form"
            ),
            Self::NoRise => f.write_str(
                "every group is already near the ultimate strength, so nothing shows how it rose: \
                 break earlier groups",
            ),
            Self::Undetermined => f.write_str(
                "these data cannot tell the coefficients apart: break groups at more ages",
            ),
        }
    }
}

impl std::error::Error for FitRefusal {}

/// The number of groups among points.
pub(super) fn group_count(points: &[Point]) -> usize {
    let mut groups: Vec<usize> = points.iter().map(|point| point.group).collect();
    groups.sort_unstable();
    groups.dedup();
    groups.len()
}

/// Checks that points can determine a form at all.
pub(super) fn check(points: &[Point], form: Form) -> Result<(), FitRefusal> {
    let is_positive = |value: f64| value.is_finite() && value > 0.0;
    if let Some(index) = points
        .iter()
        .position(|point| !(is_positive(point.maturity) && is_positive(point.strength_mpa)))
    {
        return Err(FitRefusal::NotPositive { point: index + 1 });
    }
    let need = form.coefficient_count() + 1;
    if points.len() < need {
        let have = points.len();
        return Err(FitRefusal::TooFewSpecimens { have, need });
    }
    let mut ages: Vec<f64> = points.iter().map(|point| point.maturity).collect();
    ages.sort_by(f64::total_cmp);
    // Companions are a few minutes apart; that is no second age.
    ages.dedup_by(|later, earlier| *later <= *earlier * 1.02);
    let need = form.coefficient_count();
    if ages.len() < need {
        let have = ages.len();
        return Err(FitRefusal::TooFewAges { have, need });
    }
    if correlation_with_log_maturity(points) <= 0.1 {
        return Err(FitRefusal::NotRising);
    }
    Ok(())
}

/// Correlation of strength with the logarithm of maturity; zero where either does not vary.
fn correlation_with_log_maturity(points: &[Point]) -> f64 {
    let count = points.len() as f64;
    let mean_x = points.iter().map(|point| point.maturity.ln()).sum::<f64>() / count;
    let mean_y = points.iter().map(|point| point.strength_mpa).sum::<f64>() / count;
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for point in points {
        let (x, y) = (point.maturity.ln() - mean_x, point.strength_mpa - mean_y);
        xx += x * x;
        xy += x * y;
        yy += y * y;
    }
    if xx <= 0.0 || yy <= 1e-12 * mean_y * mean_y * count {
        return 0.0;
    }
    xy / (xx * yy).sqrt()
}

/// Checks that coefficients are those of concrete.
pub(super) fn check_coefficients(curve: &Curve) -> Result<(), FitRefusal> {
    // Beyond this many units of rate per unit of maturity the curve is a step.
    const STEP_RATE: f64 = 1e6;
    let ultimate_mpa = match *curve {
        Curve::Hyperbolic {
            ultimate_mpa,
            rate_per_unit,
            ..
        } => {
            if rate_per_unit > STEP_RATE {
                return Err(FitRefusal::NoRise);
            }
            ultimate_mpa
        }
        Curve::Exponential { ultimate_mpa, .. } => ultimate_mpa,
        Curve::Logarithmic { slope_mpa, .. } => {
            return if slope_mpa > 0.0 {
                Ok(())
            } else {
                Err(FitRefusal::NotRising)
            };
        }
    };
    if bounds::CURVE_ULTIMATE_MPA.contains(ultimate_mpa) {
        Ok(())
    } else {
        Err(FitRefusal::NoUltimate { ultimate_mpa })
    }
}

//! What a fit does not say by itself, in words: each warning has a name by which a person accepts
//! it.

use std::fmt;

use units::{Celsius, Megapascal, Show as _, UnitSystem};

use super::{CurveFit, Point, TargetMaturity};
use crate::curve::Curve;
use crate::curve_file::Cured;

/// Condition numbers above this mean that two coefficients nearly stand in for one another.
const CONDITION_LIMIT: f64 = 1e4;

/// A standard error of the ultimate strength above this share of it.
const ULTIMATE_ERROR_LIMIT: f64 = 0.25;

/// A standard error of any other coefficient, but the offset, above this share of it.
const RISE_ERROR_LIMIT: f64 = 0.5;

/// Leave-one-group-out errors above this many times the scatter.
const LEFT_OUT_LIMIT: f64 = 4.0;

/// Misfit less probable than this is no chance.
const LACK_OF_FIT_LIMIT: f64 = 0.01;

/// Groups that should lie between half and twice the maturity that is asked for.
const NEAR_GROUP_COUNT_MIN: usize = 3;

/// A bed that gets hotter than the specimens by more than this is not like them, °C.
const PEAK_TOLERANCE_C: f64 = 5.0;

/// Standard curing is near 23 °C (ASTM C192, from memory: 23 ± 2 °C), and no laboratory that means it
/// leaves this range, °C.
const STANDARD_C: std::ops::RangeInclusive<f64> = 15.0..=30.0;

/// No concrete gains strength that a plant would use below the first, and no cure goes above the second
/// (common practice, no source), °C.
const CURE_C: std::ops::RangeInclusive<f64> = 5.0..=90.0;

/// Warnings that are said and known but part of many good curves: they need no acceptance by name.
pub const NEED_NOT_BE_ACCEPTED: [&str; 3] =
    ["sparse-near-target", "ultimate-uncertain", "standard-cured"];

/// A doubt about a fitted curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Warning {
    /// The hyperbolic offset is negative: strength before the beginning of maturity.
    NegativeOffset {
        /// The offset, in the unit of maturity.
        offset: f64,
    },
    /// The offset was held at zero, where the data wanted a negative one.
    OffsetHeld,
    /// The curve has no strength at the first data.
    NoStrengthAtFirstData,
    /// Few groups for the number of coefficients.
    TooFewGroups {
        /// How many there are.
        group_count: usize,
        /// How many there should be.
        wanted: usize,
    },
    /// Two coefficients nearly stand in for one another.
    NearSingular {
        /// The condition number of the scaled derivatives.
        condition: f64,
    },
    /// The ultimate strength is hardly determined.
    UltimateUncertain {
        /// Its standard error over its value.
        relative_error: f64,
    },
    /// A coefficient that says how strength rises is hardly determined.
    RiseUncertain {
        /// Which one, as curve files name it.
        coefficient: &'static str,
        /// Its standard error over its value.
        relative_error: f64,
    },
    /// Groups are told far worse by the others than specimens scatter: single groups carry the
    /// curve.
    SingleGroupsCarry {
        /// Leave-one-group-out error, MPa.
        left_out_mpa: f64,
        /// Residual scatter at the mean strength, MPa.
        scatter_mpa: f64,
    },
    /// Starts did not end at one minimum.
    StartsDisagree,
    /// The curve misses the groups by more than the scatter within them.
    LackOfFit {
        /// Probability of this by chance.
        probability: f64,
    },
    /// The data do not hold the required strength between them.
    TargetNotBracketed {
        /// Required strength, MPa.
        target_mpa: f64,
    },
    /// Few groups near the maturity that matters.
    SparseNearTarget {
        /// How many groups lie between half and twice that maturity.
        group_count: usize,
    },
    /// Specimens at the standard temperature, beds that are heated.
    StandardCured,
    /// Specimens that are said to be standard-cured and were not at that temperature.
    NotAtStandard {
        /// Their lowest and highest temperature, °C.
        range_c: (f64, f64),
    },
    /// Temperatures at which no specimen is cured.
    NoCuringTemperature {
        /// The lowest and highest temperature, °C.
        range_c: (f64, f64),
    },
    /// The beds get hotter than the specimens did.
    CuredUnlikeBeds {
        /// Highest temperature of the specimens, °C.
        specimens_c: f64,
        /// Peak of the beds, °C.
        beds_c: f64,
    },
}

impl Warning {
    /// The name by which it is accepted.
    pub fn name(&self) -> &'static str {
        match self {
            Self::NegativeOffset { .. } => "negative-offset",
            Self::OffsetHeld => "coefficient-at-bound",
            Self::NoStrengthAtFirstData => "no-strength-at-first-data",
            Self::TooFewGroups { .. } => "too-few-groups",
            Self::NearSingular { .. } => "near-singular",
            Self::UltimateUncertain { .. } => "ultimate-uncertain",
            Self::RiseUncertain { .. } => "rise-uncertain",
            Self::SingleGroupsCarry { .. } => "single-groups-carry",
            Self::StartsDisagree => "starts-disagree",
            Self::LackOfFit { .. } => "lack-of-fit",
            Self::TargetNotBracketed { .. } => "target-not-bracketed",
            Self::SparseNearTarget { .. } => "sparse-near-target",
            Self::StandardCured => "standard-cured",
            Self::NotAtStandard { .. } => "not-at-standard-temperature",
            Self::NoCuringTemperature { .. } => "no-curing-temperature",
            Self::CuredUnlikeBeds { .. } => "cured-unlike-beds",
        }
    }

    /// Whether whoever approves the curve must accept this by name.
    pub fn must_be_accepted(&self) -> bool {
        !NEED_NOT_BE_ACCEPTED.contains(&self.name())
    }
}

impl fmt::Display for Warning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NegativeOffset { offset } => write!(
                f,
                "the offset is {offset:.4}, below 0: the curve would have strength before maturity \
                 begins; do not read it below its first data, or fit with the offset held at 0"
            ),
            Self::OffsetHeld => f.write_str(
                "the offset was held at its bound of 0 where the data wanted a negative one; its \
                 standard error is not known",
            ),
            Self::NoStrengthAtFirstData => f.write_str(
                "the curve has no strength at the first group, which had some: this form does not \
                 follow the early data",
            ),
            Self::TooFewGroups {
                group_count,
                wanted,
            } => write!(
                f,
                "{group_count} groups leave little to judge this form by; break at {wanted} ages or \
                 more"
            ),
            Self::NearSingular { condition } => write!(
                f,
                "two coefficients nearly stand in for one another (condition {condition:.2e}): \
                 the curve may serve between its data, its coefficients mean little"
            ),
            Self::UltimateUncertain { relative_error } => write!(
                f,
                "the ultimate strength is known to no better than {:.0} %: the data end early",
                relative_error * 100.0
            ),
            Self::RiseUncertain {
                coefficient,
                relative_error,
            } => write!(
                f,
                "{coefficient} is known to no better than {:.0} %: the data hardly show how \
                 strength rises; break more groups on the rise",
                relative_error * 100.0
            ),
            Self::SingleGroupsCarry {
                left_out_mpa,
                scatter_mpa,
            } => write!(
                f,
                "groups are missed by {} when the curve has not seen them, while specimens scatter \
                 by {}: single groups carry the curve; break groups between them",
                Megapascal(*left_out_mpa).show(UnitSystem::Si),
                Megapascal(*scatter_mpa).show(UnitSystem::Si)
            ),
            Self::StartsDisagree => f.write_str(
                "start values led to different fits; the best is shown, and more groups would help",
            ),
            Self::LackOfFit { probability } => write!(
                f,
                "the curve misses the groups by more than the scatter within them (probability by \
                 chance {probability:.4}): another form may follow them better"
            ),
            Self::TargetNotBracketed { target_mpa } => write!(
                f,
                "no group stands on each side of {}: break groups below and above it",
                Megapascal(*target_mpa).show(UnitSystem::Si)
            ),
            Self::SparseNearTarget { group_count } => write!(
                f,
                "{group_count} groups lie between half and twice the maturity that is asked for: \
                 ages of 1 to 28 days answer a question about hours badly; break every few hours \
                 around release"
            ),
            Self::StandardCured => f.write_str(
                "the specimens were cured at the standard temperature: on a heated bed this curve \
                 is advisory until the plant's own pours have verified it",
            ),
            Self::NotAtStandard { range_c } => write!(
                f,
                "the specimens are said to be standard-cured, but were at {}: were the temperatures \
                 typed in the other unit, or were they cured another way?",
                both_units(*range_c)
            ),
            Self::NoCuringTemperature { range_c } => write!(
                f,
                "specimens were at {}, where no concrete is cured: were the temperatures typed in the \
                 other unit? The curve would be wrong by hours",
                both_units(*range_c)
            ),
            Self::CuredUnlikeBeds {
                specimens_c,
                beds_c,
            } => write!(
                f,
                "the beds reach {}, the specimens only {}: hot concrete gains early and ends lower",
                Celsius(*beds_c).show(UnitSystem::Si),
                Celsius(*specimens_c).show(UnitSystem::Si)
            ),
        }
    }
}

/// A range of temperatures in both units, because the wrong one is what is looked for.
fn both_units((low_c, high_c): (f64, f64)) -> String {
    let told = |system| {
        format!(
            "{} to {}",
            Celsius(low_c).show(system),
            Celsius(high_c).show(system)
        )
    };
    format!("{} ({})", told(UnitSystem::Si), told(UnitSystem::Us))
}

/// What a fit is to be used for, as far as it is known.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Surroundings {
    /// The strength that will be asked of the curve, MPa.
    pub target_mpa: Option<f64>,
    /// How the specimens were cured.
    pub cured: Option<Cured>,
    /// Lowest temperature of the specimens, °C.
    pub specimens_low_c: Option<f64>,
    /// Highest temperature of the specimens, °C.
    pub specimens_peak_c: Option<f64>,
    /// Peak temperature of the beds, °C.
    pub beds_peak_c: Option<f64>,
}

/// Every warning about a fit, the serious ones first.
pub fn warnings(fit: &CurveFit, points: &[Point], surroundings: &Surroundings) -> Vec<Warning> {
    let mut found = of_the_fit(fit);
    if let Some(target_mpa) = surroundings.target_mpa {
        found.extend(of_the_target(fit, points, target_mpa));
    }
    if surroundings.cured == Some(Cured::Standard) {
        found.push(Warning::StandardCured);
    }
    if let (Some(low_c), Some(high_c)) =
        (surroundings.specimens_low_c, surroundings.specimens_peak_c)
    {
        let range_c = (low_c, high_c);
        let is_within = |range: &std::ops::RangeInclusive<f64>| {
            range.contains(&low_c) && range.contains(&high_c)
        };
        if !is_within(&CURE_C) {
            found.push(Warning::NoCuringTemperature { range_c });
        } else if surroundings.cured == Some(Cured::Standard) && !is_within(&STANDARD_C) {
            found.push(Warning::NotAtStandard { range_c });
        }
    }
    if let (Some(specimens_c), Some(beds_c)) =
        (surroundings.specimens_peak_c, surroundings.beds_peak_c)
        && beds_c > specimens_c + PEAK_TOLERANCE_C
    {
        found.push(Warning::CuredUnlikeBeds {
            specimens_c,
            beds_c,
        });
    }
    found.sort_by_key(|warning| !warning.must_be_accepted());
    found
}

fn of_the_fit(fit: &CurveFit) -> Vec<Warning> {
    let mut found = Vec::new();
    if let Curve::Hyperbolic { offset, .. } = fit.curve
        && offset < 0.0
    {
        found.push(Warning::NegativeOffset { offset });
    }
    if fit.is_offset_held {
        found.push(Warning::OffsetHeld);
    }
    if fit.curve.strength_mpa(fit.maturity_range.0) <= 0.0 {
        found.push(Warning::NoStrengthAtFirstData);
    }
    let wanted = fit.form.coefficient_count() + 2;
    if fit.group_count < wanted {
        found.push(Warning::TooFewGroups {
            group_count: fit.group_count,
            wanted,
        });
    }
    if fit.condition > CONDITION_LIMIT {
        found.push(Warning::NearSingular {
            condition: fit.condition,
        });
    }
    if let Some(("ultimate_mpa", ultimate_mpa)) = fit.curve.coefficients().first() {
        let relative_error = fit.covariance[0][0].sqrt() / ultimate_mpa;
        if relative_error > ULTIMATE_ERROR_LIMIT {
            found.push(Warning::UltimateUncertain { relative_error });
        }
    }
    found.extend(of_the_rise(fit));
    if fit.starts.tried > 1 && fit.starts.agreed < 2 {
        found.push(Warning::StartsDisagree);
    }
    if let Some(probability) = fit.lack_of_fit_probability
        && probability < LACK_OF_FIT_LIMIT
    {
        found.push(Warning::LackOfFit { probability });
    }
    found
}

fn of_the_rise(fit: &CurveFit) -> Vec<Warning> {
    let mut found = Vec::new();
    let named = fit.curve.coefficients();
    // The ultimate strength has its own limit; an offset or an intercept may well be zero.
    let rise = named
        .iter()
        .zip(fit.standard_errors())
        .filter(|((name, _), _)| ["rate_per_unit", "tau", "shape", "slope_mpa"].contains(name));
    for ((coefficient, value), error) in rise {
        let relative_error = error / value.abs();
        if relative_error > RISE_ERROR_LIMIT {
            found.push(Warning::RiseUncertain {
                coefficient,
                relative_error,
            });
        }
    }
    let measured = || fit.left_out.groups.iter().map(|group| group.measured_mpa);
    let mean_mpa = measured().sum::<f64>() / fit.group_count as f64;
    let scatter_mpa = fit.scatter.sd_mpa_at(mean_mpa);
    if let Some(left_out_mpa) = fit.left_out.rms_mpa()
        && left_out_mpa > LEFT_OUT_LIMIT * scatter_mpa
    {
        found.push(Warning::SingleGroupsCarry {
            left_out_mpa,
            scatter_mpa,
        });
    }
    found
}

fn of_the_target(fit: &CurveFit, points: &[Point], target_mpa: f64) -> Vec<Warning> {
    let mut found = Vec::new();
    let is_below = points.iter().any(|point| point.strength_mpa < target_mpa);
    let is_above = points.iter().any(|point| point.strength_mpa > target_mpa);
    if !(is_below && is_above) {
        found.push(Warning::TargetNotBracketed { target_mpa });
    }
    if let TargetMaturity::Within(crossing) = fit.target_maturity(target_mpa) {
        let (low, high) = (0.5 * crossing.maturity, 2.0 * crossing.maturity);
        let mut near: Vec<usize> = points
            .iter()
            .filter(|point| (low..=high).contains(&point.maturity))
            .map(|point| point.group)
            .collect();
        near.sort_unstable();
        near.dedup();
        if near.len() < NEAR_GROUP_COUNT_MIN {
            found.push(Warning::SparseNearTarget {
                group_count: near.len(),
            });
        }
    }
    found
}

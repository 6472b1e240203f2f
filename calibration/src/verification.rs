//! Whether a curve still holds: the first break of each pour against the estimate at the specimens'
//! own maturity.
//!
//! A point is `ln(measured / estimated)`. Bias is their mean, scatter their standard deviation about
//! it. Three rules watch them, each stricter where concrete is weaker than estimated:
//!
//! * a cumulative sum on either side (allowance half a standard deviation), whose in-control run
//!   length is computed and stated, not assumed;
//! * consecutive breaks outside ±10 % of the estimate, a tolerance of common practice (from memory:
//!   procedures of road authorities);
//! * until ten independent pours have been broken the curve is not verified.
//!
//! Drift proposes a new curve; it never makes one. The scatter from pour to pour that these breaks
//! show, shrunk towards what is expected while they are few, belongs into the estimate's interval.

mod cumulative;

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};

pub use cumulative::one_sided_run_length;

use crate::curve_file::CurveFile;

/// The break of one set of specimens.
#[derive(Debug, Clone, PartialEq)]
pub struct VerifyingBreak {
    /// The pour.
    pub pour: String,
    /// When the specimens were broken.
    pub broken_at: DateTime<Utc>,
    /// Their mean strength, MPa.
    pub measured_mpa: f64,
    /// How many there were.
    pub specimen_count: u32,
    /// Their maturity by their own temperature history; none when they had none.
    pub own_maturity: Option<f64>,
}

/// Why a break is shown apart and does not enter the chart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Apart {
    /// Its specimens had no temperature history of their own.
    NoOwnHistory,
    /// The pour has an earlier break with one.
    NotFirstOfPour,
    /// Its maturity is outside the curve's data.
    OutsideData,
}

impl Apart {
    /// The reason in words.
    pub fn sentence(self) -> &'static str {
        match self {
            Self::NoOwnHistory => "its specimens had no temperature history of their own",
            Self::NotFirstOfPour => "the pour has an earlier break",
            Self::OutsideData => "its maturity is outside the curve's data",
        }
    }
}

/// One point of the chart.
#[derive(Debug, Clone, PartialEq)]
pub struct VerificationPoint {
    /// The break.
    pub broken: VerifyingBreak,
    /// The curve's strength at the specimens' maturity, MPa.
    pub estimated_mpa: f64,
    /// `ln(measured / estimated)`.
    pub log_ratio: f64,
    /// Cumulative sum of what is below the estimate, in standard deviations.
    pub sum_below: f64,
    /// Cumulative sum of what is above it.
    pub sum_above: f64,
}

impl VerificationPoint {
    /// Measured less estimated in percent of the estimate.
    pub fn difference_percent(&self) -> f64 {
        100.0 * (self.broken.measured_mpa / self.estimated_mpa - 1.0)
    }
}

/// The rules by which a curve is watched.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VerificationRules {
    /// Scatter from pour to pour that is expected of a mix under control, a fraction.
    pub expected_pour_cv: f64,
    /// Scatter of single specimens of one set, a fraction.
    pub within_test_cv: f64,
    /// How many pours the expectation is worth when the scatter is learned.
    pub expectation_weight: f64,
    /// Tolerance of single breaks, a fraction.
    pub tolerance: f64,
    /// Consecutive breaks below the tolerance that mean drift.
    pub run_below: usize,
    /// Consecutive breaks above it.
    pub run_above: usize,
    /// Allowance of the cumulative sums, standard deviations.
    pub allowance: f64,
    /// Limit of the sum below, standard deviations.
    pub limit_below: f64,
    /// Limit of the sum above.
    pub limit_above: f64,
    /// Independent pours that verify a curve.
    pub pour_count_to_verify: usize,
}

impl Default for VerificationRules {
    /// Expected scatter, weights and runs: common practice, no source. Within-test scatter: 2.9 % of
    /// 6x12 in cylinders made in the field, ASTM C39 from memory.
    fn default() -> Self {
        Self {
            expected_pour_cv: 0.06,
            within_test_cv: 0.029,
            expectation_weight: 8.0,
            tolerance: 0.10,
            run_below: 2,
            run_above: 3,
            allowance: 0.5,
            limit_below: 4.0,
            limit_above: 5.0,
            pour_count_to_verify: 10,
        }
    }
}

/// Pours, on average, to a false alarm of each cumulative sum while a curve holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RunLengths {
    /// Of the sum below the estimate.
    pub below: f64,
    /// Of the sum above it.
    pub above: f64,
}

impl RunLengths {
    /// Those of a set of rules.
    pub fn of(rules: &VerificationRules) -> Self {
        Self {
            below: one_sided_run_length(rules.allowance, rules.limit_below),
            above: one_sided_run_length(rules.allowance, rules.limit_above),
        }
    }
}

/// A sign that the curve no longer holds.
#[derive(Debug, Clone, PartialEq)]
pub enum DriftSign {
    /// The cumulative sum below the estimate passed its limit at this pour.
    SumBelow {
        /// The pour.
        pour: String,
    },
    /// The cumulative sum above the estimate passed its limit at this pour.
    SumAbove {
        /// The pour.
        pour: String,
    },
    /// So many consecutive breaks were below the tolerance, ending with this pour.
    RunBelow {
        /// The pour.
        pour: String,
        /// How many.
        count: usize,
    },
    /// So many consecutive breaks were above it.
    RunAbove {
        /// The pour.
        pour: String,
        /// How many.
        count: usize,
    },
}

impl DriftSign {
    /// Whether concrete was weaker than estimated: the side that can hurt.
    pub fn is_below(&self) -> bool {
        matches!(self, Self::SumBelow { .. } | Self::RunBelow { .. })
    }

    /// The sign as a sentence.
    pub fn sentence(&self) -> String {
        match self {
            Self::SumBelow { pour } => format!(
                "concrete has been weaker than the curve for some time (seen at pour {pour})"
            ),
            Self::SumAbove { pour } => format!(
                "concrete has been stronger than the curve for some time (seen at pour {pour})"
            ),
            Self::RunBelow { pour, count } => format!(
                "{count} consecutive breaks were below the tolerance, the last of pour {pour}"
            ),
            Self::RunAbove { pour, count } => format!(
                "{count} consecutive breaks were above the tolerance, the last of pour {pour}"
            ),
        }
    }
}

/// What the breaks say of a curve.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CurveState {
    /// Too few independent pours to say; a curve of standard-cured specimens stays advisory.
    NotVerified {
        /// Pours so far.
        pour_count: usize,
        /// Pours that it takes.
        needed: usize,
    },
    /// Enough pours, and no sign of drift.
    Holds,
    /// A sign of drift: have a new curve made, and rely on cylinders.
    Drifts,
}

/// A curve against the plant's breaks.
#[derive(Debug, Clone, PartialEq)]
pub struct Verification {
    /// Points of the chart in order of time: the first break of each pour with its own history.
    pub points: Vec<VerificationPoint>,
    /// The other breaks, each with why it is apart.
    pub apart: Vec<(VerifyingBreak, Apart)>,
    /// Mean of measured over estimated less one, a fraction; none without points.
    pub bias: Option<f64>,
    /// Half width of the two-sided 90 % interval of the bias; none with fewer than two points.
    pub bias_half_width: Option<f64>,
    /// Standard deviation of the log ratios about their mean; none with fewer than two points.
    pub scatter_cv: Option<f64>,
    /// Scatter from pour to pour for the estimate's interval, shrunk while breaks are few.
    pub pour_cv: f64,
    /// Pours, on average, to a false alarm of the sum below.
    pub run_length_below: f64,
    /// Pours, on average, to a false alarm of the sum above.
    pub run_length_above: f64,
    /// Every sign of drift, in order of time.
    pub signs: Vec<DriftSign>,
    /// What it comes to.
    pub state: CurveState,
}

/// Judges a curve by breaks. The order of the breaks does not matter; their times do.
///
/// Give the breaks of one cycle only where a curve of standard-cured specimens is to be verified on
/// a heated bed: pours on another cycle say nothing about that one.
pub fn verify(
    curve: &CurveFile,
    breaks: &[VerifyingBreak],
    rules: &VerificationRules,
) -> Verification {
    verify_with(curve, breaks, rules, RunLengths::of(rules))
}

/// [`verify`] with run lengths that were computed before: they take a thousand times as long as the
/// rest, and belong to the rules alone.
pub fn verify_with(
    curve: &CurveFile,
    breaks: &[VerifyingBreak],
    rules: &VerificationRules,
    run_lengths: RunLengths,
) -> Verification {
    let (firsts, apart) = first_of_each_pour(curve, breaks);
    let mut points = Vec::with_capacity(firsts.len());
    let (mut sum_below, mut sum_above) = (0.0_f64, 0.0_f64);
    let mut signs = Vec::new();
    let (mut run_below, mut run_above) = (0, 0);
    for (broken, own_maturity) in firsts {
        let estimated_mpa = curve.curve.strength_mpa(own_maturity);
        let log_ratio = (broken.measured_mpa / estimated_mpa).ln();
        let count = f64::from(broken.specimen_count.max(1));
        let expected_sd = rules
            .expected_pour_cv
            .hypot(rules.within_test_cv / count.sqrt());
        let standard = log_ratio / expected_sd;
        let was = (sum_below, sum_above);
        sum_below = (sum_below - standard - rules.allowance).max(0.0);
        sum_above = (sum_above + standard - rules.allowance).max(0.0);
        let pour = || broken.pour.clone();
        if sum_below > rules.limit_below && was.0 <= rules.limit_below {
            signs.push(DriftSign::SumBelow { pour: pour() });
        }
        if sum_above > rules.limit_above && was.1 <= rules.limit_above {
            signs.push(DriftSign::SumAbove { pour: pour() });
        }
        let difference = broken.measured_mpa / estimated_mpa - 1.0;
        run_below = if difference < -rules.tolerance {
            run_below + 1
        } else {
            0
        };
        run_above = if difference > rules.tolerance {
            run_above + 1
        } else {
            0
        };
        if run_below == rules.run_below {
            signs.push(DriftSign::RunBelow {
                pour: pour(),
                count: run_below,
            });
        }
        if run_above == rules.run_above {
            signs.push(DriftSign::RunAbove {
                pour: pour(),
                count: run_above,
            });
        }
        points.push(VerificationPoint {
            broken,
            estimated_mpa,
            log_ratio,
            sum_below,
            sum_above,
        });
    }
    let state = if !signs.is_empty() {
        CurveState::Drifts
    } else if points.len() < rules.pour_count_to_verify {
        CurveState::NotVerified {
            pour_count: points.len(),
            needed: rules.pour_count_to_verify,
        }
    } else {
        CurveState::Holds
    };
    let moments = Moments::of(&points);
    Verification {
        bias: moments.mean.map(|mean| mean.exp() - 1.0),
        bias_half_width: moments.half_width(),
        scatter_cv: moments.sd,
        pour_cv: pour_cv(&points, rules),
        run_length_below: run_lengths.below,
        run_length_above: run_lengths.above,
        points,
        apart,
        signs,
        state,
    }
}

/// Scatter from pour to pour: the mean square of the log ratios less what testing alone makes,
/// pooled with the expectation.
///
/// The square is taken about zero, not about the mean, because the estimate is not moved by the
/// bias: what is not corrected must be inside the interval.
pub fn pour_cv(points: &[VerificationPoint], rules: &VerificationRules) -> f64 {
    let excess: f64 = points
        .iter()
        .map(|point| {
            let count = f64::from(point.broken.specimen_count.max(1));
            point.log_ratio.powi(2) - rules.within_test_cv.powi(2) / count
        })
        .sum();
    let expected = rules.expectation_weight * rules.expected_pour_cv.powi(2);
    let weight = rules.expectation_weight + points.len() as f64;
    ((expected + excess.max(0.0)) / weight).sqrt()
}

struct Moments {
    count: usize,
    mean: Option<f64>,
    sd: Option<f64>,
}

impl Moments {
    fn of(points: &[VerificationPoint]) -> Self {
        let count = points.len();
        let ratios = || points.iter().map(|point| point.log_ratio);
        let mean = (count > 0).then(|| ratios().sum::<f64>() / count as f64);
        let sd = mean.filter(|_| count > 1).map(|mean| {
            let squares: f64 = ratios().map(|ratio| (ratio - mean).powi(2)).sum();
            (squares / (count - 1) as f64).sqrt()
        });
        Self { count, mean, sd }
    }

    fn half_width(&self) -> Option<f64> {
        let freedom = u32::try_from(self.count.checked_sub(1)?).ok()?;
        let t = crate::estimate::t_quantile(0.95, freedom.max(1));
        Some(t * self.sd? / (self.count as f64).sqrt())
    }
}

type Firsts = Vec<(VerifyingBreak, f64)>;

fn first_of_each_pour(
    curve: &CurveFile,
    breaks: &[VerifyingBreak],
) -> (Firsts, Vec<(VerifyingBreak, Apart)>) {
    let mut ordered: Vec<&VerifyingBreak> = breaks.iter().collect();
    ordered.sort_by(|left, right| {
        (left.broken_at, &left.pour)
            .cmp(&(right.broken_at, &right.pour))
            .then(left.measured_mpa.total_cmp(&right.measured_mpa))
    });
    let mut has_break: BTreeMap<&str, ()> = BTreeMap::new();
    let (mut firsts, mut apart) = (Vec::new(), Vec::new());
    for broken in ordered {
        let Some(own_maturity) = broken.own_maturity else {
            apart.push((broken.clone(), Apart::NoOwnHistory));
            continue;
        };
        if has_break.insert(&broken.pour, ()).is_some() {
            apart.push((broken.clone(), Apart::NotFirstOfPour));
            continue;
        }
        let range = curve.range.maturity_min..=curve.range.maturity_max;
        if range.contains(&own_maturity) {
            firsts.push((broken.clone(), own_maturity));
        } else {
            apart.push((broken.clone(), Apart::OutsideData));
        }
    }
    (firsts, apart)
}

#[cfg(test)]
mod tests;

//! Fits a curve to broken cylinders: coefficients with covariance, how good it is, and warnings.
//!
//! Points are `(maturity, strength)` of single specimens, in groups that were broken together. The
//! residual scatter is either the same everywhere or proportional to the strength; then the weights
//! are one over the square of the *fitted* strength, repeated until they stand still, because
//! weights from the measured strengths would pull the curve down.
//!
//! A fit is unconstrained unless asked otherwise: real series often give a hyperbolic curve a
//! negative offset, which is a warning that somebody must accept by name, not a reason to bend the
//! coefficients.
//!
//! What is not offered: a band for single specimens, since nobody releases on one; an interval for
//! the ultimate strength beyond its standard error, since the data seldom reach it.

mod compare;
mod form;
mod left_out;
mod precheck;
mod start;
mod target;
mod warning;

use nalgebra::DMatrix;
use units::bounds;

pub use compare::{Comparison, Distinction, compare};
pub use form::Form;
pub use left_out::{GroupLeftOut, LeftOut};
pub use precheck::FitRefusal;
pub use target::{Crossing, TargetMaturity};
pub use warning::{NEED_NOT_BE_ACCEPTED, Surroundings, Warning, warnings};

use crate::curve::Curve;
use crate::least_squares::{Observation, Solution, Termination, precision, solve};

/// One specimen as the fit sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Its maturity when it was broken, in the unit of the maturity function.
    pub maturity: f64,
    /// Its strength, MPa.
    pub strength_mpa: f64,
    /// The group it was broken with.
    pub group: usize,
}

/// How the scatter about the curve changes along it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ScatterKind {
    /// The same standard deviation at every strength.
    #[default]
    Constant,
    /// A standard deviation in proportion to the strength.
    Proportional,
}

/// The residual scatter of a fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ResidualScatter {
    /// The same at every strength.
    Constant {
        /// Standard deviation, MPa.
        sd_mpa: f64,
    },
    /// In proportion to the strength.
    Proportional {
        /// Coefficient of variation, a fraction.
        cv: f64,
    },
}

impl ResidualScatter {
    /// The standard deviation at a strength, MPa.
    pub fn sd_mpa_at(self, strength_mpa: f64) -> f64 {
        match self {
            Self::Constant { sd_mpa } => sd_mpa,
            Self::Proportional { cv } => cv * strength_mpa,
        }
    }
}

/// What may be asked of a fit besides its form.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct FitOptions {
    /// How the scatter changes along the curve.
    pub scatter: ScatterKind,
    /// Whether a hyperbolic curve's offset is held at zero where it would be negative.
    pub offset_not_negative: bool,
}

/// A fitted curve. It says how specimens like these gained strength; it permits nothing.
#[derive(Debug, Clone, PartialEq)]
pub struct CurveFit {
    /// The curve with its coefficients.
    pub curve: Curve,
    /// The form that was fitted.
    pub form: Form,
    /// Covariance of the coefficients in their order; unused rows and columns are zero.
    pub covariance: [[f64; 3]; 3],
    /// Scatter of single specimens about the curve.
    pub scatter: ResidualScatter,
    /// Specimens less coefficients.
    pub degrees_of_freedom: u32,
    /// Weighted sum of squared residuals: MPa² with constant scatter, without unit else.
    pub sum_of_squares: f64,
    /// Number of specimens.
    pub point_count: usize,
    /// Number of groups.
    pub group_count: usize,
    /// Maturity of the first and of the last specimen.
    pub maturity_range: (f64, f64),
    /// Why the search ended.
    pub termination: Termination,
    /// How many starts were tried, and how many ended at this minimum.
    pub starts: StartAgreement,
    /// How nearly the coefficients can stand in for one another; 1 is best.
    pub condition: f64,
    /// Whether the offset was held at zero.
    pub is_offset_held: bool,
    /// Probability of a misfit this large by chance, from the scatter within groups; none without
    /// two specimens in some group and more groups than coefficients.
    pub lack_of_fit_probability: Option<f64>,
    /// How well each group is told by the others.
    pub left_out: LeftOut,
}

/// Whether several starts lead to one minimum.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StartAgreement {
    /// Starts tried.
    pub tried: usize,
    /// Starts that ended at the minimum reported.
    pub agreed: usize,
}

impl CurveFit {
    /// Standard errors of the coefficients, in their order; zero for one that was held.
    pub fn standard_errors(&self) -> Vec<f64> {
        (0..self.form.coefficient_count())
            .map(|index| self.covariance[index][index].sqrt())
            .collect()
    }

    /// Standard deviation of the curve itself (not of specimens about it) at a maturity, MPa.
    pub fn curve_sd_mpa(&self, maturity: f64) -> f64 {
        let gradient = self.curve.gradient(maturity);
        let mut variance = 0.0;
        for (row, left) in self.covariance.iter().zip(gradient) {
            for (value, right) in row.iter().zip(gradient) {
                variance += left * value * right;
            }
        }
        variance.max(0.0).sqrt()
    }
}

/// Refits of the weights with proportional scatter; each gains about two digits.
const REWEIGHT_COUNT_MAX: usize = 60;

/// Fits one form.
///
/// # Errors
/// Why the data give no curve of this form, as a sentence that says what would help.
pub fn fit(points: &[Point], form: Form, options: FitOptions) -> Result<CurveFit, FitRefusal> {
    precheck::check(points, form)?;
    let free = search(points, form, options.scatter, false)?;
    let is_offset_held = options.offset_not_negative
        && matches!(free.curve, Curve::Hyperbolic { offset, .. } if offset < 0.0);
    let found = if is_offset_held {
        search(points, form, options.scatter, true)?
    } else {
        free
    };
    let left_out = left_out::leave_each_group_out(points, &found, options.scatter);
    let maturities = || points.iter().map(|point| point.maturity);
    let degrees_of_freedom = found.solution.degrees_of_freedom;
    let variance = found.solution.sum_of_squares / f64::from(degrees_of_freedom);
    Ok(CurveFit {
        curve: found.curve,
        form,
        covariance: found.covariance(variance),
        scatter: match options.scatter {
            ScatterKind::Constant => ResidualScatter::Constant {
                sd_mpa: variance.sqrt(),
            },
            ScatterKind::Proportional => ResidualScatter::Proportional {
                cv: variance.sqrt(),
            },
        },
        degrees_of_freedom,
        sum_of_squares: found.solution.sum_of_squares,
        point_count: points.len(),
        group_count: precheck::group_count(points),
        maturity_range: (
            maturities().fold(f64::INFINITY, f64::min),
            maturities().fold(f64::NEG_INFINITY, f64::max),
        ),
        termination: found.solution.termination,
        starts: found.starts,
        condition: found.condition,
        is_offset_held,
        lack_of_fit_probability: lack_of_fit(points, &found, options.scatter),
        left_out,
    })
}

/// A minimum with what is needed to judge it.
struct Found {
    form: Form,
    is_offset_held: bool,
    curve: Curve,
    solution: Solution,
    starts: StartAgreement,
    condition: f64,
    unit_covariance: DMatrix<f64>,
}

impl Found {
    /// The covariance of the curve's own coefficients at a residual variance.
    fn covariance(&self, variance: f64) -> [[f64; 3]; 3] {
        let size = self.unit_covariance.nrows();
        let mut covariance = [[0.0; 3]; 3];
        for (row, cells) in covariance.iter_mut().enumerate().take(size) {
            for (column, cell) in cells.iter_mut().enumerate().take(size) {
                *cell = variance * self.unit_covariance[(row, column)];
            }
        }
        covariance
    }
}

/// Searches from several starts and keeps the best minimum that determines every coefficient.
fn search(
    points: &[Point],
    form: Form,
    scatter: ScatterKind,
    is_offset_held: bool,
) -> Result<Found, FitRefusal> {
    let starts = start::starts(points, form, scatter, is_offset_held);
    let solutions: Vec<Solution> = starts
        .iter()
        .map(|start| settle(points, form, scatter, is_offset_held, start))
        .collect();
    let best = solutions
        .iter()
        .filter(|solution| solution.termination.is_success())
        .min_by(|left, right| left.sum_of_squares.total_cmp(&right.sum_of_squares));
    let Some(best) = best else {
        let runaway = solutions.iter().find_map(|solution| {
            precheck::check_coefficients(&form.curve(&solution.coefficients, is_offset_held)).err()
        });
        let termination = solutions
            .first()
            .map_or(Termination::Stalled, |solution| solution.termination);
        return Err(runaway.unwrap_or(FitRefusal::NoMinimum { termination }));
    };
    let curve = form.curve(&best.coefficients, is_offset_held);
    precheck::check_coefficients(&curve)?;
    let observations = observations(points, scatter, Some(&curve));
    let natural = form.natural(&best.coefficients, is_offset_held);
    let model = form.natural_model(is_offset_held);
    let precision = precision(&observations, &natural, &*model).ok_or(FitRefusal::Undetermined)?;
    let agreed = solutions
        .iter()
        .filter(|solution| {
            solution.termination.is_success()
                && solution
                    .coefficients
                    .iter()
                    .zip(&best.coefficients)
                    .all(|(left, right)| (left - right).abs() <= 1e-4 * right.abs().max(1e-2))
        })
        .count();
    Ok(Found {
        form,
        is_offset_held,
        curve,
        starts: StartAgreement {
            tried: starts.len(),
            agreed,
        },
        condition: precision.condition,
        unit_covariance: precision.unit_covariance,
        solution: best.clone(),
    })
}

/// Solves, with proportional scatter again and again until the weights stand still.
fn settle(
    points: &[Point],
    form: Form,
    scatter: ScatterKind,
    is_offset_held: bool,
    start: &[f64],
) -> Solution {
    let model = form.working_model(is_offset_held);
    let mut solution = solve(&observations(points, scatter, None), start, &*model);
    if scatter == ScatterKind::Constant {
        return solution;
    }
    for _ in 0..REWEIGHT_COUNT_MAX {
        if !solution.termination.is_success() {
            return solution;
        }
        let curve = form.curve(&solution.coefficients, is_offset_held);
        let next = solve(
            &observations(points, scatter, Some(&curve)),
            &solution.coefficients,
            &*model,
        );
        let has_settled = next
            .coefficients
            .iter()
            .zip(&solution.coefficients)
            .all(|(new, old)| (new - old).abs() <= 1e-11 * new.abs().max(1e-3));
        solution = next;
        if has_settled {
            return solution;
        }
    }
    solution.termination = Termination::OutOfPatience;
    solution
}

/// The points with their weights; before there is a curve, weights come from the measured
/// strengths.
fn observations(points: &[Point], scatter: ScatterKind, curve: Option<&Curve>) -> Vec<Observation> {
    points
        .iter()
        .map(|point| {
            let level_mpa = curve.map_or(point.strength_mpa, |curve| {
                curve.strength_mpa(point.maturity)
            });
            Observation {
                x: point.maturity,
                y: point.strength_mpa,
                weight: match scatter {
                    ScatterKind::Constant => 1.0,
                    // A curve that gives no strength where a specimen had some must not weigh it
                    // infinitely.
                    ScatterKind::Proportional => level_mpa
                        .max(bounds::CONCRETE_STRENGTH_MPA.min * 0.1)
                        .powi(-2),
                },
            }
        })
        .collect()
}

/// Compares the misfit of the groups' means with the scatter inside groups (an F test).
fn lack_of_fit(points: &[Point], found: &Found, scatter: ScatterKind) -> Option<f64> {
    use statrs::distribution::{ContinuousCDF as _, FisherSnedecor};

    let weighted = observations(points, scatter, Some(&found.curve));
    let mut ages: Vec<f64> = points.iter().map(|point| point.maturity).collect();
    ages.sort_by(f64::total_cmp);
    ages.dedup();
    let within: f64 = ages
        .iter()
        .map(|age| {
            let group = || {
                weighted
                    .iter()
                    .filter(|observation| observation.x.total_cmp(age).is_eq())
            };
            let weight: f64 = group().map(|observation| observation.weight).sum();
            let mean = group()
                .map(|observation| observation.weight * observation.y)
                .sum::<f64>()
                / weight;
            group()
                .map(|observation| observation.weight * (observation.y - mean).powi(2))
                .sum::<f64>()
        })
        .sum();
    let coefficient_count = found.solution.coefficients.len();
    let within_freedom = points
        .len()
        .checked_sub(ages.len())
        .filter(|free| *free > 0)? as f64;
    let misfit_freedom = ages
        .len()
        .checked_sub(coefficient_count)
        .filter(|free| *free > 0)? as f64;
    let misfit = (found.solution.sum_of_squares - within).max(0.0);
    if within <= 0.0 {
        return None;
    }
    let ratio = (misfit / misfit_freedom) / (within / within_freedom);
    let distribution = FisherSnedecor::new(misfit_freedom, within_freedom).ok()?;
    Some(distribution.sf(ratio))
}

#[cfg(test)]
mod tests;

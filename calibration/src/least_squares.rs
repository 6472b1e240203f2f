//! Weighted non-linear least squares with analytic derivatives, its covariance, and why it ended.
//!
//! The steps are those of a kept Levenberg-Marquardt library. It says "converged" of data that
//! determine nothing, so what is asked here after every run is ours: is the gradient really zero,
//! and how well do the data hold each coefficient apart from the others?
//!
//! `residual_i = sqrt(weight_i) * (model(x_i) - y_i)`; the sum of their squares is made least. With
//! `J` the derivatives of the residuals, `covariance = variance * (J' J)^-1`, computed by QR of the
//! column-scaled `J`, where `variance` is the sum of squares over its degrees of freedom.

use std::fmt;

use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt, TerminationReason};
use nalgebra::{DMatrix, DVector, Dyn, Owned, U1};

/// Relative tolerance on the sum of squares and on the coefficients: as tight as the library takes
/// it. It then often ends with "no improvement possible", which the gradient shows to be a minimum;
/// at 1e-12 the standard errors of the hardest certified set keep only five digits.
const TOLERANCE: f64 = 1e-15;

/// Evaluations allowed for each coefficient before the search gives up.
const PATIENCE: usize = 2000;

/// The largest cosine between the residuals and a column of their derivatives at a minimum.
///
/// Rounding leaves about 1e-8 on badly scaled problems; a search that stalled leaves 1e-3 or more.
const COSINE_LIMIT: f64 = 1e-6;

/// Bounds of the first step, tried in turn until one ends at a minimum. From a poor start a long
/// first step can jump onto a plateau where the model no longer depends on a coefficient.
const FIRST_STEPS: [f64; 3] = [100.0, 1.0, 0.1];

/// A response with its predictor and its weight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Observation {
    /// Predictor.
    pub x: f64,
    /// Response.
    pub y: f64,
    /// Weight of the squared residual: one over its relative variance.
    pub weight: f64,
}

/// A model with its derivatives: writes those by each coefficient and gives the value.
pub type Model<'m> = &'m dyn Fn(f64, &[f64], &mut [f64]) -> f64;

/// Why a search ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Termination {
    /// The gradient is zero to rounding: a minimum.
    Minimum,
    /// Every residual is zero: the model runs through all the data.
    ExactFit,
    /// The number of evaluations ran out.
    OutOfPatience,
    /// No step improves the fit although the gradient is not zero.
    Stalled,
    /// The model does not depend on one of its coefficients where the search ended.
    Flat,
    /// The model gave a value that is not a finite number.
    NotFinite,
    /// There are no more observations than coefficients, so nothing is left to judge by.
    TooFewObservations,
}

impl Termination {
    /// Whether the coefficients are those of a minimum.
    pub fn is_success(self) -> bool {
        matches!(self, Self::Minimum | Self::ExactFit)
    }

    /// Whether the caller asked for something that no search could answer.
    pub fn is_usage_error(self) -> bool {
        matches!(self, Self::TooFewObservations)
    }

    /// The reason as a word for machines.
    pub fn name(self) -> &'static str {
        match self {
            Self::Minimum => "minimum",
            Self::ExactFit => "exact-fit",
            Self::OutOfPatience => "out-of-patience",
            Self::Stalled => "stalled",
            Self::Flat => "flat",
            Self::NotFinite => "not-finite",
            Self::TooFewObservations => "too-few-observations",
        }
    }
}

impl fmt::Display for Termination {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Minimum => "the sum of squares is at a minimum",
            Self::ExactFit => "the curve runs through every point",
            Self::OutOfPatience => "the search ran out of steps before it found a minimum",
            Self::Stalled => "the search could not improve the fit although it is at no minimum",
            Self::Flat => "the search ended where a coefficient no longer matters",
            Self::NotFinite => "the search met a value that is not a finite number",
            Self::TooFewObservations => "there are no more results than coefficients",
        })
    }
}

/// Where a search ended, whatever the reason.
#[derive(Debug, Clone, PartialEq)]
pub struct Solution {
    /// The coefficients.
    pub coefficients: Vec<f64>,
    /// Weighted sum of squared residuals.
    pub sum_of_squares: f64,
    /// Observations less coefficients.
    pub degrees_of_freedom: u32,
    /// Why the search ended.
    pub termination: Termination,
    /// How often the model was evaluated over all observations.
    pub evaluation_count: usize,
}

/// How well the data determine the coefficients.
#[derive(Debug, Clone, PartialEq)]
pub struct Precision {
    /// Covariance of the coefficients for a residual variance of one.
    pub unit_covariance: DMatrix<f64>,
    /// Largest over smallest singular value of the column-scaled derivatives: how nearly the
    /// coefficients can stand in for one another. 1 is best.
    pub condition: f64,
}

struct Problem<'a> {
    observations: &'a [Observation],
    model: Model<'a>,
    coefficients: DVector<f64>,
}

impl Problem<'_> {
    fn evaluate(&self) -> (DVector<f64>, DMatrix<f64>) {
        let (row_count, column_count) = (self.observations.len(), self.coefficients.len());
        let mut residuals = DVector::zeros(row_count);
        let mut derivatives = DMatrix::zeros(row_count, column_count);
        let mut gradient = vec![0.0; column_count];
        for (row, observation) in self.observations.iter().enumerate() {
            let root = observation.weight.sqrt();
            let value = (self.model)(observation.x, self.coefficients.as_slice(), &mut gradient);
            residuals[row] = root * (value - observation.y);
            for (column, derivative) in gradient.iter().enumerate() {
                derivatives[(row, column)] = root * derivative;
            }
        }
        (residuals, derivatives)
    }
}

impl LeastSquaresProblem<f64, Dyn, Dyn> for Problem<'_> {
    type ResidualStorage = Owned<f64, Dyn, U1>;
    type JacobianStorage = Owned<f64, Dyn, Dyn>;
    type ParameterStorage = Owned<f64, Dyn, U1>;

    fn set_params(&mut self, coefficients: &DVector<f64>) {
        self.coefficients.copy_from(coefficients);
    }

    fn params(&self) -> DVector<f64> {
        self.coefficients.clone()
    }

    fn residuals(&self) -> Option<DVector<f64>> {
        Some(self.evaluate().0)
    }

    fn jacobian(&self) -> Option<DMatrix<f64>> {
        Some(self.evaluate().1)
    }
}

/// Searches for the coefficients with the least weighted sum of squares, from `start`.
pub fn solve(observations: &[Observation], start: &[f64], model: Model<'_>) -> Solution {
    let spare = observations.len().saturating_sub(start.len());
    let degrees_of_freedom = u32::try_from(spare).unwrap_or(u32::MAX);
    let mut solution = Solution {
        coefficients: start.to_vec(),
        sum_of_squares: sum_of_squares(observations, start, model),
        degrees_of_freedom,
        termination: Termination::TooFewObservations,
        evaluation_count: 0,
    };
    if degrees_of_freedom == 0 {
        return solution;
    }
    for first_step in FIRST_STEPS {
        let problem = Problem {
            observations,
            model,
            coefficients: DVector::from_column_slice(start),
        };
        let (problem, report) = LevenbergMarquardt::new()
            .with_ftol(TOLERANCE)
            .with_xtol(TOLERANCE)
            .with_gtol(TOLERANCE)
            .with_stepbound(first_step)
            .with_patience(PATIENCE)
            .minimize(problem);
        let (residuals, derivatives) = problem.evaluate();
        solution = Solution {
            termination: judge(&report.termination, &residuals, &derivatives, observations),
            coefficients: problem.coefficients.as_slice().to_vec(),
            sum_of_squares: residuals.norm_squared(),
            degrees_of_freedom,
            evaluation_count: solution.evaluation_count + report.number_of_evaluations,
        };
        if solution.termination.is_success() {
            break;
        }
    }
    solution
}

/// The weighted sum of squared residuals at given coefficients.
pub fn sum_of_squares(observations: &[Observation], coefficients: &[f64], model: Model<'_>) -> f64 {
    let mut gradient = vec![0.0; coefficients.len()];
    observations
        .iter()
        .map(|observation| {
            let residual = model(observation.x, coefficients, &mut gradient) - observation.y;
            observation.weight * residual * residual
        })
        .sum()
}

/// The library's word is taken only for how the search stopped; whether it stopped at a minimum is
/// read from the gradient.
fn judge(
    reason: &TerminationReason,
    residuals: &DVector<f64>,
    derivatives: &DMatrix<f64>,
    observations: &[Observation],
) -> Termination {
    let norm = residuals.norm();
    let scale = observations
        .iter()
        .map(|observation| observation.weight * observation.y * observation.y)
        .sum::<f64>()
        .sqrt();
    if !norm.is_finite() || derivatives.iter().any(|value| !value.is_finite()) {
        return Termination::NotFinite;
    }
    if norm <= 1e-13 * scale {
        return Termination::ExactFit;
    }
    if derivatives.column_iter().any(|column| column.norm() == 0.0) {
        return Termination::Flat;
    }
    let cosine = derivatives
        .column_iter()
        .map(|column| (column.dot(residuals) / (column.norm() * norm)).abs())
        .fold(0.0, f64::max);
    if cosine <= COSINE_LIMIT {
        return Termination::Minimum;
    }
    match reason {
        TerminationReason::LostPatience => Termination::OutOfPatience,
        TerminationReason::Numerical(_) => Termination::NotFinite,
        _ => Termination::Stalled,
    }
}

/// How well the data determine the coefficients of a model; none when some direction of them does
/// not matter at all, so that no covariance exists.
pub fn precision(
    observations: &[Observation],
    coefficients: &[f64],
    model: Model<'_>,
) -> Option<Precision> {
    let problem = Problem {
        observations,
        model,
        coefficients: DVector::from_column_slice(coefficients),
    };
    let (_, mut derivatives) = problem.evaluate();
    let norms: Vec<f64> = derivatives
        .column_iter()
        .map(|column| column.norm())
        .collect();
    if norms.iter().any(|norm| !(norm.is_finite() && *norm > 0.0)) {
        return None;
    }
    for (column, norm) in norms.iter().enumerate() {
        derivatives.column_mut(column).unscale_mut(*norm);
    }
    let triangle = derivatives.qr().r();
    let singular = triangle.singular_values();
    let condition = singular.max() / singular.min();
    // Beyond this the inverse holds no correct digit.
    if !condition.is_finite() || condition > 1e14 {
        return None;
    }
    let size = coefficients.len();
    let inverse = triangle.solve_upper_triangular(&DMatrix::identity(size, size))?;
    let mut unit_covariance = &inverse * inverse.transpose();
    for row in 0..size {
        for column in 0..size {
            unit_covariance[(row, column)] /= norms[row] * norms[column];
        }
    }
    Some(Precision {
        unit_covariance,
        condition,
    })
}

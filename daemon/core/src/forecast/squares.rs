//! Robust least squares on an expectation: Gauss-Newton with halved steps, and what it leaves open.

use crate::forecast::draws::Draws;

const ITERATION_COUNT: usize = 6;
/// Residuals beyond this many deviations pull no harder than there.
const HUBER: f64 = 2.5;
/// A row depends on so many parameters at most.
pub(crate) const ROW_WIDTH: usize = 5;
/// Where the sum of squared deviations falls by less, the fit is done: parameters are still off by a small
/// part of what they are uncertain by.
const GAIN_MIN: f64 = 0.02;

/// What is expected of one parameter before anything is read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Expectation {
    pub(crate) mean: f64,
    pub(crate) sd: f64,
    pub(crate) min: f64,
    pub(crate) max: f64,
}

/// How one residual answers to the parameters it depends on.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Row {
    pub(crate) columns: [usize; ROW_WIDTH],
    pub(crate) slopes: [f64; ROW_WIDTH],
    /// How many of them count.
    pub(crate) width: usize,
}

/// Something to be fitted.
pub(crate) trait Problem {
    /// Residuals in deviations.
    fn residuals(&self, parameters: &[f64], out: &mut Vec<f64>);
    /// A row for each residual.
    fn rows(&self, parameters: &[f64], residuals: &[f64], out: &mut Vec<Row>);
}

/// Parameters with their uncertainty.
#[derive(Debug, Clone)]
pub(crate) struct Fitted {
    pub(crate) parameters: Vec<f64>,
    /// Lower Cholesky factor of the inverse covariance, by rows.
    factor: Vec<f64>,
}

impl Fitted {
    /// What is expected before anything was read.
    pub(crate) fn expected(expectations: &[Expectation]) -> Self {
        let count = expectations.len();
        let mut factor = vec![0.0; count * count];
        for (index, one) in expectations.iter().enumerate() {
            factor[index * count + index] = 1.0 / one.sd;
        }
        Self {
            parameters: expectations.iter().map(|one| one.mean).collect(),
            factor,
        }
    }

    pub(crate) fn new(expectations: &[Expectation], problem: &impl Problem) -> Self {
        let mut fitted = Self::expected(expectations);
        let (mut residuals, mut tried, mut rows) = (Vec::new(), Vec::new(), Vec::new());
        problem.residuals(&fitted.parameters, &mut residuals);
        let mut cost = cost_of(&residuals, &fitted.parameters, expectations);
        for _ in 0..ITERATION_COUNT {
            problem.rows(&fitted.parameters, &residuals, &mut rows);
            let (hessian, gradient) =
                normal_equations(&rows, &residuals, &fitted.parameters, expectations);
            let Some(factor) = cholesky(hessian, expectations.len()) else {
                break;
            };
            let step = solve(&factor, &gradient);
            fitted.factor = factor;
            let mut share = 1.0;
            let mut gain = 0.0;
            while share > 0.1 {
                let next: Vec<f64> = fitted
                    .parameters
                    .iter()
                    .zip(&step)
                    .zip(expectations)
                    .map(|((at, by), one)| (at - share * by).clamp(one.min, one.max))
                    .collect();
                problem.residuals(&next, &mut tried);
                let next_cost = cost_of(&tried, &next, expectations);
                if next_cost < cost {
                    gain = cost - next_cost;
                    cost = next_cost;
                    fitted.parameters = next;
                    std::mem::swap(&mut residuals, &mut tried);
                    break;
                }
                share *= 0.5;
            }
            if gain < GAIN_MIN {
                break;
            }
        }
        fitted
    }

    /// One draw of the parameters.
    pub(crate) fn sample(&self, draws: &mut Draws) -> Vec<f64> {
        let normals: Vec<f64> = self.parameters.iter().map(|_| draws.normal()).collect();
        let aside = back_substitute(&self.factor, &normals);
        self.parameters
            .iter()
            .zip(aside)
            .map(|(at, by)| at + by)
            .collect()
    }

    /// The standard deviation of one parameter.
    pub(crate) fn sd(&self, index: usize) -> f64 {
        let mut unit = vec![0.0; self.parameters.len()];
        unit[index] = 1.0;
        solve(&self.factor, &unit)[index].max(0.0).sqrt()
    }
}

fn cost_of(residuals: &[f64], parameters: &[f64], expectations: &[Expectation]) -> f64 {
    let huber = |residual: &f64| {
        let size = residual.abs();
        if size <= HUBER {
            size * size
        } else {
            HUBER * (2.0 * size - HUBER)
        }
    };
    let prior = parameters
        .iter()
        .zip(expectations)
        .map(|(at, one)| ((at - one.mean) / one.sd).powi(2));
    residuals.iter().map(huber).sum::<f64>() + prior.sum::<f64>()
}

fn normal_equations(
    rows: &[Row],
    residuals: &[f64],
    parameters: &[f64],
    expectations: &[Expectation],
) -> (Vec<f64>, Vec<f64>) {
    let count = parameters.len();
    let mut hessian = vec![0.0; count * count];
    let mut gradient = vec![0.0; count];
    for (index, (at, one)) in parameters.iter().zip(expectations).enumerate() {
        let weight = one.sd.powi(-2);
        hessian[index * count + index] = weight;
        gradient[index] = weight * (at - one.mean);
    }
    for (row, residual) in rows.iter().zip(residuals) {
        let weight = (HUBER / residual.abs().max(HUBER)).min(1.0);
        for i in 0..row.width {
            let scaled = weight * row.slopes[i];
            gradient[row.columns[i]] += scaled * residual;
            for j in 0..row.width {
                hessian[row.columns[i] * count + row.columns[j]] += scaled * row.slopes[j];
            }
        }
    }
    (hessian, gradient)
}

/// The lower factor L of `matrix = L L'`, in place; `None` where it is not positive definite.
fn cholesky(mut matrix: Vec<f64>, count: usize) -> Option<Vec<f64>> {
    for i in 0..count {
        for j in 0..=i {
            let known: f64 = (0..j)
                .map(|k| matrix[i * count + k] * matrix[j * count + k])
                .sum();
            let rest = matrix[i * count + j] - known;
            matrix[i * count + j] = if i == j {
                rest.sqrt()
            } else {
                rest / matrix[j * count + j]
            };
        }
        let pivot = matrix[i * count + i];
        if !(pivot > 0.0 && pivot.is_finite()) {
            return None;
        }
    }
    Some(matrix)
}

fn solve(lower: &[f64], right: &[f64]) -> Vec<f64> {
    let count = right.len();
    let mut forward = vec![0.0; count];
    for i in 0..count {
        let known: f64 = (0..i).map(|k| lower[i * count + k] * forward[k]).sum();
        forward[i] = (right[i] - known) / lower[i * count + i];
    }
    back_substitute(lower, &forward)
}

/// Solves `L' x = right`.
fn back_substitute(lower: &[f64], right: &[f64]) -> Vec<f64> {
    let count = right.len();
    let mut solution = vec![0.0; count];
    for i in (0..count).rev() {
        let known: f64 = (i + 1..count)
            .map(|k| lower[k * count + i] * solution[k])
            .sum();
        solution[i] = (right[i] - known) / lower[i * count + i];
    }
    solution
}

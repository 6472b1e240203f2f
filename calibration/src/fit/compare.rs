//! Which of several fitted forms the data can tell apart.
//!
//! Two forms are told apart when either of two signs is more than chance makes it, at 5 % on each
//! side: the mean difference of their squared errors over groups that each did not see (Student's t
//! of the differences), or the ratio of their residual variances (F). Both are common practice, no
//! source; the second is rough, since the two residuals come from the same specimens.

use statrs::distribution::{ContinuousCDF as _, FisherSnedecor};

use super::{CurveFit, Form};
use crate::estimate::t_quantile;

const PROBABILITY: f64 = 0.95;

/// Whether two forms differ by more than chance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Distinction {
    /// One form.
    pub left: Form,
    /// The other.
    pub right: Form,
    /// Whether the data tell them apart.
    pub can_be_told_apart: bool,
    /// Largest difference of the two curves over the data, MPa.
    pub difference_mpa: f64,
}

/// Several forms over the same data.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    /// The form with the least leave-one-group-out error; none when no form has one.
    pub least_error: Option<Form>,
    /// Every pair.
    pub pairs: Vec<Distinction>,
}

/// Compares fits of the same points.
pub fn compare(fits: &[&CurveFit]) -> Comparison {
    let least_error = fits
        .iter()
        .filter_map(|fit| Some((fit.left_out.rms_mpa()?, fit.form)))
        .min_by(|left, right| left.0.total_cmp(&right.0))
        .map(|(_, form)| form);
    let mut pairs = Vec::new();
    for (index, left) in fits.iter().enumerate() {
        for right in &fits[index + 1..] {
            pairs.push(Distinction {
                left: left.form,
                right: right.form,
                can_be_told_apart: errors_differ(left, right) || variances_differ(left, right),
                difference_mpa: largest_difference_mpa(left, right),
            });
        }
    }
    Comparison { least_error, pairs }
}

fn errors_differ(left: &CurveFit, right: &CurveFit) -> bool {
    let squares = |fit: &CurveFit| -> Option<Vec<f64>> {
        let groups = fit.left_out.groups.iter();
        groups
            .map(|group| group.error_mpa().map(|error| error * error))
            .collect()
    };
    let (Some(left), Some(right)) = (squares(left), squares(right)) else {
        return false;
    };
    let differences: Vec<f64> = left.iter().zip(&right).map(|(a, b)| a - b).collect();
    let count = differences.len() as f64;
    let Some(freedom) = u32::try_from(differences.len())
        .ok()
        .and_then(|count| count.checked_sub(1))
        .filter(|freedom| *freedom > 0)
    else {
        return false;
    };
    let mean = differences.iter().sum::<f64>() / count;
    let variance = differences
        .iter()
        .map(|difference| (difference - mean).powi(2))
        .sum::<f64>()
        / f64::from(freedom);
    mean.abs() > t_quantile(PROBABILITY, freedom) * (variance / count).sqrt()
}

fn variances_differ(left: &CurveFit, right: &CurveFit) -> bool {
    let freedom = |fit: &CurveFit| f64::from(fit.degrees_of_freedom);
    let variance = |fit: &CurveFit| fit.sum_of_squares / freedom(fit);
    let (worse, better) = if variance(left) >= variance(right) {
        (left, right)
    } else {
        (right, left)
    };
    FisherSnedecor::new(freedom(worse), freedom(better)).is_ok_and(|distribution| {
        distribution.sf(variance(worse) / variance(better)) < 1.0 - PROBABILITY
    })
}

fn largest_difference_mpa(left: &CurveFit, right: &CurveFit) -> f64 {
    const NODE_COUNT: usize = 200;
    let (first, last) = left.maturity_range;
    (0..=NODE_COUNT)
        .map(|index| first * (last / first).powf(index as f64 / NODE_COUNT as f64))
        .map(|maturity| {
            (left.curve.strength_mpa(maturity) - right.curve.strength_mpa(maturity)).abs()
        })
        .fold(0.0, f64::max)
}

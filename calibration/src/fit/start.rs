//! Start values without anybody's help: a coarse grid over the two coefficients that matter, with
//! the best ultimate strength of each in closed form.

use super::form::Form;
use super::{Point, ScatterKind, observations};
use crate::curve::Curve;
use crate::least_squares::Observation;

/// How many starts are handed to the search; their agreement is part of the report.
const START_COUNT: usize = 3;

/// Offsets tried, as fractions of the first maturity.
const OFFSETS: [f64; 5] = [-2.0, -0.5, 0.0, 0.5, 0.9];

/// Shapes tried for the exponential form.
const SHAPES: [f64; 7] = [0.2, 0.35, 0.5, 0.7, 1.0, 1.5, 2.5];

/// Characteristic maturities tried, evenly in logarithm over the data and beyond.
const SCALE_COUNT: usize = 14;

/// Working coefficients to begin from, the most promising first.
pub(super) fn starts(
    points: &[Point],
    form: Form,
    scatter: ScatterKind,
    is_offset_held: bool,
) -> Vec<Vec<f64>> {
    let weighted = observations(points, scatter, None);
    if form == Form::Logarithmic {
        // Linear: one start on either side of the answer shows that the search finds it.
        return vec![vec![0.0, 1.0], vec![-100.0, 30.0]];
    }
    let (first, last) = weighted
        .iter()
        .fold((f64::INFINITY, 0.0_f64), |(first, last), observation| {
            (first.min(observation.x), last.max(observation.x))
        });
    let scales = (0..SCALE_COUNT).map(|index| {
        let share = index as f64 / (SCALE_COUNT - 1) as f64;
        let (low, high) = (first / 30.0, last * 10.0);
        low * (high / low).powf(share)
    });
    let mut candidates: Vec<(f64, Vec<f64>)> = Vec::new();
    for scale in scales {
        let shares: &[f64] = match form {
            Form::Hyperbolic if is_offset_held => &[0.0],
            Form::Hyperbolic => &OFFSETS,
            Form::Exponential | Form::Logarithmic => &SHAPES,
        };
        for &second in shares {
            let unit = match form {
                Form::Hyperbolic => Curve::Hyperbolic {
                    ultimate_mpa: 1.0,
                    rate_per_unit: 1.0 / scale,
                    offset: second * first,
                },
                Form::Exponential | Form::Logarithmic => Curve::Exponential {
                    ultimate_mpa: 1.0,
                    tau: scale,
                    shape: second,
                },
            };
            if let Some((sum_of_squares, ultimate_mpa)) = best_ultimate(&weighted, &unit) {
                let mut natural: Vec<f64> = unit
                    .coefficients()
                    .iter()
                    .map(|(_, value)| *value)
                    .collect();
                natural[0] = ultimate_mpa;
                if is_offset_held {
                    natural.truncate(2);
                }
                candidates.push((sum_of_squares, form.working(&natural)));
            }
        }
    }
    candidates.sort_by(|left, right| left.0.total_cmp(&right.0));
    spread(candidates)
}

/// The ultimate strength with the least sum of squares when the rest of the curve is given.
fn best_ultimate(weighted: &[Observation], unit: &Curve) -> Option<(f64, f64)> {
    let (mut product, mut square) = (0.0, 0.0);
    for observation in weighted {
        let share = unit.strength_mpa(observation.x);
        product += observation.weight * share * observation.y;
        square += observation.weight * share * share;
    }
    let ultimate_mpa = product / square;
    if !(ultimate_mpa.is_finite() && ultimate_mpa > 0.0) {
        return None;
    }
    let sum_of_squares = weighted
        .iter()
        .map(|observation| {
            let residual = ultimate_mpa * unit.strength_mpa(observation.x) - observation.y;
            observation.weight * residual * residual
        })
        .sum();
    Some((sum_of_squares, ultimate_mpa))
}

/// The best candidates that differ from one another in the coefficient that is not on a logarithm
/// of the ultimate strength, so that agreement between them means something.
fn spread(candidates: Vec<(f64, Vec<f64>)>) -> Vec<Vec<f64>> {
    let mut chosen: Vec<Vec<f64>> = Vec::with_capacity(START_COUNT);
    for (_, candidate) in candidates {
        let is_apart = chosen.iter().all(|other: &Vec<f64>| {
            other
                .iter()
                .zip(&candidate)
                .skip(1)
                .any(|(left, right)| (left - right).abs() > 0.3 * right.abs().max(0.3))
        });
        if is_apart {
            chosen.push(candidate);
        }
        if chosen.len() == START_COUNT {
            break;
        }
    }
    chosen
}

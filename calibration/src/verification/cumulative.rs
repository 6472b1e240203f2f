//! How long a cumulative sum runs before it gives a false alarm.

use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ContinuousCDF as _, Normal};

/// States into which the sum is cut; the run length is good to 0.1 % from some 100 on.
const STATE_COUNT: usize = 200;

/// The mean number of points to a false alarm of a one-sided cumulative sum of a curve that holds,
/// starting at zero, for an allowance and a limit in standard deviations.
///
/// By the Markov chain of Brook and Evans (from memory). Two such sums side by side alarm twice as
/// often: at an allowance of 0.5, limits of 4 and 5 on both sides give 168 and 465 (from memory:
/// published tables of the two-sided sum).
pub fn one_sided_run_length(allowance: f64, limit: f64) -> f64 {
    let Ok(normal) = Normal::new(0.0, 1.0) else {
        return f64::NAN;
    };
    let width = 2.0 * limit / (2 * STATE_COUNT - 1) as f64;
    // The first state is the sum at zero, half as wide as the others.
    let mut stays = DMatrix::zeros(STATE_COUNT, STATE_COUNT);
    for from in 0..STATE_COUNT {
        for to in 0..STATE_COUNT {
            let move_by = (to as f64 - from as f64) * width + allowance;
            let high = normal.cdf(move_by + 0.5 * width);
            let low = if to == 0 {
                0.0
            } else {
                normal.cdf(move_by - 0.5 * width)
            };
            stays[(from, to)] = high - low;
        }
    }
    let system = DMatrix::identity(STATE_COUNT, STATE_COUNT) - stays;
    system
        .lu()
        .solve(&DVector::from_element(STATE_COUNT, 1.0))
        .map_or(f64::NAN, |lengths| lengths[0])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_sums_have_the_run_lengths_of_published_tables() {
        for (limit, both_sides) in [(4.0, 168.0), (5.0, 465.0)] {
            let length = one_sided_run_length(0.5, limit) / 2.0;
            assert!(
                (length / both_sides - 1.0).abs() < 0.005,
                "{limit}: {length}"
            );
        }
    }
}

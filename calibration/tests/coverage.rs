//! Whether the 90 % interval for the maturity at a strength holds the truth nine times in ten.
//!
//! Synthetic series with known truth, in our own invented numbers. CI runs 400 repetitions of each
//! case; `cargo test -p calibration --test coverage -- --ignored --nocapture` runs 2,000.

use calibration::Curve;
use calibration::fit::{FitOptions, Form, Point, ScatterKind, fit};
use rand::SeedableRng as _;
use rand_chacha::ChaCha12Rng;
use rand_distr::{Distribution as _, Normal};

const SEED: u64 = 20_261_125;
const TARGET_MPA: f64 = 27.6;

/// Seventeen cylinders, dense around a release some fourteen hours after placement.
const AGES_H: [(f64, usize); 7] = [
    (8.0, 2),
    (11.0, 3),
    (14.0, 3),
    (18.0, 3),
    (26.0, 2),
    (48.0, 2),
    (168.0, 2),
];

struct Case {
    name: &'static str,
    truth: Curve,
    form: Form,
    scatter: ScatterKind,
}

const CASES: [Case; 4] = [
    Case {
        name: "hyperbolic, constant scatter",
        truth: Curve::Hyperbolic {
            ultimate_mpa: 58.0,
            rate_per_unit: 0.085,
            offset: 3.5,
        },
        form: Form::Hyperbolic,
        scatter: ScatterKind::Constant,
    },
    Case {
        name: "hyperbolic, proportional scatter",
        truth: Curve::Hyperbolic {
            ultimate_mpa: 58.0,
            rate_per_unit: 0.085,
            offset: 3.5,
        },
        form: Form::Hyperbolic,
        scatter: ScatterKind::Proportional,
    },
    Case {
        name: "exponential, constant scatter",
        truth: Curve::Exponential {
            ultimate_mpa: 60.0,
            tau: 11.0,
            shape: 0.95,
        },
        form: Form::Exponential,
        scatter: ScatterKind::Constant,
    },
    Case {
        name: "logarithmic, proportional scatter",
        truth: Curve::Logarithmic {
            intercept_mpa: -8.0,
            slope_mpa: 13.0,
        },
        form: Form::Logarithmic,
        scatter: ScatterKind::Proportional,
    },
];

/// The share of repetitions whose interval holds the true maturity, and how many gave no curve.
fn coverage(case: &Case, repetition_count: usize, seed: u64) -> (f64, usize) {
    let mut random = ChaCha12Rng::seed_from_u64(seed);
    let unit = Normal::new(0.0, 1.0).expect("a unit normal");
    let truth = case.truth.maturity_at(TARGET_MPA).expect("reached");
    let options = FitOptions {
        scatter: case.scatter,
        ..FitOptions::default()
    };
    let (mut held, mut refused) = (0_usize, 0_usize);
    for _ in 0..repetition_count {
        let mut points = Vec::new();
        for (group, (age_h, count)) in AGES_H.into_iter().enumerate() {
            for _ in 0..count {
                let mean_mpa = case.truth.strength_mpa(age_h);
                let sd_mpa = match case.scatter {
                    ScatterKind::Constant => 1.1,
                    ScatterKind::Proportional => 0.04 * mean_mpa,
                };
                points.push(Point {
                    maturity: age_h,
                    strength_mpa: mean_mpa + sd_mpa * unit.sample(&mut random),
                    group,
                });
            }
        }
        match fit(&points, case.form, options)
            .ok()
            .and_then(|fit| fit.crossing(TARGET_MPA))
        {
            None => refused += 1,
            // An end that the data do not give bounds nothing.
            Some(crossing) => {
                let is_late_enough = crossing.late.is_none_or(|late| truth <= late);
                let is_early_enough = crossing.early.is_none_or(|early| truth >= early);
                held += usize::from(is_late_enough && is_early_enough);
            }
        }
    }
    (held as f64 / (repetition_count - refused) as f64, refused)
}

#[expect(
    clippy::print_stdout,
    reason = "the seed and the shares are read in the test's output"
)]
fn check(repetition_count: usize, low: f64, high: f64) {
    println!("seed {SEED}, {repetition_count} repetitions");
    for case in &CASES {
        let (share, refused) = coverage(case, repetition_count, SEED);
        println!("{}: {share:.4} held, {refused} without a curve", case.name);
        assert!(
            (low..=high).contains(&share),
            "{}: {share} of the intervals hold the truth",
            case.name
        );
        assert!(refused * 50 <= repetition_count, "{}: {refused}", case.name);
    }
}

/// The bound is as many standard deviations wide as 87 to 93 % is at 2,000 repetitions.
#[test]
fn the_interval_holds_the_truth_nine_times_in_ten() {
    check(400, 0.833, 0.967);
}

#[test]
#[ignore = "2,000 repetitions of every case; run by command"]
fn the_interval_holds_the_truth_in_87_to_93_of_a_hundred() {
    check(2000, 0.87, 0.93);
}

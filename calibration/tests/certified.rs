//! The certified regression sets of NIST StRD, through the least-squares routine of the lab's fits.
//!
//! Source: NIST/ITL Statistical Reference Datasets, non-linear regression (work of the US
//! government); the files of `reference/nist` are those, seen in the source distribution of the
//! Python package lmfit 1.3.4. Each carries its model, start values, certified values and data.

use std::collections::BTreeMap;
use std::fs;
use std::path::PathBuf;

use calibration::least_squares::{Observation, Termination, precision, solve, sum_of_squares};

type Formula = fn(f64, &[f64], &mut [f64]) -> f64;

/// Each set's model with its derivatives, as its file prints the formula.
const MODELS: [(&str, Formula); 12] = [
    ("BoxBOD", rising),
    ("DanWood", power),
    ("Eckerle4", peak),
    ("MGH09", rational),
    ("MGH10", vapour),
    ("Misra1a", rising),
    ("Misra1b", squared),
    ("Misra1c", rooted),
    ("Misra1d", hyperbolic),
    ("Rat42", logistic),
    ("Rat43", bent_logistic),
    ("Thurber", cubic_ratio),
];

fn rising(x: f64, b: &[f64], d: &mut [f64]) -> f64 {
    let fallen = (-b[1] * x).exp();
    d[0] = 1.0 - fallen;
    d[1] = b[0] * x * fallen;
    b[0] * (1.0 - fallen)
}

fn power(x: f64, b: &[f64], d: &mut [f64]) -> f64 {
    d[0] = x.powf(b[1]);
    d[1] = b[0] * d[0] * x.ln();
    b[0] * d[0]
}

fn peak(x: f64, b: &[f64], d: &mut [f64]) -> f64 {
    let z = (x - b[2]) / b[1];
    let bell = (-0.5 * z * z).exp();
    let value = b[0] / b[1] * bell;
    d[0] = bell / b[1];
    d[1] = value / b[1] * (z * z - 1.0);
    d[2] = value * z / b[1];
    value
}

fn rational(x: f64, b: &[f64], d: &mut [f64]) -> f64 {
    let (top, bottom) = (x * x + x * b[1], x * x + x * b[2] + b[3]);
    let value = b[0] * top / bottom;
    d[0] = top / bottom;
    d[1] = b[0] * x / bottom;
    d[2] = -value * x / bottom;
    d[3] = -value / bottom;
    value
}

fn vapour(x: f64, b: &[f64], d: &mut [f64]) -> f64 {
    let grown = (b[1] / (x + b[2])).exp();
    d[0] = grown;
    d[1] = b[0] * grown / (x + b[2]);
    d[2] = -b[0] * grown * b[1] / ((x + b[2]) * (x + b[2]));
    b[0] * grown
}

fn squared(x: f64, b: &[f64], d: &mut [f64]) -> f64 {
    let base = 1.0 + b[1] * x / 2.0;
    d[0] = 1.0 - base.powi(-2);
    d[1] = b[0] * x * base.powi(-3);
    b[0] * d[0]
}

fn rooted(x: f64, b: &[f64], d: &mut [f64]) -> f64 {
    let base = 1.0 + 2.0 * b[1] * x;
    d[0] = 1.0 - base.powf(-0.5);
    d[1] = b[0] * x * base.powf(-1.5);
    b[0] * d[0]
}

fn hyperbolic(x: f64, b: &[f64], d: &mut [f64]) -> f64 {
    let base = 1.0 + b[1] * x;
    d[0] = b[1] * x / base;
    d[1] = b[0] * x / (base * base);
    b[0] * d[0]
}

fn logistic(x: f64, b: &[f64], d: &mut [f64]) -> f64 {
    let e = (b[1] - b[2] * x).exp();
    let base = 1.0 + e;
    d[0] = 1.0 / base;
    d[1] = -b[0] * e / (base * base);
    d[2] = b[0] * x * e / (base * base);
    b[0] / base
}

fn bent_logistic(x: f64, b: &[f64], d: &mut [f64]) -> f64 {
    let e = (b[1] - b[2] * x).exp();
    let base = 1.0 + e;
    let value = b[0] * base.powf(-1.0 / b[3]);
    d[0] = value / b[0];
    d[1] = -value / b[3] * e / base;
    d[2] = value / b[3] * x * e / base;
    d[3] = value * base.ln() / (b[3] * b[3]);
    value
}

fn cubic_ratio(x: f64, b: &[f64], d: &mut [f64]) -> f64 {
    let powers = [1.0, x, x * x, x * x * x];
    let top: f64 = (0..4).map(|index| b[index] * powers[index]).sum();
    let bottom: f64 = 1.0
        + (1..4)
            .map(|index| b[index + 3] * powers[index])
            .sum::<f64>();
    for index in 0..4 {
        d[index] = powers[index] / bottom;
    }
    for index in 1..4 {
        d[index + 3] = -top / (bottom * bottom) * powers[index];
    }
    top / bottom
}

/// One certified set, as its own file tells it.
struct Set {
    name: String,
    starts: [Vec<f64>; 2],
    certified: Vec<f64>,
    standard_errors: Vec<f64>,
    sum_of_squares: f64,
    observations: Vec<Observation>,
}

fn read_sets() -> Vec<Set> {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/reference/nist");
    let mut sets: Vec<Set> = fs::read_dir(folder)
        .expect("the certified sets")
        .map(|entry| entry.expect("an entry").path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "dat"))
        .map(|path| read_set(&fs::read_to_string(path).expect("a certified set")))
        .collect();
    sets.sort_by(|left, right| left.name.cmp(&right.name));
    sets
}

fn numbers(text: &str) -> Vec<f64> {
    text.split_whitespace()
        .map_while(|word| word.parse().ok())
        .collect()
}

fn read_set(text: &str) -> Set {
    let name = text
        .lines()
        .find_map(|line| line.strip_prefix("Dataset Name:"))
        .and_then(|rest| rest.split_whitespace().next())
        .expect("a name")
        .to_owned();
    let rows: Vec<Vec<f64>> = text
        .lines()
        .filter_map(|line| line.trim_start().strip_prefix('b')?.split_once('='))
        .map(|(_, rest)| numbers(rest))
        .filter(|row| row.len() == 4)
        .collect();
    let column = |index: usize| rows.iter().map(|row| row[index]).collect::<Vec<f64>>();
    let sum_of_squares = text
        .lines()
        .find_map(|line| line.strip_prefix("Residual Sum of Squares:"))
        .and_then(|rest| rest.trim().parse().ok())
        .expect("a certified sum of squares");
    let observations = text
        .lines()
        .skip(60)
        .map(numbers)
        .filter(|row| row.len() == 2)
        .map(|row| Observation {
            x: row[1],
            y: row[0],
            weight: 1.0,
        })
        .collect();
    Set {
        name,
        starts: [column(0), column(1)],
        certified: column(2),
        standard_errors: column(3),
        sum_of_squares,
        observations,
    }
}

fn is_near(got: f64, certified: f64, relative: f64) -> bool {
    (got - certified).abs() <= relative * certified.abs()
}

#[test]
fn certified_coefficients_give_the_certified_sum_of_squares() {
    let models: BTreeMap<&str, Formula> = MODELS.into_iter().collect();
    let sets = read_sets();
    assert_eq!(sets.len(), MODELS.len());
    for set in sets {
        let got = sum_of_squares(&set.observations, &set.certified, &models[&*set.name]);
        // The certified coefficients carry eleven digits; near a minimum the sum keeps more.
        assert!(
            is_near(got, set.sum_of_squares, 1e-9),
            "{}: {got} against {}",
            set.name,
            set.sum_of_squares
        );
    }
}

#[test]
fn both_starts_of_every_set_reach_the_certified_values() {
    let models: BTreeMap<&str, Formula> = MODELS.into_iter().collect();
    for set in read_sets() {
        let model = models[&*set.name];
        for (number, start) in set.starts.iter().enumerate() {
            let label = format!("{} from start {}", set.name, number + 1);
            let solution = solve(&set.observations, start, &model);
            assert_eq!(
                solution.termination,
                Termination::Minimum,
                "{label}: {solution:?}"
            );
            assert!(
                is_near(solution.sum_of_squares, set.sum_of_squares, 1e-8),
                "{label}: sum of squares {}",
                solution.sum_of_squares
            );
            let precision = precision(&set.observations, &solution.coefficients, &model)
                .expect("certified coefficients are determined");
            let variance = solution.sum_of_squares / f64::from(solution.degrees_of_freedom);
            for index in 0..set.certified.len() {
                let got = solution.coefficients[index];
                assert!(
                    is_near(got, set.certified[index], 1e-6),
                    "{label}: b{} = {got}, certified {}",
                    index + 1,
                    set.certified[index]
                );
                let error = (variance * precision.unit_covariance[(index, index)]).sqrt();
                assert!(
                    is_near(error, set.standard_errors[index], 1e-6),
                    "{label}: sd of b{} = {error}, certified {}",
                    index + 1,
                    set.standard_errors[index]
                );
            }
        }
    }
}

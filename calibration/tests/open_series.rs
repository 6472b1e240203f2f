//! Every mix of an open strength data set, fitted by every form, against an independent program.
//!
//! Source: I-C. Yeh, Concrete Compressive Strength data set (1998), UCI Machine Learning Repository
//! (CC BY 4.0), as carried by the R package modeldata: seen. The reference values are ours, by
//! scipy: `reference/open_series/reference.py`, with its output beside it.

use std::collections::BTreeMap;
use std::fs;
use std::path::PathBuf;

use calibration::fit::{FitOptions, Form, Point, fit};

fn read(name: &str) -> Vec<BTreeMap<String, String>> {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("tests/reference/open_series")
        .join(name);
    let text = fs::read_to_string(path).expect("the reference is checked in");
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_reader(text.as_bytes());
    reader
        .deserialize()
        .map(|row| row.expect("a row"))
        .collect()
}

fn number(row: &BTreeMap<String, String>, key: &str) -> f64 {
    row[key].parse().expect("a number")
}

fn mixes() -> BTreeMap<String, Vec<Point>> {
    let mut mixes: BTreeMap<String, Vec<Point>> = BTreeMap::new();
    for row in read("open_strength_series.csv") {
        let points = mixes.entry(row["mix"].clone()).or_default();
        let age_d = number(&row, "age_d");
        let same_age = points
            .iter()
            .find(|point| point.maturity.total_cmp(&age_d).is_eq())
            .map(|point| point.group);
        points.push(Point {
            maturity: age_d,
            strength_mpa: number(&row, "strength_mpa"),
            group: same_age.unwrap_or(points.len()),
        });
    }
    mixes
}

fn is_near(got: f64, expected: f64, relative: f64) -> bool {
    (got - expected).abs() <= relative * expected.abs()
}

#[test]
#[expect(
    clippy::print_stdout,
    reason = "the counts are read in the test's output"
)]
fn every_mix_agrees_with_the_reference_or_states_why_it_has_no_curve() {
    let mixes = mixes();
    let reference = read("reference.csv");
    assert_eq!(reference.len(), 3 * mixes.len());
    let mut compared: BTreeMap<&str, usize> = BTreeMap::new();
    let mut faults = Vec::new();
    let mut refusals = Vec::new();
    for row in &reference {
        let (mix, form) = (&row["mix"], &row["form"]);
        let form = Form::ALL
            .into_iter()
            .find(|known| known.name() == form)
            .expect("a form");
        let ours = fit(&mixes[mix], form, FitOptions::default());
        let has_reference = row["converged"] == "yes";
        match ours {
            Err(refusal) if has_reference => faults.push(format!("{mix} {form}: {refusal}")),
            Err(refusal) => refusals.push(format!("{mix} {form}: {}", refusal.name())),
            // A minimum that the other program did not find must at least be one.
            Ok(fit) if !has_reference => assert!(fit.termination.is_success()),
            Ok(fit) => {
                *compared.entry(form.name()).or_default() += 1;
                let errors = fit.standard_errors();
                if !is_near(fit.sum_of_squares, number(row, "rss"), 1e-8) {
                    faults.push(format!("{mix} {form}: rss {}", fit.sum_of_squares));
                }
                for (index, (name, got)) in fit.curve.coefficients().iter().enumerate() {
                    let expected = number(row, &format!("b{}", index + 1));
                    let error = number(row, &format!("sd{}", index + 1));
                    // Six digits; a coefficient near zero is judged by its standard error.
                    if !is_near(*got, expected, 1e-6) && (got - expected).abs() > 1e-6 * error {
                        faults.push(format!("{mix} {form} {name}: {got} for {expected}"));
                    }
                    if !is_near(errors[index], error, 1e-5) {
                        faults.push(format!("{mix} {form} sd {name}: {}", errors[index]));
                    }
                }
            }
        }
    }
    println!("compared {compared:?}; no curve: {refusals:?}");
    assert!(
        faults.is_empty(),
        "{} faults:\n{}",
        faults.len(),
        faults.join("\n")
    );
    for (form, count) in compared {
        assert!(count >= 30, "only {count} mixes were compared for {form}");
    }
}

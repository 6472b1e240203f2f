//! The estimate by hand arithmetic, at the ends of the data, and against a brute-force bound.

use super::*;
use crate::curve_file::CurveFile;

const TEXT: &str = r#"
schema = 1
name = "test"
mix = "test"
author = "lab"
made_at = 2026-01-01
time_zero = "placed"
maturity = { function = "temperature-time-factor", datum_c = 0 }
range = { maturity_min = 100, maturity_max = 10000, temperature_min_c = 10, temperature_max_c = 60 }
specimens = { cured = "standard", shape = "cylinder", diameter_mm = 100, length_mm = 200 }

[curve]
form = "hyperbolic"
ultimate_mpa = 50
rate_per_unit = 0.0025
offset = 0
covariance = [[4, -3e-4, 0], [-3e-4, 4e-8, 0], [0, 0, 0]]
residual_sd_mpa = 1.2
residual_degrees_of_freedom = 10
"#;

fn file() -> CurveFile {
    CurveFile::parse(TEXT).expect("a good file")
}

fn is_near(left: f64, right: f64, tolerance: f64) -> bool {
    (left - right).abs() <= tolerance
}

#[test]
fn the_standard_deviation_is_the_hand_calculation() {
    // At M = 400: k M = 1, S = 25, g = (0.5, 50 * 400 / 4, -50 * 0.0025 / 4);
    // g'Cg = 0.25 * 4 + 2 * 0.5 * 5000 * -3e-4 + 5000² * 4e-8 = 1 - 1.5 + 1 = 0.5.
    let scatter = Scatter {
        pour_cv: 0.03,
        load_cv: 0.04,
    };
    let prepared = PreparedCurve::new(&file(), scatter);
    let variance: f64 = 0.5 + 1.44 + 0.0025 * 625.0;
    assert!(is_near(prepared.sd_at(400.0), variance.sqrt(), 1e-12));
    let lower_mpa = 25.0 - prepared.t_90() * variance.sqrt();
    // From below, by at most one node of the grid.
    let got_mpa = prepared.lower_90_mpa(400.0);
    assert!(
        got_mpa <= lower_mpa && got_mpa > lower_mpa - 0.05,
        "{got_mpa} against {lower_mpa}"
    );
}

#[test]
fn the_t_quantile_agrees_with_the_printed_tables() {
    // Any table of Student's t, one-sided 0.90 (from memory, high confidence).
    for (degrees_of_freedom, expected) in
        [(1, 3.078), (2, 1.886), (5, 1.476), (10, 1.372), (30, 1.310)]
    {
        assert!(
            is_near(t_quantile(0.90, degrees_of_freedom), expected, 5e-4),
            "{degrees_of_freedom}"
        );
    }
    assert!(is_near(t_quantile(0.975, 10), 2.228, 5e-4));
    assert!(is_near(t_quantile(0.10, 10), -1.372, 5e-4));
}

#[test]
fn below_inside_and_above_the_data_are_told_apart() {
    let prepared = PreparedCurve::new(&file(), Scatter::default());
    assert_eq!(
        prepared.estimate(99.0, 99.0),
        StrengthEstimate::BelowData {
            first_maturity: 100.0
        }
    );
    assert_eq!(
        prepared.estimate(f64::NAN, f64::NAN),
        StrengthEstimate::BelowData {
            first_maturity: 100.0
        }
    );
    let StrengthEstimate::Within {
        estimate_mpa,
        lower_90_mpa,
    } = prepared.estimate(400.0, 380.0)
    else {
        panic!("400 is inside the data");
    };
    assert!(is_near(estimate_mpa, 25.0, 1e-12));
    assert!(is_near(lower_90_mpa, prepared.lower_90_mpa(380.0), 0.0));
    let at_the_end = prepared.estimate(10_000.0, 10_000.0);
    let StrengthEstimate::Within {
        estimate_mpa: last_mpa,
        lower_90_mpa: last_lower_mpa,
    } = at_the_end
    else {
        panic!("the last maturity is inside the data");
    };
    assert_eq!(
        prepared.estimate(1e6, 1e6),
        StrengthEstimate::AboveData {
            at_least_mpa: last_mpa,
            lower_90_mpa: last_lower_mpa
        }
    );
    assert!(is_near(prepared.strength_at(1e6), last_mpa, 0.0));
}

#[test]
fn a_low_maturity_below_the_data_proves_nothing_and_one_above_the_value_is_not_believed() {
    let prepared = PreparedCurve::new(&file(), Scatter::default());
    let lower = |maturity, maturity_low| match prepared.estimate(maturity, maturity_low) {
        StrengthEstimate::Within { lower_90_mpa, .. } => lower_90_mpa,
        other => panic!("{other:?}"),
    };
    assert!(is_near(lower(400.0, 50.0), 0.0, 0.0));
    assert!(is_near(lower(400.0, 900.0), lower(400.0, 400.0), 0.0));
}

#[test]
fn the_bound_stays_just_below_the_true_running_maximum() {
    // A steep scatter at late maturity makes the raw bound fall again: the running maximum holds
    // it.
    let text = TEXT
        .replace("[[4, -3e-4, 0]", "[[400, -3e-2, 0]")
        .replace("[-3e-4, 4e-8, 0]", "[-3e-2, 4e-6, 0]");
    for text in [TEXT, &text] {
        let file = CurveFile::parse(text).expect("a good file");
        let prepared = PreparedCurve::new(
            &file,
            Scatter {
                pour_cv: 0.05,
                load_cv: 0.02,
            },
        );
        let mut running_mpa = 0.0_f64;
        let mut previous_mpa = 0.0;
        for step in 0..=20_000 {
            let maturity = 100.0 * 100.0_f64.powf(f64::from(step) / 20_000.0);
            running_mpa = running_mpa.max(prepared.bound_mpa(maturity));
            let got_mpa = prepared.lower_90_mpa(maturity);
            assert!(
                got_mpa <= running_mpa + 1e-9,
                "at {maturity}: {got_mpa} above {running_mpa}"
            );
            assert!(
                got_mpa >= running_mpa - 0.06,
                "at {maturity}: {got_mpa} far below {running_mpa}"
            );
            assert!(got_mpa >= previous_mpa, "the bound falls at {maturity}");
            previous_mpa = got_mpa;
        }
    }
}

#[test]
fn an_unknown_covariance_widens_the_estimate() {
    let covariance = "covariance = [[4, -3e-4, 0], [-3e-4, 4e-8, 0], [0, 0, 0]]";
    let unknown = CurveFile::parse(&TEXT.replace(covariance, "covariance_known = false"))
        .expect("a good file");
    let prepared = PreparedCurve::new(&unknown, Scatter::default());
    assert!(is_near(prepared.sd_at(400.0), 1.2 * 2.0_f64.sqrt(), 1e-12));
    assert!(prepared.sd_at(400.0) > PreparedCurve::new(&file(), Scatter::default()).sd_at(400.0));
}

#[test]
fn the_required_maturity_respects_the_data_and_the_ultimate_strength() {
    let prepared = PreparedCurve::new(&file(), Scatter::default());
    assert_eq!(
        prepared.required_maturity(25.0),
        RequiredMaturity::Within(400.0)
    );
    assert_eq!(
        prepared.required_maturity(5.0),
        RequiredMaturity::BeforeData {
            first_maturity: 100.0
        }
    );
    assert_eq!(
        prepared.required_maturity(49.0),
        RequiredMaturity::BeyondData {
            last_maturity: 10_000.0
        }
    );
    assert_eq!(prepared.required_maturity(50.0), RequiredMaturity::Never);
    assert_eq!(
        prepared.required_maturity(f64::NAN),
        RequiredMaturity::Never
    );
}

#[test]
fn the_interval_of_maturity_surrounds_the_likely_one_and_agrees_with_the_bound() {
    let prepared = PreparedCurve::new(&file(), Scatter::default());
    let interval = prepared.maturity_interval(25.0);
    let (
        RequiredMaturity::Within(early),
        RequiredMaturity::Within(likely),
        RequiredMaturity::Within(late),
    ) = (interval.early, interval.likely, interval.late)
    else {
        panic!("all three are inside the data: {interval:?}");
    };
    assert!(early < likely && likely < late, "{interval:?}");
    assert!(is_near(prepared.lower_90_mpa(late), 25.0, 1e-9));
    let upper_mpa = prepared.strength_at(early) + prepared.t_90() * prepared.sd_at(early);
    assert!(is_near(upper_mpa, 25.0, 1e-3), "{upper_mpa}");
}

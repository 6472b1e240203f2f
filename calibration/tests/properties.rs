//! Properties of every curve, scatter and temperature: the bound is monotone and modest.

use calibration::{
    CurveFile, MaturityFunction, PreparedCurve, RequiredMaturity, Scatter, StrengthEstimate,
};
use proptest::prelude::*;
use proptest::test_runner::FileFailurePersistence;

/// Relative standard errors of the coefficients and the correlation of the first two.
#[derive(Debug, Clone, Copy)]
struct Doubt {
    relative: [f64; 3],
    correlation: f64,
}

fn covariance_text(coefficients: &[f64], doubt: Doubt) -> String {
    let errors: Vec<f64> = coefficients
        .iter()
        .zip(doubt.relative)
        .map(|(value, relative)| value.abs().max(1e-6) * relative)
        .collect();
    let rows: Vec<String> = (0..errors.len())
        .map(|row| {
            let cells: Vec<String> = (0..errors.len())
                .map(|column| {
                    let correlation = match (row, column) {
                        _ if row == column => 1.0,
                        (0, 1) | (1, 0) => doubt.correlation,
                        _ => 0.0,
                    };
                    format!("{:e}", correlation * errors[row] * errors[column])
                })
                .collect();
            format!("[{}]", cells.join(", "))
        })
        .collect();
    format!("covariance = [{}]", rows.join(", "))
}

fn coefficients_text() -> impl Strategy<Value = (String, Vec<f64>)> {
    prop_oneof![
        (25.0..90.0f64, 2e-4..5e-3f64, -80.0..80.0f64).prop_map(|(ultimate, rate, offset)| (
            format!(
                "form = \"hyperbolic\"\nultimate_mpa = {ultimate}\nrate_per_unit = {rate}\n\
                 offset = {offset}"
            ),
            vec![ultimate, rate, offset]
        )),
        (25.0..90.0f64, 200.0..1500.0f64, 0.4..1.5f64).prop_map(|(ultimate, tau, shape)| (
            format!(
                "form = \"exponential\"\nultimate_mpa = {ultimate}\ntau = {tau}\nshape = {shape}"
            ),
            vec![ultimate, tau, shape]
        )),
        (-40.0..-20.0f64, 8.5..13.0f64).prop_map(|(intercept, slope)| (
            format!("form = \"logarithmic\"\nintercept_mpa = {intercept}\nslope_mpa = {slope}"),
            vec![intercept, slope]
        )),
    ]
}

fn curve_file() -> impl Strategy<Value = CurveFile> {
    let doubt =
        ([0.0..0.3f64, 0.0..0.3, 0.0..0.3], -0.99..0.99f64).prop_map(|(relative, correlation)| {
            Doubt {
                relative,
                correlation,
            }
        });
    (
        coefficients_text(),
        proptest::option::of(doubt),
        0.2..4.0f64,
        1u32..40,
        110.0..400.0f64,
        3.0..60.0f64,
    )
        .prop_map(
            |((curve, values), doubt, sd_mpa, freedom, maturity_min, ratio)| {
                let covariance = doubt.map_or("covariance_known = false".to_owned(), |doubt| {
                    covariance_text(&values, doubt)
                });
                let text = format!(
                    "schema = 1\nname = \"p\"\nmix = \"p\"\nauthor = \"p\"\nmade_at = 2026-01-01\n\
                 time_zero = \"batched\"\n\
                 [maturity]\nfunction = \"temperature-time-factor\"\ndatum_c = 0\n\
                 [range]\nmaturity_min = {maturity_min}\nmaturity_max = {}\n\
                 temperature_min_c = 5\ntemperature_max_c = 70\n\
                 [specimens]\ncured = \"standard\"\nshape = \"cylinder\"\ndiameter_mm = 100\n\
                 length_mm = 200\n\
                 [curve]\n{curve}\n{covariance}\nresidual_sd_mpa = {sd_mpa}\n\
                 residual_degrees_of_freedom = {freedom}\n",
                    maturity_min * ratio,
                );
                CurveFile::parse(&text).unwrap_or_else(|error| panic!("{error}\n{text}"))
            },
        )
}

fn scatter() -> impl Strategy<Value = Scatter> {
    (0.0..0.2f64, 0.0..0.1f64).prop_map(|(pour_cv, load_cv)| Scatter { pour_cv, load_cv })
}

/// Maturities from well below the data to well above.
fn maturity() -> impl Strategy<Value = f64> {
    (1.0..5.0f64).prop_map(|exponent| 10f64.powf(exponent))
}

fn function() -> impl Strategy<Value = MaturityFunction> {
    prop_oneof![
        (-20.0..15.0f64).prop_map(|datum_c| MaturityFunction::TemperatureTimeFactor { datum_c }),
        (15_000.0..80_000.0f64, 5.0..60.0f64).prop_map(|(activation_energy_j_mol, reference_c)| {
            MaturityFunction::EquivalentAge {
                activation_energy_j_mol,
                reference_c,
            }
        }),
        (1.0..2.0f64).prop_map(|c_value| MaturityFunction::WeightedMaturity { c_value }),
        Just(MaturityFunction::En1992Age),
    ]
}

proptest! {
    // A failure prints its seed and keeps it beside this file.
    #![proptest_config(ProptestConfig {
        failure_persistence: Some(Box::new(FileFailurePersistence::WithSource("regressions"))),
        ..ProptestConfig::default()
    })]

    #[test]
    fn the_lower_bound_never_falls_as_maturity_grows(
        file in curve_file(), scatter in scatter(), first in maturity(), second in maturity(),
    ) {
        let prepared = PreparedCurve::new(&file, scatter);
        let (low, high) = (first.min(second), first.max(second));
        let (low_mpa, high_mpa) = (prepared.lower_90_mpa(low), prepared.lower_90_mpa(high));
        prop_assert!(low_mpa >= 0.0);
        prop_assert!(low_mpa <= high_mpa + 1e-12, "{low}: {low_mpa}, {high}: {high_mpa}");
    }

    #[test]
    fn the_estimate_is_never_below_its_bound(
        file in curve_file(), scatter in scatter(), at in maturity(), low in maturity(),
    ) {
        match PreparedCurve::new(&file, scatter).estimate(at, low) {
            StrengthEstimate::BelowData { first_maturity } => prop_assert!(at < first_maturity),
            StrengthEstimate::Within { estimate_mpa, lower_90_mpa }
            | StrengthEstimate::AboveData { at_least_mpa: estimate_mpa, lower_90_mpa } => {
                prop_assert!(lower_90_mpa <= estimate_mpa, "{lower_90_mpa} above {estimate_mpa}");
            }
        }
    }

    #[test]
    fn more_scatter_never_raises_the_bound(
        file in curve_file(), scatter in scatter(), at in maturity(),
        more_pour in 0.0..0.1f64, more_load in 0.0..0.1f64,
    ) {
        let wider = Scatter {
            pour_cv: scatter.pour_cv + more_pour,
            load_cv: scatter.load_cv + more_load,
        };
        let narrow_mpa = PreparedCurve::new(&file, scatter).lower_90_mpa(at);
        let wide_mpa = PreparedCurve::new(&file, wider).lower_90_mpa(at);
        prop_assert!(wide_mpa <= narrow_mpa + 1e-12, "{wide_mpa} above {narrow_mpa}");
    }

    #[test]
    fn the_bound_reaches_a_strength_no_sooner_than_the_estimate(
        file in curve_file(), scatter in scatter(), strength_mpa in 2.0..60.0f64,
    ) {
        let interval = PreparedCurve::new(&file, scatter).maturity_interval(strength_mpa);
        if let (RequiredMaturity::Within(likely), RequiredMaturity::Within(late)) =
            (interval.likely, interval.late)
        {
            prop_assert!(late >= likely * (1.0 - 1e-12), "{interval:?}");
        }
        if let (RequiredMaturity::Within(early), RequiredMaturity::Within(likely)) =
            (interval.early, interval.likely)
        {
            // The early end lies on a chord between two nodes, so it may miss by part of a node.
            prop_assert!(early <= likely * 1.003, "{interval:?}");
        }
    }

    #[test]
    fn a_segment_is_the_sum_of_its_parts(
        function in function(), start_c in -30.0..110.0f64, end_c in -30.0..110.0f64,
        share in 0.0..1.0f64, hours in 0.0..20.0f64,
    ) {
        let middle_c = start_c + share * (end_c - start_c);
        let whole = function.over_segment(start_c, end_c, hours);
        let parts = function.over_segment(start_c, middle_c, share * hours)
            + function.over_segment(middle_c, end_c, (1.0 - share) * hours);
        prop_assert!((whole - parts).abs() <= 1e-8 * whole.abs() + 1e-9, "{whole} against {parts}");
    }

    #[test]
    fn a_warmer_segment_never_matures_less(
        function in function(), start_c in -30.0..100.0f64, end_c in -30.0..100.0f64,
        warmer_start_c in 0.0..10.0f64, warmer_end_c in 0.0..10.0f64, hours in 0.0..20.0f64,
    ) {
        let cool = function.over_segment(start_c, end_c, hours);
        let warm = function.over_segment(start_c + warmer_start_c, end_c + warmer_end_c, hours);
        prop_assert!(cool >= 0.0);
        prop_assert!(warm >= cool * (1.0 - 1e-8) - 1e-9, "{warm} against {cool}");
    }

    #[test]
    fn a_segment_runs_backwards_as_it_runs_forwards(
        function in function(), start_c in -30.0..110.0f64, end_c in -30.0..110.0f64,
    ) {
        let (there, back) =
            (function.over_segment(start_c, end_c, 1.0), function.over_segment(end_c, start_c, 1.0));
        prop_assert!((there - back).abs() <= 1e-12 * there.abs(), "{there} against {back}");
    }
}

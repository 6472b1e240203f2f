//! The integrals against a brute-force sum, at the datum, in their limits, and on bad histories.

use super::*;

const FUNCTIONS: [MaturityFunction; 8] = [
    MaturityFunction::TemperatureTimeFactor { datum_c: 0.0 },
    MaturityFunction::TemperatureTimeFactor { datum_c: -10.0 },
    MaturityFunction::EquivalentAge {
        activation_energy_j_mol: 41_570.0,
        reference_c: 20.0,
    },
    MaturityFunction::EquivalentAge {
        activation_energy_j_mol: 80_000.0,
        reference_c: 23.0,
    },
    MaturityFunction::WeightedMaturity { c_value: 1.0 },
    MaturityFunction::WeightedMaturity {
        c_value: 1.0 + 1e-9,
    },
    MaturityFunction::WeightedMaturity { c_value: 1.65 },
    MaturityFunction::En1992Age,
];

/// Composite midpoint rule with Richardson extrapolation on many pieces.
fn reference_integral(function: MaturityFunction, start_c: f64, end_c: f64) -> f64 {
    let midpoint = |piece_count: usize| -> f64 {
        let step_c = (end_c - start_c) / piece_count as f64;
        let sum: f64 = (0..piece_count)
            .map(|piece| function.rate(start_c + (piece as f64 + 0.5) * step_c))
            .sum();
        sum / piece_count as f64
    };
    (4.0 * midpoint(20_000) - midpoint(10_000)) / 3.0
}

#[test]
fn a_segment_agrees_with_a_brute_force_integral_to_1e_9() {
    // Spans on both sides of each change of the rule, falling as well as rising, up to 60 °C; none has a
    // kink inside, where the brute-force sum would be the worse of the two.
    let segments = [
        (20.0, 20.24),
        (20.0, 20.49),
        (-9.76, -10.0),
        (-9.52, -10.0),
        (20.0, 21.9),
        (65.0, 63.1),
        (-10.0, -8.1),
        (0.0, 60.0),
        (70.0, 10.0),
        (5.0, 17.3),
    ];
    for function in FUNCTIONS {
        for (start_c, end_c) in segments {
            let expected = reference_integral(function, start_c, end_c);
            let got = function.over_segment(start_c, end_c, 1.0);
            assert!(
                (got - expected).abs() <= 1e-9 * expected,
                "{function:?} {start_c}..{end_c}: {got} against {expected}"
            );
        }
    }
}

#[test]
fn a_bend_is_its_two_lines_to_1e_9() {
    // The dip that readings a minute apart allow, at both ends of what is cured; then bends too wide for
    // the short way.
    let bends = [
        ([20.0, 19.9, 20.05], [0.012, 0.005]),
        ([-9.5, -9.9, -9.55], [0.01, 0.01]),
        ([55.0, 54.73, 55.1], [0.0107, 0.006]),
        ([60.0, 60.1, 60.12], [0.0, 0.02]),
        ([15.0, 12.0, 30.0], [0.3, 0.5]),
        ([-12.0, -9.0, -9.9], [0.3, 0.5]),
    ];
    for function in FUNCTIONS {
        for ([start_c, middle_c, end_c], hours) in bends {
            // Lines by themselves are held against a brute-force integral above.
            let expected = function.over_segment(start_c, middle_c, hours[0])
                + function.over_segment(middle_c, end_c, hours[1]);
            let got = function.over_bend([start_c, middle_c, end_c], hours);
            assert!(
                (got - expected).abs() <= 1.5e-9 * expected,
                "{function:?} {start_c}, {middle_c}, {end_c}: {got} against {expected}"
            );
        }
    }
    let still = FUNCTIONS[2].over_bend([20.0, 20.0, 20.0], [0.0, 0.0]);
    assert!(still.abs() < f64::EPSILON, "{still}");
}

#[test]
#[expect(clippy::float_cmp, reason = "clamped values and halves are exact")]
fn a_segment_that_crosses_the_datum_counts_only_the_part_above() {
    let function = MaturityFunction::TemperatureTimeFactor { datum_c: 0.0 };
    // Above the datum for half an hour with a mean of 5 °C.
    assert_eq!(function.over_segment(-10.0, 10.0, 1.0), 2.5);
    assert_eq!(function.over_segment(10.0, -10.0, 1.0), 2.5);
    assert_eq!(function.over_segment(-10.0, -1.0, 1.0), 0.0);
    let weighted = MaturityFunction::WeightedMaturity { c_value: 1.3 };
    let whole = weighted.over_segment(-20.0, 10.0, 3.0);
    let above = weighted.over_segment(-10.0, 10.0, 2.0);
    assert!((whole - above).abs() < 1e-12 * above);
}

#[test]
fn weighted_maturity_tends_to_the_temperature_time_factor_as_c_tends_to_one() {
    let limit = MaturityFunction::TemperatureTimeFactor { datum_c: -10.0 };
    for c_value in [1.0, 1.0 + 1e-13, 1.0 + 1e-11, 1.0 + 1e-8] {
        let function = MaturityFunction::WeightedMaturity { c_value };
        for temperature_c in [-10.0, 0.0, 20.0, 65.0] {
            let difference = function.rate(temperature_c) - limit.rate(temperature_c);
            assert!(
                difference.abs() < 1e-5,
                "C = {c_value}, {temperature_c} °C: {difference}"
            );
        }
    }
}

#[test]
fn no_rate_is_negative_or_infinite_however_absurd_the_temperature() {
    for function in FUNCTIONS {
        for temperature_c in [-400.0, -273.15, -273.0, -35.0, 0.0, 110.0] {
            let rate = function.rate(temperature_c);
            assert!(
                rate >= 0.0 && rate.is_finite(),
                "{function:?} at {temperature_c}: {rate}"
            );
        }
    }
}

#[test]
fn a_history_must_run_forwards_and_be_finite() {
    let function = MaturityFunction::TemperatureTimeFactor { datum_c: 0.0 };
    let stepped = function.history(&[(0.0, 20.0), (12.0, 20.0), (12.0, 40.0), (24.0, 40.0)]);
    assert_eq!(stepped, Ok(vec![0.0, 240.0, 240.0, 720.0]));
    assert_eq!(function.history(&[]), Ok(vec![]));
    assert_eq!(
        function.history(&[(1.0, 20.0), (0.5, 20.0)]),
        Err(HistoryError::OutOfOrder { index: 1 })
    );
    assert_eq!(
        function.history(&[(0.0, 20.0), (1.0, f64::NAN)]),
        Err(HistoryError::NotFinite { index: 1 })
    );
}

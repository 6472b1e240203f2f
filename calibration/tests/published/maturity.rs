//! Worked examples of the maturity functions, and the trap below the datum.

use calibration::MaturityFunction;
use units::JoulePerMole;

use crate::row::Row;

pub fn factor(datum_c: f64) -> MaturityFunction {
    MaturityFunction::TemperatureTimeFactor { datum_c }
}

pub fn age(activation_energy_j_mol: f64, reference_c: f64) -> MaturityFunction {
    MaturityFunction::EquivalentAge {
        activation_energy_j_mol,
        reference_c,
    }
}

pub fn weighted(c_value: f64) -> MaturityFunction {
    MaturityFunction::WeightedMaturity { c_value }
}

/// Maturity after temperatures held for days each, as `(celsius, days)`.
fn after_days(function: MaturityFunction, held: &[(f64, f64)]) -> f64 {
    let mut points = Vec::new();
    let mut hours = 0.0;
    for &(celsius, days) in held {
        points.push((hours, celsius));
        hours += 24.0 * days;
        points.push((hours, celsius));
    }
    let maturities = function
        .history(&points)
        .expect("held temperatures are a history");
    maturities.last().copied().expect("a history is not empty")
}

pub fn maturity_rows() -> Vec<Row> {
    const STRUCTURAL_CODES: &str = "open repository fib-international/structuralcodes, its tests";
    const BLOG: &str = "talktorashid.blogspot.com, Maturity of concrete, example 1";
    const CERAMICS: &str = "NIST, ciks.cbt.nist.gov/~garbocz/AmCeram/node16, Table IX";
    let energies_kj_mol = [39.3, 41.3, 36.9, 36.5, 40.0, 35.3];
    let mean = energies_kj_mol
        .iter()
        .fold(JoulePerMole(0.0), |sum, energy| {
            sum + JoulePerMole(energy * 1000.0)
        })
        / energies_kj_mol.len() as f64;
    let convert = |function: MaturityFunction, from_c, to_c| {
        function
            .conversion_factor(from_c, to_c)
            .expect("the rate is above zero")
    };
    let twenty_eight_days_c_d = after_days(factor(-11.0), &[(18.0, 28.0)]) / 24.0;
    vec![
        Row::new(
            "W1 °C·d",
            728.0,
            1e-9,
            after_days(factor(-11.0), &[(15.0, 28.0)]) / 24.0,
        )
        .seen("civinnovate.com, exam question on quality control of concrete, Q9"),
        Row::new(
            "W2 °C·h",
            19_488.0,
            1e-9,
            after_days(factor(-11.0), &[(18.0, 28.0)]),
        )
        .seen(BLOG),
        Row::new(
            "W3 °C·d, wrong as published",
            1092.0,
            1.0,
            twenty_eight_days_c_d,
        )
        .seen(BLOG)
        .not_reproduced(),
        Row::new("W3 °C·d, put right", 812.0, 1e-9, twenty_eight_days_c_d),
        Row::new("W4 kJ/mol", 38.2, 0.05, mean.0 / 1000.0).seen(CERAMICS),
        // The published factor is truncated, not rounded: 0.58578 is printed as 0.585.
        Row::new("W5", 0.585, 1e-3, convert(age(38_200.0, 25.0), 15.0, 25.0)).seen(CERAMICS),
        Row::new("W6", 1.65, 5e-3, convert(age(38_200.0, 25.0), 35.0, 25.0)).seen(CERAMICS),
        Row::new("W7", 3.3, 0.05, convert(age(45_500.0, 20.0), 40.0, 20.0))
            .seen("NIST, ciks.cbt.nist.gov/garbocz/ACS2005/node6"),
        Row::new(
            "W8 d",
            8.379_867_81,
            1e-8,
            after_days(
                MaturityFunction::En1992Age,
                &[
                    (19.0, 1.0),
                    (20.0, 2.0),
                    (20.0, 1.0),
                    (21.0, 1.0),
                    (22.0, 1.0),
                    (23.0, 2.0),
                ],
            ) / 24.0,
        )
        .seen(STRUCTURAL_CODES),
        Row::new(
            "W9 d",
            15.7723,
            5e-5,
            after_days(MaturityFunction::En1992Age, &[(20.0, 7.0), (25.0, 7.0)]) / 24.0,
        )
        .seen(STRUCTURAL_CODES),
        Row::new(
            "W11 °C·h",
            4368.0,
            1e-9,
            7.0 * after_days(factor(-11.0), &[(20.0, 0.5), (10.0, 0.5)]),
        )
        .remembered("Shetty, Concrete Technology, section on maturity"),
        Row::new(
            "28 d at 20 °C by EN 1992, d",
            27.947_49,
            5e-6,
            after_days(MaturityFunction::En1992Age, &[(20.0, 28.0)]) / 24.0,
        ),
    ]
}

/// Maturity stands still below the datum; the sums that run backwards there are the trap.
pub fn below_datum_rows() -> Vec<Row> {
    let hourly: Vec<(f64, f64)> = [-12.0, -8.0, -4.0, 0.0, 5.0]
        .iter()
        .map(|celsius| (*celsius, 1.0 / 24.0))
        .collect();
    let got = |datum_c| after_days(factor(datum_c), &hourly);
    vec![
        Row::new("below datum 0, clamped", 5.0, 1e-9, got(0.0)),
        Row::new("below datum 0, unclamped", -19.0, 1.0, got(0.0)).not_reproduced(),
        Row::new("below datum -10, clamped", 33.0, 1e-9, got(-10.0)),
        Row::new("below datum -10, unclamped", 31.0, 1.0, got(-10.0)).not_reproduced(),
    ]
}

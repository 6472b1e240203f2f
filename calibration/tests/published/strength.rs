//! Times to a strength on fits of real data, cylinder arithmetic, traps of the release rule.

use calibration::{
    Curve, CylinderSize, ReleaseBasis, ReleaseRule, cylinder_strength, length_factor, reported,
};
use units::{Kilonewton, Megapascal, Millimetre, UnitSystem};

use crate::row::Row;

/// Days until three fits of real strengths (UCI concrete set, mix A, 1 to 28 d) reach four
/// strengths.
pub fn curve_rows() -> Vec<Row> {
    let curves = [
        Curve::Hyperbolic {
            ultimate_mpa: 46.451_713,
            rate_per_unit: 0.374_983_3,
            offset: -0.041_229_9,
        },
        Curve::Exponential {
            ultimate_mpa: 54.105_165,
            tau: 1.881_957_0,
            shape: 0.545_145_4,
        },
        Curve::Logarithmic {
            intercept_mpa: 14.190_343_7,
            slope_mpa: 20.939_386_9 / std::f64::consts::LN_10,
        },
    ];
    let table = [
        (24.13, [2.841_593, 2.785_934, 2.983_232]),
        (27.58, [3.856_135, 3.882_415, 4.359_617]),
        (31.03, [5.324_604, 5.524_248, 6.371_030]),
        (34.47, [7.630_803, 8.114_487, 9.300_222]),
    ];
    let mut rows = Vec::new();
    for (strength_mpa, figures) in table {
        for (curve, figure) in curves.iter().zip(figures) {
            let got = curve
                .maturity_at(strength_mpa)
                .expect("below the ultimate strength");
            let id = format!("days to {strength_mpa} MPa, {}", curve.form());
            // The coefficients are printed to seven digits.
            rows.push(Row::new(id, figure, 3e-6 * figure, got));
        }
    }
    // "Never" as infinity: 50 MPa is above the hyperbolic curve's ultimate strength.
    let never = curves[0].maturity_at(50.0).map_or(1.0, |_| 0.0);
    rows.push(Row::new(
        "50 MPa is never reached, hyperbolic",
        1.0,
        0.0,
        never,
    ));
    rows
}

pub fn cylinder_rows() -> Vec<Row> {
    const C39: &str = "ASTM C39";
    let mut rows = Vec::new();
    for (inches, pound_force, psi, reported_psi) in [
        (4.0, 50_265.0, 3999.96, 4000.0),
        (4.0, 56_550.0, 4500.11, 4500.0),
        (6.0, 113_097.0, 3999.99, 4000.0),
    ] {
        let (load, diameter) = (
            Kilonewton::from_pound_force(pound_force),
            Millimetre::from_inch(inches),
        );
        let strength = cylinder_strength(load, diameter, diameter * 2.0).expect("a good cylinder");
        let id = format!("{inches} in, {pound_force} lbf");
        rows.push(Row::new(
            format!("{id}, psi"),
            psi,
            5.1e-3,
            strength.to_psi(),
        ));
        let got = reported(strength, UnitSystem::Us).to_psi();
        rows.push(Row::new(
            format!("{id}, reported psi"),
            reported_psi,
            1e-6,
            got,
        ));
    }
    for (diameter_mm, load_kn, mpa, reported_mpa) in
        [(100.0, 275.0, 35.014, 35.0), (150.0, 530.0, 29.992, 30.0)]
    {
        let diameter = Millimetre(diameter_mm);
        let strength = cylinder_strength(Kilonewton(load_kn), diameter, diameter * 2.0)
            .expect("a good cylinder");
        let id = format!("{diameter_mm} mm, {load_kn} kN");
        rows.push(Row::new(format!("{id}, MPa"), mpa, 5.1e-4, strength.0));
        let got = reported(strength, UnitSystem::Si).0;
        rows.push(Row::new(
            format!("{id}, reported MPa"),
            reported_mpa,
            1e-9,
            got,
        ));
    }
    for (ratio, figure) in [
        (1.0, 0.87),
        (1.25, 0.93),
        (1.5, 0.96),
        (1.75, 0.98),
        (2.0, 1.0),
    ] {
        let got = length_factor(ratio).expect("a ratio with a factor");
        rows.push(Row::new(format!("factor at L/D {ratio}"), figure, 1e-12, got).remembered(C39));
    }
    // A range limit is the within-test variation times 2.8 (two cylinders) or 3.3 (three).
    for (size, within_test_percent) in [
        (CylinderSize::SixByTwelve, 2.9),
        (CylinderSize::FourByEight, 3.2),
    ] {
        for (specimen_count, multiple) in [(2, 2.77), (3, 3.31)] {
            let got = size
                .range_limit_percent(specimen_count)
                .expect("a limit is known");
            let id = format!("range limit of {specimen_count} {size:?}, percent");
            let figure = within_test_percent * multiple;
            rows.push(Row::new(id, figure, 0.2, got).remembered(C39));
        }
    }
    rows
}

/// The rounding and the averaging trap against a requirement of 4000 psi; a pass is 1, a fail 0.
pub fn release_rows() -> Vec<Row> {
    let judge = |basis, psi: &[f64]| {
        let strengths: Vec<_> = psi
            .iter()
            .map(|value| Megapascal::from_psi(*value))
            .collect();
        let rule = ReleaseRule {
            basis,
            single_min_fraction: 0.9,
            specimen_count_min: psi.len(),
        };
        rule.judge(
            &strengths,
            Megapascal::from_psi(4000.0),
            CylinderSize::FourByEight,
        )
    };
    let as_number = |flag: bool| if flag { 1.0 } else { 0.0 };
    let four_inch = Millimetre::from_inch(4.0);
    let broken = cylinder_strength(
        Kilonewton::from_pound_force(50_265.0),
        four_inch,
        four_inch * 2.0,
    )
    .expect("a good cylinder")
    .to_psi();
    let rounding = judge(ReleaseBasis::Average, &[broken]);
    let apart = judge(ReleaseBasis::Average, &[4200.0, 3780.0]);
    let average = judge(ReleaseBasis::Average, &[4400.0, 3700.0]);
    let each = judge(ReleaseBasis::Each, &[4400.0, 3700.0]);
    let average_psi = |judged: &calibration::Judgement| judged.average.expect("a set").to_psi();
    vec![
        Row::new(
            "3999.96 psi against 4000 psi passes",
            0.0,
            0.0,
            as_number(rounding.passes),
        ),
        Row::new(
            "4200 and 3780 psi, average",
            3990.0,
            1e-6,
            average_psi(&apart),
        ),
        Row::new(
            "4200 and 3780 psi, range %",
            10.526,
            1e-3,
            apart.range_percent.expect("a pair"),
        ),
        Row::new("4200 and 3780 psi pass", 0.0, 0.0, as_number(apart.passes)),
        Row::new(
            "4200 and 3780 psi are suspect",
            1.0,
            0.0,
            as_number(apart.range_suspect),
        ),
        Row::new(
            "4400 and 3700 psi, average",
            4050.0,
            1e-6,
            average_psi(&average),
        ),
        Row::new(
            "4400 and 3700 psi pass on average",
            1.0,
            0.0,
            as_number(average.passes),
        ),
        Row::new(
            "4400 and 3700 psi pass each",
            0.0,
            0.0,
            as_number(each.passes),
        ),
    ]
}

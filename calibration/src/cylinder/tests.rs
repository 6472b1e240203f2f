//! Short cylinders, wrong units, and sets that pass or fail a release rule.

use super::*;

const AVERAGE_RULE: ReleaseRule = ReleaseRule {
    basis: ReleaseBasis::Average,
    single_min_fraction: 0.9,
    specimen_count_min: 2,
};

fn psi(values: &[f64]) -> Vec<Megapascal> {
    values
        .iter()
        .map(|value| Megapascal::from_psi(*value))
        .collect()
}

#[test]
fn short_cylinders_are_corrected_and_hopeless_ones_refused() {
    let cases = [
        (1.0, 0.87),
        (1.125, 0.90),
        (1.25, 0.93),
        (1.5, 0.96),
        (1.75, 0.98),
        (1.79, 0.98),
        (1.8, 1.0),
        (2.0, 1.0),
        (2.2, 1.0),
    ];
    for (ratio, factor) in cases {
        let got = length_factor(ratio).expect("a ratio with a factor");
        assert!((got - factor).abs() < 1e-12, "{ratio}: {got}");
    }
    for ratio in [0.99, 2.21, f64::NAN] {
        assert!(length_factor(ratio).is_err(), "{ratio}");
    }
}

#[test]
fn a_strength_in_the_wrong_unit_is_answered_with_the_right_one() {
    let message = |strength| {
        check_plausible(strength)
            .expect_err("implausible")
            .to_string()
    };
    assert_eq!(
        message(Megapascal(3500.0)),
        "3500 MPa is no strength of concrete: did you mean 3500 psi?"
    );
    assert_eq!(
        message(Megapascal::from_psi(25.0)),
        "25 psi is no strength of concrete: did you mean 25 MPa?"
    );
    assert_eq!(
        message(Megapascal::from_psi(490_000.0)),
        "490000 psi is no strength of concrete: was it a load, in lbf or kN?"
    );
    assert!(message(Megapascal(1e6)).starts_with("concrete strength must be from 1 to 150 MPa"));
    assert!(check_plausible(Megapascal::from_psi(3500.0)).is_ok());
    assert!(check_plausible(Megapascal(f64::NAN)).is_err());
}

#[test]
fn a_load_in_the_wrong_unit_is_refused() {
    // 50265 lbf typed as kN on a 4 in cylinder.
    let refused = cylinder_strength(Kilonewton(50_265.0), Millimetre(101.6), Millimetre(203.2));
    let message = refused.expect_err("far beyond any machine").to_string();
    assert!(
        message.starts_with("cylinder load must be from 1 to 12000 kN"),
        "{message}"
    );
}

#[test]
fn a_set_with_too_few_or_broken_values_does_not_pass() {
    let empty = AVERAGE_RULE.judge(&[], Megapascal(20.0), CylinderSize::FourByEight);
    assert!(!empty.passes && empty.average.is_none() && empty.range_percent.is_none());
    let single = AVERAGE_RULE.judge(&psi(&[5000.0]), Megapascal(20.0), CylinderSize::FourByEight);
    assert_eq!(
        single.reasons,
        [Shortfall::TooFewSpecimens {
            specimen_count: 1,
            specimen_count_min: 2
        }]
    );
    let broken = [Megapascal(30.0), Megapascal(f64::NAN)];
    assert!(
        !AVERAGE_RULE
            .judge(&broken, Megapascal(20.0), CylinderSize::Other)
            .passes
    );
}

#[test]
fn one_weak_specimen_fails_a_set_whose_average_passes() {
    let required = Megapascal::from_psi(4000.0);
    let judged = AVERAGE_RULE.judge(&psi(&[4900.0, 3500.0]), required, CylinderSize::FourByEight);
    assert!(!judged.passes && judged.range_suspect);
    assert_eq!(
        judged.reasons[0].sentence(UnitSystem::Us),
        "specimen 2 at 3500 psi is below 3600 psi"
    );
}

#[test]
fn the_nominal_size_comes_from_the_diameter() {
    assert_eq!(
        CylinderSize::of_diameter(Millimetre(100.0)),
        CylinderSize::FourByEight
    );
    assert_eq!(
        CylinderSize::of_diameter(Millimetre(152.4)),
        CylinderSize::SixByTwelve
    );
    assert_eq!(
        CylinderSize::of_diameter(Millimetre(75.0)),
        CylinderSize::Other
    );
}

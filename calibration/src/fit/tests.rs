//! The fits against real strength data, and what they refuse.

use super::*;

/// Mix A: Yeh's concrete data (1998, UCI repository) as carried by the R package modeldata: seen.
const MIX_A: [(f64, f64); 8] = [
    (1.0, 12.64),
    (3.0, 26.06),
    (7.0, 33.21),
    (14.0, 36.94),
    (28.0, 44.09),
    (90.0, 47.22),
    (180.0, 51.04),
    (270.0, 55.16),
];

fn points(rows: &[(f64, f64)], factor: f64) -> Vec<Point> {
    rows.iter()
        .enumerate()
        .map(|(group, (age_d, strength_mpa))| Point {
            maturity: age_d * factor,
            strength_mpa: *strength_mpa,
            group,
        })
        .collect()
}

fn fitted(points: &[Point], form: Form) -> CurveFit {
    fit(points, form, FitOptions::default()).expect("these data have this form")
}

fn is_near(got: f64, expected: f64, relative: f64) -> bool {
    (got - expected).abs() <= relative * expected.abs()
}

/// Coefficients and sum of squares: our computation by scipy, for mix A to 28 d also by R.
#[test]
fn fits_of_real_data_agree_with_two_other_programs() {
    const B: [(f64, f64); 7] = [
        (3.0, 13.22),
        (7.0, 20.97),
        (14.0, 27.04),
        (28.0, 32.04),
        (90.0, 35.17),
        (180.0, 36.45),
        (365.0, 38.89),
    ];
    const C: [(f64, f64); 7] = [
        (3.0, 41.64),
        (7.0, 52.61),
        (14.0, 59.76),
        (28.0, 67.31),
        (90.0, 69.66),
        (180.0, 71.62),
        (270.0, 74.17),
    ];
    use Form::{Exponential, Hyperbolic, Logarithmic};
    let early = &MIX_A[..5];
    type Row<'r> = (&'r [(f64, f64)], f64, Form, &'r [f64], f64);
    let rows: [Row<'_>; 11] = [
        (
            early,
            1.0,
            Hyperbolic,
            &[46.451713, 0.3749833, -0.0412299],
            9.308544,
        ),
        (
            early,
            1.0,
            Exponential,
            &[54.105165, 1.8819570, 0.5451454],
            5.909459,
        ),
        (
            early,
            480.0,
            Hyperbolic,
            &[46.451712, 7.81215e-4, -19.7903],
            9.308544,
        ),
        (
            early,
            480.0,
            Exponential,
            &[54.105167, 903.3394, 0.5451454],
            5.909459,
        ),
        (
            early,
            480.0,
            Logarithmic,
            &[-41.9532039, 9.0938602],
            9.410592,
        ),
        (
            &MIX_A,
            1.0,
            Hyperbolic,
            &[52.475173, 0.2034327, -0.8522540],
            39.279374,
        ),
        (
            &MIX_A,
            1.0,
            Exponential,
            &[59.493852, 2.2982427, 0.4544913],
            16.157405,
        ),
        (
            &B,
            1.0,
            Hyperbolic,
            &[38.349780, 0.1691836, -0.1188959],
            2.585053,
        ),
        (
            &B,
            1.0,
            Exponential,
            &[39.759042, 3.4978000, 0.6859274],
            2.115897,
        ),
        (
            &C,
            1.0,
            Hyperbolic,
            &[73.689542, 0.2947568, -1.4074914],
            6.339211,
        ),
        (
            &C,
            1.0,
            Exponential,
            &[75.841899, 1.3610206, 0.6332503],
            6.917946,
        ),
    ];
    for (data, factor, form, coefficients, sum_of_squares) in rows {
        let fit = fitted(&points(data, factor), form);
        for ((name, got), expected) in fit.curve.coefficients().iter().zip(coefficients) {
            assert!(
                is_near(*got, *expected, 1e-5),
                "{form} {name}: {got} against {expected}"
            );
        }
        assert!(is_near(fit.sum_of_squares, sum_of_squares, 2e-7), "{form}");
        assert!(fit.termination.is_success());
    }
    // The logarithmic fit in log10 of days: slope by ln, 20.9393869 / ln 10.
    let log = fitted(&points(early, 1.0), Logarithmic);
    assert!(is_near(log.curve.coefficients()[0].1, 14.1903437, 1e-7));
    let slope = log.curve.coefficients()[1].1 * std::f64::consts::LN_10;
    assert!(is_near(slope, 20.9393869, 1e-7), "{slope}");
}

/// Our computation by scipy, days.
#[test]
fn the_maturity_at_a_strength_agrees_and_never_is_said() {
    let early = points(&MIX_A[..5], 1.0);
    let rows = [
        (24.13, [2.841593, 2.785934, 2.983232]),
        (27.58, [3.856135, 3.882415, 4.359617]),
        (31.03, [5.324604, 5.524248, 6.371030]),
        (34.47, [7.630803, 8.114487, 9.300222]),
    ];
    for (target_mpa, expected) in rows {
        for (form, expected) in Form::ALL.into_iter().zip(expected) {
            let got = fitted(&early, form).target_maturity(target_mpa);
            let TargetMaturity::Within(crossing) = got else {
                panic!("{form} at {target_mpa}: {got:?}");
            };
            assert!(is_near(crossing.maturity, expected, 1e-6), "{form}");
            let (early, late) = (crossing.early, crossing.late);
            assert!(early.is_none_or(|early| early < crossing.maturity));
            assert!(late.is_none_or(|late| late > crossing.maturity));
        }
    }
    let never = fitted(&early, Form::Hyperbolic).target_maturity(50.0);
    assert!(matches!(never, TargetMaturity::Never { .. }), "{never:?}");
}

#[test]
fn a_negative_offset_is_a_warning_and_can_be_held_at_zero() {
    let early = points(&MIX_A[..5], 1.0);
    let free = fitted(&early, Form::Hyperbolic);
    let names = |fit: &CurveFit| -> Vec<&'static str> {
        warnings(fit, &early, &Surroundings::default())
            .iter()
            .map(Warning::name)
            .collect()
    };
    assert!(names(&free).contains(&"negative-offset"));
    let options = FitOptions {
        offset_not_negative: true,
        ..FitOptions::default()
    };
    let held = fit(&early, Form::Hyperbolic, options).expect("held at zero");
    assert!(held.is_offset_held && held.sum_of_squares > free.sum_of_squares);
    assert_eq!(held.curve.coefficients()[2], ("offset", 0.0));
    assert!(names(&held).contains(&"coefficient-at-bound"));
    assert_eq!(held.degrees_of_freedom, 3);
}

#[test]
fn data_that_determine_nothing_are_refused_with_their_reason() {
    let rows: [(&str, &[(f64, f64)]); 6] = [
        ("too-few-specimens", &[(1.0, 10.0), (2.0, 15.0)]),
        (
            "too-few-specimens",
            &[(1.0, 10.0), (2.0, 15.0), (3.0, 18.0)],
        ),
        (
            "not-rising",
            &[(1.0, 20.0), (2.0, 20.0), (3.0, 20.0), (4.0, 20.0)],
        ),
        (
            "not-rising",
            &[(1.0, 40.0), (2.0, 30.0), (3.0, 20.0), (4.0, 10.0)],
        ),
        (
            "too-few-ages",
            &[(1.0, 10.0), (1.0, 11.0), (2.0, 15.0), (2.0, 16.0)],
        ),
        (
            "not-positive",
            &[(1.0, 10.0), (0.0, 11.0), (2.0, 15.0), (2.0, 16.0)],
        ),
    ];
    for (reason, data) in rows {
        let refusal =
            fit(&points(data, 1.0), Form::Hyperbolic, FitOptions::default()).expect_err("no curve");
        assert_eq!(refusal.name(), reason, "{refusal}");
    }
    let straight: Vec<(f64, f64)> = (1..=6)
        .map(|age| (f64::from(age), 5.0 * f64::from(age)))
        .collect();
    for form in [Form::Hyperbolic, Form::Exponential] {
        let refusal = fit(&points(&straight, 1.0), form, FitOptions::default());
        let name = refusal.as_ref().map_err(FitRefusal::name);
        assert!(
            matches!(name, Err("no-ultimate" | "no-minimum" | "undetermined")),
            "{form}: {refusal:?}"
        );
    }
}

#[test]
fn known_coefficients_come_back_from_exact_data_of_every_form() {
    let curves = [
        (
            Form::Hyperbolic,
            Curve::Hyperbolic {
                ultimate_mpa: 55.0,
                rate_per_unit: 0.03,
                offset: 4.0,
            },
        ),
        (
            Form::Exponential,
            Curve::Exponential {
                ultimate_mpa: 60.0,
                tau: 18.0,
                shape: 0.8,
            },
        ),
        (
            Form::Logarithmic,
            Curve::Logarithmic {
                intercept_mpa: -20.0,
                slope_mpa: 12.0,
            },
        ),
    ];
    for scatter in [ScatterKind::Constant, ScatterKind::Proportional] {
        for (form, truth) in curves {
            let exact: Vec<(f64, f64)> = [8.0, 12.0, 16.0, 24.0, 48.0, 96.0, 300.0]
                .map(|maturity| (maturity, truth.strength_mpa(maturity)))
                .to_vec();
            let options = FitOptions {
                scatter,
                ..FitOptions::default()
            };
            let fit = fit(&points(&exact, 1.0), form, options).expect("exact data");
            for ((name, got), (_, expected)) in
                fit.curve.coefficients().iter().zip(truth.coefficients())
            {
                assert!(is_near(*got, expected, 1e-8), "{form} {name}: {got}");
            }
        }
    }
}

#[test]
fn order_unit_and_scale_of_the_weights_change_nothing_but_what_they_must() {
    let data = points(&MIX_A, 1.0);
    let mut reversed = data.clone();
    reversed.reverse();
    let in_hours = points(&MIX_A, 24.0);
    for form in Form::ALL {
        let (day, back, hour) = (
            fitted(&data, form),
            fitted(&reversed, form),
            fitted(&in_hours, form),
        );
        assert!(is_near(day.sum_of_squares, back.sum_of_squares, 1e-12));
        assert!(
            is_near(day.sum_of_squares, hour.sum_of_squares, 1e-9),
            "{form}"
        );
        let at = |fit: &CurveFit, maturity: f64| fit.curve.strength_mpa(maturity);
        assert!(is_near(at(&day, 5.0), at(&hour, 120.0), 1e-6));
        assert!(is_near(
            day.curve_sd_mpa(5.0),
            hour.curve_sd_mpa(120.0),
            1e-5
        ));
    }
}

#[test]
fn strengths_twice_as_large_give_the_same_shape_twice_as_high() {
    let data = points(&MIX_A, 1.0);
    let mut doubled = data.clone();
    for point in &mut doubled {
        point.strength_mpa *= 2.0;
    }
    for scatter in [ScatterKind::Constant, ScatterKind::Proportional] {
        let options = FitOptions {
            scatter,
            ..FitOptions::default()
        };
        for form in Form::ALL {
            let one = fit(&data, form, options).expect("a curve");
            let two = fit(&doubled, form, options).expect("a curve");
            for maturity in [2.0, 20.0, 200.0] {
                let (low, high) = (
                    one.curve.strength_mpa(maturity),
                    two.curve.strength_mpa(maturity),
                );
                assert!(is_near(high, 2.0 * low, 1e-6), "{form} at {maturity}");
                let (low, high) = (one.curve_sd_mpa(maturity), two.curve_sd_mpa(maturity));
                assert!(is_near(high, 2.0 * low, 1e-4), "{form} at {maturity}");
            }
        }
    }
}

#[test]
fn curves_that_rest_on_too_little_are_warned_of() {
    let names = |rows: &[(f64, f64)]| -> Vec<&'static str> {
        let data = points(rows, 1.0);
        let fit = fitted(&data, Form::Hyperbolic);
        let found = warnings(&fit, &data, &Surroundings::default());
        found.iter().map(Warning::name).collect()
    };
    let nearly_flat = [
        (8.0, 20.0),
        (12.0, 20.5),
        (16.0, 20.4),
        (24.0, 20.6),
        (48.0, 20.5),
    ];
    assert!(names(&nearly_flat).contains(&"rise-uncertain"));
    let a_step = [
        (8.0, 2.0),
        (12.0, 30.0),
        (16.0, 30.5),
        (24.0, 30.2),
        (48.0, 31.0),
    ];
    assert!(names(&a_step).contains(&"single-groups-carry"));
    let good = [
        (8.0, 15.5),
        (11.0, 22.6),
        (14.0, 27.3),
        (18.0, 32.0),
        (26.0, 38.0),
        (48.0, 45.8),
    ];
    assert_eq!(names(&good), Vec::<&str>::new());
}

#[test]
fn groups_are_not_told_by_others_that_determine_nothing() {
    let rows = [
        (8.0, 10.0),
        (8.0, 11.0),
        (12.0, 20.0),
        (12.0, 21.0),
        (16.0, 26.0),
        (16.0, 27.0),
    ];
    let mut data = points(&rows, 1.0);
    for (index, point) in data.iter_mut().enumerate() {
        point.group = index / 2;
    }
    let fit = fitted(&data, Form::Hyperbolic);
    assert_eq!(fit.left_out.rms_mpa(), None);
    assert_eq!(fit.left_out.worst(), None);
}

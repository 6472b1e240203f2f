//! Curves that hold, drift and stay unproven.

use chrono::TimeDelta;

use super::*;

const CURVE: &str = "schema = 1\nname = \"M45\"\nmix = \"M45\"\nauthor = \"lab\"\n\
    made_at = 2026-03-14\ntime_zero = \"placed\"\n\
    [maturity]\nfunction = \"temperature-time-factor\"\ndatum_c = 0\n\
    [curve]\nform = \"hyperbolic\"\nultimate_mpa = 50\nrate_per_unit = 0.0025\noffset = 0\n\
    covariance_known = false\nresidual_sd_mpa = 1.2\nresidual_degrees_of_freedom = 10\n\
    [range]\nmaturity_min = 100\nmaturity_max = 10000\ntemperature_min_c = 10\n\
    temperature_max_c = 60\n[specimens]\ncured = \"standard\"\nshape = \"cylinder\"\n\
    diameter_mm = 101.6\nlength_mm = 203.2\n";

fn curve() -> CurveFile {
    CurveFile::parse(CURVE).expect("a good curve")
}

/// Breaks at 400 °C·h, where the curve has 25 MPa, a day apart, by their ratio to it.
fn breaks(ratios: &[f64]) -> Vec<VerifyingBreak> {
    let begins_at: DateTime<Utc> = "2026-04-01T05:00:00Z".parse().expect("an instant");
    ratios
        .iter()
        .enumerate()
        .map(|(day, ratio)| VerifyingBreak {
            pour: format!("P{day:03}"),
            broken_at: begins_at + TimeDelta::days(i64::try_from(day).expect("few")),
            measured_mpa: 25.0 * ratio,
            specimen_count: 2,
            own_maturity: Some(400.0),
        })
        .collect()
}

fn judged(ratios: &[f64]) -> Verification {
    verify(&curve(), &breaks(ratios), &VerificationRules::default())
}

const IN_CONTROL: [f64; 10] = [1.03, 0.97, 1.05, 0.99, 0.95, 1.02, 1.0, 0.96, 1.04, 0.98];

#[test]
fn ten_pours_about_the_curve_verify_it() {
    let few = judged(&IN_CONTROL[..9]);
    assert_eq!(
        few.state,
        CurveState::NotVerified {
            pour_count: 9,
            needed: 10
        }
    );
    let all = judged(&IN_CONTROL);
    assert_eq!(all.state, CurveState::Holds);
    assert!(all.signs.is_empty() && all.bias.expect("points").abs() < 0.01);
    assert!(all.run_length_below > 300.0 && all.run_length_above > 900.0);
}

#[test]
fn measured_below_is_judged_more_strictly_than_above() {
    let below = judged(&[1.0, 0.88, 0.88]);
    assert_eq!(below.state, CurveState::Drifts);
    assert!(below.signs.iter().all(DriftSign::is_below));
    assert!(judged(&[1.0, 1.12, 1.12]).signs.is_empty());
    let above = judged(&[1.0, 1.12, 1.12, 1.12]);
    assert!(matches!(
        above.signs[..],
        [DriftSign::RunAbove { count: 3, .. }]
    ));
}

#[test]
fn a_small_lasting_shift_is_seen_by_the_sum_and_not_by_the_run() {
    let shifted = [0.935; 12];
    let verification = judged(&shifted);
    assert!(matches!(
        verification.signs[..],
        [DriftSign::SumBelow { .. }]
    ));
    assert!(verification.bias.expect("points") < -0.06);
}

#[test]
fn only_the_first_break_with_its_own_history_enters_the_chart() {
    let mut all = breaks(&IN_CONTROL);
    let mut second = all[0].clone();
    second.broken_at += TimeDelta::hours(3);
    second.own_maturity = Some(500.0);
    let mut bare = all[1].clone();
    bare.pour = "without".to_owned();
    bare.own_maturity = None;
    let mut young = all[2].clone();
    young.pour = "young".to_owned();
    young.own_maturity = Some(50.0);
    all.extend([second, bare, young]);
    let forward = verify(&curve(), &all, &VerificationRules::default());
    all.reverse();
    let backward = verify(&curve(), &all, &VerificationRules::default());
    assert_eq!(forward, backward);
    assert_eq!(forward.points.len(), 10);
    let mut reasons: Vec<Apart> = forward.apart.iter().map(|(_, reason)| *reason).collect();
    reasons.sort_by_key(|reason| reason.sentence());
    assert_eq!(
        reasons,
        [
            Apart::OutsideData,
            Apart::NoOwnHistory,
            Apart::NotFirstOfPour
        ]
    );
}

#[test]
fn the_scatter_starts_at_what_is_expected_and_learns() {
    let rules = VerificationRules::default();
    assert!((pour_cv(&[], &rules) - 0.06).abs() < 1e-12);
    let quiet = judged(&[1.0; 40]).pour_cv;
    assert!(quiet < 0.03, "{quiet}");
    let wild: Vec<f64> = (0..40)
        .map(|day| if day % 2 == 0 { 1.09 } else { 0.92 })
        .collect();
    let wild = judged(&wild).pour_cv;
    assert!((0.06..0.09).contains(&wild), "{wild}");
    // A bias that the estimate does not correct must widen its interval.
    assert!(judged(&[0.95; 40]).pour_cv > quiet);
}

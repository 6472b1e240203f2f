//! Verdicts on channels of known histories.

use super::*;

fn at(minute: i64) -> UtcMs {
    UtcMs(minute * 60_000)
}

fn sample(minute: i64, value: f64) -> Sample {
    Sample {
        at: at(minute),
        low_c: Some(value),
        high_c: Some(value),
        fault: None,
        is_conflict: false,
    }
}

fn open(minute: i64) -> Sample {
    Sample {
        at: at(minute),
        low_c: None,
        high_c: None,
        fault: Some("open".into()),
        is_conflict: false,
    }
}

fn swinging(period_min: f64, by_c: f64) -> Judged {
    let samples: Vec<Sample> = (0..240)
        .map(|minute| {
            let turns = f64::from(minute) / period_min * std::f64::consts::TAU;
            let noise_c = 0.1 * f64::from((minute * 7) % 3);
            sample(i64::from(minute), 45.0 + 0.5 * by_c * turns.sin() + noise_c)
        })
        .collect();
    let mut judged = judge(&samples, 239);
    reject_swinging(&mut judged, UnitSystem::Si, at(-120), at(239));
    judged
}

#[test]
fn what_goes_up_and_down_as_a_thermostat_does_is_no_concrete() {
    let (verdict, reason) = reason(&swinging(30.0, 2.5));
    assert_eq!(
        (verdict, reason),
        (Verdict::Rejected, Some(DoubtReason::ReadsAir))
    );
    // Concrete beside such air moves less, and a slow wave is a night's.
    for (period_min, by_c) in [(30.0, 1.0), (240.0, 12.0)] {
        let judged = swinging(period_min, by_c);
        assert_eq!(judged.trust.verdict, Verdict::Good, "{period_min} {by_c}");
    }
}

#[test]
fn a_tarp_lifted_and_put_back_is_no_swing() {
    let samples: Vec<Sample> = (0..240)
        .map(|minute| {
            let cooled_c = match minute {
                180..=200 => 0.15 * f64::from(minute - 180),
                201..=220 => 0.15 * f64::from(220 - minute),
                _ => 0.0,
            };
            sample(
                i64::from(minute),
                30.0 + 0.08 * f64::from(minute) - cooled_c,
            )
        })
        .collect();
    let mut judged = judge(&samples, 239);
    reject_swinging(&mut judged, UnitSystem::Si, at(-120), at(239));
    assert_eq!(judged.trust.verdict, Verdict::Good);
}

#[test]
fn single_values_that_jump_and_steps_of_a_coarse_logger_are_no_swing() {
    let coarse = |minute: i64| (40.0 + 0.02 * minute as f64 + 0.3 * (minute % 2) as f64).round();
    let spikes = |minute: i64| if minute % 9 == 0 { 44.0 } else { 40.0 };
    for value in [&coarse as &dyn Fn(i64) -> f64, &spikes] {
        let samples: Vec<Sample> = (0..240)
            .map(|minute| sample(minute, value(minute)))
            .collect();
        let mut judged = judge(&samples, 239);
        reject_swinging(&mut judged, UnitSystem::Si, at(-120), at(239));
        assert_ne!(judged.trust.reason, Some(DoubtReason::ReadsAir));
    }
}

#[test]
fn a_jump_that_is_small_enough_to_be_believed_soon_is_told_all_the_same() {
    let mut samples = ramp(120, 3.0);
    samples.extend((120..180).map(|minute| sample(minute, 34.0)));
    let judged = judge(&samples, 179);
    assert_eq!(reason(&judged), (Verdict::Suspect, Some(DoubtReason::Step)));
}

fn ramp(minutes: i64, c_per_h: f64) -> Vec<Sample> {
    (0..minutes)
        .map(|minute| sample(minute, 20.0 + c_per_h * minute as f64 / 60.0))
        .collect()
}

fn judge(samples: &[Sample], now: i64) -> Judged {
    judge_alone(
        samples,
        &TrustSettings::default(),
        UnitSystem::Si,
        at(-120),
        at(now),
    )
}

fn reason(judged: &Judged) -> (Verdict, Option<DoubtReason>) {
    (judged.trust.verdict, judged.trust.reason)
}

#[test]
fn an_ordinary_ramp_is_good() {
    let judged = judge(&ramp(120, 20.0), 120);
    assert_eq!(reason(&judged), (Verdict::Good, None));
    assert_eq!(judged.believed.len(), 120);
}

#[test]
fn a_cut_wire_is_rejected_as_open_since_it_was_cut() {
    let mut samples = ramp(60, 10.0);
    samples.extend((60..70).map(open));
    let judged = judge(&samples, 70);
    assert_eq!(
        reason(&judged),
        (Verdict::Rejected, Some(DoubtReason::Open))
    );
    assert_eq!(judged.trust.since, Some(at(60)));
}

#[test]
fn an_unplugged_logger_is_silent() {
    let judged = judge(&ramp(60, 10.0), 90);
    assert_eq!(
        reason(&judged),
        (Verdict::NoData, Some(DoubtReason::Silent))
    );
}

#[test]
fn a_spike_is_rejected_and_still_counts_against_the_highest() {
    let mut samples = ramp(60, 10.0);
    samples[30] = sample(30, 88.0);
    let judged = judge(&samples, 60);
    assert_eq!(reason(&judged), (Verdict::Good, None));
    assert_eq!(judged.believed.len(), 59);
    assert_eq!(judged.highest(), Some((88.0, true)));
}

#[test]
fn a_step_that_stays_remains_suspect() {
    let mut samples = ramp(60, 10.0);
    samples.extend((60..180).map(|minute| sample(minute, 8.0)));
    let judged = judge(&samples, 180);
    assert_eq!(reason(&judged), (Verdict::Suspect, Some(DoubtReason::Step)));
}

#[test]
fn a_value_out_of_range_is_rejected_by_name() {
    let mut samples = ramp(60, 10.0);
    samples.push(sample(60, -127.0));
    let judged = judge(&samples, 61);
    assert_eq!(
        reason(&judged),
        (Verdict::Rejected, Some(DoubtReason::OutOfRange))
    );
}

#[test]
fn one_that_stands_still_while_the_others_move_is_stuck_and_a_steady_soak_is_not() {
    let still: Vec<Sample> = (0..120).map(|minute| sample(minute, 31.5)).collect();
    let mut channels = [
        judge(&still, 120),
        judge(&ramp(120, 8.0), 120),
        judge(&ramp(120, 9.0), 120),
    ];
    reject_stuck(&mut channels, &TrustSettings::default(), UnitSystem::Si);
    assert_eq!(
        reason(&channels[0]),
        (Verdict::Rejected, Some(DoubtReason::Stuck))
    );
    assert_eq!(channels[0].believed.len(), 1);
    assert_eq!(reason(&channels[1]), (Verdict::Good, None));
    let mut soak = [judge(&still, 120), judge(&still, 120), judge(&still, 120)];
    reject_stuck(&mut soak, &TrustSettings::default(), UnitSystem::Si);
    assert_eq!(reason(&soak[0]), (Verdict::Good, None));
}

#[test]
fn one_that_swings_with_the_air_reads_air_and_slow_concrete_does_not() {
    let swing = |minute: i64| 50.0 + 4.0 * (minute as f64 / 25.0).sin();
    let air: Vec<(UtcMs, f64)> = (0..200).map(|minute| (at(minute), swing(minute))).collect();
    let pulled: Vec<Sample> = (0..200)
        .map(|minute| sample(minute, swing(minute) - 1.0))
        .collect();
    let mut channel = judge(&pulled, 199);
    reject_air(&mut channel, &air, UnitSystem::Si, at(0), at(199));
    assert_eq!(
        reason(&channel),
        (Verdict::Rejected, Some(DoubtReason::ReadsAir))
    );
    let mut concrete = judge(&ramp(200, 9.0), 199);
    reject_air(&mut concrete, &air, UnitSystem::Si, at(0), at(199));
    assert_eq!(reason(&concrete), (Verdict::Good, None));
}

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
        is_late: false,
    }
}

fn open(minute: i64) -> Sample {
    Sample {
        at: at(minute),
        low_c: None,
        high_c: None,
        fault: Some("open".into()),
        is_conflict: false,
        is_late: false,
    }
}

/// Two hours at one reading a minute: `value` of the minute, with a sensor's noise.
fn path_of(value: impl Fn(f64) -> f64) -> Judged {
    let samples: Vec<Sample> = (0..120)
        .map(|minute| {
            let noise_c = 0.08 * (f64::from((minute * 7) % 5) - 2.0);
            sample(i64::from(minute), value(f64::from(minute)) + noise_c)
        })
        .collect();
    judge(&samples, 119)
}

fn beside(channels: [Judged; 2]) -> [Option<DoubtReason>; 2] {
    let mut channels = channels;
    reject_fluttering(&mut channels, UnitSystem::Si, |_| Some(at(-120)), at(119));
    channels.map(|one| one.trust.reason)
}

#[test]
fn what_flutters_as_a_thermostats_air_does_beside_smooth_concrete_is_no_concrete() {
    let concrete = || path_of(|minute| 40.0 + 0.06 * minute);
    let air = || path_of(|minute| 50.0 + 1.3 * (minute * std::f64::consts::TAU / 3.7).sin());
    let reads_air = Some(DoubtReason::ReadsAir);
    assert_eq!(beside([concrete(), air()]), [None, reads_air]);
    // What all do at once is the logger's or its clock's.
    assert_eq!(beside([air(), air()]), [None, None]);
    assert_eq!(beside([concrete(), concrete()]), [None, None]);
}

#[test]
fn a_lifted_tarp_single_values_that_jump_and_a_coarse_logger_are_no_flutter() {
    let concrete = || path_of(|minute| 40.0 + 0.06 * minute);
    let lifted = path_of(|minute| match minute {
        80.0..100.0 => 44.8 - 0.15 * (minute - 80.0),
        100.0.. => 41.8 + 0.15 * (minute - 100.0),
        _ => 40.0 + 0.06 * minute,
    });
    let spikes = path_of(|minute| if minute % 7.0 < 1.0 { 44.0 } else { 40.0 });
    let coarse = path_of(|minute| (40.0 + 0.06 * minute).round());
    for channel in [lifted, spikes, coarse] {
        let [_, reason] = beside([concrete(), channel]);
        assert_ne!(reason, Some(DoubtReason::ReadsAir));
    }
}

#[test]
fn a_jump_smaller_than_a_step_is_told_of_where_it_stays_and_others_do_not_jump() {
    let judged = |channels: [Judged; 2]| {
        let mut channels = channels;
        doubt_small_steps(&mut channels, |_| Some(at(-120)), at(119));
        channels.map(|one| (one.trust.verdict, one.trust.reason))
    };
    let good = (Verdict::Good, None);
    let steady = || path_of(|minute| 20.0 + 0.5 * minute);
    let jumps = |back_at: f64| {
        path_of(move |minute| {
            if minute > 90.0 && minute < back_at {
                44.4
            } else {
                40.0
            }
        })
    };
    let doubted = (Verdict::Suspect, Some(DoubtReason::Step));
    assert_eq!(judged([steady(), jumps(200.0)]), [good, doubted]);
    assert_eq!(judged([steady(), jumps(92.0)]), [good, good], "one value");
    assert_eq!(judged([jumps(200.0), jumps(200.0)]), [good, good]);
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

//! How far each channel is believed, with a named reason and its evidence.
//!
//! A reading is rejected alone (fault, out of range, step) or beside others (stuck, reads air). Doubt
//! never makes a position look stronger: what it is replaced with stands in `path` and `estimate`.

use crate::assessment::{DoubtReason, Trust, Verdict};
use crate::channel::Sample;
use crate::config::TrustSettings;
use crate::path::temperature_at;
use crate::say;
use crate::time::UtcMs;
use units::UnitSystem;

/// Siblings that ranged over more than this while a channel stood still show that it is stuck, °C.
const SIBLING_RANGE_C: f64 = 1.6;
/// A step this soon after a position's age began is the concrete reaching the sensor, h.
const ARRIVAL_H: f64 = 1.0;
/// A step that stayed is doubted for this long after it, h.
const STEP_DOUBT_H: f64 = 3.0;
/// Air is compared over the last hours …
const AIR_WINDOW_H: f64 = 3.0;
/// … in differences over this many minutes …
const AIR_STEP_MIN: i64 = 10;
/// … once the air itself moved by this much, °C …
const AIR_RANGE_C_MIN: f64 = 3.0;
/// … and a channel reads it where its differences follow the air's this closely …
const AIR_SLOPE_MIN: f64 = 0.8;
const AIR_CORRELATION_MIN: f64 = 0.95;
/// … and its temperature is this near, °C.
const AIR_NEARNESS_C: f64 = 1.5;

/// A channel's samples, judged.
#[derive(Debug, Clone, Default)]
pub struct Judged {
    /// Believed readings in time order.
    pub believed: Vec<(UtcMs, f64)>,
    pub trust: Trust,
    /// Highest temperature among believed readings, °C.
    pub highest_believed_c: Option<f64>,
    /// Highest plausible temperature among readings that were not believed, °C.
    pub highest_unproven_c: Option<f64>,
    /// When anything last came, a fault included.
    pub last_at: Option<UtcMs>,
}

impl Judged {
    /// The highest temperature, and whether it rests on readings that were not believed.
    #[must_use]
    pub fn highest(&self) -> Option<(f64, bool)> {
        match (self.highest_believed_c, self.highest_unproven_c) {
            (Some(believed), Some(unproven)) if unproven > believed => Some((unproven, true)),
            (Some(believed), _) => Some((believed, false)),
            (None, unproven) => unproven.map(|value| (value, true)),
        }
    }

    /// True where a reading was believed not long ago.
    #[must_use]
    pub fn is_believed_now(&self) -> bool {
        matches!(self.trust.verdict, Verdict::Good | Verdict::Suspect)
    }
}

/// Judges a channel by its own samples, which are expected from `from` on.
#[must_use]
pub fn judge_alone(
    samples: &[Sample],
    settings: &TrustSettings,
    units: UnitSystem,
    from: UtcMs,
    now: UtcMs,
) -> Judged {
    let mut judged = Judged {
        last_at: samples.last().map(|one| one.at),
        ..Judged::default()
    };
    let mut run: Option<(DoubtReason, UtcMs, String)> = None;
    let mut step_from: Option<UtcMs> = None;
    let mut conflict_at = None;
    for sample in samples {
        if sample.at.hours_since(from) <= ARRIVAL_H && is_step(sample, &judged.believed, settings) {
            // What it read before was the air that the concrete has now displaced.
            judged.believed.clear();
            judged.highest_believed_c = None;
        }
        match reject(sample, &judged.believed, settings, units) {
            Some((reason, evidence)) => {
                let since = match &run {
                    Some((same, since, _)) if *same == reason => *since,
                    _ => sample.at,
                };
                run = Some((reason, since, evidence));
                if reason != DoubtReason::OutOfRange {
                    judged.highest_unproven_c = max(judged.highest_unproven_c, sample.high_c);
                }
            }
            None => {
                if let Some((DoubtReason::Step, since, _)) = run
                    && sample.at.hours_since(since) * 60.0 > 5.0
                {
                    step_from = Some(since);
                }
                run = None;
                conflict_at = if sample.is_conflict {
                    Some(sample.at)
                } else {
                    conflict_at
                };
                if let Some(value) = sample.low_c {
                    judged.believed.push((sample.at, value));
                    judged.highest_believed_c = max(judged.highest_believed_c, sample.high_c);
                }
            }
        }
    }
    step_from = step_from.filter(|since| now.hours_since(*since) <= STEP_DOUBT_H);
    judged.trust = verdict(&judged, run, step_from, conflict_at, settings, (from, now));
    judged
}

fn max(one: Option<f64>, other: Option<f64>) -> Option<f64> {
    match (one, other) {
        (Some(a), Some(b)) => Some(a.max(b)),
        (a, b) => a.or(b),
    }
}

fn reject(
    sample: &Sample,
    believed: &[(UtcMs, f64)],
    settings: &TrustSettings,
    units: UnitSystem,
) -> Option<(DoubtReason, String)> {
    let Some(value) = sample.low_c else {
        let word = sample.fault.as_deref().unwrap_or("fault");
        let reason = if word == "open" {
            DoubtReason::Open
        } else {
            DoubtReason::Fault
        };
        return Some((reason, format!("the logger says \"{word}\"")));
    };
    let bound = units::bounds::CONCRETE_TEMPERATURE_C;
    if !bound.contains(value) {
        return Some((
            DoubtReason::OutOfRange,
            format!(
                "{} is outside {} to {}",
                say::temperature(value, units),
                say::temperature(bound.min, units),
                say::temperature(bound.max, units)
            ),
        ));
    }
    let last = believed.last()?;
    let hours = sample.at.hours_since(last.0);
    is_step(sample, believed, settings).then(|| {
        (
            DoubtReason::Step,
            format!(
                "from {} to {} within {:.0} s",
                say::temperature(last.1, units),
                say::temperature(value, units),
                (hours * 3600.0).round()
            ),
        )
    })
}

/// Whether a sample differs from the last believed one by more than concrete can have changed.
fn is_step(sample: &Sample, believed: &[(UtcMs, f64)], settings: &TrustSettings) -> bool {
    let (Some(value), Some(last)) = (sample.low_c, believed.last()) else {
        return false;
    };
    let allowed_c = settings
        .step_c
        .max(settings.step_c_per_h * sample.at.hours_since(last.0));
    (value - last.1).abs() > allowed_c
}

fn verdict(
    judged: &Judged,
    run: Option<(DoubtReason, UtcMs, String)>,
    step_from: Option<UtcMs>,
    conflict_at: Option<UtcMs>,
    settings: &TrustSettings,
    (from, now): (UtcMs, UtcMs),
) -> Trust {
    let trust = |verdict, reason, since, evidence: String| Trust {
        verdict,
        reason: Some(reason),
        evidence: Some(evidence),
        since,
    };
    let Some(last_at) = judged.last_at else {
        // A plug that was bound a moment ago has not had the time to speak.
        if now.hours_since(from) * 60.0 <= settings.silent_min {
            return Trust::default();
        }
        let evidence = "nothing was read".to_owned();
        return trust(Verdict::NoData, DoubtReason::Silent, Some(from), evidence);
    };
    let silent_h = now.hours_since(last_at);
    if silent_h * 60.0 > settings.silent_min {
        let evidence = format!("nothing for {}", say::span(silent_h));
        return trust(
            Verdict::NoData,
            DoubtReason::Silent,
            Some(last_at),
            evidence,
        );
    }
    if let Some((reason, since, evidence)) = run {
        return trust(Verdict::Rejected, reason, Some(since), evidence);
    }
    if let Some(since) = step_from {
        let evidence = "it jumped and stayed".to_owned();
        return trust(Verdict::Suspect, DoubtReason::Step, Some(since), evidence);
    }
    match conflict_at {
        Some(at) => {
            let evidence = "two values for one time; the lower counts".to_owned();
            trust(Verdict::Suspect, DoubtReason::Conflict, Some(at), evidence)
        }
        None => Trust {
            verdict: Verdict::Good,
            ..Trust::default()
        },
    }
}

/// Judges the concrete channels of a pour beside each other: one that stands still while others move.
pub fn reject_stuck(channels: &mut [Judged], settings: &TrustSettings, units: UnitSystem) {
    let before: Vec<Vec<(UtcMs, f64)>> = channels.iter().map(|one| one.believed.clone()).collect();
    for (index, channel) in channels.iter_mut().enumerate() {
        let runs = unchanged_runs(&before[index], settings.stuck_min);
        let mut refused = vec![false; before[index].len()];
        for (first, last) in runs {
            let (from, to) = (before[index][first].0, before[index][last].0);
            let siblings = before
                .iter()
                .enumerate()
                .filter(|(other, _)| *other != index);
            let mut ranges: Vec<f64> = siblings
                .filter_map(|(_, path)| range_c(path, from, to))
                .collect();
            ranges.sort_by(f64::total_cmp);
            let Some(median_c) = ranges.get(ranges.len() / 2).copied() else {
                continue;
            };
            if median_c <= SIBLING_RANGE_C {
                continue;
            }
            refused[first + 1..=last].fill(true);
            if last + 1 == before[index].len() && channel.is_believed_now() {
                channel.trust = Trust {
                    verdict: Verdict::Rejected,
                    reason: Some(DoubtReason::Stuck),
                    evidence: Some(format!(
                        "exactly {} for {:.0} min while the others moved by {}",
                        say::temperature(before[index][first].1, units),
                        to.hours_since(from) * 60.0,
                        say::difference(median_c, units)
                    )),
                    since: Some(from),
                };
            }
        }
        let mut refused = refused.iter();
        channel
            .believed
            .retain(|_| !refused.next().copied().unwrap_or(false));
    }
}

/// First and last index of each run of one value that lasts at least that long.
fn unchanged_runs(path: &[(UtcMs, f64)], minutes: f64) -> Vec<(usize, usize)> {
    let mut runs = Vec::new();
    let mut first = 0;
    for index in 1..=path.len() {
        let same = path
            .get(index)
            .is_some_and(|one| (one.1 - path[first].1).abs() < f64::EPSILON);
        if !same {
            let last = index - 1;
            if path[last].0.hours_since(path[first].0) * 60.0 >= minutes {
                runs.push((first, last));
            }
            first = index;
        }
    }
    runs
}

fn range_c(path: &[(UtcMs, f64)], from: UtcMs, to: UtcMs) -> Option<f64> {
    let start = path.partition_point(|one| one.0 < from);
    let end = path.partition_point(|one| one.0 <= to);
    let within = path.get(start..end)?;
    let lowest = within.iter().map(|one| one.1).reduce(f64::min)?;
    let highest = within.iter().map(|one| one.1).reduce(f64::max)?;
    Some(highest - lowest)
}

/// Rejects a concrete channel whose changes are the air's.
pub fn reject_air(
    channel: &mut Judged,
    air: &[(UtcMs, f64)],
    units: UnitSystem,
    zero_at: UtcMs,
    now: UtcMs,
) {
    if !channel.is_believed_now() {
        return;
    }
    let from = now.plus_hours(-AIR_WINDOW_H).max(zero_at);
    let step_ms = AIR_STEP_MIN * 60_000;
    let grid: Vec<(f64, f64)> = (0..)
        .map(|index| UtcMs(from.0 + index * step_ms))
        .take_while(|at| *at <= now)
        .filter_map(|at| {
            Some((
                temperature_at(&channel.believed, at)?,
                temperature_at(air, at)?,
            ))
        })
        .collect();
    if let Some(evidence) = follows(&grid, units) {
        channel.trust = Trust {
            verdict: Verdict::Rejected,
            reason: Some(DoubtReason::ReadsAir),
            evidence: Some(evidence),
            since: Some(from),
        };
    }
}

/// The evidence that the first of each pair follows the second, where it does.
fn follows(grid: &[(f64, f64)], units: UnitSystem) -> Option<String> {
    // Two thirds of the window must be there before anything is concluded.
    if grid.len() < 12 {
        return None;
    }
    let lowest = grid.iter().map(|one| one.1).reduce(f64::min)?;
    let highest = grid.iter().map(|one| one.1).reduce(f64::max)?;
    let mut distances: Vec<f64> = grid.iter().map(|one| (one.0 - one.1).abs()).collect();
    distances.sort_by(f64::total_cmp);
    let distance_c = distances[distances.len() / 2];
    if highest - lowest < AIR_RANGE_C_MIN || distance_c > AIR_NEARNESS_C {
        return None;
    }
    let pairs: Vec<(f64, f64)> = grid
        .windows(2)
        .map(|two| (two[1].0 - two[0].0, two[1].1 - two[0].1))
        .collect();
    let count = pairs.len() as f64;
    let mean_own = pairs.iter().map(|one| one.0).sum::<f64>() / count;
    let mean_air = pairs.iter().map(|one| one.1).sum::<f64>() / count;
    let (mut own, mut of_air, mut both) = (0.0, 0.0, 0.0);
    for (own_c, air_c) in pairs {
        own += (own_c - mean_own).powi(2);
        of_air += (air_c - mean_air).powi(2);
        both += (own_c - mean_own) * (air_c - mean_air);
    }
    if own <= 0.0 || of_air <= 0.0 {
        return None;
    }
    let (slope, correlation) = (both / of_air, both / (own * of_air).sqrt());
    (slope > AIR_SLOPE_MIN && correlation > AIR_CORRELATION_MIN).then(|| {
        format!(
            "its changes follow the air's (correlation {correlation:.2}), {} from it",
            say::difference(distance_c, units)
        )
    })
}

#[cfg(test)]
mod tests {
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
}

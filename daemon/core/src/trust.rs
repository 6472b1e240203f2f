//! How far each channel is believed, with a named reason and its evidence.
//!
//! A reading is rejected alone (fault, out of range, step) or beside others (stuck, reads air). Doubt
//! never makes a position look stronger: what it is replaced with stands in `path` and `estimate`.

mod flutter;
mod late;
mod parted;

use crate::assessment::{DoubtReason, Trust, Verdict};
use crate::channel::Sample;
use crate::config::TrustSettings;
use crate::path::temperature_at;
use crate::say;
use crate::statistics::median;
use crate::time::UtcMs;
use units::UnitSystem;

use flutter::off_line_c;
pub use late::proven;
pub use parted::{Aged, Partings, partings};

/// Siblings that ranged over more than this while a channel stood still show that it is stuck, °C.
const SIBLING_RANGE_C: f64 = 1.6;
/// A sensor that ever moved by so little tells small changes of air, °C.
const FINE_STEP_C: f64 = 0.2;
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

/// A smaller jump than a step is told of too, where it stays: so far, °C …
const SMALL_STEP_C: f64 = 2.5;
/// … and faster than this, °C/h …
const SMALL_STEP_C_PER_H: f64 = 45.0;
/// … between the medians of so many readings before and after it.
const SMALL_STEP_MEDIAN: usize = 5;
/// Channels that jump within this of each other jump together, h.
const TOGETHER_H: f64 = 1.0;
/// Concrete is smooth: a reading is this far from the line between its neighbours, half of the time, only
/// in air or steam, °C …
const FLUTTER_C: f64 = 0.5;
/// … and so many times as far as other channels of the pour: what befalls all of them is the logger's.
const FLUTTER_RATIO: f64 = 4.0;
/// It is looked for over this long, h, in so many readings at least …
const FLUTTER_WINDOW_H: f64 = 1.0;
const FLUTTER_COUNT_MIN: usize = 12;
/// … no further apart than this, ms.
const NEIGHBOURS_MS: i64 = 15 * 60_000;

/// Temperatures in time order, °C.
pub type Path = [(UtcMs, f64)];

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

    /// True where it was found to read air or steam.
    #[must_use]
    pub fn reads_air(&self) -> bool {
        self.trust.reason == Some(DoubtReason::ReadsAir)
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
                    && has_stayed(sample, since, &judged.believed, settings)
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

/// Whether a step that is believed from this sample on was no single value that jumped: it went on for
/// a while, or led to where this sample still is.
fn has_stayed(
    sample: &Sample,
    since: UtcMs,
    believed: &[(UtcMs, f64)],
    settings: &TrustSettings,
) -> bool {
    let is_away = sample
        .low_c
        .zip(believed.last())
        .is_some_and(|(value, before)| (value - before.1).abs() > settings.step_c);
    is_away || sample.at.hours_since(since) * 60.0 > 5.0
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
    let stuck: Vec<Vec<Stuck>> = (0..channels.len())
        .map(|index| {
            let others = channels.iter().enumerate();
            let others = others.filter(|(other, _)| *other != index);
            let others: Vec<&Path> = others.map(|(_, one)| &one.believed[..]).collect();
            stuck_runs(&channels[index].believed, &others, settings.stuck_min)
        })
        .collect();
    for (channel, runs) in channels.iter_mut().zip(stuck) {
        refuse_stuck(channel, &runs, "the others", units);
    }
}

/// Judges a channel in the air under the tarp beside the concrete: air that stands still to the last
/// digit while the concrete below it moves is a sensor that does not read it.
pub fn reject_stuck_air(
    air: &mut Judged,
    concrete: &[&Path],
    settings: &TrustSettings,
    units: UnitSystem,
) {
    let is_fine = air.believed.windows(2).any(|pair| {
        let change_c = (pair[1].1 - pair[0].1).abs();
        change_c > f64::EPSILON && change_c <= FINE_STEP_C
    });
    // Still air may stay within one digit of a coarse sensor for a while.
    let minutes = settings.stuck_min * if is_fine { 1.0 } else { 2.0 };
    let runs = stuck_runs(&air.believed, concrete, minutes);
    refuse_stuck(air, &runs, "the concrete", units);
}

fn refuse_stuck(channel: &mut Judged, runs: &[Stuck], others: &str, units: UnitSystem) {
    let Some(last) = runs.last() else {
        return;
    };
    if last.run.1 + 1 == channel.believed.len() && channel.is_believed_now() {
        let (from, value_c) = channel.believed[last.run.0];
        let to = channel.believed[last.run.1].0;
        channel.trust = Trust {
            verdict: Verdict::Rejected,
            reason: Some(DoubtReason::Stuck),
            evidence: Some(format!(
                "exactly {} for {:.0} min while {others} moved by {}",
                say::temperature(value_c, units),
                to.hours_since(from) * 60.0,
                say::difference(last.others_c, units)
            )),
            since: Some(from),
        };
    }
    // Its first reading was still its own.
    let is_refused = |index: usize| {
        let mut runs = runs.iter();
        runs.any(|stuck| stuck.run.0 < index && index <= stuck.run.1)
    };
    let mut index = 0;
    channel.believed.retain(|_| {
        index += 1;
        !is_refused(index - 1)
    });
}

/// A run of one value while the others moved.
struct Stuck {
    /// Its first and last index.
    run: (usize, usize),
    others_c: f64,
}

fn stuck_runs(path: &Path, others: &[&Path], minutes: f64) -> Vec<Stuck> {
    let others_moved = |run: (usize, usize)| {
        let (from, to) = (path[run.0].0, path[run.1].0);
        let mut ranges: Vec<f64> = others
            .iter()
            .filter_map(|other| range_c(other, from, to))
            .collect();
        ranges.sort_by(f64::total_cmp);
        let others_c = ranges.get(ranges.len() / 2).copied()?;
        (others_c > SIBLING_RANGE_C).then_some(Stuck { run, others_c })
    };
    let runs = unchanged_runs(path, minutes).into_iter();
    runs.filter_map(others_moved).collect()
}

/// First and last index of each run of one value that lasts at least that long.
fn unchanged_runs(path: &Path, minutes: f64) -> Vec<(usize, usize)> {
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

fn range_c(path: &Path, from: UtcMs, to: UtcMs) -> Option<f64> {
    let start = path.partition_point(|one| one.0 < from);
    let end = path.partition_point(|one| one.0 <= to);
    let within = path.get(start..end)?;
    let lowest = within.iter().map(|one| one.1).reduce(f64::min)?;
    let highest = within.iter().map(|one| one.1).reduce(f64::max)?;
    Some(highest - lowest)
}

/// Where a window that ends now begins: not before the concrete has reached the sensor.
fn within_concrete(zero_at: UtcMs, window_h: f64, now: UtcMs) -> UtcMs {
    now.plus_hours(-window_h).max(zero_at.plus_hours(ARRIVAL_H))
}

/// Rejects the concrete channels that flutter as only air or steam does, while others are smooth.
pub fn reject_fluttering(
    channels: &mut [Judged],
    units: UnitSystem,
    zero_at: impl Fn(usize) -> Option<UtcMs>,
    now: UtcMs,
) {
    let from = |index: usize| Some(within_concrete(zero_at(index)?, FLUTTER_WINDOW_H, now));
    let flutters: Vec<Option<f64>> = channels
        .iter()
        .enumerate()
        .map(|(index, one)| flutter_c(&one.believed, from(index)?))
        .collect();
    for (index, channel) in channels.iter_mut().enumerate() {
        let others = flutters.iter().enumerate();
        let others = others.filter_map(|(other, flutter_c)| flutter_c.filter(|_| other != index));
        let (Some(own_c), Some(smoothest_c)) = (flutters[index], others.reduce(f64::min)) else {
            continue;
        };
        let flutters = own_c >= FLUTTER_C && own_c >= FLUTTER_RATIO * smoothest_c;
        if flutters && channel.is_believed_now() {
            channel.trust = Trust {
                verdict: Verdict::Rejected,
                reason: Some(DoubtReason::ReadsAir),
                evidence: Some(format!(
                    "it flutters by {} as no concrete does, where another is smooth",
                    say::difference(own_c, units)
                )),
                since: from(index),
            };
        }
    }
}

/// Goes on rejecting a channel that fluttered until it is back: air may stand still for an hour.
pub fn keep_rejected(channel: &mut Judged, partings: &Partings) {
    if let Some(since) = partings.flutters_from()
        && channel.is_believed_now()
    {
        channel.trust = Trust {
            verdict: Verdict::Rejected,
            reason: Some(DoubtReason::ReadsAir),
            evidence: Some("it fluttered as no concrete does, and is not back".to_owned()),
            since: Some(since),
        };
    }
}

/// How far a reading is from the line between its neighbours, in the middle over a stretch, °C.
fn flutter_c(path: &[(UtcMs, f64)], from: UtcMs) -> Option<f64> {
    let start = path.partition_point(|one| one.0 < from);
    let mut off: Vec<f64> = path[start..].windows(3).filter_map(off_line_c).collect();
    off.sort_by(f64::total_cmp);
    (off.len() >= FLUTTER_COUNT_MIN).then(|| off[off.len() / 2])
}

/// Doubts the concrete channels that jumped by less than a step and stayed there, where others did not.
pub fn doubt_small_steps(
    channels: &mut [Judged],
    zero_at: impl Fn(usize) -> Option<UtcMs>,
    now: UtcMs,
) {
    let jumps: Vec<Option<UtcMs>> = channels
        .iter()
        .enumerate()
        .map(|(index, one)| {
            let from = within_concrete(zero_at(index)?, STEP_DOUBT_H, now);
            small_step_at(&one.believed, from)
        })
        .collect();
    for (index, channel) in channels.iter_mut().enumerate() {
        let Some(jumped_at) = jumps[index] else {
            continue;
        };
        // What befalls several at once is the logger's or its clock's.
        let is_shared = jumps.iter().enumerate().any(|(other, at)| {
            other != index && at.is_some_and(|at| at.hours_since(jumped_at).abs() <= TOGETHER_H)
        });
        if channel.trust.verdict == Verdict::Good && !is_shared {
            channel.trust = Trust {
                verdict: Verdict::Suspect,
                reason: Some(DoubtReason::Step),
                evidence: Some("it jumped and stayed".to_owned()),
                since: Some(jumped_at),
            };
        }
    }
}

/// When a path last jumped by less than a step and stayed there.
fn small_step_at(path: &[(UtcMs, f64)], from: UtcMs) -> Option<UtcMs> {
    let median_c = |some: &[(UtcMs, f64)]| {
        let values: Vec<f64> = some.iter().map(|one| one.1).collect();
        median(&values)
    };
    let start = path.partition_point(|one| one.0 < from);
    let mut later = path[start..].windows(2 * SMALL_STEP_MEDIAN).rev();
    let jumped = |around: &&[(UtcMs, f64)]| {
        let (before, after) = around.split_at(SMALL_STEP_MEDIAN);
        let (last, first) = (before[SMALL_STEP_MEDIAN - 1], after[0]);
        let allowed_c = SMALL_STEP_C + SMALL_STEP_C_PER_H * first.0.hours_since(last.0);
        let jump_c = first.1 - last.1;
        let stayed_c = || Some(median_c(after)? - median_c(before)?);
        let has_stayed = |stayed_c: f64| stayed_c * jump_c.signum() > allowed_c;
        jump_c.abs() > allowed_c && stayed_c().is_some_and(has_stayed)
    };
    later.find(jumped).map(|around| around[SMALL_STEP_MEDIAN].0)
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
mod tests;

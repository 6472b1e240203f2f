//! The positions of one pour, judged: which channel, how far believed, how mature, how strong.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::Arc;

use crate::act::{ChannelBinding, ChannelRole};
use crate::age::{Age, age_at, specimen_zero};
use crate::assessment::{
    ChannelAssessment, DoubtReason, PositionAssessment, PositionEstimate, Trust, Verdict,
};
use crate::channel::{ChannelHistory, LoggerClock, Sample, samples};
use crate::config::PlantConfig;
use crate::estimate::{ReadyCurve, estimate};
use crate::path::{self, believed_maturity, low_maturity, slope_c_per_h};
use crate::pour::{PourRecord, RecordedBreak};
use crate::time::UtcMs;
use crate::trust::{
    self, Aged, Judged, Partings, doubt_small_steps, judge_alone, keep_rejected, partings, proven,
    reject_air, reject_fluttering, reject_stuck, reject_stuck_air,
};

/// Rates are taken over this long, h.
const RATE_WINDOW_H: f64 = 0.5;

/// Where readings are found: histories by channel, and the clock of each channel's logger.
pub struct Readings<'a> {
    pub histories: &'a BTreeMap<Arc<str>, ChannelHistory>,
    pub clocks: &'a BTreeMap<Arc<str>, LoggerClock>,
}

/// One stretch of time during which a channel was bound to something.
#[derive(Debug, Clone, PartialEq)]
pub struct Bound<'a> {
    pub channel: &'a str,
    pub from: UtcMs,
    /// Not included.
    pub to: UtcMs,
}

/// A position with what was made of its readings, before anything is published.
pub struct JudgedPosition {
    pub assessment: PositionAssessment,
    pub age: Option<Age>,
    pub judged: Judged,
    /// What it read of its concrete, as far as that is believed: what gives maturity.
    pub of_concrete: Vec<(UtcMs, f64)>,
    /// It parted from the others and has not come back.
    pub is_parted: bool,
}

impl JudgedPosition {
    /// True where it reads air, and nothing says that it ever read its concrete.
    #[must_use]
    pub fn reads_air_all_along(&self) -> bool {
        self.judged.reads_air() && !self.is_parted
    }

    /// The readings that limits are held against: those believed, of its concrete, and from before it
    /// was rejected where it is rejected now.
    #[must_use]
    pub fn believed_of_concrete(&self) -> &trust::Path {
        believed_of_concrete(&self.judged, &self.of_concrete)
    }

    /// The highest temperature, °C, and whether it rests on readings that are not believed.
    #[must_use]
    pub fn highest(&self) -> Option<(f64, bool)> {
        highest_of(&self.judged, &self.of_concrete)
    }
}

fn believed_of_concrete<'a>(judged: &Judged, of_concrete: &'a [(UtcMs, f64)]) -> &'a trust::Path {
    let is_rejected = judged.trust.verdict == Verdict::Rejected;
    let end = match judged.trust.since {
        Some(since) if is_rejected => of_concrete.partition_point(|one| one.0 < since),
        _ => of_concrete.len(),
    };
    &of_concrete[..end]
}

fn highest_of(judged: &Judged, of_concrete: &[(UtcMs, f64)]) -> Option<(f64, bool)> {
    let kept = believed_of_concrete(judged, of_concrete);
    let believed_c = kept.iter().map(|one| one.1).reduce(f64::max);
    let (highest_c, is_unproven) = judged.highest()?;
    // A conflict's higher value counts as read where its lower one is believed.
    let is_read = !is_unproven && kept.len() == judged.believed.len();
    match believed_c {
        Some(_) if is_read => Some((highest_c, false)),
        Some(believed_c) if highest_c <= believed_c => Some((believed_c, false)),
        _ => Some((highest_c, true)),
    }
}

/// Everything measured of a pour, judged.
pub struct JudgedChannels {
    pub positions: Vec<JudgedPosition>,
    pub others: Vec<ChannelAssessment>,
    pub enclosure: Vec<(UtcMs, f64)>,
    pub ambient: Vec<(UtcMs, f64)>,
}

impl Readings<'_> {
    /// The corrected samples of one channel within `[from, to)`.
    #[must_use]
    pub fn samples(&self, channel: &str, from: UtcMs, to: UtcMs) -> Vec<Sample> {
        let Some(history) = self.histories.get(channel) else {
            return Vec::new();
        };
        let right = LoggerClock::default();
        samples(
            history,
            self.clocks.get(channel).unwrap_or(&right),
            from,
            to,
        )
    }

    /// The corrected samples of everything bound in turn, up to and including `now`.
    #[must_use]
    pub fn bound_samples(&self, bound: &[Bound<'_>], from: UtcMs, now: UtcMs) -> Vec<Sample> {
        let until = UtcMs(now.0 + 1);
        let mut samples = Vec::new();
        for one in bound {
            let found = self.samples(one.channel, one.from.max(from), one.to.min(until));
            // Mostly there is one stretch, and nothing to copy.
            if samples.is_empty() {
                samples = found;
            } else {
                samples.extend(found);
            }
        }
        samples
    }
}

/// The stretches during which `target` picks the binding, in time order.
///
/// A binding ends where another takes over the same target, or where its channel is plugged elsewhere.
#[must_use]
pub fn bound<'a>(
    record: &'a PourRecord,
    target: impl Fn(&ChannelBinding) -> bool,
) -> Vec<Bound<'a>> {
    let begins_at = record.begins_at();
    let from = |binding: &ChannelBinding| binding.from_at.unwrap_or(begins_at);
    let mut stretches: Vec<Bound<'a>> = Vec::new();
    for (index, binding) in record.bindings.iter().enumerate() {
        if !target(binding) {
            continue;
        }
        let ends = record.bindings.iter().enumerate().filter(|(other, later)| {
            *other != index
                && (from(later), *other) > (from(binding), index)
                && (target(later) || later.channel == binding.channel)
        });
        let to = ends
            .map(|(_, later)| from(later))
            .min()
            .unwrap_or(UtcMs(i64::MAX));
        stretches.push(Bound {
            channel: &binding.channel,
            from: from(binding),
            to,
        });
    }
    stretches.sort_by_key(|one| one.from);
    stretches
}

/// The stretches of a position's concrete channel.
#[must_use]
pub fn bound_to_position<'a>(record: &'a PourRecord, position: &str) -> Vec<Bound<'a>> {
    bound(record, |binding| {
        binding.role == ChannelRole::Concrete && binding.position.as_deref() == Some(position)
    })
}

/// Judges everything measured of a pour.
#[must_use]
pub fn judge_channels(
    config: &PlantConfig,
    record: &PourRecord,
    curve: Option<&ReadyCurve>,
    readings: &Readings<'_>,
    now: UtcMs,
) -> JudgedChannels {
    let zero = curve.map_or(calibration::TimeZero::Placed, |one| one.time_zero);
    let mut judged = Vec::new();
    let mut ages = Vec::new();
    let mut credible: Vec<Vec<(UtcMs, f64)>> = Vec::new();
    for position in &record.facts.positions {
        let age = age_at(record, position, zero, now);
        let from = age.map_or(record.begins_at(), |age| age.zero_at);
        let bound = bound_to_position(record, &position.id);
        let samples = readings.bound_samples(&bound, from, now);
        let mut one = judge_alone(&samples, &config.trust, config.units, from, now);
        let is_bound = bound
            .iter()
            .any(|stretch| stretch.from <= now && stretch.to > now);
        if !is_bound {
            let ended = bound.iter().map(|stretch| stretch.to);
            one.trust = Trust {
                verdict: Verdict::NoData,
                reason: Some(DoubtReason::NoChannel),
                evidence: Some("no channel is bound to it".to_owned()),
                // Since its plug was moved, where it had one.
                since: ended.filter(|to| *to <= now).max(),
            };
        }
        // Kept from before siblings are looked at: what another channel says must not prove more. And
        // judged without late readings that prove no time of their own, lest they bridge a step.
        credible.push(match proven(&samples, config.estimate.short_gap_min) {
            Cow::Borrowed(_) => one.believed.clone(),
            Cow::Owned(proven) => {
                judge_alone(&proven, &config.trust, config.units, from, now).believed
            }
        });
        judged.push(one);
        ages.push(age);
    }
    reject_stuck(&mut judged, &config.trust, config.units);
    let concrete: Vec<&trust::Path> = judged.iter().map(|one| &one.believed[..]).collect();
    let (others, enclosure, ambient) = judge_others(config, record, readings, &concrete, now);
    let zero_at = |index: usize| ages[index].map(|age| age.zero_at);
    doubt_small_steps(&mut judged, zero_at, now);
    reject_fluttering(&mut judged, config.units, zero_at, now);
    for (one, age) in judged.iter_mut().zip(&ages) {
        if let Some(age) = age {
            reject_air(one, &enclosure, config.units, age.zero_at, now);
        }
    }
    let partings = partings_of(&judged, &ages, now);
    for (one, parted) in judged.iter_mut().zip(&partings) {
        keep_rejected(one, parted);
    }
    let of_concrete: Vec<Path> = judged
        .iter()
        .zip(&partings)
        .map(|(one, parted)| parted.without(&one.believed).into_owned())
        .collect();
    let maturities: Vec<Option<Maturity>> = (0..judged.len())
        .map(|index| {
            // What a sensor read beside its concrete stays beside it, whatever it reads later.
            let credible = partings[index].without(&credible[index]);
            let paths = (&of_concrete[index], &*credible);
            judged[index].last_at?;
            maturity(config, curve?, ages[index]?, paths, now)
        })
        .collect();
    let maturities = without_air(&judged, &maturities);
    let whole = judged.into_iter().zip(of_concrete).zip(&partings);
    let positions = whole
        .enumerate()
        .map(|(index, ((judged, of_concrete), partings))| {
            let (age, maturity) = (ages[index], maturities[index]);
            let estimate = || estimate_of(curve, age, maturity, &of_concrete);
            JudgedPosition {
                assessment: assess(
                    record,
                    index,
                    (&judged, &of_concrete),
                    age,
                    now,
                    estimate,
                    maturity,
                ),
                age,
                judged,
                of_concrete,
                is_parted: partings.is_parted(),
            }
        });
    JudgedChannels {
        positions: positions.collect(),
        others,
        enclosure,
        ambient,
    }
}

/// Maturity by the believed path, by the low path, and the hours bridged.
#[derive(Debug, Clone, Copy)]
struct Maturity {
    believed: f64,
    low: f64,
    bridged_h: f64,
}

fn maturity(
    config: &PlantConfig,
    curve: &ReadyCurve,
    age: Age,
    (of_concrete, credible): (&Path, &[(UtcMs, f64)]),
    now: UtcMs,
) -> Option<Maturity> {
    let believed = believed_maturity(
        &curve.maturity,
        of_concrete,
        age.zero_at,
        now,
        &config.estimate,
    );
    let low = low_maturity(
        &curve.maturity,
        credible,
        age,
        now,
        &config.estimate,
        &config.trust,
        curve.temperature_max_c,
    );
    Some(Maturity {
        believed: believed.maturity,
        low,
        bridged_h: believed.bridged_h,
    })
}

/// When each position's readings were not its concrete's.
fn partings_of(judged: &[Judged], ages: &[Option<Age>], now: UtcMs) -> Vec<Partings> {
    let paths: Vec<_> = judged
        .iter()
        .zip(ages)
        .map(|(one, age)| {
            let age = age.filter(|_| !one.believed.is_empty())?;
            Some(Aged {
                readings: &one.believed,
                zero_at: age.zero_at,
                reads_air: one.reads_air(),
            })
        })
        .collect();
    partings(&paths, now)
}

/// A position that reads air goes on governing at the lowest maturity that is credible anywhere.
fn without_air(judged: &[Judged], maturities: &[Option<Maturity>]) -> Vec<Option<Maturity>> {
    let reads_air = |index: usize| judged[index].reads_air();
    let credible = || {
        maturities
            .iter()
            .enumerate()
            .filter(|(index, _)| !reads_air(*index))
            .filter_map(|(_, one)| *one)
    };
    let lowest = credible().map(|one| one.believed).reduce(f64::min);
    let lowest_low = credible().map(|one| one.low).reduce(f64::min);
    maturities
        .iter()
        .enumerate()
        .map(|(index, one)| match (one, lowest, lowest_low) {
            (Some(own), Some(lowest), Some(lowest_low)) if reads_air(index) => Some(Maturity {
                believed: own.believed.min(lowest),
                low: own.low.min(lowest_low),
                bridged_h: own.bridged_h,
            }),
            _ => *one,
        })
        .collect()
}

fn estimate_of(
    curve: Option<&ReadyCurve>,
    age: Option<Age>,
    maturity: Option<Maturity>,
    of_concrete: &[(UtcMs, f64)],
) -> PositionEstimate {
    let none = |reason: &str| PositionEstimate::None {
        reason: reason.to_owned(),
        maturity: None,
    };
    let Some(curve) = curve else {
        return none("no usable curve");
    };
    if age.is_none() {
        return none("not placed yet, or nobody has said when it was");
    }
    match maturity {
        Some(_) if of_concrete.is_empty() => none("nothing it read is believed"),
        Some(maturity) => estimate(curve, maturity.believed, maturity.low),
        None => none("nothing was read"),
    }
}

fn assess(
    record: &PourRecord,
    index: usize,
    (judged, of_concrete): (&Judged, &Path),
    age: Option<Age>,
    now: UtcMs,
    estimate: impl FnOnce() -> PositionEstimate,
    maturity: Option<Maturity>,
) -> PositionAssessment {
    let position = &record.facts.positions[index];
    let highest = highest_of(judged, of_concrete);
    let last = judged.believed.last();
    let is_fresh = judged.is_believed_now();
    PositionAssessment {
        index,
        id: position.id.clone(),
        channel: bound_to_position(record, &position.id)
            .into_iter()
            .find(|stretch| stretch.from <= now && stretch.to > now)
            .map(|stretch| stretch.channel.to_owned()),
        temperature_c: last.map(|one| one.1),
        measured_at: last.map(|one| one.0),
        rate_c_per_h: is_fresh
            .then(|| slope_c_per_h(&judged.believed, RATE_WINDOW_H))
            .flatten(),
        highest_c: highest.map(|one| one.0),
        highest_unproven: highest.is_some_and(|one| one.1),
        time_zero_at: age.map(|age| age.zero_at),
        required_mpa: record.required_release_mpa(position),
        estimate: estimate(),
        trust: judged.trust.clone(),
        bridged_h: maturity.map_or(0.0, |one| one.bridged_h),
        excluded: record
            .excluded
            .get(&position.id)
            .map(|left_out| left_out.why.clone()),
        confirmed: false,
        likely_at: None,
    }
}

type Path = Vec<(UtcMs, f64)>;

fn judge_others(
    config: &PlantConfig,
    record: &PourRecord,
    readings: &Readings<'_>,
    concrete: &[&trust::Path],
    now: UtcMs,
) -> (Vec<ChannelAssessment>, Path, Path) {
    let mut others = Vec::new();
    let (mut enclosure, mut ambient) = (Path::new(), Path::new());
    for binding in record
        .bindings
        .iter()
        .filter(|one| one.role != ChannelRole::Concrete)
    {
        let stretches = bound(record, |other| other == binding);
        let samples = readings.bound_samples(&stretches, record.begins_at(), now);
        let from = stretches.first().map_or(record.begins_at(), |one| one.from);
        let from = from.max(record.begins_at());
        let mut judged = judge_alone(&samples, &config.trust, config.units, from, now);
        if binding.role == ChannelRole::Enclosure {
            reject_stuck_air(&mut judged, concrete, &config.trust, config.units);
        }
        let last = judged.believed.last();
        // A plug that was moved elsewhere reads nothing here any more, and nobody waits for it.
        if stretches.iter().any(|one| one.from <= now && one.to > now) {
            others.push(ChannelAssessment {
                channel: binding.channel.clone(),
                role: binding.role,
                set: binding.set.clone(),
                temperature_c: last.map(|one| one.1),
                measured_at: last.map(|one| one.0),
                trust: judged.trust,
            });
        }
        match binding.role {
            ChannelRole::Enclosure => enclosure.extend(judged.believed),
            ChannelRole::Ambient => ambient.extend(judged.believed),
            ChannelRole::Concrete | ChannelRole::Specimen => {}
        }
    }
    // Several air channels of one bed are read as one: their mean at each time they share.
    (others, merged(enclosure), merged(ambient))
}

fn merged(mut path: Path) -> Path {
    path.sort_by_key(|one| one.0);
    let mut means: Path = Vec::with_capacity(path.len());
    let mut count = 1.0;
    for (at, value) in path {
        match means.last_mut() {
            Some(last) if last.0 == at => {
                count += 1.0;
                last.1 += (value - last.1) / count;
            }
            _ => {
                count = 1.0;
                means.push((at, value));
            }
        }
    }
    means
}

/// The maturity of a break's specimens by their own channel when they left the tarp; `None` without one.
#[must_use]
pub fn specimen_maturity(
    config: &PlantConfig,
    record: &PourRecord,
    curve: &ReadyCurve,
    readings: &Readings<'_>,
    broken: &RecordedBreak,
) -> Option<f64> {
    let set = record.sets.get(&broken.result.set)?;
    let zero_at = specimen_zero(record, &set.loads, curve.time_zero);
    let path = specimen_path(config, record, readings, broken, zero_at);
    if path.is_empty() {
        return None;
    }
    Some(path::specimen_maturity(
        &curve.maturity,
        &path,
        zero_at,
        left_tarp_at(broken),
        &config.estimate,
    ))
}

/// When a break's specimens left the tarp, and with it their sensor.
#[must_use]
pub fn left_tarp_at(broken: &RecordedBreak) -> UtcMs {
    broken.result.pulled_at.unwrap_or(broken.result.tested_at)
}

/// The believed temperatures of a break's specimens by their own channel from `from` until they left
/// the tarp; empty without one.
#[must_use]
pub fn specimen_path(
    config: &PlantConfig,
    record: &PourRecord,
    readings: &Readings<'_>,
    broken: &RecordedBreak,
    from: UtcMs,
) -> Vec<(UtcMs, f64)> {
    let stretches = bound(record, |binding| {
        binding.role == ChannelRole::Specimen && binding.set.as_deref() == Some(&broken.result.set)
    });
    let until = left_tarp_at(broken);
    let samples = readings.bound_samples(&stretches, from, until);
    judge_alone(&samples, &config.trust, config.units, from, until).believed
}

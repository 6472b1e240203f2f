//! The whole plant as known so far: the only mutable state, and the questions that may be asked of it.

mod acts;
mod breaks;
mod channels;
mod curves;
mod learning;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use crate::act::{Act, ChannelRole};
use crate::ahead::{Ahead, AheadLimits};
use crate::assessment::{
    CatchUp, CurveUse, Forecast, JudgedBreak, PourAssessment, PourStatus, Trouble,
};
use crate::channel::{ChannelHistory, LoggerClock};
use crate::config::{LimitSet, PlantConfig};
use crate::curve_points::{self, CurveVerdict};
use crate::estimate::{ReadyCurve, curve_use};
use crate::forecast::{
    KnownAt, KnownCurveUse, KnownPosition, forecast, forecast_and_ahead, forecast_and_ahead_of_each,
};
use crate::habits::{Habits, PourSummary};
use crate::limits::{self, LimitFindings, Limited, UnderTarp, judge_limits, limits_of};
use crate::positions::{
    JudgedChannels, JudgedPosition, Readings, bound, bound_to_position, judge_channels,
    specimen_maturity,
};
use crate::pour::PourRecord;
use crate::reading::{Reading, Taken};
use crate::release;
use crate::time::UtcMs;
use crate::trouble::{
    Air, Listened, Silences, clock_trouble, explain, pour_troubles, stamps_ahead_trouble,
};

pub use acts::PourChange;
pub use breaks::SpecimenBreak;
pub use channels::Plugged;

/// Records and readings known so far, with the configuration they are read by.
#[derive(Clone)]
pub struct Plant {
    config: PlantConfig,
    curves: BTreeMap<String, ReadyCurve>,
    /// Channel → logger, for channels that share a clock.
    logger_of: BTreeMap<Arc<str>, String>,
    /// By pour; those of the whole plant under an empty name.
    acts: BTreeMap<String, Arc<Vec<Act>>>,
    pours: BTreeMap<String, Arc<PourRecord>>,
    /// Shared with a copy that judges what an act would change.
    histories: Arc<BTreeMap<Arc<str>, ChannelHistory>>,
    /// The last word of each finished pour …
    summaries: BTreeMap<String, PourSummary>,
    /// … and what it had taught before acts of it were struck: earlier moments go by that.
    former_summaries: Vec<PourSummary>,
    /// By digest, for curves that have breaks.
    verdicts: BTreeMap<String, CurveVerdict>,
    /// Pours without a summary, and when each will have one.
    learns_at: BTreeMap<String, UtcMs>,
    /// Pours learned from before this teach by their breaks alone.
    breaks_only_before: UtcMs,
    /// When sources have been listened to: what did not come in between is the outage's.
    listened: Listened,
}

/// Stamps that lie after their receipt are told of for this long, h.
const STAMPS_AHEAD_TOLD_H: f64 = 1.0;

/// Every pour on a bed and every trouble, at one moment.
#[derive(Debug, Clone)]
pub struct PlantAssessment {
    pub pours: Vec<PourAssessment>,
    pub troubles: Vec<Trouble>,
}

/// The temperatures of one position or channel of a pour.
#[derive(Debug, Clone, PartialEq)]
pub struct PourSeries {
    pub name: String,
    pub role: ChannelRole,
    pub points: Vec<(UtcMs, f64)>,
}

/// What is asked of the hours to come.
type LooksAhead = fn(&KnownAt<'_>, UtcMs) -> (Forecast, Ahead);

/// A pour that is no longer under cure has no night ahead.
fn under_cure(record: &PourRecord, looks_ahead: LooksAhead) -> LooksAhead {
    if record.is_under_cure() {
        looks_ahead
    } else {
        forecast_only
    }
}

fn forecast_only(known: &KnownAt<'_>, now: UtcMs) -> (Forecast, Ahead) {
    (forecast(known, now), Ahead::default())
}

/// Where only what is known counts.
fn nothing_ahead(_known: &KnownAt<'_>, _now: UtcMs) -> (Forecast, Ahead) {
    (Forecast::default(), Ahead::default())
}

impl Plant {
    /// A plant about which nothing but its configuration is known.
    #[must_use]
    pub fn new(config: PlantConfig) -> Self {
        let ready = |curve| ReadyCurve::new(curve, &config.estimate);
        let curves = config
            .curves
            .iter()
            .map(|curve| (curve.digest.clone(), ready(curve)))
            .collect();
        let logger_of = config
            .loggers
            .iter()
            .flat_map(|logger| {
                logger
                    .channels
                    .iter()
                    .map(|channel| (channel.as_str().into(), logger.id.clone()))
            })
            .collect();
        Self {
            config,
            curves,
            logger_of,
            acts: BTreeMap::new(),
            pours: BTreeMap::new(),
            histories: Arc::default(),
            summaries: BTreeMap::new(),
            former_summaries: Vec::new(),
            verdicts: BTreeMap::new(),
            learns_at: BTreeMap::new(),
            breaks_only_before: UtcMs(i64::MIN),
            listened: Listened::default(),
        }
    }

    /// Sources are listened to since `at`, and were until `until` before: what did not come in between
    /// says nothing of any logger, so a silence counts only while somebody listened.
    pub fn listens_since(&mut self, at: UtcMs, until: Option<UtcMs>) {
        self.listened = Listened {
            until,
            since: Some(at),
        };
    }

    /// The configuration.
    #[must_use]
    pub fn config(&self) -> &PlantConfig {
        &self.config
    }

    /// Every pour known.
    #[must_use]
    pub fn pours(&self) -> &BTreeMap<String, Arc<PourRecord>> {
        &self.pours
    }

    /// Takes in one reading; the order of calls does not matter.
    pub fn take_reading(&mut self, reading: &Reading) -> Taken {
        let histories = Arc::make_mut(&mut self.histories);
        match histories.get_mut(&reading.channel) {
            Some(history) => history.take(reading),
            None => {
                let mut history = ChannelHistory::default();
                let taken = history.take(reading);
                histories.insert(Arc::clone(&reading.channel), history);
                taken
            }
        }
    }

    /// True where a pour on a bed, or the configuration, names the channel.
    #[must_use]
    pub fn knows_channel(&self, channel: &str) -> bool {
        self.logger_of.contains_key(channel)
            || self
                .pours
                .values()
                .filter(|record| record.is_on_bed())
                .any(|record| {
                    record
                        .bindings
                        .iter()
                        .any(|binding| binding.channel == channel)
                })
    }

    /// Judges every pour on a bed, in yard order, then in the order they were opened.
    #[must_use]
    pub fn assess(&self, now: UtcMs) -> PlantAssessment {
        let clocks = self.clocks();
        let mut troubles = self.clock_troubles(&clocks, now);
        let silences = Silences {
            listened: self.listened,
            silent_min: self.config.trust.silent_min,
            now,
        };
        let mut pours = Vec::new();
        for record in self.pours.values().filter(|record| record.is_on_bed()) {
            let looks_ahead = under_cure(record, forecast_and_ahead);
            let (pour, enclosure) = self.judge(record, &clocks, now, looks_ahead);
            let limits = self.limits(record);
            let air = Air {
                enclosure: &enclosure,
                tarp: self.under_tarp(record, now),
            };
            troubles.extend(pour_troubles(
                &self.config,
                &pour,
                &air,
                limits.as_ref(),
                &silences,
                now,
            ));
            pours.push(pour);
        }
        let order = |pour: &PourAssessment| {
            let bed = self
                .config
                .beds
                .iter()
                .position(|bed| bed.id == pour.record.facts.bed);
            (bed, pour.record.opened_at, pour.record.id.clone())
        };
        pours.sort_by_key(order);
        troubles.extend(self.drift_troubles(now));
        explain(&self.config, &pours, &mut troubles, &silences);
        troubles.sort_by(|a, b| {
            b.urgency
                .cmp(&a.urgency)
                .then(a.since.cmp(&b.since))
                .then_with(|| (&a.kind, &a.bed, &a.place).cmp(&(&b.kind, &b.bed, &b.place)))
        });
        PlantAssessment { pours, troubles }
    }

    /// The pours under cure as [`Self::assess`] judges them, without the night ahead: for those who ask of
    /// thousands of moments what the forecast was.
    #[must_use]
    pub fn forecasts(&self, now: UtcMs) -> Vec<PourAssessment> {
        let clocks = self.clocks();
        let under_cure = self.pours.values().filter(|record| record.is_under_cure());
        under_cure
            .map(|record| self.judge(record, &clocks, now, forecast_only).0)
            .collect()
    }

    /// Judges one pour, a finished one as it stood when it was finished.
    #[must_use]
    pub fn assess_pour(&self, pour: &str, now: UtcMs) -> Option<PourAssessment> {
        self.look_at(pour, now, forecast_and_ahead)
    }

    /// The same with what lies ahead of each position.
    #[must_use]
    pub fn assess_pour_in_depth(&self, pour: &str, now: UtcMs) -> Option<PourAssessment> {
        self.look_at(pour, now, forecast_and_ahead_of_each)
    }

    fn look_at(&self, pour: &str, now: UtcMs, looks_ahead: LooksAhead) -> Option<PourAssessment> {
        let record = self.pours.get(pour)?;
        let looks_ahead = under_cure(record, looks_ahead);
        let judged = self.judge(record, &self.clocks(), record.until(now), looks_ahead);
        Some(judged.0)
    }

    /// The limits that apply to a pour: its set's, else its bed's, else the plant's, with what was stated
    /// for it alone.
    #[must_use]
    pub fn limits(&self, record: &PourRecord) -> Option<LimitSet> {
        let of_bed = || self.config.bed(&record.facts.bed)?.limit_set.as_deref();
        let of_plant = || self.config.limit_set.as_deref();
        let named = record.facts.limit_set.as_deref();
        let named = named.or_else(of_bed).or_else(of_plant);
        let set = named.and_then(|named| self.config.limit_set(named));
        limits_of(set, &record.limits_stated)
    }

    /// What the pours that lie under one enclosure with this one have in common.
    ///
    /// A bed is one enclosure; pours that were never on it at one time share nothing.
    #[must_use]
    pub fn under_tarp(&self, record: &PourRecord, now: UtcMs) -> UnderTarp {
        UnderTarp::of(self.together_with(record, now), now)
    }

    /// The pours that were on the bed at one time with this one, itself included.
    fn together_with<'a>(
        &'a self,
        record: &'a PourRecord,
        now: UtcMs,
    ) -> impl Iterator<Item = &'a PourRecord> {
        let ends_at =
            move |pour: &PourRecord| pour.stripped_at.or(pour.abandoned_at).unwrap_or(now);
        let pours = self.pours.values().map(|other| &**other);
        pours.filter(move |other| {
            other.facts.bed == record.facts.bed
                && other.begins_at() <= ends_at(record)
                && record.begins_at() <= ends_at(other)
        })
    }

    /// A pour held against its limits.
    fn held_against_limits(
        &self,
        record: &PourRecord,
        judged: &JudgedChannels,
        now: UtcMs,
    ) -> LimitFindings {
        let Some(limits) = self.limits(record) else {
            return LimitFindings::default();
        };
        let positions: Vec<Limited<'_>> = judged
            .positions
            .iter()
            .map(|one| Limited {
                id: &one.assessment.id,
                believed: one.believed_of_concrete(),
                zero_at: one.age.map(|age| age.zero_at),
                highest: one.highest(),
                is_excluded: one.assessment.excluded.is_some(),
            })
            .collect();
        let tarp = self.under_tarp(record, now);
        judge_limits(
            record,
            &limits,
            &positions,
            &judged.enclosure,
            &judged.ambient,
            tarp,
            now,
        )
    }

    fn judge(
        &self,
        record: &Arc<PourRecord>,
        clocks: &BTreeMap<Arc<str>, LoggerClock>,
        now: UtcMs,
        looks_ahead: LooksAhead,
    ) -> (PourAssessment, Vec<(UtcMs, f64)>) {
        let (mut curve, ready) = self.ready_curve(record, now);
        let readings = self.readings(clocks);
        let judged = judge_channels(&self.config, record, ready, &readings, now);
        let policy = &self.config.release;
        let mut breaks = self.breaks(record, ready, &readings);
        self.hold_beside(record, ready, &readings, &mut breaks);
        let mut positions: Vec<_> = judged
            .positions
            .iter()
            .map(|one| one.assessment.clone())
            .collect();
        curve.advisory = ready.and_then(|ready| self.advise(record, ready, &mut positions, now));
        curve.drift = ready.and_then(|ready| {
            curve_points::drift_sentence(&ready.name, self.verdicts.get(&ready.digest)?)
        });
        let mut confirmation = release::confirm(record, policy, &mut breaks, &mut positions);
        let habits = self.habits(record, now);
        let known = self.known(
            record,
            ready,
            &judged,
            (&breaks, &confirmation.catch_up),
            &habits,
        );
        let (mut forecast, ahead) = looks_ahead(&known, now);
        for (position, likely_at) in positions.iter_mut().zip(&forecast.position_likely_at) {
            position.likely_at = *likely_at;
        }
        self.tell_cylinders(
            (record, ready, &readings),
            &positions,
            &mut forecast,
            (&mut breaks, &mut confirmation),
            now,
        );
        let findings = self.held_against_limits(record, &judged, now);
        let mut pour = PourAssessment {
            record: Arc::clone(record),
            status: PourStatus::Curing,
            curve,
            governing: governing(&positions),
            positions,
            other_channels: judged.others,
            forecast,
            ahead,
            breaks,
            confirmation,
            release_holds: Vec::new(),
            piece_holds: Vec::new(),
            breaches: Vec::new(),
            beyond: Vec::new(),
            cautions: Vec::new(),
        };
        pour.status = release::status(record, &pour.confirmation, &pour.forecast, policy, now);
        pour.release_holds =
            release::release_holds(record, policy, &pour.breaks, &pour.confirmation);
        pour.piece_holds = limits::piece_holds(record, &findings.breaches, self.config.local());
        pour.cautions = release::cautions(&self.config, &pour, ready, now);
        pour.cautions.extend(limits::settled(
            record,
            &findings.breaches,
            self.config.local(),
        ));
        let unproven = limits::unproven(record, &findings.breaches, self.config.local());
        pour.cautions.extend(unproven);
        pour.breaches = findings.breaches;
        pour.beyond = findings.beyond;
        (pour, judged.enclosure)
    }

    /// The curve of a pour, made ready where it may be used.
    fn ready_curve(&self, record: &PourRecord, now: UtcMs) -> (CurveUse, Option<&ReadyCurve>) {
        let curve = curve_use(&self.config, record, now);
        let digest = curve.digest.as_ref().filter(|_| curve.standing.is_usable());
        let ready = digest.and_then(|digest| self.curves.get(digest));
        (curve, ready)
    }

    fn breaks(
        &self,
        record: &PourRecord,
        ready: Option<&ReadyCurve>,
        readings: &Readings<'_>,
    ) -> Vec<JudgedBreak> {
        let of_specimens =
            |broken: &_| specimen_maturity(&self.config, record, ready?, readings, broken);
        let prepared = ready.map(|one| &one.prepared);
        release::judge_breaks(record, &self.config.release, prepared, &of_specimens)
    }

    /// What a forecast, and learning from a finished pour, start from.
    fn known<'a>(
        &self,
        record: &'a PourRecord,
        ready: Option<&'a ReadyCurve>,
        judged: &'a JudgedChannels,
        (breaks, catch_up): (&'a [JudgedBreak], &[CatchUp]),
        habits: &'a Habits,
    ) -> KnownAt<'a> {
        let catches_up_at = |index: usize| {
            let waiting = catch_up.iter().find(|one| one.index == index);
            waiting.map(|one| one.maturity)
        };
        let is_believed = |one: &JudgedPosition| one.judged.is_believed_now() && !one.is_parted;
        let positions = judged
            .positions
            .iter()
            .filter(|one| one.assessment.is_judged() || is_believed(one));
        KnownAt {
            units: self.config.units,
            record,
            curve: ready.map(|one| KnownCurveUse {
                prepared: &one.prepared,
                maturity: one.maturity,
            }),
            position_count: judged.positions.len(),
            positions: positions
                .map(|one| KnownPosition {
                    index: one.assessment.index,
                    required_mpa: one
                        .assessment
                        .required_mpa
                        .filter(|_| one.assessment.is_judged()),
                    catches_up_at: catches_up_at(one.assessment.index),
                    time_zero_at: one.age.map(|age| age.zero_at),
                    temperatures: &one.of_concrete,
                    believed: is_believed(one),
                    reads_air: one.reads_air_all_along(),
                })
                .collect(),
            enclosure: &judged.enclosure,
            ambient: &judged.ambient,
            breaks,
            habits,
            limits: self
                .limits(record)
                .map_or_else(AheadLimits::default, |set| AheadLimits::of(&set)),
            pour_cv: self.config.estimate.pour_cv,
            load_cv: self.config.estimate.load_cv,
            break_probability: self.config.release.break_probability,
        }
    }

    /// What was read, with the clocks that correct it.
    fn readings<'a>(&'a self, clocks: &'a BTreeMap<Arc<str>, LoggerClock>) -> Readings<'a> {
        Readings {
            histories: &self.histories,
            clocks,
        }
    }

    /// The clock of each channel's logger, only where one looks wrong.
    fn clocks(&self) -> BTreeMap<Arc<str>, LoggerClock> {
        let mut groups: BTreeMap<&str, Vec<&Arc<str>>> = BTreeMap::new();
        for channel in self.histories.keys() {
            let logger = self
                .logger_of
                .get(channel)
                .map_or(&**channel, String::as_str);
            groups.entry(logger).or_default().push(channel);
        }
        let mut clocks = BTreeMap::new();
        for channels in groups.into_values() {
            let histories = || {
                channels
                    .iter()
                    .filter_map(|channel| self.histories.get(*channel))
            };
            if histories().any(ChannelHistory::may_be_offset) {
                let clock = LoggerClock::of(histories());
                for channel in &channels {
                    clocks.insert(Arc::clone(channel), clock.clone());
                }
            }
        }
        clocks
    }

    fn clock_troubles(&self, clocks: &BTreeMap<Arc<str>, LoggerClock>, now: UtcMs) -> Vec<Trouble> {
        let mut seen = BTreeSet::new();
        let mut troubles = Vec::new();
        for (channel, clock) in clocks {
            let logger = self
                .logger_of
                .get(channel)
                .map_or(&**channel, String::as_str);
            if !seen.insert(logger) {
                continue;
            }
            troubles.extend(clock_trouble(logger, clock.latest_offset_ms(), now));
            let since = now.plus_hours(-STAMPS_AHEAD_TOLD_H);
            let ahead = clock.ahead_since(since);
            troubles.extend(ahead.map(|ahead| stamps_ahead_trouble(logger, ahead, since)));
        }
        troubles
    }

    /// The temperatures of every position and other channel of a pour up to `now`, as corrected.
    #[must_use]
    pub fn temperatures(&self, pour: &str, now: UtcMs) -> Vec<PourSeries> {
        let Some(record) = self.pours.get(pour) else {
            return Vec::new();
        };
        let clocks = self.clocks();
        let readings = self.readings(&clocks);
        let until = record.until(now);
        let plausible = units::bounds::CONCRETE_TEMPERATURE_C;
        let points = |stretches: &[_]| -> Vec<(UtcMs, f64)> {
            let samples = readings.bound_samples(stretches, record.begins_at(), until);
            let values = samples
                .iter()
                .filter_map(|sample| Some((sample.at, sample.low_c?)));
            values
                .filter(|(_, value)| plausible.contains(*value))
                .collect()
        };
        let concrete = record.facts.positions.iter().map(|position| PourSeries {
            name: position.id.clone(),
            role: ChannelRole::Concrete,
            points: points(&bound_to_position(record, &position.id)),
        });
        let others = record
            .bindings
            .iter()
            .filter(|one| one.role != ChannelRole::Concrete);
        let others = others.map(|binding| PourSeries {
            name: binding.channel.clone(),
            role: binding.role,
            points: points(&bound(record, |other| other == binding)),
        });
        concrete.chain(others).collect()
    }

    /// Estimate and lower bound at the governing position over time, MPa: one point per equal step.
    #[must_use]
    pub fn strength_history(
        &self,
        pour: &str,
        now: UtcMs,
        point_count: usize,
    ) -> Vec<(UtcMs, f64, f64)> {
        let Some(record) = self.pours.get(pour) else {
            return Vec::new();
        };
        let clocks = self.clocks();
        let readings = self.readings(&clocks);
        let until = record.until(now);
        let begins_at = record.begins_at();
        let step_h = until.hours_since(begins_at) / point_count.max(1) as f64;
        if step_h <= 0.0 {
            return Vec::new();
        }
        let points = (1..=point_count).map(|index| begins_at.plus_hours(step_h * index as f64));
        points
            .filter_map(|at| {
                let curve = curve_use(&self.config, record, at);
                let ready = self.curves.get(curve.digest.as_ref()?)?;
                if !curve.standing.is_usable() {
                    return None;
                }
                let judged = judge_channels(&self.config, record, Some(ready), &readings, at);
                let mut positions: Vec<_> = judged
                    .positions
                    .into_iter()
                    .map(|one| one.assessment)
                    .collect();
                self.advise(record, ready, &mut positions, at);
                let governs = &positions[governing(&positions)?];
                Some((
                    at,
                    governs.estimate.estimate_mpa()?,
                    governs.estimate.lower_90_mpa(),
                ))
            })
            .collect()
    }

    /// Drops readings from before `before` that no pour on a bed needs, nor one still to be learned from.
    pub fn forget_finished(&mut self, before: UtcMs) {
        let needed = self
            .pours
            .values()
            .filter(|record| record.is_on_bed() || self.learns_at.contains_key(&record.id))
            .map(|record| record.begins_at().plus_hours(-1.0))
            .min()
            .map_or(before, |needed| needed.min(before));
        let histories = Arc::make_mut(&mut self.histories);
        for history in histories.values_mut() {
            history.forget(needed);
        }
        histories.retain(|_, history| !history.entries().is_empty());
    }
}

/// The judged position that is furthest from its own required strength, by the lower bound.
fn governing(positions: &[crate::assessment::PositionAssessment]) -> Option<usize> {
    let ratio = |index: &usize| {
        let position = &positions[*index];
        position.estimate.lower_90_mpa() / position.required_mpa.unwrap_or(f64::INFINITY)
    };
    let maturity = |index: &usize| positions[*index].estimate.maturity().unwrap_or(-1.0);
    (0..positions.len())
        .filter(|index| positions[*index].is_judged())
        .min_by(|a, b| {
            ratio(a)
                .total_cmp(&ratio(b))
                .then(maturity(a).total_cmp(&maturity(b)))
        })
}

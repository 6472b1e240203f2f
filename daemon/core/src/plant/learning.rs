//! What finished pours teach, each at its own time, and what that leads to expect.

use std::collections::{BTreeMap, BTreeSet};

use super::Plant;
use crate::act::Act;
use crate::curve_points::{self, CurveBreak};
use crate::forecast::forecast;
use crate::habits::{self, Habits, PourSummary};
use crate::positions::{Readings, judge_channels, left_tarp_at};
use crate::pour::PourRecord;
use crate::release::strength_mpa;
use crate::time::UtcMs;

impl Plant {
    /// When the next finished pour can be learned from.
    #[must_use]
    pub fn next_learning_at(&self) -> Option<UtcMs> {
        self.learns_at.values().min().copied()
    }

    /// Learns from every pour whose time for it has come.
    ///
    /// Called at that time and not later, or what is received in between would be learned too.
    pub fn learn(&mut self, now: UtcMs) {
        let mut due: Vec<(UtcMs, String)> = self
            .learns_at
            .iter()
            .filter(|(_, at)| **at <= now)
            .map(|(pour, at)| (*at, pour.clone()))
            .collect();
        due.sort();
        for (known_at, pour) in due {
            self.learns_at.remove(&pour);
            if let Some(summary) = self.summary_of(&pour, known_at) {
                self.take_summary(summary);
            }
        }
    }

    /// Takes of pours that would be learned from before this only their breaks: the rest of what they
    /// teach is out of date.
    pub fn learn_breaks_only_before(&mut self, before: UtcMs) {
        self.breaks_only_before = before;
    }

    /// When each pour that has not taught yet will.
    #[must_use]
    pub fn learns_at(&self) -> &BTreeMap<String, UtcMs> {
        &self.learns_at
    }

    /// Waits no longer for pours whose time was up by `until` and that taught nothing.
    pub fn end_learning(&mut self, until: UtcMs) {
        self.learns_at.retain(|_, at| *at > until);
    }

    /// Takes in what a finished pour taught. Of several summaries of a pour the newest counts, and the
    /// others are kept for moments before it.
    pub fn take_summary(&mut self, summary: PourSummary) {
        let pour = summary.pour.clone();
        if self
            .learns_at
            .get(&pour)
            .is_some_and(|at| *at <= summary.known_at)
        {
            self.learns_at.remove(&pour);
        }
        let mut broken = digests_of(&summary);
        let former = match self.summaries.remove(&pour) {
            Some(known) if known.known_at > summary.known_at => {
                self.summaries.insert(pour, known);
                Some(summary)
            }
            known => {
                self.summaries.insert(pour, summary);
                known
            }
        };
        if let Some(former) = former {
            broken.extend(digests_of(&former));
            let is_known =
                |one: &PourSummary| (&one.pour, one.known_at) == (&former.pour, former.known_at);
            let newest = self.summaries.get(&former.pour);
            if !newest.is_some_and(is_known) && !self.former_summaries.iter().any(is_known) {
                self.former_summaries.push(former);
            }
        }
        for digest in &broken {
            self.judge_curve(digest);
        }
    }

    /// What a pour teaches once acts of it were struck or corrected after it had taught.
    ///
    /// Its breaks count as they now stand: of a set broken at the same time as before, the specimens'
    /// own maturity is known. Where anything else was mended, its readings would have to be gone through
    /// again, and it teaches nothing else any more. So this needs no readings, and a restart, replay and
    /// the running daemon learn the same.
    pub(super) fn learn_from_mended(&mut self, record: &PourRecord, act: &Act) {
        let Some(known) = self.summaries.get(&record.id).cloned() else {
            return;
        };
        let mended = act.body.mends();
        let acts = self.acts.get(&record.id);
        let is_break = acts.is_some_and(|acts| {
            let mut mended = acts.iter().filter(|one| Some(one.id) == mended);
            mended.any(|one| crate::act_check::is_break(acts, one))
        });
        let curve_breaks = mended_breaks(record, &known);
        let summary = if is_break {
            PourSummary {
                known_at: act.recorded_at,
                ratio_ln: known
                    .ratio_ln
                    .filter(|_| curve_breaks == known.curve_breaks),
                curve_breaks,
                ..known
            }
        } else {
            PourSummary {
                curve_breaks,
                ..PourSummary::empty(record, act.recorded_at)
            }
        };
        self.take_summary(summary);
    }

    /// Takes back what a pour taught, from a moment on.
    pub(super) fn teaches_no_more(&mut self, pour: &str, known_at: UtcMs) {
        if let Some(known) = self.summaries.get(pour).cloned() {
            self.take_summary(PourSummary::nothing(&known, known_at));
        }
    }

    /// What finished pours had taught before acts of them were struck or corrected.
    #[must_use]
    pub fn former_summaries(&self) -> &[PourSummary] {
        &self.former_summaries
    }

    /// What finished pours have taught so far, by pour.
    #[must_use]
    pub fn summaries(&self) -> &BTreeMap<String, PourSummary> {
        &self.summaries
    }

    /// What those lead to expect of a pour.
    #[must_use]
    pub fn habits(&self, record: &PourRecord, now: UtcMs) -> Habits {
        // Of a pour that was mended later, a moment before goes by what was known then.
        let earlier = |one: &&PourSummary| {
            let newest = self.summaries.get(&one.pour);
            let is_last_word = !self.former_summaries.iter().any(|other| {
                other.pour == one.pour && other.known_at > one.known_at && other.known_at <= now
            });
            newest.is_none_or(|newest| newest.known_at > now) && is_last_word
        };
        let former = self.former_summaries.iter().filter(earlier);
        Habits::of(record, self.summaries.values().chain(former), now)
    }

    /// The summary of a pour from what was recorded by `known_at`; the plant must not have received
    /// anything later.
    fn summary_of(&self, pour: &str, known_at: UtcMs) -> Option<PourSummary> {
        let record = self.record_at(pour, known_at)?;
        let end = habits::ends_at(&record, known_at);
        let ready = self.ready_curve(&record, end).1;
        let clocks = self.clocks();
        let readings = self.readings(&clocks);
        let judged = judge_channels(&self.config, &record, ready, &readings, end);
        let breaks = self.breaks(&record, ready, &readings);
        let curve_breaks = ready.map_or_else(Vec::new, |ready| {
            let assessed: Vec<_> = judged.positions.iter().map(|one| &one.assessment).collect();
            let is_heated = curve_points::was_heated(&record, &assessed, &self.config.estimate);
            curve_points::curve_breaks(&record, &ready.digest, &breaks, is_heated)
        });
        if known_at < self.breaks_only_before {
            return Some(PourSummary {
                curve_breaks,
                ..PourSummary::empty(&record, known_at)
            });
        }
        let nothing = Habits::of(&record, std::iter::empty(), end);
        let known = self.known(&record, ready, &judged, (&breaks, &[]), &nothing);
        let mut summary = habits::summarise(&known, end, known_at);
        summary.curve_breaks = curve_breaks;
        let by_curve = forecast(&known, end);
        if let Some(reached_at) = by_curve
            .by_curve
            .likely_at
            .filter(|_| by_curve.is_curve_reached)
        {
            summary.trials = habits::AHEAD_H.map(|ahead_h| {
                self.trial(pour, &readings, reached_at, reached_at.plus_hours(-ahead_h))
            });
        }
        Some(summary)
    }

    /// What would have been forecast of a finished pour, beside what then came true by the curve.
    fn trial(
        &self,
        pour: &str,
        readings: &Readings<'_>,
        reached_at: UtcMs,
        at: UtcMs,
    ) -> Option<habits::Trial> {
        let record = self.record_at(pour, at)?;
        let ready = self.ready_curve(&record, at).1;
        let judged = judge_channels(&self.config, &record, ready, readings, at);
        let breaks = self.breaks(&record, ready, readings);
        let habits = self.habits(&record, at).uncorrected();
        let window = forecast(
            &self.known(&record, ready, &judged, (&breaks, &[]), &habits),
            at,
        )
        .by_curve;
        let (early_at, likely_at, late_at) = (window.early_at?, window.likely_at?, window.late_at?);
        Some(habits::Trial {
            error_h: reached_at.hours_since(likely_at),
            before_h: likely_at.hours_since(early_at),
            after_h: late_at.hours_since(likely_at),
        })
    }
}

fn digests_of(summary: &PourSummary) -> BTreeSet<String> {
    let points = summary.curve_breaks.iter();
    points.map(|point| point.digest.clone()).collect()
}

/// The breaks of a pour as they now stand, as points for the curve that they were held against.
fn mended_breaks(record: &PourRecord, known: &PourSummary) -> Vec<CurveBreak> {
    let breaks = record.breaks.iter().filter_map(|broken| {
        let left_at = left_tarp_at(broken);
        let before = known
            .curve_breaks
            .iter()
            .find(|point| (&point.set, point.left_tarp_at) == (&broken.result.set, left_at))?;
        let strengths: Vec<f64> = broken
            .result
            .specimens
            .iter()
            .filter_map(|one| strength_mpa(record, &broken.result.set, one))
            .filter(|strength| *strength > 0.0)
            .collect();
        if strengths.is_empty() {
            return None;
        }
        let mut point = before.clone();
        point.broken.broken_at = broken.result.tested_at.to_utc()?;
        point.broken.measured_mpa = strengths.iter().sum::<f64>() / strengths.len() as f64;
        point.broken.specimen_count = u32::try_from(strengths.len()).unwrap_or(u32::MAX);
        Some(point)
    });
    breaks.collect()
}

//! What finished pours teach, each at its own time, and what that leads to expect.

use std::collections::{BTreeMap, BTreeSet};

use super::Plant;
use crate::act::Act;
use crate::curve_points;
use crate::forecast::forecast;
use crate::habits::{self, Habits, PourSummary};
use crate::positions::{Readings, judge_channels};
use crate::pour::PourRecord;
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

    /// Takes in what a finished pour taught.
    pub fn take_summary(&mut self, summary: PourSummary) {
        self.learns_at.remove(&summary.pour);
        let broken: BTreeSet<String> = summary
            .curve_breaks
            .iter()
            .map(|point| point.digest.clone())
            .collect();
        self.summaries.insert(summary.pour.clone(), summary);
        for digest in &broken {
            self.judge_curve(digest);
        }
    }

    /// What finished pours have taught so far, by pour.
    #[must_use]
    pub fn summaries(&self) -> &BTreeMap<String, PourSummary> {
        &self.summaries
    }

    /// What those lead to expect of a pour.
    #[must_use]
    pub fn habits(&self, record: &PourRecord, now: UtcMs) -> Habits {
        Habits::of(record, self.summaries.values(), now)
    }

    /// The summary of a pour from what was recorded by `known_at`; the plant must not have received
    /// anything later.
    fn summary_of(&self, pour: &str, known_at: UtcMs) -> Option<PourSummary> {
        let acts = self.acts.get(pour)?;
        let record =
            PourRecord::fold(acts.iter().filter(|act| act.recorded_at <= known_at)).remove(pour)?;
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
                self.trial(acts, &readings, reached_at, reached_at.plus_hours(-ahead_h))
            });
        }
        Some(summary)
    }

    /// What would have been forecast of a finished pour, beside what then came true by the curve.
    fn trial(
        &self,
        acts: &[Act],
        readings: &Readings<'_>,
        reached_at: UtcMs,
        at: UtcMs,
    ) -> Option<habits::Trial> {
        let pour = &acts.first()?.pour;
        let record =
            PourRecord::fold(acts.iter().filter(|act| act.recorded_at <= at)).remove(pour)?;
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

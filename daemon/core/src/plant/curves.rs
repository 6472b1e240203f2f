//! Curves of a plant while it runs: new records about them, and what breaks say of them.

use calibration::{CurveRecord, CurveStanding, standing_at};

use super::Plant;
use crate::assessment::{Advisory, PositionAssessment, Trouble};
use crate::config::KnownCurve;
use crate::curve_points::{self, CurveVerdict};
use crate::estimate::ReadyCurve;
use crate::pour::PourRecord;
use crate::time::UtcMs;
use crate::trouble::drift_trouble;

impl Plant {
    /// Takes in curves that are not known yet. True where one is new.
    pub fn take_curves(&mut self, curves: Vec<KnownCurve>) -> bool {
        let known_count = self.config.curves.len();
        for curve in curves {
            if self.curves.contains_key(&curve.digest) {
                continue;
            }
            let digest = curve.digest.clone();
            let ready = ReadyCurve::new(&curve, &self.config.estimate);
            self.curves.insert(digest.clone(), ready);
            self.config.curves.push(curve);
            self.judge_curve(&digest);
        }
        self.config.curves.len() > known_count
    }

    /// Takes in records about curves; each counts from when it was recorded. True where one is new.
    pub fn take_curve_records(&mut self, records: &[CurveRecord]) -> bool {
        let known_count = self.config.curve_records.len();
        for record in records {
            if !self.config.curve_records.contains(record) {
                self.config.curve_records.push(record.clone());
            }
        }
        self.config.curve_records.len() > known_count
    }

    /// Holds a curve against every break that is known of it.
    pub(super) fn judge_curve(&mut self, digest: &str) {
        let settings = &self.config.estimate;
        let Some(curve) = self.config.curve(digest) else {
            return;
        };
        let Some(verdict) = curve_points::verdict(curve, &self.summaries, settings) else {
            return;
        };
        let learned = curve_points::with_learned_scatter(curve, &verdict, settings);
        if let (Some(ready), Some(learned)) = (self.curves.get_mut(digest), learned) {
            ready.estimating = learned;
        }
        self.verdicts.insert(digest.to_owned(), verdict);
    }

    /// What the breaks of finished pours say of a curve, where it has any.
    #[must_use]
    pub fn curve_verdict(&self, digest: &str) -> Option<&CurveVerdict> {
        self.verdicts.get(digest)
    }

    /// Curves that may be used and no longer hold by the plant's breaks.
    pub(super) fn drift_troubles(&self, now: UtcMs) -> Vec<Trouble> {
        let Some(now_utc) = now.to_utc() else {
            return Vec::new();
        };
        let drifting = self.verdicts.iter().filter_map(|(digest, verdict)| {
            let known = self.config.curve(digest)?;
            let records = &self.config.curve_records;
            let standing = standing_at(&known.file, digest, records, now_utc);
            if !matches!(standing, CurveStanding::Approved { .. }) {
                return None;
            }
            let name = &self.curves.get(digest)?.name;
            let what = curve_points::drift_sentence(name, verdict)?;
            Some(drift_trouble(name, what, verdict.known_at))
        });
        drifting.collect()
    }

    /// Whether people said that a bed gets no heat, and nobody spoke of heat over it or over another
    /// pour under the same tarp.
    fn is_without_heat(&self, record: &PourRecord, now: UtcMs) -> bool {
        record.facts.without_heat
            && !self
                .together_with(record, now)
                .any(PourRecord::is_said_heated)
    }

    /// Lowers the bounds of a pour on which its curve only advises, and says why.
    pub(super) fn advise(
        &self,
        record: &PourRecord,
        ready: &ReadyCurve,
        positions: &mut [PositionAssessment],
        now: UtcMs,
    ) -> Option<Advisory> {
        let settings = &self.config.estimate;
        let verdict = self.verdicts.get(&ready.digest);
        let is_without_heat = self.is_without_heat(record, now);
        let advisory = curve_points::advisory(ready, verdict, is_without_heat, settings)?;
        for position in positions {
            curve_points::widen(&mut position.estimate, advisory.margin);
        }
        Some(advisory)
    }
}

//! How far the concrete of this pour may differ from its curve, and what its breaks say of that.

use calibration::{PreparedCurve, RequiredMaturity};

use crate::act::SetPurpose;
use crate::assessment::JudgedBreak;
use crate::pour::PourRecord;
use crate::time::UtcMs;

/// Scatter of one specimen about its concrete, a fraction (common practice, no source).
const SPECIMEN_CV: f64 = 0.04;
/// Specimens of the next set where none is recorded.
const SPECIMEN_COUNT: usize = 2;

/// The pour's factor on its curve, as the logarithm's mean and deviation, with the scatter beside
/// it.
#[derive(Debug, Clone)]
pub(super) struct StrengthDoubt {
    pour_ln: f64,
    pour_ln_sd: f64,
    load_cv: f64,
    /// Scatter of the mean of the next set's specimens.
    pub(super) set_cv: f64,
    /// When cylinders without a history were pulled (hours from now), and the curve's maturity at
    /// the strength they had: none where they were below its data.
    pub(super) failed: Vec<(f64, f64)>,
}

impl StrengthDoubt {
    /// `curve_cv` is the curve's own uncertainty at the required strength.
    pub(super) fn new(
        record: &PourRecord,
        curve: &PreparedCurve,
        breaks: &[JudgedBreak],
        (pour_cv, load_cv, curve_cv): (f64, f64, f64),
        now: UtcMs,
    ) -> Self {
        let tested = || breaks.iter().filter(|broken| broken.tested_at <= now);
        let mut doubt = Self {
            pour_ln: 0.0,
            pour_ln_sd: pour_cv.hypot(curve_cv),
            load_cv,
            set_cv: SPECIMEN_CV / (next_specimen_count(record) as f64).sqrt(),
            failed: Vec::new(),
        };
        for broken in tested() {
            match broken.ratio.filter(|ratio| *ratio > 0.0) {
                Some(ratio) => {
                    let count = broken.strengths_mpa.len().max(1) as f64;
                    doubt.learn(ratio.ln(), load_cv.hypot(SPECIMEN_CV / count.sqrt()));
                }
                None if has_failed(broken) => {
                    let pulled_at = record
                        .breaks
                        .iter()
                        .find(|one| one.id == broken.id)
                        .and_then(|one| one.result.pulled_at)
                        .unwrap_or(broken.tested_at);
                    let had = reaching(curve, broken.mean_mpa);
                    doubt
                        .failed
                        .push((pulled_at.hours_since(now).min(0.0), had));
                }
                None => {}
            }
        }
        doubt
    }

    /// Shrinks one measured ratio towards what was expected: normal with normal, in logarithms.
    fn learn(&mut self, ratio_ln: f64, ratio_sd: f64) {
        let expected_variance = self.pour_ln_sd * self.pour_ln_sd;
        let weight = expected_variance / (expected_variance + ratio_sd * ratio_sd);
        if weight.is_finite() {
            self.pour_ln += weight * (ratio_ln - self.pour_ln);
            self.pour_ln_sd *= (1.0 - weight).sqrt();
        }
    }

    /// The factor on the curve's strength at one position, from two standard normal numbers.
    pub(super) fn factor(&self, pour: f64, load: f64) -> f64 {
        (self.pour_ln + self.pour_ln_sd * pour + self.load_cv * load).exp()
    }
}

fn has_failed(broken: &JudgedBreak) -> bool {
    let passes_pooled = broken.pooled.is_some_and(|pooled| pooled.passes);
    broken.is_release_set && !broken.passes && !passes_pooled
}

/// Specimens of the first release set that is not all broken.
fn next_specimen_count(record: &PourRecord) -> usize {
    record
        .sets
        .values()
        .filter(|set| set.purpose == SetPurpose::Release)
        .map(|set| {
            set.specimens
                .len()
                .saturating_sub(record.broken_specimens(&set.set).len())
        })
        .find(|left| *left > 0)
        .unwrap_or(SPECIMEN_COUNT)
}

/// The curve's relative uncertainty at a strength, without the scatter between pours and loads.
pub(super) fn curve_cv(curve: &PreparedCurve, maturity: f64, pour_cv: f64, load_cv: f64) -> f64 {
    let strength_mpa = curve.strength_at(maturity);
    let relative = curve.sd_at(maturity) / strength_mpa;
    let own = relative * relative - pour_cv * pour_cv - load_cv * load_cv;
    if own.is_finite() {
        own.max(0.0).sqrt()
    } else {
        0.0
    }
}

/// The maturity at which the curve reaches a strength: that of its first data where that is below
/// them, and infinite where its data do not reach it.
pub(super) fn reaching(curve: &PreparedCurve, strength_mpa: f64) -> f64 {
    match curve.required_maturity(strength_mpa) {
        RequiredMaturity::Within(maturity)
        | RequiredMaturity::BeforeData {
            first_maturity: maturity,
        } => maturity,
        RequiredMaturity::BeyondData { .. } | RequiredMaturity::Never => f64::INFINITY,
    }
}

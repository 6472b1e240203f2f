//! Breaks of finished pours held against their curves: whether a curve still holds, how far pours
//! scatter about it, and whether it may be believed on a heated bed.
//!
//! A pour's breaks come with its summary and count from when that became known, so that the running
//! daemon, a restart and replay judge a curve by the same breaks. Those of the last half year count,
//! and the last ten pours however old they are: a curve that ten pours have verified stays verified
//! while its mix is not cast, and one that is cast once a month gets there too.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::LazyLock;

use calibration::verification::{
    CurveState, RunLengths, Verification, VerificationRules, VerifyingBreak, verify_with,
};
use calibration::{Cured, PreparedCurve, Scatter, StrengthEstimate};

use crate::assessment::{Advisory, JudgedBreak, PositionAssessment, PositionEstimate};
use crate::config::{EstimateSettings, KnownCurve};
use crate::estimate::ReadyCurve;
use crate::habits::{KEPT_DAYS, PourSummary};
use crate::positions::left_tarp_at;
use crate::pour::PourRecord;
use crate::time::UtcMs;

/// A plant chooses the expected scatter but not the limits of the sums, so these are always the same.
static RUN_LENGTHS: LazyLock<RunLengths> =
    LazyLock::new(|| RunLengths::of(&VerificationRules::default()));

/// A break of a finished pour, with the curve that the pour had.
#[derive(Debug, Clone, PartialEq)]
pub struct CurveBreak {
    pub digest: String,
    pub set: String,
    /// When its specimens left the tarp: their own maturity goes by that.
    pub left_tarp_at: UtcMs,
    pub broken: VerifyingBreak,
    /// The pour lay on a heated bed.
    pub is_heated: bool,
}

/// What the breaks known so far say of one curve.
#[derive(Debug, Clone)]
pub struct CurveVerdict {
    pub of_all: Verification,
    /// By the pours on heated beds alone: others say nothing of a heated cycle.
    pub of_heated: Verification,
    /// When the last of these breaks became known.
    pub known_at: UtcMs,
}

/// The breaks of a pour as points for its curve; specimens without a usable strength say nothing.
pub(crate) fn curve_breaks(
    record: &PourRecord,
    digest: &str,
    breaks: &[JudgedBreak],
    is_heated: bool,
) -> Vec<CurveBreak> {
    let points = breaks.iter().filter_map(|judged| {
        let usable: Vec<f64> = judged
            .strengths_mpa
            .iter()
            .copied()
            .filter(|strength| *strength > 0.0)
            .collect();
        if usable.is_empty() {
            return None;
        }
        let broken = record.breaks.iter().find(|one| one.id == judged.id)?;
        Some(CurveBreak {
            digest: digest.to_owned(),
            set: judged.set.clone(),
            left_tarp_at: left_tarp_at(broken),
            broken: VerifyingBreak {
                pour: record.id.clone(),
                broken_at: judged.tested_at.to_utc()?,
                measured_mpa: usable.iter().sum::<f64>() / usable.len() as f64,
                specimen_count: u32::try_from(usable.len()).unwrap_or(u32::MAX),
                own_maturity: judged.specimen_maturity,
            },
            is_heated,
        })
    });
    points.collect()
}

/// The rules by which a plant watches its curves.
#[must_use]
pub fn rules(settings: &EstimateSettings) -> VerificationRules {
    VerificationRules {
        expected_pour_cv: settings.pour_cv,
        ..VerificationRules::default()
    }
}

/// Independent pours that verify a curve.
#[must_use]
pub fn pour_count_to_verify() -> usize {
    VerificationRules::default().pour_count_to_verify
}

/// What breaks say of a curve.
#[must_use]
pub fn judged_by(
    curve: &KnownCurve,
    breaks: &[VerifyingBreak],
    settings: &EstimateSettings,
) -> Verification {
    verify_with(&curve.file, breaks, &rules(settings), *RUN_LENGTHS)
}

/// What the summaries say of a curve; `None` while none of its pours has a break.
pub(crate) fn verdict(
    curve: &KnownCurve,
    summaries: &BTreeMap<String, PourSummary>,
    settings: &EstimateSettings,
) -> Option<CurveVerdict> {
    let latest_at = summaries.values().map(|one| one.known_at).max()?;
    let oldest_at = latest_at.plus_hours(-24.0 * KEPT_DAYS);
    let of_curve: Vec<(UtcMs, &CurveBreak)> = summaries
        .values()
        .flat_map(|one| one.curve_breaks.iter().map(|point| (one.known_at, point)))
        .filter(|(_, point)| point.digest == curve.digest)
        .collect();
    let known_at = of_curve.iter().map(|(known_at, _)| *known_at).max()?;
    let judged = |only_heated: bool| {
        let counting: Vec<(UtcMs, &CurveBreak)> = of_curve
            .iter()
            .filter(|(_, point)| point.is_heated || !only_heated)
            .copied()
            .collect();
        let from_at = oldest_at.min(verifying_since(curve, &counting));
        let breaks: Vec<VerifyingBreak> = counting
            .iter()
            .filter(|(known_at, _)| *known_at >= from_at)
            .map(|(_, point)| point.broken.clone())
            .collect();
        judged_by(curve, &breaks, settings)
    };
    Some(CurveVerdict {
        of_all: judged(false),
        of_heated: judged(true),
        known_at,
    })
}

/// When the first of the last pours became known that together verify a curve.
fn verifying_since(curve: &KnownCurve, breaks: &[(UtcMs, &CurveBreak)]) -> UtcMs {
    let range = curve.file.range.maturity_min..=curve.file.range.maturity_max;
    let is_point = |point: &CurveBreak| {
        let own = point.broken.own_maturity;
        own.is_some_and(|own| range.contains(&own))
    };
    let pours: BTreeSet<(UtcMs, &str)> = breaks
        .iter()
        .filter(|(_, point)| is_point(point))
        .map(|(known_at, point)| (*known_at, point.broken.pour.as_str()))
        .collect();
    let last = pours.iter().rev().take(pour_count_to_verify());
    last.map(|(known_at, _)| *known_at)
        .min()
        .unwrap_or(UtcMs(i64::MAX))
}

/// The curve with the scatter from pour to pour that its breaks show; the plant's figure without any.
pub(crate) fn with_learned_scatter(
    curve: &KnownCurve,
    verdict: &CurveVerdict,
    settings: &EstimateSettings,
) -> Option<PreparedCurve> {
    (!verdict.of_all.points.is_empty()).then(|| {
        let scatter = Scatter {
            pour_cv: verdict.of_all.pour_cv,
            load_cv: settings.load_cv,
        };
        PreparedCurve::new(&curve.file, scatter)
    })
}

/// Whether a finished pour lay on a heated bed, so that its break says something of a heated cycle: by
/// what people said, or by how hot its concrete was.
#[must_use]
pub fn was_heated(
    record: &PourRecord,
    positions: &[&PositionAssessment],
    settings: &EstimateSettings,
) -> bool {
    record.is_said_heated() || positions.iter().any(|one| is_hot(one, settings))
}

/// Whether concrete was hotter than a bed without heat gets.
pub(crate) fn is_hot(position: &PositionAssessment, settings: &EstimateSettings) -> bool {
    position
        .highest_c
        .is_some_and(|highest_c| highest_c > settings.heated_above_c)
}

/// Whether a curve only advises on this pour: made of standard-cured specimens, used on a bed that may
/// be heated, and not yet verified by the plant's own pours on heated beds.
///
/// `is_without_heat` is what people said. Temperatures have no say: a bed that looks cool because its
/// hot readings are lost would get a higher lower bound than the same bed with them.
pub(crate) fn advisory(
    ready: &ReadyCurve,
    verdict: Option<&CurveVerdict>,
    is_without_heat: bool,
    settings: &EstimateSettings,
) -> Option<Advisory> {
    if ready.cured != Cured::Standard || is_without_heat || verdict.is_some_and(verifies_heated) {
        return None;
    }
    Some(Advisory {
        pour_count: verdict.map_or(0, |one| one.of_heated.points.len()),
        needed: pour_count_to_verify(),
        margin: settings.advisory_margin,
    })
}

/// Whether breaks verify a curve on heated beds.
///
/// Drift over all pours counts too: a weak break whose hot readings were lost must not be left out.
#[must_use]
pub fn verifies_heated(verdict: &CurveVerdict) -> bool {
    verdict.of_heated.state == CurveState::Holds && verdict.of_all.state != CurveState::Drifts
}

/// Lowers an estimate's bound by the margin of a curve that only advises; the estimate stays.
pub(crate) fn widen(estimate: &mut PositionEstimate, margin: f64) {
    if let PositionEstimate::Some {
        strength:
            StrengthEstimate::Within { lower_90_mpa, .. }
            | StrengthEstimate::AboveData { lower_90_mpa, .. },
        ..
    } = estimate
    {
        *lower_90_mpa *= 1.0 - margin;
    }
}

/// What drift means, for a person; `None` while a curve shows none.
#[must_use]
pub fn drift_sentence(name: &str, verdict: &CurveVerdict) -> Option<String> {
    let last = verdict.of_all.signs.last()?;
    let bias = verdict.of_all.bias.unwrap_or_default();
    Some(format!(
        "Curve {name} may no longer hold: {}. Over {} pours cylinders broke {:+.0} % off the curve.",
        last.sentence(),
        verdict.of_all.points.len(),
        100.0 * bias
    ))
}

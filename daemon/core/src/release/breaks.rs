//! Breaks judged one by one, and together where one follows a failure too soon.

use calibration::{CylinderSize, PreparedCurve, cylinder_strength};
use units::{Kilonewton, Megapascal, Millimetre};

use crate::act::{SetPurpose, SpecimenResult};
use crate::assessment::{JudgedBreak, Pooled};
use crate::config::ReleasePolicy;
use crate::pour::{PourRecord, RecordedBreak};

/// Judges every break of a pour, in order of testing.
///
/// `specimen_maturity` is the specimens' own, `None` where no channel followed them.
#[must_use]
pub fn judge_breaks(
    record: &PourRecord,
    policy: &ReleasePolicy,
    prepared: Option<&PreparedCurve>,
    specimen_maturity: &dyn Fn(&RecordedBreak) -> Option<f64>,
) -> Vec<JudgedBreak> {
    let required_mpa = record.release_strength_mpa().unwrap_or_default();
    let mut breaks: Vec<JudgedBreak> = Vec::with_capacity(record.breaks.len());
    for broken in &record.breaks {
        let maturity = specimen_maturity(broken);
        let mut judged = judge_alone(record, policy, broken, required_mpa);
        judged.specimen_maturity = maturity;
        judged.estimate_mpa = prepared.zip(maturity).and_then(|(curve, maturity)| {
            let known = maturity >= curve.range().maturity_min;
            known.then(|| curve.strength_at(maturity.min(curve.range().maturity_max)))
        });
        judged.ratio = judged
            .estimate_mpa
            .map(|estimate| judged.mean_mpa / estimate);
        if maturity.is_none() {
            judged.notes.push(if policy.count_specimens_without_history {
                "no temperature history: counted by the plant's rule, and teaches the curve nothing"
                    .to_owned()
            } else {
                "no temperature history: by the plant's rule it does not confirm".to_owned()
            });
        }
        breaks.push(judged);
    }
    for index in 0..breaks.len() {
        breaks[index].pooled = pooled_strengths(&breaks, index, policy).map(|strengths| {
            let count = strengths.len() as f64;
            Pooled {
                mean_mpa: strengths.iter().sum::<f64>() / count,
                passes: passes(record, policy, &breaks[index].set, &strengths, required_mpa),
            }
        });
    }
    breaks
}

fn judge_alone(
    record: &PourRecord,
    policy: &ReleasePolicy,
    broken: &RecordedBreak,
    required_mpa: f64,
) -> JudgedBreak {
    let set = record.sets.get(&broken.result.set);
    let strengths_mpa: Vec<f64> = broken
        .result
        .specimens
        .iter()
        .map(|specimen| strength_mpa(record, &broken.result.set, specimen).unwrap_or(f64::NAN))
        .collect();
    let size = size_of(record, &broken.result.set);
    let pressed: Vec<Megapascal> = strengths_mpa.iter().map(|one| Megapascal(*one)).collect();
    let judgement = policy.rule.judge(&pressed, Megapascal(required_mpa), size);
    let mut notes = Vec::new();
    if let (Some(percent), true) = (judgement.range_percent, judgement.range_suspect) {
        notes.push(format!(
            "the specimens differ by {percent:.1} % of their mean: look at caps, breaks and samples"
        ));
    }
    let is_release_set = set.is_some_and(|set| set.purpose == SetPurpose::Release);
    if !is_release_set {
        let why = broken.why.as_deref().unwrap_or("no reason given");
        notes.push(format!("not from the release set: {why}"));
    }
    if broken.result.specimens.len() < policy.rule.specimen_count_min {
        notes.push(format!(
            "{} specimens, the plant's rule asks for {}",
            broken.result.specimens.len(),
            policy.rule.specimen_count_min
        ));
    }
    JudgedBreak {
        id: broken.id,
        set: broken.result.set.clone(),
        by: broken.by.clone(),
        tested_at: broken.result.tested_at,
        mean_mpa: judgement.average.map_or(0.0, |average| average.0),
        strengths_mpa,
        required_mpa,
        passes: judgement.passes && required_mpa > 0.0,
        pooled: None,
        specimen_maturity: None,
        estimate_mpa: None,
        ratio: None,
        is_release_set,
        notes,
    }
}

/// A specimen's strength, MPa: as entered, or from its load and the diameter; `None` where neither is there.
#[must_use]
pub fn strength_mpa(record: &PourRecord, set: &str, specimen: &SpecimenResult) -> Option<f64> {
    if let Some(strength_mpa) = specimen.strength_mpa {
        return Some(strength_mpa);
    }
    let made = record.sets.get(set)?;
    let diameter = Millimetre(specimen.diameter_mm.unwrap_or(made.diameter_mm));
    let load = Kilonewton(specimen.load_kn?);
    cylinder_strength(load, diameter, Millimetre(made.length_mm))
        .ok()
        .map(|strength| strength.0)
}

fn size_of(record: &PourRecord, set: &str) -> CylinderSize {
    let diameter_mm = record.sets.get(set).map_or(100.0, |made| made.diameter_mm);
    CylinderSize::of_diameter(Millimetre(diameter_mm))
}

/// Whether these strengths meet a requirement by the plant's rule.
pub(super) fn passes(
    record: &PourRecord,
    policy: &ReleasePolicy,
    set: &str,
    strengths_mpa: &[f64],
    required_mpa: f64,
) -> bool {
    let pressed: Vec<Megapascal> = strengths_mpa.iter().map(|one| Megapascal(*one)).collect();
    let judgement = policy
        .rule
        .judge(&pressed, Megapascal(required_mpa), size_of(record, set));
    judgement.passes && required_mpa > 0.0
}

/// The strengths of a break together with the release sets tested shortly before it, where one of them failed.
pub(super) fn pooled_strengths(
    breaks: &[JudgedBreak],
    index: usize,
    policy: &ReleasePolicy,
) -> Option<Vec<f64>> {
    let this = &breaks[index];
    let together: Vec<&JudgedBreak> = breaks[..index]
        .iter()
        .filter(|earlier| earlier.is_release_set)
        .filter(|earlier| this.tested_at.hours_since(earlier.tested_at) <= policy.pooled_within_h)
        .collect();
    together.iter().any(|earlier| !earlier.passes).then(|| {
        let earlier = together
            .iter()
            .flat_map(|one| one.strengths_mpa.iter().copied());
        earlier.chain(this.strengths_mpa.iter().copied()).collect()
    })
}

//! Breaks judged one by one, and together where one follows a failure too soon.

use calibration::{
    CylinderSize, Judgement, PreparedCurve, ReleaseBasis, Shortfall, cylinder_strength,
};
use units::{Kilonewton, Megapascal, Millimetre};

use crate::act::{CylinderSet, SetPurpose, SetStorage, SpecimenResult};
use crate::assessment::{BreakSays, Decided, DecidedBy, JudgedBreak, Pooled};
use crate::config::{ReleasePolicy, SetScope};
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
        // Beyond its data the curve says "at least": a lower break disagrees with that, but a higher
        // one does not show that the pour is stronger than its curve.
        let is_beyond = prepared
            .zip(maturity)
            .is_some_and(|(curve, maturity)| maturity > curve.range().maturity_max);
        judged.ratio = judged
            .estimate_mpa
            .map(|estimate| judged.mean_mpa / estimate)
            .filter(|ratio| !is_beyond || *ratio < 1.0);
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
        breaks[index].pooled = pooled(record, &breaks, index, policy);
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
    let mut notes = Vec::new();
    let mut strengths_mpa = Vec::with_capacity(broken.result.specimens.len());
    for specimen in &broken.result.specimens {
        let strength = strength_mpa(record, &broken.result.set, specimen);
        if strength.is_none() {
            notes.push(format!(
                "specimen {} has no usable strength: it counts as nothing, and the set fails",
                specimen.specimen
            ));
        }
        strengths_mpa.push(strength.unwrap_or(0.0));
    }
    let size = size_of(record, &broken.result.set);
    let pressed: Vec<Megapascal> = strengths_mpa.iter().map(|one| Megapascal(*one)).collect();
    let judgement = policy.rule.judge(&pressed, Megapascal(required_mpa), size);
    let names = broken.result.specimens.iter();
    let cylinders: Vec<(&str, &str)> = names
        .map(|one| (broken.result.set.as_str(), one.specimen.as_str()))
        .collect();
    if required_mpa <= 0.0 {
        notes.push("no release strength is required: there is nothing to pass".to_owned());
    }
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
        decided: decided(policy, &judgement, &cylinders, required_mpa),
        pooled: None,
        specimen_maturity: None,
        estimate_mpa: None,
        ratio: None,
        beside: None,
        is_release_set,
        confirms: Vec::new(),
        says: BreakSays::default(),
        words: String::new(),
        short: String::new(),
        notes,
    }
}

/// The number by which cylinders, each named by its set and its own name, pass or fail.
fn decided(
    policy: &ReleasePolicy,
    judgement: &Judgement,
    cylinders: &[(&str, &str)],
    required_mpa: f64,
) -> Decided {
    let mut sets: Vec<String> = cylinders.iter().map(|(set, _)| (*set).to_owned()).collect();
    sets.dedup();
    let mean_mpa = judgement.average.map_or(0.0, |average| average.0);
    let named = |specimen: usize| {
        let cylinder = cylinders.get(specimen.saturating_sub(1));
        cylinder.map(|(_, name)| (*name).to_owned())
    };
    let (by, specimen, value, needed) = match judgement.reasons.first() {
        _ if required_mpa <= 0.0 => (DecidedBy::NoRequirement, None, mean_mpa, 0.0),
        None if policy.rule.basis == ReleaseBasis::Each => {
            let lowest_mpa = judgement.lowest.map_or(0.0, |lowest| lowest.0);
            (DecidedBy::Cylinder, None, lowest_mpa, required_mpa)
        }
        None => (DecidedBy::Mean, None, mean_mpa, required_mpa),
        Some(Shortfall::AverageBelow { average, required }) => {
            (DecidedBy::Mean, None, average.0, required.0)
        }
        Some(Shortfall::SpecimenBelow {
            specimen,
            strength,
            required,
        }) => (
            DecidedBy::Cylinder,
            named(*specimen),
            strength.0,
            required.0,
        ),
        Some(Shortfall::NotAStrength { specimen }) => {
            (DecidedBy::NoStrength, named(*specimen), 0.0, required_mpa)
        }
        Some(Shortfall::TooFewSpecimens {
            specimen_count,
            specimen_count_min,
        }) => (
            DecidedBy::TooFewCylinders,
            None,
            *specimen_count as f64,
            *specimen_count_min as f64,
        ),
    };
    Decided {
        by,
        sets,
        specimen,
        value,
        needed,
    }
}

/// A break judged together with the sets tested shortly before it, where there are such.
fn pooled(
    record: &PourRecord,
    breaks: &[JudgedBreak],
    index: usize,
    policy: &ReleasePolicy,
) -> Option<Pooled> {
    let together = judged_together(record, breaks, index, policy)?;
    let this = &breaks[index];
    let strengths: Vec<Megapascal> = together
        .iter()
        .flat_map(|one| one.strengths_mpa.iter().map(|mpa| Megapascal(*mpa)))
        .collect();
    let cylinders: Vec<(&str, &str)> = together
        .iter()
        .flat_map(|one| {
            let recorded = record.breaks.iter().find(|broken| broken.id == one.id);
            let specimens = recorded.map_or(&[][..], |broken| &broken.result.specimens);
            let set = one.set.as_str();
            specimens
                .iter()
                .map(move |specimen| (set, specimen.specimen.as_str()))
        })
        .collect();
    let required = Megapascal(this.required_mpa);
    let judgement = policy
        .rule
        .judge(&strengths, required, size_of(record, &this.set));
    Some(Pooled {
        mean_mpa: judgement.average.map_or(0.0, |average| average.0),
        passes: judgement.passes && this.required_mpa > 0.0,
        decided: decided(policy, &judgement, &cylinders, this.required_mpa),
    })
}

/// What a break is compared with, and how it compares.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Compared {
    /// Measured over estimated.
    pub ratio: f64,
    pub estimate_mpa: f64,
    /// In words: "the curve at its own maturity".
    pub with: &'static str,
    /// The name by which a person accepts it as odd.
    pub name: &'static str,
}

/// A break held against its own temperatures, or where it has none against the bed's positions.
///
/// Within what the positions span it agrees: nobody knows beside which of them it lay.
#[must_use]
pub fn compared(broken: &JudgedBreak) -> Option<Compared> {
    if let (Some(ratio), Some(estimate_mpa)) = (broken.ratio, broken.estimate_mpa) {
        return Some(Compared {
            ratio,
            estimate_mpa,
            with: "the curve at its own maturity",
            name: "off-its-own-maturity",
        });
    }
    let beside = broken.beside?;
    let above = beside
        .highest_mpa
        .filter(|highest| broken.mean_mpa > *highest);
    let (estimate_mpa, with) = match above {
        Some(highest) => (
            highest,
            "the highest estimate on the bed when it left the tarp",
        ),
        None => (
            beside.lowest_mpa,
            "the lowest estimate on the bed when it left the tarp",
        ),
    };
    let ratio = broken.mean_mpa / estimate_mpa;
    Some(Compared {
        ratio: if above.is_some() {
            ratio
        } else {
            ratio.min(1.0)
        },
        estimate_mpa,
        with,
        name: "off-the-positions",
    })
}

/// True where a break is so far off, either side, that a person must find out why.
#[must_use]
pub fn disagrees(broken: &JudgedBreak, policy: &ReleasePolicy) -> bool {
    let off = |one: Compared| (one.ratio - 1.0).abs() > policy.disagreement_fraction;
    broken.is_release_set && compared(broken).is_some_and(off)
}

/// A specimen's strength, MPa: as entered, or from its load and the diameter; `None` where neither is there.
#[must_use]
pub fn strength_mpa(record: &PourRecord, set: &str, specimen: &SpecimenResult) -> Option<f64> {
    if let Some(strength_mpa) = specimen.strength_mpa {
        return Some(strength_mpa).filter(|strength| strength.is_finite());
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

/// The strengths that decide on a break: with the sets it is judged together with, else its own.
pub(super) fn deciding_strengths(
    record: &PourRecord,
    breaks: &[JudgedBreak],
    index: usize,
    policy: &ReleasePolicy,
) -> Vec<f64> {
    let together = judged_together(record, breaks, index, policy);
    let together = together.unwrap_or_else(|| vec![&breaks[index]]);
    let strengths = together.iter().flat_map(|one| &one.strengths_mpa);
    strengths.copied().collect()
}

/// A break with the release sets of the same concrete tested shortly before it, where one of them
/// failed: breaking until one passes is one result.
fn judged_together<'a>(
    record: &PourRecord,
    breaks: &'a [JudgedBreak],
    index: usize,
    policy: &ReleasePolicy,
) -> Option<Vec<&'a JudgedBreak>> {
    let this = &breaks[index];
    let own = record.sets.get(&this.set).filter(|_| this.is_release_set)?;
    let is_near =
        |other: &JudgedBreak| this.tested_at.hours_since(other.tested_at) <= policy.pooled_within_h;
    // A set of another load says nothing of this concrete, so it may neither help nor hinder it.
    let is_same = |other: &JudgedBreak| {
        record
            .sets
            .get(&other.set)
            .is_some_and(|set| shares_concrete(policy, own, set))
    };
    let mut together: Vec<&JudgedBreak> = breaks[..index]
        .iter()
        .filter(|earlier| earlier.is_release_set && is_near(earlier) && is_same(earlier))
        .collect();
    // Sets tested at one moment have no order: a failure among them counts whichever is named first.
    let is_tied = together
        .iter()
        .any(|earlier| earlier.tested_at == this.tested_at);
    let has_failure = together.iter().any(|earlier| !earlier.passes) || (is_tied && !this.passes);
    together.push(this);
    has_failure.then_some(together)
}

/// Whether two sets stand for any of the same concrete.
fn shares_concrete(policy: &ReleasePolicy, one: &CylinderSet, other: &CylinderSet) -> bool {
    let follows = |set: &CylinderSet| {
        let is_matched = set.storage == SetStorage::MatchCured;
        set.follows_position.clone().filter(|_| is_matched)
    };
    let apart = matches!((follows(one), follows(other)), (Some(a), Some(b)) if a != b);
    let is_for_all = policy.set_stands_for == SetScope::Pour;
    let any_load = is_for_all || one.loads.is_empty() || other.loads.is_empty();
    !apart && (any_load || one.loads.iter().any(|load| other.loads.contains(load)))
}

/// The result that counts: with the sets it is judged together with, where there are any.
pub(super) fn passes_finally(broken: &JudgedBreak) -> bool {
    broken
        .pooled
        .as_ref()
        .map_or(broken.passes, |pooled| pooled.passes)
}

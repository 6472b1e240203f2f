//! One pour as its acts in effect tell it so far: a fold, in the order in which they were recorded.

mod correct;
mod withdraw;

use std::collections::{BTreeMap, BTreeSet};

use crate::act::{
    Act, ActBody, BreakResult, ChannelBinding, ChannelRole, CylinderSet, Load, Position,
    PourOpened, Requirement, Stoppage, StrengthAct,
};
use crate::limits::{Disposition, LimitStated};
use crate::record::Record;
use crate::time::UtcMs;

/// Everything recorded of one pour.
#[derive(Debug, Clone, PartialEq)]
pub struct PourRecord {
    pub id: String,
    pub opened_by: String,
    pub opened_at: UtcMs,
    pub opened_recorded_at: UtcMs,
    /// What was said at opening, as corrected since; `loads`, `channels` and `cylinder_sets` stand below.
    pub facts: PourOpened,
    pub stoppages: Vec<Stoppage>,
    /// By ticket; the last word on a ticket counts.
    pub loads: BTreeMap<String, Load>,
    /// In time order; every binding has its `from_at`, or stands from the beginning.
    pub bindings: Vec<ChannelBinding>,
    pub sets: BTreeMap<String, CylinderSet>,
    pub pulled: Vec<Pulled>,
    /// Heat on and off, in time order.
    pub heat: Vec<Switch>,
    /// Tarp lifted (`on`) and back, in time order.
    pub tarp: Vec<Switch>,
    pub probes: Vec<Probe>,
    pub breaks: Vec<RecordedBreak>,
    /// Position → why it was left out.
    pub excluded: BTreeMap<String, Excluded>,
    /// Position → until when its gaps are accepted.
    pub gaps_accepted: BTreeMap<String, UtcMs>,
    pub resolved_breaks: BTreeSet<u128>,
    pub release: Option<Release>,
    /// Sign-offs that count no more, in order.
    pub withdrawn: Vec<Withdrawn>,
    pub stripped_at: Option<UtcMs>,
    pub abandoned_at: Option<UtcMs>,
    /// Initial set as measured; the last word counts.
    pub initial_set_at: Option<UtcMs>,
    /// Limits of this pour alone; the last word on each counts.
    pub limits_stated: Vec<LimitStated>,
    /// What engineers decided about breaches, in the order of recording.
    pub dispositions: Vec<Disposition>,
}

/// Cylinders taken from under the tarp.
#[derive(Debug, Clone, PartialEq)]
pub struct Pulled {
    pub at: UtcMs,
    pub set: String,
    pub specimens: Vec<String>,
}

/// Something switched.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Switch {
    pub at: UtcMs,
    pub on: bool,
}

/// A temperature read by hand.
#[derive(Debug, Clone, PartialEq)]
pub struct Probe {
    pub at: UtcMs,
    pub position: String,
    pub temperature_c: f64,
}

/// A break as recorded.
#[derive(Debug, Clone, PartialEq)]
pub struct RecordedBreak {
    pub id: u128,
    pub by: String,
    pub why: Option<String>,
    pub recorded_at: UtcMs,
    pub result: BreakResult,
}

/// Why a position is left out, by whom and since when.
#[derive(Debug, Clone, PartialEq)]
pub struct Excluded {
    pub at: UtcMs,
    pub by: String,
    pub why: String,
}

/// A signed release.
#[derive(Debug, Clone, PartialEq)]
pub struct Release {
    pub act_id: u128,
    pub at: UtcMs,
    pub by: String,
    pub breaks: Vec<u128>,
    /// Positions left out when it was signed, with reasons.
    pub excluded: Vec<(String, String)>,
    pub reason_without_estimate: Option<String>,
}

/// A sign-off that counts no more: a person withdrew it, or what it rests on was struck.
#[derive(Debug, Clone, PartialEq)]
pub struct Withdrawn {
    pub release: Release,
    /// When that became known.
    pub at: UtcMs,
    pub by: String,
    pub why: String,
    /// The set whose break was struck or corrected; `None` where a person withdrew the sign-off.
    pub set: Option<String>,
}

impl PourRecord {
    /// Folds the acts known so far into pours; acts that name no opened pour are left out.
    ///
    /// The order of `acts` does not matter: they are taken by `(recorded_at, id)`.
    #[must_use]
    pub fn fold<'a>(acts: impl IntoIterator<Item = &'a Act>) -> BTreeMap<String, Self> {
        Self::fold_record(&Record::of(acts))
    }

    /// Folds a record into pours.
    #[must_use]
    pub fn fold_record(record: &Record<'_>) -> BTreeMap<String, Self> {
        let mut pours: BTreeMap<String, Self> = BTreeMap::new();
        for (place, act) in record.ordered().iter().enumerate() {
            if act.body.mends().is_some() {
                withdraw::by_mending(record, place, &mut pours);
            }
            let Some(act) = record.counts(place) else {
                continue;
            };
            match &act.body {
                ActBody::PourOpened(opened) => {
                    pours
                        .entry(act.pour.clone())
                        .or_insert_with(|| Self::open(&act, opened));
                }
                // A release names every pour of its line, so that one signature covers the line.
                ActBody::ReleaseSigned(signed) => {
                    for id in &signed.pours {
                        if let Some(pour) = pours.get_mut(id) {
                            pour.sign(&act, &signed.breaks, signed.reason_without_estimate.clone());
                        }
                    }
                }
                ActBody::ReleaseWithdrawn { pours: named } => {
                    for id in named {
                        if let Some(pour) = pours.get_mut(id) {
                            pour.withdraw(&act, None);
                        }
                    }
                }
                _ => {
                    if let Some(pour) = pours.get_mut(&act.pour) {
                        pour.take(&act);
                    }
                }
            }
        }
        pours
    }

    /// The record that an opening alone makes.
    #[must_use]
    pub fn open(act: &Act, opened: &PourOpened) -> Self {
        let mut facts = opened.clone();
        let loads = std::mem::take(&mut facts.loads);
        let bindings = std::mem::take(&mut facts.channels);
        let sets = std::mem::take(&mut facts.cylinder_sets);
        Self {
            id: act.pour.clone(),
            opened_by: act.by.clone(),
            opened_at: act.happened_at,
            opened_recorded_at: act.recorded_at,
            facts,
            stoppages: Vec::new(),
            loads: loads
                .into_iter()
                .map(|load| (load.ticket.clone(), load))
                .collect(),
            bindings,
            sets: sets.into_iter().map(|set| (set.set.clone(), set)).collect(),
            pulled: Vec::new(),
            heat: Vec::new(),
            tarp: Vec::new(),
            probes: Vec::new(),
            breaks: Vec::new(),
            excluded: BTreeMap::new(),
            gaps_accepted: BTreeMap::new(),
            resolved_breaks: BTreeSet::new(),
            release: None,
            withdrawn: Vec::new(),
            stripped_at: None,
            abandoned_at: None,
            initial_set_at: None,
            limits_stated: Vec::new(),
            dispositions: Vec::new(),
        }
    }

    fn take(&mut self, act: &Act) {
        let at = act.happened_at;
        match &act.body {
            ActBody::PourOpened(_)
            | ActBody::ReleaseSigned(_)
            | ActBody::ReleaseWithdrawn { .. }
            | ActBody::ActStruck { .. }
            | ActBody::ActCorrected { .. } => {}
            ActBody::PourCorrected(correction) => self.correct(correction),
            ActBody::PlacementRecorded(placement) => {
                self.facts.first_placement_at =
                    placement.first_at.or(self.facts.first_placement_at);
                self.facts.last_placement_at = placement.last_at.or(self.facts.last_placement_at);
                self.stoppages.extend(&placement.stoppages);
                self.stoppages.sort_by_key(|stoppage| stoppage.from_at);
            }
            ActBody::LoadPlaced(load) => {
                self.loads.insert(load.ticket.clone(), load.clone());
            }
            ActBody::HeatSwitched { on } => insert_switch(&mut self.heat, Switch { at, on: *on }),
            ActBody::TarpMoved { lifted } => {
                insert_switch(&mut self.tarp, Switch { at, on: *lifted });
            }
            ActBody::CylindersMade(set) => {
                self.sets.insert(set.set.clone(), set.clone());
            }
            ActBody::CylindersPulled { set, specimens } => {
                self.pulled.push(Pulled {
                    at,
                    set: set.clone(),
                    specimens: specimens.clone(),
                });
            }
            ActBody::PlugMoved(binding) => {
                let from_at = binding.from_at.unwrap_or(at);
                self.bindings.push(ChannelBinding {
                    from_at: Some(from_at),
                    ..binding.clone()
                });
                self.bindings.sort_by_key(|bound| bound.from_at);
            }
            ActBody::HandProbed {
                position,
                temperature_c,
            } => self.probes.push(Probe {
                at,
                position: position.clone(),
                temperature_c: *temperature_c,
            }),
            ActBody::BreakRecorded(result) => {
                self.breaks.push(RecordedBreak {
                    id: act.id,
                    by: act.by.clone(),
                    why: act.why.clone(),
                    recorded_at: act.recorded_at,
                    result: result.clone(),
                });
                self.breaks
                    .sort_by_key(|broken| (broken.result.tested_at, broken.id));
            }
            ActBody::PositionExcluded { position } => {
                let why = act.why.clone().unwrap_or_default();
                self.excluded.insert(
                    position.clone(),
                    Excluded {
                        at,
                        by: act.by.clone(),
                        why,
                    },
                );
            }
            ActBody::PositionRestored { position } => {
                self.excluded.remove(position);
            }
            ActBody::GapsAccepted { position } => {
                let until = self.gaps_accepted.entry(position.clone()).or_insert(at);
                *until = (*until).max(at);
            }
            ActBody::DisagreementResolved { break_id } => {
                self.resolved_breaks.insert(*break_id);
            }
            ActBody::Stripped => self.stripped_at = Some(at),
            ActBody::Abandoned => self.abandoned_at = Some(at),
            ActBody::InitialSetReached => self.initial_set_at = Some(at),
            ActBody::LimitStated { limit, value } => {
                let why = act.why.as_deref().unwrap_or_default();
                self.limits_stated.push(LimitStated {
                    limit: *limit,
                    value: *value,
                    source: format!("{why}, stated by {}", act.by),
                });
            }
            ActBody::HoldDisposed {
                hold,
                number,
                may_ship,
            } => self.dispositions.push(Disposition {
                hold: hold.clone(),
                number: number.clone(),
                may_ship: *may_ship,
                by: act.by.clone(),
                at: act.recorded_at,
                why: act.why.clone().unwrap_or_default(),
            }),
            // These are of the watch, not of the concrete.
            ActBody::Alarm(_) | ActBody::ShiftNoted | ActBody::ShiftHandedOver { .. } => {}
        }
    }

    fn sign(&mut self, act: &Act, breaks: &[u128], reason: Option<String>) {
        if self.release.is_none() {
            let excluded = self
                .excluded
                .iter()
                .map(|(id, left_out)| (id.clone(), left_out.why.clone()));
            self.release = Some(Release {
                act_id: act.id,
                at: act.happened_at,
                by: act.by.clone(),
                breaks: breaks.to_vec(),
                excluded: excluded.collect(),
                reason_without_estimate: reason,
            });
        }
    }

    /// The line it is stressed and cut with; the bed's name where none was given.
    #[must_use]
    pub fn line(&self) -> &str {
        self.facts.line.as_deref().unwrap_or(&self.facts.bed)
    }

    /// Whether people said that it gets no heat, and recorded none.
    #[must_use]
    pub fn is_never_heated(&self) -> bool {
        self.facts.without_heat && self.heat.is_empty()
    }

    /// Whether people said that heat is meant for it, or was on over it.
    #[must_use]
    pub fn is_said_heated(&self) -> bool {
        self.facts.heat_plan.is_some() || self.heat.iter().any(|switch| switch.on)
    }

    /// True until it is stripped or abandoned.
    #[must_use]
    pub fn is_on_bed(&self) -> bool {
        self.stripped_at.is_none() && self.abandoned_at.is_none()
    }

    /// Now, or when it was stripped or abandoned.
    #[must_use]
    pub fn until(&self, now: UtcMs) -> UtcMs {
        let finished_at = self.stripped_at.or(self.abandoned_at);
        finished_at.map_or(now, |finished_at| finished_at.min(now))
    }

    /// True until it is released, stripped or abandoned.
    #[must_use]
    pub fn is_under_cure(&self) -> bool {
        self.is_on_bed() && self.release.is_none()
    }

    /// When its record of temperatures begins: the earliest moment its concrete can have an age.
    #[must_use]
    pub fn begins_at(&self) -> UtcMs {
        let loads = self
            .loads
            .values()
            .map(|load| load.batched_at.unwrap_or(load.placed_from_at));
        loads
            .chain(self.facts.first_placement_at)
            .min()
            .unwrap_or(self.opened_at)
    }

    /// The strength required around a position before release, MPa: the highest of the pour's and its pieces'.
    #[must_use]
    pub fn required_release_mpa(&self, position: &Position) -> Option<f64> {
        let here = |piece: &&crate::act::Piece| {
            (piece.from_station_m..=piece.to_station_m).contains(&position.station_m)
        };
        let pieces: Vec<f64> = self
            .facts
            .pieces
            .iter()
            .filter(here)
            .filter_map(|piece| strength_for(&piece.required, StrengthAct::Release))
            .collect();
        if pieces.is_empty() {
            strength_for(&self.facts.required, StrengthAct::Release)
        } else {
            pieces.into_iter().reduce(f64::max)
        }
    }

    /// The highest release strength required anywhere in the pour, MPa.
    #[must_use]
    pub fn release_strength_mpa(&self) -> Option<f64> {
        let pieces = self.facts.pieces.iter().map(|piece| &piece.required);
        std::iter::once(&self.facts.required)
            .chain(pieces)
            .filter_map(|required| strength_for(required, StrengthAct::Release))
            .reduce(f64::max)
    }

    /// Whether specimens were broken whose set had a sensor of its own.
    #[must_use]
    pub fn has_companion_break(&self) -> bool {
        let has_sensor = |set: &str| {
            self.bindings.iter().any(|binding| {
                binding.role == ChannelRole::Specimen && binding.set.as_deref() == Some(set)
            })
        };
        self.breaks
            .iter()
            .any(|broken| has_sensor(&broken.result.set))
    }

    /// Specimens of a set that have been broken.
    #[must_use]
    pub fn broken_specimens(&self, set: &str) -> BTreeSet<&str> {
        self.breaks
            .iter()
            .filter(|broken| broken.result.set == set)
            .flat_map(|broken| {
                broken
                    .result
                    .specimens
                    .iter()
                    .map(|one| one.specimen.as_str())
            })
            .collect()
    }
}

fn strength_for(required: &[Requirement], act: StrengthAct) -> Option<f64> {
    required
        .iter()
        .filter(|one| one.act == act)
        .map(|one| one.strength_mpa)
        .reduce(f64::max)
}

fn insert_switch(switches: &mut Vec<Switch>, switch: Switch) {
    switches.push(switch);
    switches.sort_by_key(|one| one.at);
}

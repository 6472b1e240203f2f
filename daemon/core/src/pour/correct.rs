//! What a correction changes of a pour: what it names, and nothing else.

use crate::act::{ChannelBinding, PourCorrected};
use crate::pour::PourRecord;

impl PourRecord {
    /// The record as a correction would leave it.
    #[must_use]
    pub fn corrected(&self, correction: &PourCorrected) -> Self {
        let mut record = self.clone();
        record.correct(correction);
        record
    }

    pub(super) fn correct(&mut self, correction: &PourCorrected) {
        let facts = &mut self.facts;
        replace_some(&mut facts.line, &correction.line);
        replace_some(&mut facts.layer, &correction.layer);
        replace(&mut facts.mix, &correction.mix);
        replace_some(&mut facts.curve, &correction.curve);
        replace(&mut facts.from_station_m, &correction.from_station_m);
        replace(&mut facts.to_station_m, &correction.to_station_m);
        replace_some(&mut facts.section, &correction.section);
        replace_some(
            &mut facts.cementitious_kg_m3,
            &correction.cementitious_kg_m3,
        );
        replace_some(&mut facts.fresh, &correction.fresh);
        replace_some(&mut facts.heat_plan, &correction.heat_plan);
        replace(&mut facts.without_heat, &correction.without_heat);
        replace_some(&mut facts.wanted_release_at, &correction.wanted_release_at);
        replace_some(&mut facts.limit_set, &correction.limit_set);
        if correction.merge {
            self.merge_lists(correction);
        } else {
            replace(&mut facts.required, &correction.required);
            replace(&mut facts.pieces, &correction.pieces);
            replace(&mut facts.positions, &correction.positions);
            replace(&mut self.bindings, &correction.channels);
        }
    }

    fn merge_lists(&mut self, correction: &PourCorrected) {
        let facts = &mut self.facts;
        merge(&mut facts.required, &correction.required, |a, b| {
            a.act == b.act
        });
        merge(&mut facts.pieces, &correction.pieces, |a, b| {
            a.mark == b.mark
        });
        merge(&mut facts.positions, &correction.positions, |a, b| {
            a.id == b.id
        });
        merge(&mut self.bindings, &correction.channels, is_same_stretch);
        let is_kept = |removed: &[String], name: &String| !removed.contains(name);
        self.bindings
            .retain(|one| is_kept(&correction.removed_channels, &one.channel));
        facts
            .positions
            .retain(|one| is_kept(&correction.removed_positions, &one.id));
        facts
            .pieces
            .retain(|one| is_kept(&correction.removed_pieces, &one.mark));
        // A channel whose position was taken out reads nothing of this pour.
        self.bindings.retain(|one| {
            let position = one.position.as_ref();
            position.is_none_or(|id| is_kept(&correction.removed_positions, id))
        });
        self.bindings.sort_by_key(|one| one.from_at);
    }
}

/// Two bindings that say of one stretch of time what is read there, or by what.
///
/// The same place since the same moment: another channel reads it. The same channel since the same
/// moment: it reads something else.
fn is_same_stretch(one: &ChannelBinding, other: &ChannelBinding) -> bool {
    let is_place = one.position.is_some() || one.set.is_some();
    let same_place = is_place
        && (one.role, &one.position, &one.set) == (other.role, &other.position, &other.set);
    one.from_at == other.from_at && (same_place || one.channel == other.channel)
}

fn replace<T: Clone>(fact: &mut T, correction: &Option<T>) {
    if let Some(value) = correction {
        *fact = value.clone();
    }
}

fn replace_some<T: Clone>(fact: &mut Option<T>, correction: &Option<T>) {
    if correction.is_some() {
        fact.clone_from(correction);
    }
}

/// Each thing said takes the place of the one that it names, or is added.
fn merge<T: Clone>(known: &mut Vec<T>, said: &Option<Vec<T>>, is_same: impl Fn(&T, &T) -> bool) {
    let said = said.as_deref().unwrap_or_default();
    let mut merged: Vec<T> = Vec::with_capacity(known.len() + said.len());
    let mut is_taken = vec![false; said.len()];
    for one in known.iter() {
        match said.iter().position(|other| is_same(one, other)) {
            Some(index) if is_taken[index] => {}
            Some(index) => {
                is_taken[index] = true;
                merged.push(said[index].clone());
            }
            None => merged.push(one.clone()),
        }
    }
    let added = said.iter().zip(is_taken).filter(|(_, taken)| !taken);
    merged.extend(added.map(|(one, _)| one.clone()));
    *known = merged;
}

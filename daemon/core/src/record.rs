//! What of the record is in effect: acts that were struck or corrected stay in it, without effect.
//!
//! An act is out of effect where an act in effect strikes it; so the newest are looked at first, and a
//! strike can itself be struck. A replacement stands in the struck act's place in the order of the
//! record, under its own id. Only acts of the same pour, recorded earlier, can be struck, and never a
//! sign-off nor its withdrawal: those are said again.

use std::borrow::Cow;
use std::collections::BTreeMap;

use crate::act::{Act, ActBody};

/// Acts in the order of the record, with what became of each.
#[derive(Debug)]
pub struct Record<'a> {
    ordered: Vec<&'a Act>,
    index_of: BTreeMap<u128, usize>,
    /// Struck act → the place of the act that took its effect.
    struck_by: BTreeMap<u128, usize>,
    /// Struck act → the place of the correction that stands for it.
    replaced_by: BTreeMap<u128, usize>,
}

impl<'a> Record<'a> {
    /// The acts known, in whatever order; one that is given twice counts once.
    #[must_use]
    pub fn of(acts: impl IntoIterator<Item = &'a Act>) -> Self {
        let mut ordered: Vec<&Act> = acts.into_iter().collect();
        ordered.sort_by_key(|act| (act.recorded_at, act.id));
        ordered.dedup_by_key(|act| act.id);
        Self::of_ordered(ordered)
    }

    fn of_ordered(ordered: Vec<&'a Act>) -> Self {
        let is_mended = ordered.iter().any(|act| act.body.mends().is_some());
        let mut record = Self {
            index_of: BTreeMap::new(),
            struck_by: BTreeMap::new(),
            replaced_by: BTreeMap::new(),
            ordered,
        };
        // Most records have no strike, and this is asked at every act.
        if is_mended {
            let places = record.ordered.iter().enumerate();
            record.index_of = places.map(|(place, act)| (act.id, place)).collect();
            for place in (0..record.ordered.len()).rev() {
                record.strike(place);
            }
        }
        record
    }

    /// Takes in what the act at a place strikes; every later one has been taken in.
    fn strike(&mut self, place: usize) {
        let act = self.ordered[place];
        if self.struck_by.contains_key(&act.id) {
            return;
        }
        let is_correction = matches!(act.body, ActBody::ActCorrected { .. });
        let mut next = act.body.mends();
        while let Some(id) = next {
            let Some(target) = self.earlier(place, id) else {
                return;
            };
            if self.struck_by.contains_key(&id) {
                return;
            }
            self.struck_by.insert(id, place);
            // Who corrects a correction says anew what stands for the act that it corrected.
            next = match &target.body {
                ActBody::ActCorrected { corrected, .. } if is_correction => Some(*corrected),
                _ => None,
            };
            if next.is_none() && is_correction {
                self.replaced_by.insert(id, place);
            }
        }
    }

    /// An act that the one at a place may strike.
    fn earlier(&self, place: usize, id: u128) -> Option<&'a Act> {
        let found = *self.index_of.get(&id)?;
        let target = self.ordered[found];
        let may_be_struck = !matches!(
            target.body,
            ActBody::ReleaseSigned(_) | ActBody::ReleaseWithdrawn { .. }
        );
        (found < place && may_be_struck && target.pour == self.ordered[place].pour)
            .then_some(target)
    }

    /// Every act in the order of the record, struck ones included.
    #[must_use]
    pub fn ordered(&self) -> &[&'a Act] {
        &self.ordered
    }

    /// The act that took an act's effect away, where one did.
    #[must_use]
    pub fn struck_by(&self, id: u128) -> Option<&'a Act> {
        self.struck_by.get(&id).map(|place| self.ordered[*place])
    }

    /// The act at a place as it counts: itself, what stands in its place, or nothing.
    #[must_use]
    pub fn counts(&self, place: usize) -> Option<Cow<'a, Act>> {
        let act = self.ordered[place];
        if !self.struck_by.contains_key(&act.id) {
            return act.body.mends().is_none().then_some(Cow::Borrowed(act));
        }
        let correction = self.ordered[*self.replaced_by.get(&act.id)?];
        let ActBody::ActCorrected { replacement, .. } = &correction.body else {
            return None;
        };
        Some(Cow::Owned(Act {
            id: correction.id,
            recorded_at: act.recorded_at,
            happened_at: replacement.happened_at.unwrap_or(act.happened_at),
            by: correction.by.clone(),
            why: replacement.why.clone().or_else(|| act.why.clone()),
            pour: act.pour.clone(),
            body: (*replacement.body).clone(),
        }))
    }

    /// The acts that count, each at its place in the order of the record.
    pub fn in_effect(&self) -> impl Iterator<Item = Cow<'a, Act>> {
        (0..self.ordered.len()).filter_map(|place| self.counts(place))
    }

    /// The record as it was once the act at a place had become known.
    #[must_use]
    pub fn up_to(&self, place: usize) -> Self {
        Self::of_ordered(self.ordered[..=place].to_vec())
    }

    /// Whether an act counts as it was recorded.
    #[must_use]
    pub fn has_effect(&self, id: u128) -> bool {
        !self.struck_by.contains_key(&id)
    }
}

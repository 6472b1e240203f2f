//! Alarms as the person at the dashboard meets them: which ring, which is chosen, what is said to it.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use daemon_api::trouble::{TroubleView, Urgency};

use super::{Screen, State};
use crate::form::AlarmWord;

/// What the bell knows: each alarm that has rung here, and when it last rang.
pub type Rung = BTreeMap<String, DateTime<Utc>>;

/// True where nobody has said a word to it yet.
pub fn is_new(trouble: &TroubleView) -> bool {
    trouble
        .alarm
        .as_ref()
        .is_some_and(|alarm| alarm.word == "new")
}

/// True where a person made it quiet for a while.
pub fn is_snoozed(trouble: &TroubleView) -> bool {
    let alarm = trouble.alarm.as_ref();
    alarm.is_some_and(|alarm| alarm.snoozed.is_some())
}

/// True where the bell is for it: new, and no mere look in passing.
fn calls(trouble: &TroubleView) -> bool {
    is_new(trouble) && trouble.urgency >= Urgency::Soon
}

impl State {
    /// What needs a person now, in the daemon's order; snoozed alarms are left out.
    pub fn awake(&self) -> Vec<&TroubleView> {
        let troubles = self.troubles().iter();
        troubles.filter(|one| !is_snoozed(one)).collect()
    }

    /// Alarms that are made quiet, the one whose quiet ends first at the head.
    pub fn snoozed(&self) -> Vec<&TroubleView> {
        let mut snoozed: Vec<_> = self
            .troubles()
            .iter()
            .filter(|one| is_snoozed(one))
            .collect();
        let ends_at = |one: &&TroubleView| {
            let snooze = one.alarm.as_ref().and_then(|alarm| alarm.snoozed.as_ref());
            snooze.map(|snooze| snooze.until_at)
        };
        snoozed.sort_by_key(ends_at);
        snoozed
    }

    /// Alarms that call for a person and that nobody has seen yet, most urgent first.
    pub fn calling(&self) -> Vec<&TroubleView> {
        self.troubles().iter().filter(|one| calls(one)).collect()
    }

    /// Takes in what rings now; true where something rings that did not before.
    pub(super) fn rings(&mut self) -> bool {
        let ringing: Rung = self
            .calling()
            .into_iter()
            .filter_map(|one| {
                let alarm = one.alarm.as_ref()?;
                Some((one.id.clone(), alarm.rang_at.unwrap_or(alarm.raised_at)))
            })
            .collect();
        let is_first = self.rung.is_none();
        let known = self.rung.replace(ringing).unwrap_or_default();
        let now = self.rung.iter().flatten();
        let mut new = now.filter(|(id, rang_at)| known.get(*id) != Some(rang_at));
        // Who starts a dashboard looks at it already.
        !is_first && new.next().is_some()
    }

    /// Every alarm of the list, snoozed, explained and cleared ones included.
    pub fn alarms(&self) -> Vec<&TroubleView> {
        match (&self.pages.alarms.answer, &self.snapshot) {
            (Some(answer), _) => answer.alarms.iter().collect(),
            (None, Some(snapshot)) => snapshot.troubles.iter().chain(&snapshot.cleared).collect(),
            (None, None) => Vec::new(),
        }
    }

    /// The alarms in the order of the page: what stands, what is snoozed, what is over, what is explained.
    pub fn alarms_by_part(&self) -> [(AlarmPart, Vec<&TroubleView>); 4] {
        let alarms = self.alarms();
        AlarmPart::ALL.map(|part| {
            let of_part = alarms.iter().filter(|one| AlarmPart::of(one) == part);
            (part, of_part.copied().collect())
        })
    }

    /// The chosen alarm of the page; the first where that is gone.
    pub fn chosen_alarm(&self) -> Option<&TroubleView> {
        let parts = self.alarms_by_part();
        let alarms: Vec<&TroubleView> = parts.into_iter().flat_map(|part| part.1).collect();
        let chosen = alarms
            .iter()
            .find(|one| Some(&one.id) == self.chosen_alarm_id.as_ref());
        chosen.or(alarms.first()).copied()
    }

    pub(super) fn choose_alarm_by(&mut self, by: isize) {
        let parts = self.alarms_by_part();
        let ids: Vec<&String> = parts
            .iter()
            .flat_map(|part| &part.1)
            .map(|one| &one.id)
            .collect();
        let chosen = self.chosen_alarm().map(|one| &one.id);
        let at = ids.iter().position(|id| Some(*id) == chosen).unwrap_or(0);
        let at = at
            .saturating_add_signed(by)
            .min(ids.len().saturating_sub(1));
        self.chosen_alarm_id = ids.get(at).map(|id| (*id).clone());
    }

    /// The alarm to which a word is said: the one in view, else the one on the bar.
    pub fn alarm_for(&self, word: AlarmWord) -> Option<&TroubleView> {
        let on_bar = || self.awake().into_iter().next();
        let on_screen = self.alarm_in_view();
        match on_screen {
            // What is seen already needs no second word; what calls from the bar does.
            Some(seen)
                if word == AlarmWord::Seen && !is_new(seen) && self.screen != Screen::Troubles =>
            {
                on_bar().filter(|one| is_new(one)).or(Some(seen))
            }
            Some(one) => Some(one),
            None => on_bar(),
        }
    }

    /// The alarm that a key about alarms means on the screen in view.
    pub fn alarm_in_view(&self) -> Option<&TroubleView> {
        match self.screen {
            Screen::Troubles => self.chosen_alarm(),
            Screen::Yard | Screen::Bed | Screen::Night => {
                let bed = &self.chosen_row()?.bed.bed;
                let awake = self.awake().into_iter();
                awake
                    .filter(|one| one.bed.as_ref() == Some(bed))
                    .min_by_key(|one| !is_new(one))
            }
            _ => self.awake().into_iter().min_by_key(|one| !is_new(one)),
        }
    }
}

/// The parts of the page of alarms.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AlarmPart {
    Stands,
    Snoozed,
    Over,
    Explained,
}

impl AlarmPart {
    pub const ALL: [Self; 4] = [Self::Stands, Self::Snoozed, Self::Over, Self::Explained];

    fn of(trouble: &TroubleView) -> Self {
        let Some(alarm) = &trouble.alarm else {
            return Self::Stands;
        };
        match alarm.word.as_str() {
            "snoozed" => Self::Snoozed,
            "explained" => Self::Explained,
            "cleared" => Self::Over,
            _ => Self::Stands,
        }
    }
}

//! Alarms: what has been said of each trouble, what people have said to it, and what is quiet and why.
//!
//! The life cycle is that of ISA-18.2 and IEC 62682. A trouble is a condition as it stands now; an
//! alarm is its history: it rings, is seen, clears, is snoozed with an end and a reason, stays in sight
//! until reset where it matters, and is suppressed where another trouble explains it.

mod book;
mod rule;

use crate::assessment::{Trouble, Urgency};
use crate::time::UtcMs;

pub use book::{AlarmBook, AlarmRefusal};
pub use rule::{Rule, rule_of};

/// What has been said of one trouble so far.
#[derive(Debug, Clone, PartialEq)]
pub struct Alarm {
    /// The id of its trouble.
    pub id: String,
    /// The trouble as last told.
    pub trouble: Trouble,
    /// True from when its condition has lasted through the on-delay to the end of the off-delay.
    pub is_active: bool,
    /// When it was raised, worsened or woken.
    pub raised_at: UtcMs,
    /// When it was last heard: then, or when it rang again because nobody had seen it.
    pub rang_at: UtcMs,
    /// The most urgent that it has been since it was raised: only more than that rings again.
    pub rang_as: Urgency,
    /// When it was last found to be over.
    pub cleared_at: Option<UtcMs>,
    /// Who has seen it since it last rang.
    pub seen: Option<Seen>,
    /// Over, but in sight until a person resets it.
    pub is_latched: bool,
    pub snoozed: Option<Snoozed>,
    /// The id of the trouble that explains it, which rings in its place.
    pub explained_by: Option<String>,
}

/// Who has seen an alarm.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Seen {
    pub by: String,
    pub at: UtcMs,
}

/// Who made an alarm quiet, until when and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Snoozed {
    pub until_at: UtcMs,
    pub by: String,
    pub why: String,
}

/// The states of ISA-18.2 and IEC 62682 that an alarm passes through (its letters from memory).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AlarmState {
    /// A.
    Normal,
    /// B.
    Unacknowledged,
    /// C.
    Acknowledged,
    /// D: over, and nobody has seen it.
    ReturnedUnacknowledged,
    /// E.
    LatchedUnacknowledged,
    /// F.
    LatchedAcknowledged,
    /// G: made quiet by a person, with an end.
    Shelved,
    /// H: another trouble explains it.
    Suppressed,
}

impl Alarm {
    /// True where it was of the highest urgency and nobody has seen it, though it may be over: it stays
    /// first in every list, and rings again, until somebody has.
    #[must_use]
    pub fn is_unseen_now(&self) -> bool {
        self.seen.is_none()
            && self.snoozed.is_none()
            && self.explained_by.is_none()
            && self.rang_as == Urgency::Now
    }

    /// How urgent it is to people: what nobody has seen is as urgent as it was when it rang.
    #[must_use]
    pub fn urgency(&self) -> Urgency {
        if self.is_unseen_now() {
            self.rang_as
        } else {
            self.trouble.urgency
        }
    }

    /// True where people are shown it among what needs them.
    #[must_use]
    pub fn needs_a_person(&self) -> bool {
        let stands = self.is_active && self.state() != AlarmState::Suppressed;
        stands || self.is_unseen_now()
    }

    /// The word that people see.
    #[must_use]
    pub fn word(&self) -> &'static str {
        if self.is_unseen_now() {
            return AlarmState::Unacknowledged.word();
        }
        self.state().word()
    }

    /// Where it stands in the life cycle.
    #[must_use]
    pub const fn state(&self) -> AlarmState {
        if self.snoozed.is_some() {
            return AlarmState::Shelved;
        }
        match (self.is_active, self.seen.is_some(), self.is_latched) {
            (true, _, _) if self.explained_by.is_some() => AlarmState::Suppressed,
            (true, false, _) => AlarmState::Unacknowledged,
            (true, true, _) => AlarmState::Acknowledged,
            (false, false, true) => AlarmState::LatchedUnacknowledged,
            (false, true, true) => AlarmState::LatchedAcknowledged,
            (false, false, false) => AlarmState::ReturnedUnacknowledged,
            (false, true, false) => AlarmState::Normal,
        }
    }
}

impl AlarmState {
    /// The word that people see.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Unacknowledged => "new",
            Self::Acknowledged => "seen",
            Self::Normal
            | Self::ReturnedUnacknowledged
            | Self::LatchedUnacknowledged
            | Self::LatchedAcknowledged => "cleared",
            Self::Shelved => "snoozed",
            Self::Suppressed => "explained",
        }
    }
}

/// Something that happened to an alarm, to be recorded with the alarm as it then stood.
#[derive(Debug, Clone, PartialEq)]
pub struct AlarmChange {
    pub at: UtcMs,
    pub event: AlarmEvent,
    pub alarm: Alarm,
}

/// What happened to it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum AlarmEvent {
    /// It rings.
    Raised,
    /// It had been seen, and has become more urgent: it rings again.
    Worsened,
    /// Its condition is over.
    Cleared,
    Seen,
    Snoozed,
    /// The snooze has ended, by its time, by a person or because it became more urgent.
    Woken,
    Reset,
    /// It is of the highest urgency, and nobody has seen it for a while.
    RangAgain,
    /// It is quiet now, because another trouble explains it.
    Explained,
    /// Nothing more is to be said of it.
    Closed,
}

impl AlarmEvent {
    /// Its name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Raised => "raised",
            Self::Worsened => "worsened",
            Self::Cleared => "cleared",
            Self::Seen => "seen",
            Self::Snoozed => "snoozed",
            Self::Woken => "woken",
            Self::Reset => "reset",
            Self::RangAgain => "rang-again",
            Self::Explained => "explained",
            Self::Closed => "closed",
        }
    }

    /// True where people hear something new; what rings again is known.
    #[must_use]
    pub const fn rings(self) -> bool {
        matches!(self, Self::Raised | Self::Worsened | Self::Woken)
    }
}

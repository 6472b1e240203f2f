//! What an act changes, what is odd about it, and an act as it stands in the record today.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::act::Act;
use crate::pour::{BreakView, ConfirmationView, NoteView, PourStatus, SignedView};

/// Something about an act that a careful colleague would ask back.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Odd {
    /// Its name in kebab case, by which a person accepts it.
    pub name: String,
    /// One sentence for a person.
    pub text: String,
}

/// What an act changes: each pour it bears on, judged without it and with it at the same moment.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct ActEffect {
    /// The pours; none where the act is of the whole plant.
    pub pours: Vec<PourEffect>,
    /// The break that the act records, as it would be judged.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub broken: Option<BrokenEffect>,
}

/// What an act changes of one pour.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PourEffect {
    /// The pour.
    pub pour: String,
    /// Its bed.
    pub bed: String,
    /// As it stands without the act; absent where there is no such pour yet.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub before: Option<PourStanding>,
    /// As it would stand; absent where the pour would no longer be there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub after: Option<PourStanding>,
}

/// Where a pour stands, as far as an act may change it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PourStanding {
    /// Its status.
    pub status: PourStatus,
    /// What the cylinders have said.
    pub confirmation: ConfirmationView,
    /// Positions that the breaks confirm.
    pub confirmed: Vec<String>,
    /// What stands against signing the release.
    pub release_holds: Vec<NoteView>,
    /// What stands against shipping pieces.
    pub piece_holds: Vec<NoteView>,
    /// The release, where signed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub release: Option<SignedView>,
}

/// A break as it would be judged.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BrokenEffect {
    /// The set.
    pub set: String,
    /// The specimens, in the order of `judged.strengths_mpa`.
    pub specimens: Vec<String>,
    /// The judgement.
    pub judged: BreakView,
    /// Whether the set passes, and why, in one sentence.
    pub verdict: String,
}

/// An act with what became of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RecordEntry {
    /// Its place in the record.
    pub sequence: i64,
    /// What it says, in a few words, in the plant's units and zone.
    pub text: String,
    /// Present where it has no effect any more.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub struck: Option<Struck>,
    /// The act as it was recorded.
    pub act: Act,
}

/// Who took an act's effect away, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Struck {
    /// The act that did it.
    pub by_act: Uuid,
    /// Who, as typed, not verified.
    pub by: String,
    /// When it became known.
    pub at: DateTime<Utc>,
    /// Why.
    pub why: String,
    /// What stands in its place, in a few words; absent where nothing does.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub replaced_by: Option<String>,
}

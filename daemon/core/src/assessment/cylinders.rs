//! What broken cylinders say: of each break, and of the pour, as a closed set of outcomes.

use crate::time::UtcMs;

/// One break, judged.
#[derive(Debug, Clone, PartialEq)]
pub struct JudgedBreak {
    pub id: u128,
    pub set: String,
    pub by: String,
    pub tested_at: UtcMs,
    pub strengths_mpa: Vec<f64>,
    pub mean_mpa: f64,
    pub required_mpa: f64,
    /// By itself.
    pub passes: bool,
    /// The number by which it does or does not, by itself.
    pub decided: Decided,
    /// Together with the sets tested close to it, where there are any.
    pub pooled: Option<Pooled>,
    /// Maturity of the specimens by their own history, at the moment they were pulled.
    pub specimen_maturity: Option<f64>,
    pub estimate_mpa: Option<f64>,
    pub ratio: Option<f64>,
    /// Where the specimens have no history of their own: what the bed's positions said.
    pub beside: Option<Beside>,
    pub is_release_set: bool,
    /// The positions that it confirms, whatever other breaks say.
    pub confirms: Vec<String>,
    /// What it says for the pour, and in words: numbers first, without its time and its person.
    pub says: BreakSays,
    pub words: String,
    /// The same in the fewest words.
    pub short: String,
    pub notes: Vec<String>,
}

impl JudgedBreak {
    /// What decides: the result with the sets it is judged together with, else its own.
    #[must_use]
    pub fn decided(&self) -> &Decided {
        self.pooled
            .as_ref()
            .map_or(&self.decided, |pooled| &pooled.decided)
    }
}

/// What one break says for its pour.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum BreakSays {
    /// Below what is required, and nothing has made up for it.
    Failed,
    /// Below what was required; a later set of the same concrete made up for it.
    MadeUp,
    /// Strong enough, but without a temperature record it does not count by the plant's rule.
    DoesNotCount,
    /// Not broken for the release.
    #[default]
    NotForRelease,
    /// Strong enough, and confirms what `confirms` names; others of the pour are still open.
    Confirms,
    /// Strong enough, and the pour is confirmed.
    Passes,
}

impl BreakSays {
    /// Its name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Failed => "failed",
            Self::MadeUp => "made-up",
            Self::DoesNotCount => "does-not-count",
            Self::NotForRelease => "not-for-release",
            Self::Confirms => "confirms",
            Self::Passes => "passes",
        }
    }
}

/// Several sets judged as one result.
#[derive(Debug, Clone, PartialEq)]
pub struct Pooled {
    pub mean_mpa: f64,
    pub passes: bool,
    pub decided: Decided,
}

/// The number by which cylinders pass or fail.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Decided {
    pub by: DecidedBy,
    /// The sets that were judged, in order of testing.
    pub sets: Vec<String>,
    /// The cylinder, where a single one decides.
    pub specimen: Option<String>,
    /// What was measured and what it had to be: MPa, or cylinders where too few were broken.
    pub value: f64,
    pub needed: f64,
}

/// Which number decides.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum DecidedBy {
    /// The mean of all cylinders judged.
    #[default]
    Mean,
    /// One cylinder against what each must reach.
    Cylinder,
    TooFewCylinders,
    /// A cylinder without a usable strength.
    NoStrength,
    /// Nothing is required, so there is nothing to pass.
    NoRequirement,
}

impl DecidedBy {
    /// Its name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Mean => "mean",
            Self::Cylinder => "cylinder",
            Self::TooFewCylinders => "too-few-cylinders",
            Self::NoStrength => "no-strength",
            Self::NoRequirement => "no-requirement",
        }
    }
}

/// What the cylinders have said.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Confirmation {
    pub state: ConfirmationState,
    pub outcome: Outcome,
    /// The sentence that stands wherever an estimate is shown near a release decision.
    pub words: String,
    /// The same in a few words, for a row, and in at most fourteen letters, for a cell.
    pub short: String,
    pub shortest: &'static str,
    /// The number that decided, where cylinders have.
    pub decided: Option<Decided>,
    /// When the positions that wait only for their maturity have it.
    pub catch_up: Vec<CatchUp>,
    /// True where another set could confirm the rest sooner than waiting does.
    pub is_break_sooner: bool,
    pub breaks: Vec<u128>,
    /// Positions not confirmed.
    pub waiting_for: Vec<String>,
    pub release_specimens_left: usize,
}

/// What the cylinders have said, in a word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ConfirmationState {
    #[default]
    NoBreak,
    Failed,
    PassedInPart,
    Confirmed,
}

impl ConfirmationState {
    /// Its name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::NoBreak => "no-break",
            Self::Failed => "failed",
            Self::PassedInPart => "passed-in-part",
            Self::Confirmed => "confirmed",
        }
    }
}

/// A position for which cylinders passed that were more mature than it is.
#[derive(Debug, Clone, PartialEq)]
pub struct CatchUp {
    /// Index into the assessment's positions.
    pub index: usize,
    pub position: String,
    /// The least maturity of such cylinders at their test, in the curve's unit.
    pub maturity: f64,
    /// When it is likely there; `None` where that is not known.
    pub likely_at: Option<UtcMs>,
}

/// Where a pour stands with its cylinders: the only source of the words of pass and fail.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Outcome {
    #[default]
    NotBroken,
    Failed,
    /// Strong enough, but without a temperature record they do not count by the plant's rule.
    DoesNotCount,
    /// Some positions are confirmed, or none yet; others are still to go.
    NotConfirmed,
    /// Passed everywhere, not signed.
    Confirmed,
    Released,
    /// A set that was broken after the signature failed.
    FailedAfterRelease,
}

impl Outcome {
    /// Its name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::NotBroken => "not-broken",
            Self::Failed => "failed",
            Self::DoesNotCount => "does-not-count",
            Self::NotConfirmed => "not-confirmed",
            Self::Confirmed => "confirmed",
            Self::Released => "released",
            Self::FailedAfterRelease => "failed-after-release",
        }
    }

    /// True while the pour is not confirmed: another set may be broken, and an estimate proves nothing.
    #[must_use]
    pub const fn waits_for_cylinders(self) -> bool {
        !matches!(
            self,
            Self::Confirmed | Self::Released | Self::FailedAfterRelease
        )
    }

    /// True where cylinders speak against the estimate.
    #[must_use]
    pub const fn is_failed(self) -> bool {
        matches!(self, Self::Failed | Self::FailedAfterRelease)
    }
}

/// The estimates at the positions a set stood beside, when it left the tarp.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Beside {
    pub lowest_mpa: f64,
    /// `None` where a position is beyond the curve's data: how strong it is at most is not known.
    pub highest_mpa: Option<f64>,
}

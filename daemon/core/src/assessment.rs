//! What the records mean at one moment: the core's answer, without any wire format.

mod cylinders;

use std::borrow::Cow;
use std::sync::Arc;

use calibration::StrengthEstimate;

use crate::act::ChannelRole;
use crate::ahead::Ahead;
use crate::limits::{Beyond, Breach};
use crate::pour::PourRecord;
use crate::say;
use crate::time::UtcMs;

pub use cylinders::{
    Beside, BreakSays, CatchUp, Confirmation, ConfirmationState, Decided, DecidedBy, JudgedBreak,
    Outcome, Pooled,
};

/// Where a pour stands; derived, never stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PourStatus {
    Placing,
    Curing,
    BreakDue,
    Confirmed,
    Released,
    Stripped,
    Abandoned,
}

/// One pour, judged.
#[derive(Debug, Clone)]
pub struct PourAssessment {
    pub record: Arc<PourRecord>,
    pub status: PourStatus,
    pub curve: CurveUse,
    pub positions: Vec<PositionAssessment>,
    /// Index into `positions` of the one that governs.
    pub governing: Option<usize>,
    pub other_channels: Vec<ChannelAssessment>,
    pub forecast: Forecast,
    /// Advice for the night; nothing of it is permission.
    pub ahead: Ahead,
    pub breaks: Vec<JudgedBreak>,
    pub confirmation: Confirmation,
    pub release_holds: Vec<Note>,
    pub piece_holds: Vec<Note>,
    /// Limits that were broken, whatever came after.
    pub breaches: Vec<Breach>,
    /// Limits that are broken now.
    pub beyond: Vec<Beyond>,
    pub cautions: Vec<Note>,
}

/// Which curve a pour has and whether estimates may be made from it.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct CurveUse {
    pub digest: Option<String>,
    pub name: Option<String>,
    pub standing: Standing,
    pub maturity_unit: Option<&'static str>,
    /// It only advises on this pour, and the lower bound is lower by its margin.
    pub advisory: Option<Advisory>,
    /// What the plant's breaks say against it.
    pub drift: Option<String>,
    /// Since when it stands so, where a record says it.
    pub since: Option<UtcMs>,
    /// One sentence for a person.
    pub note: String,
}

/// Why a curve only advises: of standard-cured specimens, on a heated bed, not verified there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Advisory {
    /// Independent pours on heated beds that have verified it so far.
    pub pour_count: usize,
    pub needed: usize,
    /// The lower bound is lower by this fraction.
    pub margin: f64,
}

/// How a curve stands for a pour.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Standing {
    Approved,
    /// Superseded after the pour began with it: still its curve.
    Superseded,
    NotApproved,
    Expired,
    Withdrawn,
    /// The digest names no curve file that is known.
    Missing,
    #[default]
    None,
}

impl Standing {
    /// True where estimates may be made.
    #[must_use]
    pub const fn is_usable(self) -> bool {
        matches!(self, Self::Approved | Self::Superseded)
    }

    /// Its name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Approved => "approved",
            Self::Superseded => "superseded",
            Self::NotApproved => "not-approved",
            Self::Expired => "expired",
            Self::Withdrawn => "withdrawn",
            Self::Missing => "missing",
            Self::None => "none",
        }
    }
}

/// How far a channel is believed now.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Trust {
    pub verdict: Verdict,
    pub reason: Option<DoubtReason>,
    pub evidence: Option<String>,
    pub since: Option<UtcMs>,
}

/// The verdict on a reading or a channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub enum Verdict {
    Good,
    Suspect,
    Rejected,
    #[default]
    NoData,
}

impl Verdict {
    /// Its name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::Suspect => "suspect",
            Self::Rejected => "rejected",
            Self::NoData => "no-data",
        }
    }
}

/// Why a reading or a channel is doubted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum DoubtReason {
    OutOfRange,
    Open,
    Fault,
    Conflict,
    Step,
    Stuck,
    Silent,
    ReadsAir,
    NoChannel,
}

impl DoubtReason {
    /// Its name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::OutOfRange => "out-of-range",
            Self::Open => "open",
            Self::Fault => "fault",
            Self::Conflict => "conflict",
            Self::Step => "step",
            Self::Stuck => "stuck",
            Self::Silent => "silent",
            Self::ReadsAir => "reads-air",
            Self::NoChannel => "no-channel",
        }
    }
}

/// An estimate, or the reason why there is none.
#[derive(Debug, Clone, PartialEq)]
pub enum PositionEstimate {
    /// From the curve; `maturity_low` cannot overstate.
    Some {
        strength: StrengthEstimate,
        maturity: f64,
        maturity_low: f64,
    },
    /// None, and why.
    None {
        reason: String,
        maturity: Option<f64>,
    },
}

impl PositionEstimate {
    /// The maturity, in the curve's unit, where it is known.
    #[must_use]
    pub const fn maturity(&self) -> Option<f64> {
        match self {
            Self::Some { maturity, .. } => Some(*maturity),
            Self::None { maturity, .. } => *maturity,
        }
    }

    /// The lower bound, MPa, zero where nothing is proven.
    #[must_use]
    pub fn lower_90_mpa(&self) -> f64 {
        match self {
            Self::Some {
                strength: StrengthEstimate::Within { lower_90_mpa, .. },
                ..
            }
            | Self::Some {
                strength: StrengthEstimate::AboveData { lower_90_mpa, .. },
                ..
            } => *lower_90_mpa,
            Self::Some {
                strength: StrengthEstimate::BelowData { .. },
                ..
            }
            | Self::None { .. } => 0.0,
        }
    }

    /// The estimate, MPa, where there is one.
    #[must_use]
    pub fn estimate_mpa(&self) -> Option<f64> {
        match self {
            Self::Some {
                strength: StrengthEstimate::Within { estimate_mpa, .. },
                ..
            } => Some(*estimate_mpa),
            Self::Some {
                strength: StrengthEstimate::AboveData { at_least_mpa, .. },
                ..
            } => Some(*at_least_mpa),
            Self::Some {
                strength: StrengthEstimate::BelowData { .. },
                ..
            }
            | Self::None { .. } => None,
        }
    }
}

/// One position, judged.
#[derive(Debug, Clone)]
pub struct PositionAssessment {
    /// Index into the record's positions.
    pub index: usize,
    pub id: String,
    pub channel: Option<String>,
    pub temperature_c: Option<f64>,
    pub measured_at: Option<UtcMs>,
    pub rate_c_per_h: Option<f64>,
    pub highest_c: Option<f64>,
    pub highest_unproven: bool,
    pub time_zero_at: Option<UtcMs>,
    pub required_mpa: Option<f64>,
    pub estimate: PositionEstimate,
    pub trust: Trust,
    pub bridged_h: f64,
    pub excluded: Option<String>,
    pub confirmed: bool,
    /// When it is expected to reach its required strength.
    pub likely_at: Option<UtcMs>,
}

impl PositionAssessment {
    /// True where a release waits for it: not left out by a person, and something is required of it.
    #[must_use]
    pub fn is_judged(&self) -> bool {
        self.excluded.is_none() && self.required_mpa.is_some()
    }
}

/// A channel that is not concrete, judged.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelAssessment {
    pub channel: String,
    pub role: ChannelRole,
    pub set: Option<String>,
    pub temperature_c: Option<f64>,
    pub measured_at: Option<UtcMs>,
    pub trust: Trust,
}

/// When the governing position reaches its required strength.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Forecast {
    pub early_at: Option<UtcMs>,
    pub likely_at: Option<UtcMs>,
    pub late_at: Option<UtcMs>,
    pub pass_probability_now: Option<f64>,
    pub break_from_at: Option<UtcMs>,
    /// Times at which a set may be broken, in their order.
    pub break_times: Vec<BreakTime>,
    /// The likely time, where the whole window is past and no cylinders have passed.
    pub unproven_since: Option<UtcMs>,
    /// Per position of the assessment, where it waits for the maturity of cylinders that passed.
    pub position_catches_up_at: Vec<Option<UtcMs>>,
    /// Per position of the assessment, in its order.
    pub position_likely_at: Vec<Option<UtcMs>>,
    pub reason: Option<String>,
    /// The same by the curve alone: the times above are of the concrete, which may differ from it.
    pub by_curve: ForecastWindow,
    /// The curve's own maturity for release is there at every judged position.
    pub is_curve_reached: bool,
    /// Hours from now, and the probability that a set broken then would pass.
    pub pass_probabilities: Vec<(f64, f64)>,
    /// Probabilities, and when the slowest position is there with each, of the concrete.
    pub chances: Vec<(f64, Option<UtcMs>)>,
    /// How many futures were sampled.
    pub sampled_count: usize,
    /// Positions (of the assessment) that are not believed and carried on by the heat balance.
    pub doubted_positions: Vec<usize>,
    /// Finished pours of the bed and breaks of the mix that taught.
    pub pour_count: usize,
    pub break_count: usize,
    /// What it does without.
    pub lacks: Vec<ForecastLack>,
    /// What the next set of cylinders is expected to show against its own temperature history: the
    /// logarithm of measured over estimated, and its deviation.
    pub next_ratio_ln: Option<(f64, f64)>,
    /// Positions that lose heat which the air that was read does not explain.
    pub unexplained_falls: Vec<UnexplainedFall>,
}

/// A time at which a set may be broken, with the chance that it then passes for every position.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BreakTime {
    pub at: UtcMs,
    pub probability: f64,
    pub kind: BreakTimeKind,
}

impl BreakTime {
    /// The chance in words, to go after the time.
    #[must_use]
    pub fn words(&self) -> String {
        let at_wanted = match self.kind {
            BreakTimeKind::Wanted => ", at the wanted time",
            BreakTimeKind::Even | BreakTimeKind::Aimed => "",
        };
        format!("{} to pass{at_wanted}", say::percent(self.probability))
    }
}

/// Why a time to break is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BreakTimeKind {
    /// It then passes as often as not.
    Even,
    /// The wanted release time.
    Wanted,
    /// It then passes with the plant's probability.
    Aimed,
}

impl BreakTimeKind {
    /// Its name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Even => "even",
            Self::Wanted => "wanted",
            Self::Aimed => "aimed",
        }
    }
}

/// Something that a forecast may do without, though not as well.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ForecastLack {
    /// No air under the tarp is read, or too little of it.
    Air,
    /// Nothing reads the yard.
    Yard,
    /// Nobody has said when the heat goes off.
    HeatPlan,
    /// Few finished pours of the bed have taught, or none.
    BedHistory,
    /// Few breaks of the mix have been compared with its curve, or none.
    MixBreaks,
}

impl ForecastLack {
    /// Stable, for files.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Air => "air",
            Self::Yard => "yard",
            Self::HeatPlan => "heat-plan",
            Self::BedHistory => "bed-history",
            Self::MixBreaks => "mix-breaks",
        }
    }

    /// For people: what is done without it.
    #[must_use]
    pub const fn sentence(self) -> &'static str {
        match self {
            Self::Air => {
                "no air is read under this tarp: heat goes by the plan and by how the concrete warms"
            }
            Self::Yard => "nothing reads the yard: it is guessed",
            Self::HeatPlan => {
                "no heat-off is planned: how long heat lasts goes by past nights of this bed"
            }
            Self::BedHistory => "few finished pours of this bed have taught how it warms",
            Self::MixBreaks => "few breaks of this mix have been compared with its curve",
        }
    }
}

/// What a position lost beside its own heat balance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct UnexplainedFall {
    /// Of the assessment.
    pub position: usize,
    pub since: UtcMs,
    pub fall_c: f64,
}

/// Early, likely and late: 10, 50 and 90 % points.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct ForecastWindow {
    pub early_at: Option<UtcMs>,
    pub likely_at: Option<UtcMs>,
    pub late_at: Option<UtcMs>,
}

/// A hold or a caution.
#[derive(Debug, Clone, PartialEq)]
pub struct Note {
    pub kind: &'static str,
    pub text: String,
}

/// Something that needs a person.
#[derive(Debug, Clone, PartialEq)]
pub struct Trouble {
    pub kind: Cow<'static, str>,
    pub urgency: Urgency,
    pub bed: Option<String>,
    pub pour: Option<String>,
    pub place: Option<String>,
    /// What is wrong, with the evidence.
    pub what: String,
    pub since: UtcMs,
    pub first_act: Cow<'static, str>,
    /// The id of the trouble that explains this one: whoever sees to it sees to both.
    pub explained_by: Option<String>,
}

impl Trouble {
    /// A stable name made from what and where, so that the same trouble keeps it.
    #[must_use]
    pub fn id(&self) -> String {
        let mut id = self.kind.to_string();
        for part in [&self.bed, &self.pour, &self.place].into_iter().flatten() {
            id.push('/');
            id.push_str(part);
        }
        id
    }
}

/// How much a trouble matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Urgency {
    Look,
    Soon,
    Now,
}

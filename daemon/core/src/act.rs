//! What people did or decided, as the core knows it: checked values, no wire format.

use crate::limits::Limit;
use crate::time::UtcMs;

/// One recorded act.
#[derive(Debug, Clone, PartialEq)]
pub struct Act {
    /// The caller's id; orders acts recorded in the same millisecond.
    pub id: u128,
    /// When it became known.
    pub recorded_at: UtcMs,
    /// When it happened.
    pub happened_at: UtcMs,
    /// Who, as typed, not verified.
    pub by: String,
    /// The reason.
    pub why: Option<String>,
    /// The pour.
    pub pour: String,
    /// What was done.
    pub body: ActBody,
}

/// What was done or decided.
#[derive(Debug, Clone, PartialEq)]
pub enum ActBody {
    PourOpened(Box<PourOpened>),
    PourCorrected(Box<PourCorrected>),
    PlacementRecorded(Placement),
    LoadPlaced(Load),
    HeatSwitched {
        on: bool,
    },
    TarpMoved {
        lifted: bool,
    },
    CylindersMade(CylinderSet),
    CylindersPulled {
        set: String,
        specimens: Vec<String>,
    },
    PlugMoved(ChannelBinding),
    HandProbed {
        position: String,
        temperature_c: f64,
    },
    BreakRecorded(BreakResult),
    PositionExcluded {
        position: String,
    },
    PositionRestored {
        position: String,
    },
    GapsAccepted {
        position: String,
    },
    DisagreementResolved {
        break_id: u128,
    },
    ReleaseSigned(ReleaseSigned),
    Stripped,
    Abandoned,
    /// Initial set was measured; never inferred from temperature.
    InitialSetReached,
    /// A limit of this pour alone; `None` is not judged. The reason names the clause.
    LimitStated {
        limit: Limit,
        value: Option<f64>,
    },
    /// What an engineer decided about a breach, with the engineer's number.
    HoldDisposed {
        hold: String,
        number: String,
        may_ship: bool,
    },
    Alarm(AlarmAct),
    /// A note for the shift log; the text is the act's reason.
    ShiftNoted,
    /// The shift is handed over.
    ShiftHandedOver {
        to: String,
    },
    /// An earlier act has no effect any more.
    ActStruck {
        struck: u128,
    },
    /// An earlier act has no effect any more, and another stands in its place.
    ActCorrected {
        corrected: u128,
        replacement: Replacement,
    },
    /// A sign-off counts no more, for every pour that it released.
    ReleaseWithdrawn {
        pours: Vec<String>,
    },
}

/// What stands in the place of a corrected act; what is absent is as the corrected act says.
#[derive(Debug, Clone, PartialEq)]
pub struct Replacement {
    pub happened_at: Option<UtcMs>,
    pub why: Option<String>,
    pub body: Box<ActBody>,
}

/// What a person said to an alarm, which is named by its id.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AlarmAct {
    pub alarm: String,
    pub word: AlarmWord,
}

/// What was said to it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AlarmWord {
    /// A person has seen it and sees to it.
    Seen,
    /// Be quiet until then.
    Snoozed { until_at: UtcMs },
    /// Ring again at once.
    Woken,
    /// A person has looked at what is over and stays in sight until then.
    Reset,
}

impl ActBody {
    /// True where the act may concern the whole plant and need not name a pour.
    #[must_use]
    pub const fn may_be_of_plant(&self) -> bool {
        matches!(
            self,
            Self::Alarm(_)
                | Self::ShiftNoted
                | Self::ShiftHandedOver { .. }
                | Self::ActStruck { .. }
                | Self::ActCorrected { .. }
        )
    }

    /// The act that this one strikes or corrects.
    #[must_use]
    pub const fn mends(&self) -> Option<u128> {
        match self {
            Self::ActStruck { struck } => Some(*struck),
            Self::ActCorrected { corrected, .. } => Some(*corrected),
            _ => None,
        }
    }
}

/// A strength that must be reached before something may be done.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Requirement {
    pub act: StrengthAct,
    pub strength_mpa: f64,
}

/// What a required strength is required for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StrengthAct {
    PartialRelease,
    Release,
    Strip,
    Ship,
}

/// A pour as it was opened.
#[derive(Debug, Clone, PartialEq)]
pub struct PourOpened {
    pub bed: String,
    pub line: Option<String>,
    pub layer: Option<String>,
    pub mix: String,
    pub curve: Option<String>,
    pub from_station_m: f64,
    pub to_station_m: f64,
    pub first_placement_at: Option<UtcMs>,
    pub last_placement_at: Option<UtcMs>,
    pub required: Vec<Requirement>,
    pub pieces: Vec<Piece>,
    pub positions: Vec<Position>,
    pub channels: Vec<ChannelBinding>,
    pub loads: Vec<Load>,
    pub cylinder_sets: Vec<CylinderSet>,
    pub section: Option<Section>,
    pub cementitious_kg_m3: Option<f64>,
    pub fresh: Option<FreshConcrete>,
    pub heat_plan: Option<HeatPlan>,
    /// A person said that this bed gets no heat.
    pub without_heat: bool,
    pub wanted_release_at: Option<UtcMs>,
    pub limit_set: Option<String>,
}

/// A correction; every field that is present replaces what was known.
///
/// Lists are replaced whole unless `merge` is true: then they change only what they name.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct PourCorrected {
    pub line: Option<String>,
    pub layer: Option<String>,
    pub mix: Option<String>,
    pub curve: Option<String>,
    pub from_station_m: Option<f64>,
    pub to_station_m: Option<f64>,
    pub required: Option<Vec<Requirement>>,
    pub pieces: Option<Vec<Piece>>,
    pub positions: Option<Vec<Position>>,
    pub channels: Option<Vec<ChannelBinding>>,
    pub section: Option<Section>,
    pub cementitious_kg_m3: Option<f64>,
    pub fresh: Option<FreshConcrete>,
    pub heat_plan: Option<HeatPlan>,
    pub without_heat: Option<bool>,
    pub wanted_release_at: Option<UtcMs>,
    pub limit_set: Option<String>,
    pub merge: bool,
    /// Channels, positions and marks of pieces that are no longer there; only with `merge`.
    pub removed_channels: Vec<String>,
    pub removed_positions: Vec<String>,
    pub removed_pieces: Vec<String>,
}

/// First and last placement and the stoppages between.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Placement {
    pub first_at: Option<UtcMs>,
    pub last_at: Option<UtcMs>,
    pub stoppages: Vec<Stoppage>,
}

/// Placement stood still at a station.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stoppage {
    pub station_m: f64,
    pub from_at: UtcMs,
    pub to_at: UtcMs,
}

/// One batch ticket.
#[derive(Debug, Clone, PartialEq)]
pub struct Load {
    pub ticket: String,
    pub batched_at: Option<UtcMs>,
    pub placed_from_at: UtcMs,
    pub placed_to_at: UtcMs,
    pub from_station_m: f64,
    pub to_station_m: f64,
}

/// A product with its mark.
#[derive(Debug, Clone, PartialEq)]
pub struct Piece {
    pub mark: String,
    pub from_station_m: f64,
    pub to_station_m: f64,
    pub required: Vec<Requirement>,
}

/// A measured place in the concrete.
#[derive(Debug, Clone, PartialEq)]
pub struct Position {
    pub id: String,
    pub station_m: f64,
    pub place: String,
    pub depth_mm: Option<f64>,
}

/// What a channel reads.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum ChannelRole {
    Concrete,
    Enclosure,
    Ambient,
    Specimen,
}

/// Which channel reads what, since when.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelBinding {
    pub channel: String,
    pub role: ChannelRole,
    pub position: Option<String>,
    pub set: Option<String>,
    pub from_at: Option<UtcMs>,
}

/// What a cylinder set is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SetPurpose {
    Release,
    Later,
}

/// How a set is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SetStorage {
    UnderTarp,
    MatchCured,
    Standard,
}

/// Cylinders made together.
#[derive(Debug, Clone, PartialEq)]
pub struct CylinderSet {
    pub set: String,
    pub purpose: SetPurpose,
    pub specimens: Vec<String>,
    pub storage: SetStorage,
    pub follows_position: Option<String>,
    pub loads: Vec<String>,
    pub diameter_mm: f64,
    pub length_mm: f64,
}

/// The cross-section.
#[derive(Debug, Clone, PartialEq)]
pub struct Section {
    pub name: String,
    pub thickness_mm: Option<f64>,
}

/// Fresh-concrete results.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct FreshConcrete {
    pub temperature_c: Option<f64>,
    pub slump_mm: Option<f64>,
    pub slump_flow_mm: Option<f64>,
    pub visual_stability_index: Option<f64>,
    pub air_percent: Option<f64>,
}

/// What the plant means to do with the heat.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct HeatPlan {
    pub on_at: Option<UtcMs>,
    pub rise_c_per_h: Option<f64>,
    pub soak_c: Option<f64>,
    pub off_at: Option<UtcMs>,
}

/// Cylinders broken together.
#[derive(Debug, Clone, PartialEq)]
pub struct BreakResult {
    pub set: String,
    pub pulled_at: Option<UtcMs>,
    pub tested_at: UtcMs,
    pub specimens: Vec<SpecimenResult>,
}

/// One broken specimen: a strength, or a load.
#[derive(Debug, Clone, PartialEq)]
pub struct SpecimenResult {
    pub specimen: String,
    pub strength_mpa: Option<f64>,
    pub load_kn: Option<f64>,
    pub diameter_mm: Option<f64>,
}

/// A signed release.
#[derive(Debug, Clone, PartialEq)]
pub struct ReleaseSigned {
    pub pours: Vec<String>,
    pub breaks: Vec<u128>,
    pub reason_without_estimate: Option<String>,
}

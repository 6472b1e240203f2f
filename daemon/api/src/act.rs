//! What a person did or decided, as sent to the daemon, stored by it and written in a pour file.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::effect::{ActEffect, Odd};

/// The version of the act's JSON; raised only when an old reader would misread a new act.
pub const ACT_VERSION: u32 = 1;

/// One act. The caller makes `id` (UUIDv7): the same id with the same body is answered as before.
///
/// In a request `recorded_at` is left out and the daemon sets it; in a pour file it must be there,
/// because replay shows only what had been recorded by the asked time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Act {
    /// The caller's id for this act.
    pub id: Uuid,
    /// The version of this JSON, [`ACT_VERSION`].
    #[serde(default = "act_version")]
    pub version: u32,
    /// When the daemon took it in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub recorded_at: Option<DateTime<Utc>>,
    /// When it happened, which may be earlier; never in the future.
    pub happened_at: DateTime<Utc>,
    /// The name as typed; nobody has verified it.
    pub by: String,
    /// The reason, where one is needed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
    /// What is odd about it and meant all the same, each by the name the daemon gave it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub accept: Vec<String>,
    /// The pour it belongs to; empty where an act is of the whole plant.
    pub pour: String,
    /// What was done.
    #[serde(flatten)]
    pub body: ActBody,
}

fn act_version() -> u32 {
    ACT_VERSION
}

/// The answer to an accepted act, sent after it is safely stored; or, of a dry run, what it would change.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct ActAnswer {
    /// The act's id.
    pub id: Uuid,
    /// Its place in the record.
    pub sequence: i64,
    /// When the daemon took it in.
    pub recorded_at: DateTime<Utc>,
    /// True where the very same act was already in the record.
    pub already_known: bool,
    /// What was understood, in the plant's zone and units, such as "heat on, N2, today 17:00".
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub understood: String,
    /// What the person should know although the act was accepted.
    #[serde(default)]
    pub cautions: Vec<String>,
    /// True for a dry run: nothing was recorded, and `sequence` is 0.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub dry_run: bool,
    /// What is odd about the act. It is taken only where `accept` names each of them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub odd: Vec<Odd>,
    /// What it changes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub effect: Option<Box<ActEffect>>,
}

/// What was done or decided; the key `act` names it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "act", rename_all = "kebab-case")]
pub enum ActBody {
    /// A pour is opened on a bed.
    PourOpened(Box<PourOpened>),
    /// Something said when the pour was opened is corrected; absent fields stay as they were.
    PourCorrected(Box<PourCorrected>),
    /// The first or last placement, or a stoppage between them.
    PlacementRecorded(PlacementRecorded),
    /// One load (batch ticket) placed; the same ticket again replaces what was said of it.
    LoadPlaced(Load),
    /// Heat turned on.
    HeatOn {},
    /// Heat turned off.
    HeatOff {},
    /// The tarp lifted, wholly or in part.
    TarpLifted {},
    /// The tarp back in place.
    TarpBack {},
    /// A set of cylinders made.
    CylindersMade(CylinderSet),
    /// Cylinders taken from under the tarp to be tested.
    CylindersPulled {
        /// The set.
        set: String,
        /// The specimens; empty means the whole set.
        #[serde(default)]
        specimens: Vec<String>,
    },
    /// A plug moved: from `happened_at` on the channel is bound as stated.
    PlugMoved(ChannelBinding),
    /// A temperature read by hand.
    HandProbed {
        /// Where.
        position: String,
        /// The reading, °C.
        temperature_c: f64,
    },
    /// Cylinders broken.
    BreakRecorded(BreakResult),
    /// A position left out of the release judgement; `why` is needed.
    PositionExcluded {
        /// Which.
        position: String,
    },
    /// A position taken back into the release judgement.
    PositionRestored {
        /// Which.
        position: String,
    },
    /// QC accepts the gaps in a position's record up to `happened_at`; `why` is needed.
    GapsAccepted {
        /// Which.
        position: String,
    },
    /// QC resolves a disagreement between a break and the estimate; `why` is needed.
    DisagreementResolved {
        /// The id of the break's act.
        break_id: Uuid,
    },
    /// The release of the whole line, signed on passing cylinders.
    ReleaseSigned(ReleaseSigned),
    /// Products stripped.
    Stripped {},
    /// The pour is given up; `why` is needed.
    Abandoned {},
    /// Initial set was measured at `happened_at`.
    InitialSetReached {},
    /// A limit of this pour alone, before the limit set's; `why` names the clause it comes from.
    LimitStated {
        /// The limit's key in a plant file, such as `concrete_c_max`.
        limit: LimitKey,
        /// Its value in the unit that the key names; absent: not judged in this pour.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        value: Option<f64>,
    },
    /// What an engineer decided about a piece hold; `why` is needed. It never bore on detensioning.
    HoldDisposed {
        /// The hold, as [`crate::pour::BreachView`] names it.
        hold: String,
        /// The engineer's number for the decision.
        number: String,
        /// Whether the pieces may ship.
        may_ship: bool,
    },
    /// A person has seen an alarm and sees to it. `pour` may be empty, as for every act below.
    AlarmSeen {
        /// The alarm's id.
        alarm: String,
    },
    /// An alarm is quiet until then; `why` is needed.
    AlarmSnoozed {
        /// The alarm's id.
        alarm: String,
        /// Until when, at most 8 h after `happened_at`.
        until_at: DateTime<Utc>,
    },
    /// A snoozed alarm rings again.
    AlarmWoken {
        /// The alarm's id.
        alarm: String,
    },
    /// An alarm that is over, but stays in sight, is put away.
    AlarmReset {
        /// The alarm's id.
        alarm: String,
    },
    /// A note for the shift log; its text is `why`.
    ShiftNoted {},
    /// The shift is handed over; `why` may say what the next one must know.
    ShiftHandedOver {
        /// Who takes it over.
        to: String,
    },
    /// An earlier act is struck: it stays in the record without effect. `why` is needed.
    ActStruck {
        /// The id of that act.
        struck: Uuid,
    },
    /// An earlier act is struck and another takes its place in the record; `why` is needed.
    ActCorrected {
        /// The id of that act.
        corrected: Uuid,
        /// What stands in its place.
        replacement: Replacement,
    },
    /// A sign-off is withdrawn for every pour it released; `why` is needed.
    ReleaseWithdrawn {
        /// Every pour that the sign-off released.
        pours: Vec<String>,
    },
}

/// What takes the place of a corrected act.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Replacement {
    /// When it happened; absent: when the corrected act says.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub happened_at: Option<DateTime<Utc>>,
    /// Its reason; absent: that of the corrected act.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
    /// What was done.
    #[serde(flatten)]
    pub body: Box<ActBody>,
}

/// What may be limited, by its key in a plant file; the key names the unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[expect(
    missing_docs,
    reason = "each is described where plant files are: in plant.example.toml"
)]
pub enum LimitKey {
    ConcreteCMax,
    RiseCPerHMax,
    CoolingCPerHMax,
    DifferenceCMax,
    ConcreteCMin,
    PresetHMin,
    BeforeSetCMax,
    EnclosureCMax,
    EnclosureCMin,
    EnclosureRiseCPerHMax,
    HeatOffHMax,
    HeatOffFallCMax,
    ReleaseHMax,
    ReleasedAboveYardCMax,
}

/// A strength that must be reached before something may be done.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Requirement {
    /// What must wait for it.
    pub act: StrengthAct,
    /// The required strength, MPa.
    pub strength_mpa: f64,
}

/// What a required strength is required for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StrengthAct {
    /// Letting part of the strand force into the concrete.
    PartialRelease,
    /// Detensioning.
    Release,
    /// Lifting the products from the bed.
    Strip,
    /// Shipping.
    Ship,
}

/// A pour as it is opened. Only `bed`, `mix`, `required` and the stations are always needed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PourOpened {
    /// The bed, as the plant file names it.
    pub bed: String,
    /// Everything stressed and cut together; absent: the bed's name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line: Option<String>,
    /// Names a second layer cast over another pour at the same stations.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub layer: Option<String>,
    /// The mix, as the plant file names it.
    pub mix: String,
    /// Digest of the curve; absent: the mix's approved curve when the pour was opened.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub curve: Option<String>,
    /// First station of the concrete, m.
    pub from_station_m: f64,
    /// Last station of the concrete, m.
    pub to_station_m: f64,
    /// First placement.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub first_placement_at: Option<DateTime<Utc>>,
    /// Last placement; absent while placing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_placement_at: Option<DateTime<Utc>>,
    /// Required strengths of the whole pour.
    pub required: Vec<Requirement>,
    /// Pieces with their marks.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub pieces: Vec<Piece>,
    /// Where the concrete is measured.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub positions: Vec<Position>,
    /// Which channel reads what.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub channels: Vec<ChannelBinding>,
    /// Loads placed so far.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub loads: Vec<Load>,
    /// Cylinders made so far.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub cylinder_sets: Vec<CylinderSet>,
    /// The cross-section.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub section: Option<Section>,
    /// Cementitious content, kg/m³.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cementitious_kg_m3: Option<f64>,
    /// Fresh-concrete results.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fresh: Option<FreshConcrete>,
    /// The heat plan.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub heat_plan: Option<HeatPlan>,
    /// True where a person says that this bed gets no heat; never beside a heat plan.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub without_heat: bool,
    /// When the plant wants to release.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wanted_release_at: Option<DateTime<Utc>>,
    /// The limit set, as the plant file names it; absent: the bed's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit_set: Option<String>,
}

/// A correction; every field that is present replaces what was known.
///
/// Lists are merged where `merge` is true. Where it is false, as in acts of before there was `merge`,
/// a list that is present replaces the whole list.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
#[expect(
    missing_docs,
    reason = "each field is the one of the same name in PourOpened"
)]
pub struct PourCorrected {
    #[serde(skip_serializing_if = "Option::is_none")]
    pub line: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub layer: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mix: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub curve: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from_station_m: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub to_station_m: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub required: Option<Vec<Requirement>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pieces: Option<Vec<Piece>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub positions: Option<Vec<Position>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub channels: Option<Vec<ChannelBinding>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub section: Option<Section>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cementitious_kg_m3: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fresh: Option<FreshConcrete>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub heat_plan: Option<HeatPlan>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub without_heat: Option<bool>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub wanted_release_at: Option<DateTime<Utc>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limit_set: Option<String>,
    /// Lists change only what they name: `required` by act, `pieces` by mark, `positions` by id,
    /// `channels` by what they read and since when.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub merge: bool,
    /// What is no longer there; only with `merge`.
    #[serde(skip_serializing_if = "Removed::is_empty")]
    pub remove: Removed,
}

/// What a correction takes out of a pour, by name.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Removed {
    /// Channels: nothing of this pour is read by them.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub channels: Vec<String>,
    /// Positions.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub positions: Vec<String>,
    /// Marks of pieces.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub pieces: Vec<String>,
}

impl Removed {
    /// True where nothing is taken out.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.channels.is_empty() && self.positions.is_empty() && self.pieces.is_empty()
    }
}

/// The times of placement of the pour as a whole.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct PlacementRecorded {
    /// First placement.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub first_at: Option<DateTime<Utc>>,
    /// Last placement.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_at: Option<DateTime<Utc>>,
    /// Stoppages between them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub stoppages: Vec<Stoppage>,
}

/// Placement stood still: ages are never interpolated across it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Stoppage {
    /// Where placement stood, m.
    pub station_m: f64,
    /// From when.
    pub from_at: DateTime<Utc>,
    /// To when.
    pub to_at: DateTime<Utc>,
}

/// One batch ticket.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Load {
    /// The ticket's number.
    pub ticket: String,
    /// When water met cement.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub batched_at: Option<DateTime<Utc>>,
    /// When its placement began.
    pub placed_from_at: DateTime<Utc>,
    /// When its placement ended.
    pub placed_to_at: DateTime<Utc>,
    /// First station it covers, m.
    pub from_station_m: f64,
    /// Last station it covers, m.
    pub to_station_m: f64,
}

/// A product on the bed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Piece {
    /// Its mark.
    pub mark: String,
    /// First station, m.
    pub from_station_m: f64,
    /// Last station, m.
    pub to_station_m: f64,
    /// Its own required strengths, where they differ from the pour's.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub required: Vec<Requirement>,
}

/// A place in the concrete that is measured.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Position {
    /// Its name, unique in the pour.
    pub id: String,
    /// Distance along the bed, m.
    pub station_m: f64,
    /// Place in the section, in the plant's words ("stem", "end block").
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub place: String,
    /// Depth below the top face, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub depth_mm: Option<f64>,
}

/// What a channel reads.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ChannelRole {
    /// The concrete at a position.
    Concrete,
    /// The air under the tarp.
    Enclosure,
    /// The air of the yard.
    Ambient,
    /// The specimens of a cylinder set.
    Specimen,
}

/// Which channel reads what, from when.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChannelBinding {
    /// The channel, as readings name it.
    pub channel: String,
    /// What it reads.
    pub role: ChannelRole,
    /// The position, for concrete.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<String>,
    /// The cylinder set, for a specimen.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub set: Option<String>,
    /// Since when; absent: since the pour began (or, for a moved plug, since the act happened).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from_at: Option<DateTime<Utc>>,
}

/// What a cylinder set is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SetPurpose {
    /// To confirm release.
    Release,
    /// For a later age (28 days); may be broken for release only with a reason.
    Later,
}

/// How a set is kept until it is tested.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SetStorage {
    /// Under the tarp beside the concrete.
    UnderTarp,
    /// Held at the temperature of a position.
    MatchCured,
    /// Standard curing.
    Standard,
}

/// Cylinders made together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CylinderSet {
    /// Its name, unique in the pour.
    pub set: String,
    /// What it is for.
    pub purpose: SetPurpose,
    /// The specimens' names.
    pub specimens: Vec<String>,
    /// How they are kept.
    pub storage: SetStorage,
    /// The position that match-cured specimens follow.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub follows_position: Option<String>,
    /// The loads they were sampled from; empty where loads are not recorded.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub loads: Vec<String>,
    /// Diameter, mm.
    pub diameter_mm: f64,
    /// Length, mm.
    pub length_mm: f64,
}

/// The cross-section of the products.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Section {
    /// Its name.
    pub name: String,
    /// Thickness that governs heat flow, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub thickness_mm: Option<f64>,
}

/// Fresh-concrete results.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct FreshConcrete {
    /// Temperature, °C.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
    /// Slump, mm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub slump_mm: Option<f64>,
    /// Slump flow, mm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub slump_flow_mm: Option<f64>,
    /// Visual stability index, 0–3.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub visual_stability_index: Option<f64>,
    /// Air content, %.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub air_percent: Option<f64>,
}

/// What the plant means to do with the heat.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct HeatPlan {
    /// Heat on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub on_at: Option<DateTime<Utc>>,
    /// Rise of the enclosure, °C/h.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rise_c_per_h: Option<f64>,
    /// Enclosure temperature held during the soak, °C.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub soak_c: Option<f64>,
    /// Heat off.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub off_at: Option<DateTime<Utc>>,
}

/// Cylinders of one set broken together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BreakResult {
    /// The set.
    pub set: String,
    /// When they left the tarp; absent: when they were tested.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pulled_at: Option<DateTime<Utc>>,
    /// When they were tested.
    pub tested_at: DateTime<Utc>,
    /// Each specimen's result.
    pub specimens: Vec<SpecimenResult>,
}

/// One broken specimen: either a strength, or a load (with the set's or its own diameter).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SpecimenResult {
    /// Its name in the set.
    pub specimen: String,
    /// Compressive strength, MPa.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub strength_mpa: Option<f64>,
    /// Greatest load, kN.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub load_kn: Option<f64>,
    /// Measured diameter, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub diameter_mm: Option<f64>,
    /// The entry as the person typed it ("50265 lbf, 4 in").
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub as_typed: Option<String>,
    /// Kind of fracture, in the laboratory's words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fracture: Option<String>,
}

/// A person releases a line on passing cylinders.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReleaseSigned {
    /// Every pour of the line that is under cure.
    pub pours: Vec<String>,
    /// The ids of the acts that recorded the breaks relied upon.
    pub breaks: Vec<Uuid>,
    /// Needed where no estimate supports the release.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason_without_estimate: Option<String>,
}

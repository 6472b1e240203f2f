//! What the daemon knows of one pour at one moment.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::act::{ChannelRole, CylinderSet, HeatPlan, Load, Piece, Requirement, Section};
use crate::ahead::{AheadView, ChanceView, PassView, WindowView};

/// Where a pour stands; derived from the records, never set by hand.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PourStatus {
    /// The last load is not down yet.
    Placing,
    /// Gaining strength.
    Curing,
    /// The estimate says a set would now probably pass.
    BreakDue,
    /// Cylinders passed, not released.
    Confirmed,
    /// Signed.
    Released,
    /// Products off the bed.
    Stripped,
    /// Given up.
    Abandoned,
}

/// One pour, whole.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PourView {
    /// Its id.
    pub pour: String,
    /// The bed.
    pub bed: String,
    /// The line it is cut with.
    pub line: String,
    /// Every pour of that line still under cure, this one included.
    pub line_pours: Vec<String>,
    /// The layer, where it is a second one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub layer: Option<String>,
    /// The mix.
    pub mix: String,
    /// Where it stands.
    pub status: PourStatus,
    /// The same in words, with what the cylinders say where the status alone would hide it.
    pub status_words: String,
    /// First station, m.
    pub from_station_m: f64,
    /// Last station, m.
    pub to_station_m: f64,
    /// First placement.
    pub first_placement_at: Option<DateTime<Utc>>,
    /// Last placement.
    pub last_placement_at: Option<DateTime<Utc>>,
    /// The earliest moment its concrete can have an age; while nothing is placed, when it was opened.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub begins_at: Option<DateTime<Utc>>,
    /// When the plant wants to release.
    pub wanted_release_at: Option<DateTime<Utc>>,
    /// Required strengths of the pour as a whole.
    pub required: Vec<Requirement>,
    /// The release strength that must be reached everywhere, MPa; the highest where pieces differ.
    pub release_strength_mpa: Option<f64>,
    /// Pieces.
    pub pieces: Vec<Piece>,
    /// Loads.
    pub loads: Vec<Load>,
    /// Section.
    pub section: Option<Section>,
    /// Heat plan.
    pub heat_plan: Option<HeatPlan>,
    /// True where a person said that this bed gets no heat.
    pub without_heat: bool,
    /// Whether heat was last said to be on, and since when.
    pub heat: Option<SwitchView>,
    /// Whether the tarp was last said to be lifted (`on` = lifted), and since when.
    pub tarp_lifted: Option<SwitchView>,
    /// The limits in force.
    pub limits: LimitsView,
    /// The curve it began with.
    pub curve: CurveView,
    /// The estimate at the governing position.
    pub estimate: EstimateView,
    /// True while cylinders that failed speak against every estimate of the pour.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub estimate_disagreed: bool,
    /// The position that governs.
    pub governing_position: Option<String>,
    /// When it will probably get there.
    pub forecast: ForecastView,
    /// Every position.
    pub positions: Vec<PositionView>,
    /// Air under the tarp, air of the yard, specimens.
    pub other_channels: Vec<ChannelView>,
    /// Cylinder sets with their breaks.
    pub cylinder_sets: Vec<CylinderSetView>,
    /// What the cylinders have said.
    pub confirmation: ConfirmationView,
    /// What stands against signing the release.
    pub release_holds: Vec<NoteView>,
    /// What stands against shipping pieces; never against detensioning.
    pub piece_holds: Vec<NoteView>,
    /// Limits that were broken, with their worst values; each is a piece hold until disposed of.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub breaches: Vec<BreachView>,
    /// What a person should know before deciding.
    pub cautions: Vec<NoteView>,
    /// The release, where signed.
    pub release: Option<SignedView>,
    /// Sign-offs that were withdrawn, in order.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub withdrawn: Vec<WithdrawnView>,
}

/// Something last said to be on or off.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct SwitchView {
    /// On.
    pub on: bool,
    /// Since when.
    pub since: DateTime<Utc>,
}

/// The limits that apply, each absent where the plant states none.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct LimitsView {
    /// The limit set's name.
    pub name: Option<String>,
    /// Highest concrete temperature, °C.
    pub concrete_c_max: Option<f64>,
    /// Rise, °C/h.
    pub rise_c_per_h_max: Option<f64>,
    /// Cooling, °C/h.
    pub cooling_c_per_h_max: Option<f64>,
    /// Difference between positions, °C.
    pub difference_c_max: Option<f64>,
    /// Lowest concrete temperature, °C.
    pub concrete_c_min: Option<f64>,
    /// From the last load's batch time to heat, h.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub preset_h_min: Option<f64>,
    /// Concrete before initial set, °C.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub before_set_c_max: Option<f64>,
    /// Air under the tarp, °C.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub enclosure_c_max: Option<f64>,
    /// Air under the tarp before the heat, °C.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub enclosure_c_min: Option<f64>,
    /// Rise of the air under the tarp, °C/h.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub enclosure_rise_c_per_h_max: Option<f64>,
    /// From heat off to detensioning, h.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub heat_off_h_max: Option<f64>,
    /// Fall of the concrete from heat off to detensioning, °C.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub heat_off_fall_c_max: Option<f64>,
    /// From the last load to detensioning, h.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub release_h_max: Option<f64>,
    /// Concrete above the yard's air at release, °C.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub released_above_yard_c_max: Option<f64>,
    /// True where heat needs a recorded initial set.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub set_required: bool,
    /// Where each value comes from, by its key.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub sources: BTreeMap<String, String>,
}

/// A limit that was broken. It holds the pieces until an engineer disposes of it, never the strand.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BreachView {
    /// Its name within the pour: what and where.
    pub hold: String,
    /// The limit's key.
    pub limit: String,
    /// The position, where it concerns one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
    /// The limit, in `unit`.
    pub limit_value: f64,
    /// The worst value, in `unit`.
    pub worst: f64,
    /// `°C`, `°C/h` or `h`.
    pub unit: String,
    /// The clause or the person that the limit comes from.
    pub source: String,
    /// When it was first broken.
    pub first_at: DateTime<Utc>,
    /// When it was worst.
    pub worst_at: DateTime<Utc>,
    /// False where the worst rests on readings that are not believed.
    pub proven: bool,
    /// The marks of the pieces concerned; empty where the pour names none.
    pub pieces: Vec<String>,
    /// One sentence for a person.
    pub text: String,
    /// What the engineer decided, once recorded.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub disposition: Option<DispositionView>,
}

/// What an engineer decided about a breach.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DispositionView {
    /// The engineer's number.
    pub number: String,
    /// Whether the pieces may ship.
    pub may_ship: bool,
    /// Who recorded it, as typed, not verified.
    pub by: String,
    /// When.
    pub at: DateTime<Utc>,
    /// Why.
    pub why: String,
}

/// A curve and whether it may be used.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct CurveView {
    /// Digest, where the pour has a curve.
    pub digest: Option<String>,
    /// Its name.
    pub name: Option<String>,
    /// `approved`, `superseded`, `not-approved`, `expired`, `withdrawn`, `none`.
    pub standing: String,
    /// True where estimates may be made from it.
    pub usable: bool,
    /// Unit of its maturity measure: `°C·h` or `h`.
    pub maturity_unit: Option<String>,
    /// Present where the curve only advises on this pour.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub advisory: Option<AdvisoryView>,
    /// What the plant's breaks say against the curve, one sentence.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drift: Option<String>,
    /// One sentence for a person.
    pub note: String,
}

/// A curve of standard-cured specimens on a heated bed, not yet verified there: its bound is lower.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct AdvisoryView {
    /// Independent pours on heated beds that have verified the curve so far …
    pub pour_count: usize,
    /// … of so many.
    pub needed_count: usize,
    /// The lower bound is lower by this fraction.
    pub margin: f64,
}

/// A strength estimate. It says when to break, never that a strand may be cut.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct EstimateView {
    /// `within`, `at-least` (above the curve's data), `not-yet` (below it), `none`.
    pub kind: String,
    /// The estimate, MPa.
    pub estimate_mpa: Option<f64>,
    /// One-sided 90 % lower bound of the mean strength there, MPa.
    pub lower_90_mpa: Option<f64>,
    /// Maturity, in the curve's unit.
    pub maturity: Option<f64>,
    /// Maturity that cannot overstate, in the curve's unit.
    pub maturity_low: Option<f64>,
    /// Why there is no estimate, where there is none.
    pub reason: Option<String>,
}

/// When the governing position reaches its required strength.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct ForecastView {
    /// 10 % of futures are there by then.
    pub early_at: Option<DateTime<Utc>>,
    /// Half.
    pub likely_at: Option<DateTime<Utc>>,
    /// 90 %.
    pub late_at: Option<DateTime<Utc>>,
    /// Probability that a set broken now would pass.
    pub pass_probability_now: Option<f64>,
    /// Earliest time at which a set passes with the plant's probability.
    pub break_from_at: Option<DateTime<Utc>>,
    /// The plant's probability.
    pub break_probability: f64,
    /// Times at which a set may be broken, each with its chance, in order of time; none once the
    /// cylinders have passed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub break_times: Vec<BreakTimeView>,
    /// The likely time, where the whole window is past and no cylinders have passed: it proves nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unproven_since: Option<DateTime<Utc>>,
    /// Why there is no forecast, or what it rests on.
    pub reason: Option<String>,
    /// The same by the curve alone: the times above are of the concrete, which may differ from it.
    #[serde(default)]
    pub by_curve: WindowView,
    /// The probability against time, of the concrete.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub chances: Vec<ChanceView>,
    /// What waiting changes: the probability that a set broken later would pass.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub passes: Vec<PassView>,
    /// What it does without, as sentences.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub lacks: Vec<String>,
    /// Finished pours of the bed that taught how it warms.
    #[serde(default)]
    pub pours_of_bed: usize,
    /// Breaks of the mix that were compared with its curve.
    #[serde(default)]
    pub breaks_of_mix: usize,
    /// What else lies ahead, while the pour is under cure.
    #[serde(default)]
    pub ahead: AheadView,
}

/// A time at which a set may be broken.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BreakTimeView {
    /// When.
    pub at: DateTime<Utc>,
    /// The probability that a set broken then passes for every position.
    pub probability: f64,
    /// `even` (as often as not), `wanted` (the wanted release time), `aimed` (the plant's probability).
    pub kind: String,
    /// The chance in words, to go after the time: `78 % to pass, at the wanted time`.
    pub words: String,
}

/// How far a channel is believed, and why.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct TrustView {
    /// `good`, `suspect`, `rejected`, `no-data`.
    pub verdict: String,
    /// `open`, `stuck`, `silent`, `step`, `reads-air`, `out-of-range`, `conflict`, …
    pub reason: Option<String>,
    /// The numbers behind it.
    pub evidence: Option<String>,
    /// Since when.
    pub since: Option<DateTime<Utc>>,
}

/// One position as it stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PositionView {
    /// Its name.
    pub position: String,
    /// Station, m.
    pub station_m: f64,
    /// Place in the section.
    pub place: String,
    /// Depth, mm.
    pub depth_mm: Option<f64>,
    /// The channel bound now.
    pub channel: Option<String>,
    /// Its last believed temperature, °C.
    pub temperature_c: Option<f64>,
    /// When that was measured.
    pub measured_at: Option<DateTime<Utc>>,
    /// Rate over the last half hour, °C/h.
    pub rate_c_per_h: Option<f64>,
    /// Highest temperature so far, °C.
    pub highest_c: Option<f64>,
    /// True where the highest rests on readings that were not believed.
    pub highest_unproven: bool,
    /// When its age began.
    pub time_zero_at: Option<DateTime<Utc>>,
    /// Its required release strength, MPa.
    pub required_mpa: Option<f64>,
    /// Its estimate.
    pub estimate: EstimateView,
    /// When it is expected there.
    pub likely_at: Option<DateTime<Utc>>,
    /// Trust.
    pub trust: TrustView,
    /// Hours of its record that were bridged by values that cannot overstate.
    pub bridged_h: f64,
    /// The person's reason, where it is left out of the judgement.
    pub excluded: Option<String>,
    /// Whether the breaks confirm it.
    pub confirmed: bool,
}

/// A channel that is not concrete.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChannelView {
    /// The channel.
    pub channel: String,
    /// What it reads.
    pub role: ChannelRole,
    /// The cylinder set, for a specimen.
    pub set: Option<String>,
    /// Last temperature, °C.
    pub temperature_c: Option<f64>,
    /// When that was measured.
    pub measured_at: Option<DateTime<Utc>>,
    /// Trust.
    pub trust: TrustView,
}

/// A cylinder set and what became of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CylinderSetView {
    /// The set as made.
    #[serde(flatten)]
    pub made: CylinderSet,
    /// Specimens broken.
    pub broken_count: usize,
    /// Specimens left.
    pub left_count: usize,
    /// Its breaks, in order of testing.
    pub breaks: Vec<BreakView>,
}

/// One break judged.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BreakView {
    /// The id of the act that recorded it.
    pub id: Uuid,
    /// Who recorded it (as typed, not verified).
    pub by: String,
    /// When it was tested.
    pub tested_at: DateTime<Utc>,
    /// Each specimen's strength, MPa.
    pub strengths_mpa: Vec<f64>,
    /// Their mean, MPa.
    pub mean_mpa: f64,
    /// Required, MPa.
    pub required_mpa: f64,
    /// Whether it passes the plant's release rule, by itself: `says` is what counts.
    pub passes: bool,
    /// What it says for the pour: `failed`, `made-up` (failed, and a later set made up for it),
    /// `does-not-count`, `not-for-release`, `confirms` (what `confirms` names), `passes` (the pour is
    /// confirmed).
    pub says: String,
    /// Its numbers and what it says, in words, without its time and its person.
    pub words: String,
    /// The same in the fewest words.
    pub short: String,
    /// The positions that it confirms.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub confirms: Vec<String>,
    /// The number that decided, with the sets it is judged together with.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub decided: Option<DecidedView>,
    /// Where earlier breaks close to it are judged together with it: the mean of all, MPa.
    pub pooled_mean_mpa: Option<f64>,
    /// The estimate at the specimens' own maturity, MPa.
    pub estimate_mpa: Option<f64>,
    /// Measured over estimated.
    pub ratio: Option<f64>,
    /// Whether the specimens have their own temperature history.
    pub has_history: bool,
    /// What a person should know of it.
    pub notes: Vec<String>,
}

/// What the cylinders have said so far.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct ConfirmationView {
    /// `no-break`, `failed`, `passed-in-part`, `confirmed`.
    pub state: String,
    /// Where the pour stands with its cylinders: `not-broken`, `failed`, `does-not-count`,
    /// `not-confirmed`, `confirmed`, `released`, `failed-after-release`.
    pub outcome: String,
    /// The sentence that must stand wherever an estimate is shown near a release decision.
    pub words: String,
    /// The same in a few words, for a row.
    pub short: String,
    /// The same in at most fourteen letters.
    pub shortest: String,
    /// The number that decided, where cylinders have.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub decided: Option<DecidedView>,
    /// When positions that wait only for their maturity have it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub catch_up: Vec<CatchUpView>,
    /// True where another set could confirm the rest sooner than waiting does.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub break_is_sooner: bool,
    /// The breaks that confirm.
    pub breaks: Vec<Uuid>,
    /// Positions not confirmed yet.
    pub waiting_for: Vec<String>,
    /// Release specimens left.
    pub release_specimens_left: usize,
}

/// The number by which cylinders pass or fail.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DecidedView {
    /// `mean`, `cylinder`, `too-few-cylinders`, `no-strength`, `no-requirement`.
    pub by: String,
    /// The sets that were judged, in order of testing.
    pub sets: Vec<String>,
    /// The cylinder, where a single one decides.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub specimen: Option<String>,
    /// What was measured, MPa; for `too-few-cylinders` how many were broken.
    pub value: f64,
    /// What it had to be, in the same unit.
    pub needed: f64,
}

/// A position for which cylinders passed that were more mature than it is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CatchUpView {
    /// The position.
    pub position: String,
    /// The maturity of the cylinders at their test, in the curve's unit.
    pub maturity: f64,
    /// When the position is likely there; absent where that is not known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub likely_at: Option<DateTime<Utc>>,
}

/// A hold or a caution.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NoteView {
    /// Its name in kebab case.
    pub kind: String,
    /// One sentence for a person.
    pub text: String,
}

/// A signed release.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SignedView {
    /// Who, as typed, not verified.
    pub by: String,
    /// When.
    pub at: DateTime<Utc>,
    /// On which breaks.
    pub breaks: Vec<Uuid>,
    /// Positions left out, with reasons.
    pub excluded: Vec<String>,
    /// The reason given where no estimate supported it.
    pub reason_without_estimate: Option<String>,
}

/// A sign-off that counts no more.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WithdrawnView {
    /// What was signed.
    pub signed: SignedView,
    /// Who ended it, as typed, not verified.
    pub by: String,
    /// When.
    pub at: DateTime<Utc>,
    /// What happened and why, in one sentence.
    pub text: String,
}

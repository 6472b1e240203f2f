//! Mixes with their curves: how each stands, and what the plant's own breaks say of it.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::act::SetPurpose;
use crate::trouble::TroubleView;

/// Every mix of the plant.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MixesAnswer {
    /// Plant time.
    pub now: DateTime<Utc>,
    /// In the order of the plant file.
    pub mixes: Vec<MixView>,
    /// Troubles of curve files and of curves that drift.
    pub troubles: Vec<TroubleView>,
}

/// One mix.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MixView {
    /// Its name.
    pub mix: String,
    /// Its curves, the last made first; none means cylinders alone.
    pub curves: Vec<MixCurveView>,
}

/// One curve of a mix.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MixCurveView {
    /// The version: the curve file's digest.
    pub digest: String,
    /// Its name.
    pub name: String,
    /// When it was made.
    pub made_at: DateTime<Utc>,
    /// `approved`, `superseded`, `not-approved`, `expired`, `withdrawn`.
    pub standing: String,
    /// One sentence about that.
    pub note: String,
    /// How its specimens were cured: `standard`, `heat-cured`, `match-cured`.
    pub cured: String,
    /// Unit of its maturity measure: `°C·h` or `h`.
    pub maturity_unit: String,
    /// True where it only advises on heated beds, with a lower bound that is lower.
    pub advises_only: bool,
    /// Pours on heated beds with a break that verifies it.
    pub heated_pour_count: usize,
    /// What the breaks say of it.
    pub verification: VerificationView,
}

/// Measured against estimated strength at the specimens' own maturity, first break of each pour.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct VerificationView {
    /// `not-verified`, `holds`, `drifts`.
    pub state: String,
    /// Independent pours so far …
    pub pour_count: usize,
    /// … of so many that verify a curve.
    pub needed_count: usize,
    /// Mean of measured over estimated less one, a fraction; none without breaks.
    pub bias: Option<f64>,
    /// Half width of the two-sided 90 % interval of the bias.
    pub bias_half_width: Option<f64>,
    /// Scatter about the mean, a fraction.
    pub scatter_cv: Option<f64>,
    /// Scatter from pour to pour that estimates count with, a fraction.
    pub pour_cv: f64,
    /// Pours, on average, to a false alarm of the sum below, and above.
    pub run_length_below: f64,
    /// Pours, on average, to a false alarm of the sum above.
    pub run_length_above: f64,
    /// Signs of drift, a sentence each, in order of time.
    pub signs: Vec<String>,
    /// The last points of the chart, the last broken first.
    pub points: Vec<CurvePointView>,
    /// Breaks shown apart, the last broken first: they do not enter the chart.
    pub apart: Vec<ApartView>,
}

/// One point of the chart.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CurvePointView {
    /// The pour.
    pub pour: String,
    /// When its specimens were broken.
    pub broken_at: DateTime<Utc>,
    /// The specimens' own maturity, in the curve's unit.
    pub maturity: f64,
    /// Their mean strength, MPa.
    pub measured_mpa: f64,
    /// The curve's strength there, MPa.
    pub estimated_mpa: f64,
    /// Measured less estimated, a fraction of the estimate.
    pub difference: f64,
    /// Cumulative sum of what is below the estimate, in standard deviations.
    pub sum_below: f64,
    /// Cumulative sum of what is above it.
    pub sum_above: f64,
}

/// A break that does not enter the chart.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ApartView {
    /// The pour.
    pub pour: String,
    /// When its specimens were broken.
    pub broken_at: DateTime<Utc>,
    /// Their mean strength, MPa.
    pub measured_mpa: f64,
    /// Why it is shown apart.
    pub why: String,
}

/// Breaks of a mix, in order of testing, with what their specimens went through.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BreaksAnswer {
    /// Plant time.
    pub now: DateTime<Utc>,
    /// The mix.
    pub mix: String,
    /// Its breaks.
    pub breaks: Vec<SpecimenBreakView>,
}

/// One break: the specimens of a set that were tested together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SpecimenBreakView {
    /// The pour.
    pub pour: String,
    /// The set.
    pub set: String,
    /// What the set was made for.
    pub purpose: SetPurpose,
    /// True where the pour lay on a heated bed.
    pub is_heated: bool,
    /// When the specimens were tested.
    pub tested_at: DateTime<Utc>,
    /// When they left the tarp; their temperatures end there.
    pub left_tarp_at: DateTime<Utc>,
    /// When their concrete was placed.
    pub placed_at: DateTime<Utc>,
    /// When it was batched, as far as that is known.
    pub batched_at: DateTime<Utc>,
    /// Diameter as made, mm.
    pub diameter_mm: f64,
    /// Length as made, mm.
    pub length_mm: f64,
    /// Specimens with a usable strength.
    pub specimens: Vec<BrokenSpecimenView>,
    /// Temperatures of their own sensor that are believed; empty without one.
    pub temperatures: Vec<OwnTemperature>,
}

/// One specimen's strength.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BrokenSpecimenView {
    /// Its name.
    pub specimen: String,
    /// Strength, MPa.
    pub strength_mpa: f64,
}

/// One temperature of a specimen's own sensor.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct OwnTemperature {
    /// When it was measured.
    pub at: DateTime<Utc>,
    /// Temperature, °C.
    pub temperature_c: f64,
}

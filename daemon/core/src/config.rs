//! The plant as its configuration describes it, checked and ready.

use std::collections::BTreeMap;

use calibration::{CurveFile, CurveRecord, ReleaseRule};
use chrono_tz::Tz;
use units::UnitSystem;

use crate::say::Local;

/// Everything the core must be told about a plant.
#[derive(Debug, Clone)]
pub struct PlantConfig {
    /// The plant's name.
    pub name: String,
    /// The units in which sentences are told.
    pub units: UnitSystem,
    /// The zone of the clock on the plant's wall, in which times are told.
    pub zone: Tz,
    /// Beds in yard order.
    pub beds: Vec<Bed>,
    /// Mixes.
    pub mixes: Vec<Mix>,
    /// Limit sets.
    pub limit_sets: Vec<LimitSet>,
    /// The set of pours where neither the pour nor its bed names one.
    pub limit_set: Option<String>,
    /// How cylinders confirm.
    pub release: ReleasePolicy,
    /// How sensors are judged.
    pub trust: TrustSettings,
    /// How estimates and forecasts are made.
    pub estimate: EstimateSettings,
    /// Curve files with their digests.
    pub curves: Vec<KnownCurve>,
    /// What was decided about curves.
    pub curve_records: Vec<CurveRecord>,
    /// Channels that share one logger's clock; a channel not named has a clock of its own.
    pub loggers: Vec<Logger>,
    /// How the watch judges heat.
    pub watch: WatchSettings,
}

/// One bed.
#[derive(Debug, Clone, PartialEq)]
pub struct Bed {
    pub id: String,
    pub length_m: f64,
    pub limit_set: Option<String>,
    /// What heats it, such as a boiler, where several beds share one.
    pub heat_source: Option<String>,
}

/// One mix.
#[derive(Debug, Clone, PartialEq)]
pub struct Mix {
    pub id: String,
}

/// A logger and the channels on its clock.
#[derive(Debug, Clone, PartialEq)]
pub struct Logger {
    pub id: String,
    pub channels: Vec<String>,
}

/// Limits with where each came from; an absent limit is not judged.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct LimitSet {
    pub id: String,
    pub concrete_c_max: Option<f64>,
    pub rise_c_per_h_max: Option<f64>,
    pub cooling_c_per_h_max: Option<f64>,
    pub difference_c_max: Option<f64>,
    pub concrete_c_min: Option<f64>,
    /// No heat before this after the batch time of the last load under the same enclosure, h.
    pub preset_h_min: Option<f64>,
    /// No heat before a recorded initial set; with `preset_h_min` one of the two is enough.
    pub is_set_required: bool,
    /// Concrete before its initial set, or before the preset is over where no set is recorded, °C.
    pub before_set_c_max: Option<f64>,
    pub enclosure_c_max: Option<f64>,
    /// The air under the tarp until the heat first goes on, °C.
    pub enclosure_c_min: Option<f64>,
    pub enclosure_rise_c_per_h_max: Option<f64>,
    /// From the last heat-off to detensioning, h.
    pub heat_off_h_max: Option<f64>,
    /// Fall of the concrete from the last heat-off to detensioning, °C.
    pub heat_off_fall_c_max: Option<f64>,
    /// From the last load's batch time to detensioning, h.
    pub release_h_max: Option<f64>,
    /// Concrete above the yard's air when it is released, °C: cool-down comes first.
    pub released_above_yard_c_max: Option<f64>,
    /// The clause or the person that every value comes from …
    pub source: String,
    /// … but these, by the limit's key.
    pub sources: BTreeMap<String, String>,
}

/// A curve file's content and its name.
#[derive(Debug, Clone)]
pub struct KnownCurve {
    pub digest: String,
    pub file: CurveFile,
}

/// How cylinders confirm.
#[derive(Debug, Clone, PartialEq)]
pub struct ReleasePolicy {
    /// The rule one set is judged by.
    pub rule: ReleaseRule,
    /// What one set speaks for.
    pub set_stands_for: SetScope,
    /// Whether specimens without a temperature history count, marked so.
    pub count_specimens_without_history: bool,
    /// Sets tested within this of a failed one are judged together with it, h.
    pub pooled_within_h: f64,
    /// Measured over estimated outside 1 ± this is a disagreement.
    pub disagreement_fraction: f64,
    /// The probability with which the next set should pass.
    pub break_probability: f64,
}

/// What concrete one cylinder set speaks for, by the plant's specification. A match-cured set speaks
/// for the position it followed by either.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SetScope {
    /// The loads it was sampled from; what no set sampled is stood for by the others.
    Loads,
    /// The whole pour, whichever loads it was sampled from.
    Pour,
}

/// How sensors are judged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrustSettings {
    /// No reading for this long: silent, min.
    pub silent_min: f64,
    /// The very same value for this long while others moved: stuck, min.
    pub stuck_min: f64,
    /// A change faster than this between readings is a step, °C/h …
    pub step_c_per_h: f64,
    /// … and larger than this, °C.
    pub step_c: f64,
    /// Loss of accuracy of one sensor that a reading may have, ± °C.
    pub tolerance_c: f64,
}

/// How estimates and forecasts are made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EstimateSettings {
    /// Linear interpolation up to this; beyond it a value that cannot overstate, min.
    pub short_gap_min: f64,
    /// Bridged time beyond this is a caution until QC accepts it, h.
    pub bridged_h_max: f64,
    /// Concrete is taken to cool no faster than this where nothing was read, °C/h.
    pub fastest_cooling_c_per_h: f64,
    /// Coefficient of variation from pour to pour.
    pub pour_cv: f64,
    /// Coefficient of variation from load to load.
    pub load_cv: f64,
    /// Fewer believed positions than this is a caution.
    pub position_count_min: usize,
    /// The lower bound by a curve that only advises is lower by this fraction.
    pub advisory_margin: f64,
    /// Concrete hotter than this makes a bed a heated one, °C.
    pub heated_above_c: f64,
}

/// When the watch calls a person to the heat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WatchSettings {
    /// A lifted tarp excuses falling air for this long, min.
    pub tarp_quiet_min: f64,
    /// Heat may be this late against the plan before it is called, min.
    pub heat_late_min: f64,
    /// The air under a heated tarp falls by itself no faster than this, °C/h.
    pub enclosure_fall_c_per_h: f64,
}

impl Default for WatchSettings {
    fn default() -> Self {
        Self {
            tarp_quiet_min: 30.0,
            heat_late_min: 20.0,
            enclosure_fall_c_per_h: 6.0,
        }
    }
}

impl Default for TrustSettings {
    fn default() -> Self {
        Self {
            silent_min: 15.0,
            stuck_min: 45.0,
            step_c_per_h: 90.0,
            step_c: 6.0,
            tolerance_c: 1.0,
        }
    }
}

impl Default for EstimateSettings {
    fn default() -> Self {
        Self {
            short_gap_min: 30.0,
            bridged_h_max: 1.0,
            fastest_cooling_c_per_h: 25.0,
            pour_cv: 0.06,
            load_cv: 0.04,
            position_count_min: 2,
            advisory_margin: 0.15,
            heated_above_c: 40.0,
        }
    }
}

impl PlantConfig {
    /// How its people read quantities and times.
    #[must_use]
    pub const fn local(&self) -> Local {
        Local {
            units: self.units,
            zone: self.zone,
        }
    }

    /// The limit set of that name.
    #[must_use]
    pub fn limit_set(&self, id: &str) -> Option<&LimitSet> {
        self.limit_sets.iter().find(|set| set.id == id)
    }

    /// The bed of that name.
    #[must_use]
    pub fn bed(&self, id: &str) -> Option<&Bed> {
        self.beds.iter().find(|bed| bed.id == id)
    }

    /// The curve of that digest.
    #[must_use]
    pub fn curve(&self, digest: &str) -> Option<&KnownCurve> {
        self.curves.iter().find(|curve| curve.digest == digest)
    }
}

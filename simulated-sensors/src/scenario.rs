//! A scenario as written: one plant, its beds, mixes, loggers and weather, in one TOML file.
//!
//! # What goes over the wires
//!
//! Each bed has a logger of the same number; `format` says how that logger speaks. Times are UTC,
//! temperatures °C unless the line says F, and `OPEN` (or `null`) stands where a thermocouple is
//! broken.
//!
//! Serial, one line per channel, ended by CR LF:
//! - `line`: `N1-03 62.41 C` or `N1-03 OPEN`, without a time;
//! - `line-f`: the same in Fahrenheit, `N3-03 144.34 F`;
//! - `line-timed`: `2026-11-25T03:10:00Z;N2-03;62.41` or `...;OPEN`.
//!
//! MQTT, QoS 1, not retained:
//! - `senml`: topic `plant/S1/senml`, a pack as in RFC 8428 with base name `S1-` and base time;
//!   a broken thermocouple has the string value `OPEN`;
//! - `json-batch`: topic `plant/S2/readings`, `{"logger":"S2","readings":[{"channel":"S2-01",
//!   "at":"2026-11-25T03:10:00Z","temperature_c":62.41}, ...]}`;
//! - `json`: topic `plant/S3/reading`, one `{"channel":"S3-01","at":...,"temperature_c":...}` each;
//! - `plain`: topic `plant/S4/S4-01`, payload `62.41` or `OPEN`, without a time.

use std::path::{Path, PathBuf};

use serde::Deserialize;

use crate::fault::FaultWritten;

mod check;
mod local_time;
mod mix;

pub use local_time::LocalTime;
pub use mix::Mix;

/// The scenario that is built into the program.
const EIGHT_BEDS: &str = include_str!("../scenarios/eight-beds.toml");

/// A scenario, checked: every name in it resolves and every number is possible.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scenario {
    pub plant: PlantWritten,
    pub weather: WeatherWritten,
    pub enclosure: EnclosureWritten,
    pub scatter: Scatter,
    pub random_faults: RandomFaults,
    #[serde(default)]
    pub faults: Vec<FaultWritten>,
    pub boilers: Vec<Boiler>,
    pub mixes: Vec<Mix>,
    pub products: Vec<Product>,
    pub loggers: Vec<Logger>,
    pub beds: Vec<Bed>,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlantWritten {
    pub name: String,
    /// Time zone in which all local times of the scenario are meant.
    pub zone: chrono_tz::Tz,
    /// When loggers begin to read, on the afternoon of the night.
    pub night_starts: LocalTime,
    /// When a simulated night ends, on the following morning.
    pub night_ends: LocalTime,
    pub sample_period_s: u32,
    pub ambient: ChannelOnLogger,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ChannelOnLogger {
    pub channel: String,
    pub logger: String,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WeatherWritten {
    pub mean_c: f64,
    pub daily_amplitude_c: f64,
    pub between_nights_c: f64,
    pub wander_c: f64,
    pub warmest: LocalTime,
}

/// What the enclosures of all beds have in common; widths and lengths are the beds' own.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EnclosureWritten {
    pub air_j_m2_k: f64,
    pub form_j_m2_k: f64,
    pub tarp_loss_w_m2_k: f64,
    pub open_loss_w_m2_k: f64,
    pub form_loss_w_m2_k: f64,
    pub end_loss_w_k: f64,
    pub across_w_m_k: f64,
    pub stirring_w_m_k: f64,
    pub top_film_w_m2_k: f64,
    pub untarped_film_w_m2_k: f64,
    pub bottom_film_w_m2_k: f64,
}

/// Deviations of what differs from pour to pour, load to load and specimen to specimen.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scatter {
    pub pour_strength: f64,
    pub load_strength: f64,
    pub specimen_strength: f64,
    pub pour_pace: f64,
    pub load_pace: f64,
    pub fresh_c: f64,
    pub heat_on_min: f64,
    pub sensor_bias_c: f64,
    pub sensor_noise_c: f64,
    /// Share of pours whose concrete is badly retarded, by a third in the middle.
    #[serde(default)]
    pub retarded_share: f64,
}

/// How many faults the seed adds to those that are written.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RandomFaults {
    /// Beds that lose their tarp or their steam.
    pub bed_count: u32,
    /// Sensors that are cut, stuck, spiking or misplaced.
    pub sensor_count: u32,
    /// Loggers that misbehave.
    pub logger_count: u32,
    /// Nobody mends anything for hours: the lengths are fixed instead of drawn.
    #[serde(default)]
    pub full_length: bool,
}

impl RandomFaults {
    /// The worst nights: every kind of sensor fault in each of them, all at full length.
    pub const FULL: Self = Self {
        bed_count: 3,
        sensor_count: 5,
        logger_count: 3,
        full_length: true,
    };
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Boiler {
    pub id: String,
    pub capacity_kw: f64,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Product {
    pub id: String,
    pub name: String,
    pub width_m: f64,
    pub places: Vec<Place>,
}

/// A part of a section, cut through from the top face to the form.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Place {
    pub name: String,
    pub thickness_m: f64,
    /// Metres of face that this part shows to the air, per metre of bed.
    pub girth_m: f64,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Logger {
    pub id: String,
    pub format: WireFormat,
}

/// How a logger speaks; the module's text shows each.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WireFormat {
    Line,
    LineF,
    LineTimed,
    Senml,
    JsonBatch,
    Json,
    Plain,
}

impl WireFormat {
    /// Whether readings carry the logger's own time, which also means that it has a memory.
    pub fn has_clock(self) -> bool {
        !matches!(self, Self::Line | Self::LineF | Self::Plain)
    }

    /// Whether the logger hangs on a serial line; the others speak MQTT.
    pub fn is_serial(self) -> bool {
        matches!(self, Self::Line | Self::LineF | Self::LineTimed)
    }
}

/// One bed and the pour it takes on the night.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Bed {
    pub id: String,
    pub product: String,
    pub mix: String,
    pub logger: String,
    pub boiler: String,
    pub length_m: f64,
    /// What this bed's enclosure loses to what the others lose.
    #[serde(default = "one")]
    pub loss_factor: f64,
    pub heat_kw: f64,
    /// Share of the heat that goes under the form: near 0 for steam, near 1 for form heat.
    pub form_heat_share: f64,
    pub first_placed: LocalTime,
    pub last_placed: LocalTime,
    pub load_count: u32,
    pub fresh_c: f64,
    pub heat: HeatWritten,
    pub required_release_mpa: f64,
    pub wanted_release: LocalTime,
    pub positions: Vec<Position>,
    pub enclosure: ChannelAtStation,
    pub companion: Companion,
    pub cylinders: Cylinders,
}

/// The usual factor.
fn one() -> f64 {
    1.0
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HeatWritten {
    /// From the last placement until the heat comes on.
    pub preset_h: f64,
    pub rise_c_per_h: f64,
    pub soak_c: f64,
    /// Half of the thermostat's dead band.
    #[serde(default = "one")]
    pub dead_band_c: f64,
    pub off: LocalTime,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Position {
    pub channel: String,
    pub station_m: f64,
    pub place: String,
    pub depth_m: f64,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ChannelAtStation {
    pub channel: String,
    pub station_m: f64,
}

/// A cylinder with a sensor in it, stored under the tarp.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Companion {
    pub channel: String,
    pub station_m: f64,
    /// Load it was made from, counted from 1.
    pub load: u32,
}

/// The release cylinders of a pour: sets, each with specimens from the sampled loads in turn, stored
/// together.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Cylinders {
    pub set_count: u32,
    pub per_set: u32,
    /// Loads sampled, counted from 1.
    pub sampled_loads: Vec<u32>,
    pub station_m: f64,
}

/// Why a scenario cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ScenarioError {
    #[error("cannot read the scenario {path}", path = .path.display())]
    Read {
        path: PathBuf,
        source: std::io::Error,
    },
    #[error("{file}: {message}")]
    Syntax { file: String, message: String },
    #[error("{file}: {problems}")]
    Impossible { file: String, problems: String },
}

impl Scenario {
    /// The built-in scenario of eight beds.
    pub fn eight_beds() -> Result<Self, ScenarioError> {
        Self::parse(EIGHT_BEDS, "eight-beds.toml (built in)")
    }

    /// The scenario in a file, or the built-in one.
    pub fn load(path: Option<&Path>) -> Result<Self, ScenarioError> {
        let Some(path) = path else {
            return Self::eight_beds();
        };
        let text = std::fs::read_to_string(path).map_err(|source| ScenarioError::Read {
            path: path.to_owned(),
            source,
        })?;
        Self::parse(&text, &path.display().to_string())
    }

    /// Reads and checks a scenario; `file` names it in errors.
    pub fn parse(text: &str, file: &str) -> Result<Self, ScenarioError> {
        let scenario: Self = toml::from_str(text).map_err(|error| ScenarioError::Syntax {
            file: file.to_owned(),
            message: error.to_string(),
        })?;
        let problems = check::problems(&scenario);
        if problems.is_empty() {
            return Ok(scenario);
        }
        Err(ScenarioError::Impossible {
            file: file.to_owned(),
            problems: problems.join("; "),
        })
    }

    pub fn bed(&self, id: &str) -> Option<&Bed> {
        self.beds.iter().find(|bed| bed.id == id)
    }

    pub fn mix(&self, id: &str) -> Option<&Mix> {
        self.mixes.iter().find(|mix| mix.id == id)
    }

    pub fn product(&self, id: &str) -> Option<&Product> {
        self.products.iter().find(|product| product.id == id)
    }

    pub fn logger(&self, id: &str) -> Option<&Logger> {
        self.loggers.iter().find(|logger| logger.id == id)
    }

    /// Every channel with the logger it is plugged into, in wiring order.
    pub fn channels(&self) -> impl Iterator<Item = (&str, &str)> {
        let beds = self.beds.iter().flat_map(|bed| {
            bed.channels()
                .map(move |channel| (channel, bed.logger.as_str()))
        });
        let ambient = &self.plant.ambient;
        beds.chain(std::iter::once((
            ambient.channel.as_str(),
            ambient.logger.as_str(),
        )))
    }
}

impl Bed {
    /// Every channel of the bed: positions, then enclosure, then companion cylinder.
    pub fn channels(&self) -> impl Iterator<Item = &str> {
        let others = [
            self.enclosure.channel.as_str(),
            self.companion.channel.as_str(),
        ];
        self.positions
            .iter()
            .map(|position| position.channel.as_str())
            .chain(others)
    }
}

impl Product {
    pub fn place(&self, name: &str) -> Option<&Place> {
        self.places.iter().find(|place| place.name == name)
    }
}

#[cfg(test)]
mod tests;

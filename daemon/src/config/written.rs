//! The plant file as a person writes it; every key is described in `plant.example.toml`.

use std::collections::BTreeMap;
use std::path::PathBuf;

use daemon_sources::{MqttTable, SerialTable};
use serde::Deserialize;
use units::UnitSystem;

/// Without `Debug`: it may hold secrets.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlantWritten {
    pub plant: PlantTable,
    #[serde(default)]
    pub bed: Vec<BedTable>,
    #[serde(default)]
    pub mix: Vec<MixTable>,
    #[serde(default)]
    pub curves: CurvesTable,
    #[serde(default)]
    pub limit_set: Vec<LimitSetTable>,
    pub release: ReleaseTable,
    #[serde(default)]
    pub trust: TrustTable,
    #[serde(default)]
    pub estimate: EstimateTable,
    #[serde(default)]
    pub logger: Vec<LoggerTable>,
    #[serde(default)]
    pub watch: WatchTable,
    #[serde(default)]
    pub notify: NotifyTable,
    #[serde(default)]
    pub serial: Vec<SerialTable>,
    #[serde(default)]
    pub mqtt: Vec<MqttTable>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlantTable {
    pub name: String,
    pub zone: String,
    #[serde(default)]
    pub units: UnitsWord,
    pub listen: Option<String>,
    pub data_dir: PathBuf,
    pub limit_set: Option<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum UnitsWord {
    #[default]
    Si,
    Us,
}

impl From<UnitsWord> for UnitSystem {
    fn from(word: UnitsWord) -> Self {
        match word {
            UnitsWord::Si => Self::Si,
            UnitsWord::Us => Self::Us,
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BedTable {
    pub id: String,
    pub length_m: f64,
    pub limit_set: Option<String>,
    pub heat_source: Option<String>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MixTable {
    pub id: String,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CurvesTable {
    #[serde(default)]
    pub files: Vec<PathBuf>,
    pub read_again_s: Option<f64>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LimitSetTable {
    pub id: String,
    pub concrete_c_max: Option<f64>,
    pub rise_c_per_h_max: Option<f64>,
    pub cooling_c_per_h_max: Option<f64>,
    pub difference_c_max: Option<f64>,
    pub concrete_c_min: Option<f64>,
    pub preset_h_min: Option<f64>,
    #[serde(default)]
    pub set_required: bool,
    pub before_set_c_max: Option<f64>,
    pub enclosure_c_max: Option<f64>,
    pub enclosure_c_min: Option<f64>,
    pub enclosure_rise_c_per_h_max: Option<f64>,
    pub heat_off_h_max: Option<f64>,
    pub heat_off_fall_c_max: Option<f64>,
    pub release_h_max: Option<f64>,
    pub released_above_yard_c_max: Option<f64>,
    pub source: String,
    #[serde(default)]
    pub sources: BTreeMap<String, String>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WatchTable {
    pub tarp_quiet_min: Option<f64>,
    pub heat_late_min: Option<f64>,
    pub enclosure_fall_c_per_h: Option<f64>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NotifyTable {
    pub escalate_min: Option<f64>,
    pub least: Option<UrgencyWord>,
    #[serde(default)]
    pub target: Vec<TargetTable>,
    pub mqtt: Option<StatusTable>,
}

/// Where the plant's state is published. Without `Debug`: it may name a password's variable.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StatusTable {
    pub host: String,
    pub port: Option<u16>,
    pub client_id: Option<String>,
    pub topic: Option<String>,
    pub keep_alive_s: Option<u16>,
    pub username: Option<String>,
    pub password_file: Option<PathBuf>,
    pub password_env: Option<String>,
}

#[derive(Clone, Copy, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum UrgencyWord {
    Look,
    Soon,
    Now,
}

/// Without `Debug`: an address of a webhook may be a secret.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TargetTable {
    pub name: String,
    pub webhook: Option<String>,
    pub webhook_file: Option<PathBuf>,
    pub webhook_env: Option<String>,
    pub mail_to: Option<String>,
    pub mail_from: Option<String>,
    pub smtp_host: Option<String>,
    pub smtp_port: Option<u16>,
    pub smtp_tls: Option<TlsWord>,
    pub smtp_user: Option<String>,
    pub smtp_password_file: Option<PathBuf>,
    pub smtp_password_env: Option<String>,
}

#[derive(Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TlsWord {
    Tls,
    Starttls,
    None,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReleaseTable {
    pub basis: BasisWord,
    pub single_min_fraction: f64,
    pub specimen_count_min: usize,
    /// Required; absent here so that its error can tell the choices apart.
    pub set_stands_for: Option<ScopeWord>,
    pub count_specimens_without_history: bool,
    pub pooled_within_h: Option<f64>,
    pub disagreement_fraction: Option<f64>,
    pub break_probability: Option<f64>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BasisWord {
    Average,
    Each,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ScopeWord {
    Loads,
    Pour,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TrustTable {
    pub silent_min: Option<f64>,
    pub stuck_min: Option<f64>,
    pub step_c_per_h: Option<f64>,
    pub step_c: Option<f64>,
    pub tolerance_c: Option<f64>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EstimateTable {
    pub short_gap_min: Option<f64>,
    pub bridged_h_max: Option<f64>,
    pub fastest_cooling_c_per_h: Option<f64>,
    pub pour_cv: Option<f64>,
    pub load_cv: Option<f64>,
    pub position_count_min: Option<usize>,
    pub advisory_margin: Option<f64>,
    pub heated_above_c: Option<f64>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LoggerTable {
    pub id: String,
    pub channels: Vec<String>,
}

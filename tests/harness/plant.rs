//! An invented plant for system tests: its plant file, curves, and acts.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use chrono::{DateTime, Utc};
use daemon_api::Act;
use serde_json::{Value, json};
use uuid::Uuid;

/// The name by which the daemon's persistent session is known to the broker.
pub const CLIENT_ID: &str = "tarplight-test";

/// What a test may choose about the plant file.
#[derive(Debug, Clone)]
pub struct PlantFile {
    /// Port of the broker, where there is one.
    pub broker_port: Option<u16>,
    /// Text of `[maturity]` in the curve file.
    pub maturity: String,
    /// Linear interpolation up to this, min.
    pub short_gap_min: f64,
    /// Further tables of the plant file.
    pub more: String,
}

impl PlantFile {
    /// A plant with a curve on equivalent age, and with a broker if its port is given.
    #[must_use]
    pub fn new(broker_port: impl Into<Option<u16>>) -> Self {
        Self {
            broker_port: broker_port.into(),
            maturity:
                "function = \"equivalent-age\"\nactivation_energy_j_mol = 41570\nreference_c = 20"
                    .to_owned(),
            short_gap_min: 30.0,
            more: String::new(),
        }
    }

    /// Writes plant file, curve and approval into a folder; the plant file's path.
    ///
    /// # Panics
    /// Where the folder cannot be written.
    #[must_use]
    pub fn write(&self, folder: &Path) -> PathBuf {
        std::fs::create_dir_all(folder.join("curves")).expect("the folder can be made");
        let curve = format!(
            "schema = 1\nname = \"M45\"\nmix = \"M45\"\nauthor = \"lab\"\nmade_at = 2020-01-02\n\
             time_zero = \"placed\"\n[maturity]\n{}\n[curve]\nform = \"exponential\"\n\
             ultimate_mpa = 58.0\ntau = 14.0\nshape = 0.85\n\
             covariance = [[4.0, 1.0, -0.05], [1.0, 0.6, -0.02], [-0.05, -0.02, 0.002]]\n\
             residual_sd_mpa = 1.1\nresidual_degrees_of_freedom = 12\n[range]\nmaturity_min = 6\n\
             maturity_max = 672\ntemperature_min_c = 5\ntemperature_max_c = 66\n[specimens]\n\
             cured = \"heat-cured\"\nshape = \"cylinder\"\ndiameter_mm = 101.6\nlength_mm = 203.2\n",
            self.maturity
        );
        let digest = calibration_digest(&curve);
        let records = format!(
            "[[record]]\ndigest = \"{digest}\"\nact = \"approved\"\nby = \"A. Lab\"\n\
             recorded_at = 2020-01-05T10:00:00Z\n"
        );
        let plant = format!(
            "[plant]\nname = \"Test yard\"\nzone = \"America/Chicago\"\nunits = \"si\"\n\
             listen = \"127.0.0.1:7871\"\ndata_dir = \"data\"\n\
             [[bed]]\nid = \"B1\"\nlength_m = 100.0\n[[mix]]\nid = \"M45\"\n\
             [curves]\nfiles = [\"curves/m45.toml\"]\n\
             [release]\nbasis = \"average\"\nsingle_min_fraction = 0.85\nspecimen_count_min = 2\n\
             count_specimens_without_history = true\nset_stands_for = \"loads\"\n\
             [estimate]\nshort_gap_min = {:?}\nposition_count_min = 1\n{}{}",
            self.short_gap_min,
            self.broker_port.map(broker_table).unwrap_or_default(),
            self.more,
        );
        std::fs::write(folder.join("curves/m45.toml"), curve).expect("the curve is written");
        std::fs::write(folder.join("curves/m45.records.toml"), records)
            .expect("its records are written");
        let path = folder.join("plant.toml");
        std::fs::write(&path, plant).expect("the plant file is written");
        path
    }
}

fn broker_table(port: u16) -> String {
    format!(
        "[[mqtt]]\nname = \"yard\"\nhost = \"127.0.0.1\"\nport = {port}\nclient_id = \"{CLIENT_ID}\"\n\
         [[mqtt.subscription]]\ntopic = \"logger/+/json\"\npayload = \"json\"\n\
         records_pointer = \"/values\"\nvalue_pointer = \"/t\"\ntime_pointer = \"/at\"\n\
         name_pointer = \"/ch\"\nchannel = \"{{name}}\"\ntime = \"rfc3339\"\n\
         [[mqtt.subscription]]\ntopic = \"plain/+\"\npayload = \"plain\"\nchannel = \"{{2}}\"\n"
    )
}

/// The table of a serial port whose lines are time, channel and value.
#[must_use]
pub fn serial_table(name: &str, port: &Path) -> String {
    format!(
        "[[serial]]\nname = \"{name}\"\npath = \"{}\"\n\
         pattern = '(?<time>\\S+) (?<channel>\\w+) (?<value>\\S+)'\ntime = \"rfc3339\"\n",
        port.display()
    )
}

fn calibration_digest(text: &str) -> String {
    calibration::digest(text.as_bytes())
}

/// One JSON payload with these records of one channel each.
#[must_use]
pub fn payload(records: &[(&str, DateTime<Utc>, f64)]) -> String {
    let mut text = String::from("{\"values\":[");
    for (index, (channel, at, value)) in records.iter().enumerate() {
        let comma = if index == 0 { "" } else { "," };
        let at = at.to_rfc3339_opts(chrono::SecondsFormat::Millis, true);
        // Writing to a string cannot fail.
        let _ = write!(
            text,
            "{comma}{{\"ch\":\"{channel}\",\"at\":\"{at}\",\"t\":{value}}}"
        );
    }
    text.push_str("]}");
    text
}

/// A pour on bed B1 with one position per channel, placed at one moment.
///
/// # Panics
/// Never: the act is well formed.
#[must_use]
pub fn open_pour(pour: &str, placed_at: DateTime<Utc>, channels: &[&str]) -> Act {
    let positions: Vec<Value> = channels
        .iter()
        .enumerate()
        .map(|(index, channel)| json!({ "id": format!("P{}", index + 1), "station_m": 10.0, "place": channel }))
        .collect();
    let bindings: Vec<Value> = channels
        .iter()
        .enumerate()
        .map(|(index, channel)| {
            json!({ "channel": channel, "role": "concrete", "position": format!("P{}", index + 1) })
        })
        .collect();
    act(
        pour,
        placed_at,
        json!({
            "act": "pour-opened", "bed": "B1", "mix": "M45", "from_station_m": 0.0, "to_station_m": 90.0,
            "first_placement_at": placed_at, "last_placement_at": placed_at,
            "required": [{ "act": "release", "strength_mpa": 24.13 }],
            "positions": positions, "channels": bindings,
            "cylinder_sets": [{ "set": "A", "purpose": "release", "specimens": ["A1", "A2"],
                "storage": "under-tarp", "diameter_mm": 101.6, "length_mm": 203.2 }],
        }),
    )
}

/// An act of a pour with a new id.
///
/// # Panics
/// Where `body` is no act.
#[must_use]
pub fn act(pour: &str, happened_at: DateTime<Utc>, mut body: Value) -> Act {
    let fields = body.as_object_mut().expect("an act is an object");
    fields.insert("id".to_owned(), json!(Uuid::now_v7()));
    fields.insert("happened_at".to_owned(), json!(happened_at));
    fields.insert("by".to_owned(), json!("T. Tester"));
    fields.insert("pour".to_owned(), json!(pour));
    serde_json::from_value(body).expect("the body is an act")
}

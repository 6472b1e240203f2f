//! The values of a plant file checked one by one and against each other.

use std::collections::{HashMap, HashSet};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;

use calibration::{ReleaseBasis, ReleaseRule};
use chrono_tz::Tz;
use daemon_core::config::{
    Bed, EstimateSettings, LimitSet, Logger, Mix, PlantConfig, ReleasePolicy, SetScope,
    TrustSettings,
};
use daemon_http::check_listen;
use daemon_sources::{MqttSource, SerialSource, check_mqtt, check_serial};
use units::bounds;

use super::curves::{Curves, plant_document};
use super::document::Step::{Entry, Key};
use super::document::{ConfigError, ConfigErrors, Document, Step, nearest_hint};
use super::written::{
    BasisWord, BedTable, EstimateTable, LoggerTable, PlantTable, PlantWritten, ReleaseTable,
    ScopeWord, TrustTable,
};
use super::{PlantFile, notify, watch};
use crate::curve_watch::Watched;
use crate::notify::NotifySettings;

/// Sets tested this soon after a failed one are judged together with it, h.
const POOLED_WITHIN_H: f64 = 2.0;
/// Measured over estimated outside 1 ± this is a disagreement.
const DISAGREEMENT_FRACTION: f64 = 0.2;
/// The probability with which the next set should pass.
const BREAK_PROBABILITY: f64 = 0.9;
/// Curve files and their records are read again this often, s of wall time.
const CURVES_READ_AGAIN_S: f64 = 60.0;

pub(super) type Result<T> = std::result::Result<T, ConfigError>;

/// Checks everything, and tells every mistake in one run.
pub fn check(
    document: &Document,
    written: PlantWritten,
    more_curves: &[PathBuf],
) -> std::result::Result<PlantFile, ConfigErrors> {
    let folder = document.file.parent().unwrap_or(Path::new(""));
    let zone = document.hold(zone(document, &written.plant));
    let listen = document.hold(listen(document, &written.plant));
    require_text(document, &[Key("plant"), Key("name")], &written.plant.name);
    let data_dir = data_dir(document, folder, &written.plant.data_dir);
    let limit_sets = watch::limit_sets(document, written.limit_set);
    let of_plant = written.plant.limit_set;
    let at = [Key("plant"), Key("limit_set")];
    require_limit_set(document, &at, of_plant.as_deref(), &limit_sets);
    let beds = beds(document, written.bed, &limit_sets);
    let mixes: Vec<Mix> = written
        .mix
        .into_iter()
        .map(|mix| Mix { id: mix.id })
        .collect();
    let ids = mixes.iter().map(|mix| mix.id.as_str());
    require_ids(document, "mix", ids);
    let mut files = curve_files(document, folder, &written.curves.files);
    files.extend_from_slice(more_curves);
    let curves = document
        .hold(Curves::read(&files, &mixes))
        .unwrap_or_default();
    let read_again_s = require(
        document,
        &[Key("curves"), Key("read_again_s")],
        written.curves.read_again_s.unwrap_or(CURVES_READ_AGAIN_S),
        1.0..=3600.0,
    );
    let release = document.hold(release(document, &written.release));
    let trust = trust(document, &written.trust);
    let estimate = estimate(document, &written.estimate);
    let loggers = loggers(document, written.logger);
    let watch = watch::settings(document, &written.watch);
    let serial = document.hold(serial(document, folder, written.serial));
    let mqtt = document.hold(mqtt(document, folder, written.mqtt));
    let notify = document.hold(notify::settings(document, folder, written.notify));
    if let (Some(mqtt), Some(notify)) = (&mqtt, &notify) {
        one_client_each(document, mqtt, notify);
    }
    let curves_watched = Watched {
        plant_file: document.file.clone(),
        plant_text: document.text.clone(),
        mixes: mixes.clone(),
        on_disk: curves.on_disk,
    };
    let mut documents = vec![plant_document(document.clone())];
    documents.extend(curves.documents);
    let ready = || {
        let zone = zone?;
        Some(PlantFile {
            zone,
            listen: listen?,
            data_dir,
            core: PlantConfig {
                name: written.plant.name,
                zone,
                units: written.plant.units.into(),
                beds,
                mixes,
                limit_sets,
                limit_set: of_plant,
                release: release?,
                trust,
                estimate,
                curves: curves.curves,
                curve_records: curves.records,
                loggers,
                watch,
            },
            serial: serial?,
            mqtt: mqtt?,
            notify: notify?,
            curves_watched,
            curves_read_every: Duration::from_secs_f64(read_again_s.clamp(1.0, 3600.0)),
            documents,
            warnings: curves.warnings,
        })
    };
    document.without_faults(ready())
}

/// Where the record is kept: a folder, or nothing yet.
fn data_dir(document: &Document, folder: &Path, written: &Path) -> PathBuf {
    let data_dir = folder.join(written);
    if data_dir.exists() && !data_dir.is_dir() {
        let problem = format!(
            "{} is a file, and the record needs a folder of its own: name another",
            data_dir.display()
        );
        document.fault(&[Key("plant"), Key("data_dir")], problem);
    }
    data_dir
}

/// Two connections of one client throw each other off the broker for ever, so each has its own name.
fn one_client_each(document: &Document, mqtt: &[MqttSource], notify: &NotifySettings) {
    let Some(status) = &notify.status else {
        return;
    };
    let is_same = |one: &&MqttSource| {
        one.client_id() == status.client_id && one.host == status.host && one.port == status.port
    };
    if let Some(source) = mqtt.iter().find(is_same) {
        let problem = format!(
            "[[mqtt]] \"{}\" has the client_id \"{}\" too, and each would throw the other off the broker; \
             give one of them another",
            source.name, status.client_id
        );
        document.fault(&[Key("notify"), Key("mqtt"), Key("client_id")], problem);
    }
}

fn zone(document: &Document, plant: &PlantTable) -> Result<Tz> {
    plant.zone.parse().map_err(|_| {
        let known: Vec<&str> = chrono_tz::TZ_VARIANTS
            .iter()
            .map(|zone| zone.name())
            .collect();
        let hint = match nearest_hint(&plant.zone, &known) {
            hint if hint.starts_with("did") => hint,
            _ => "write one such as `America/Chicago` or `Europe/Berlin`".to_owned(),
        };
        let problem = format!("\"{}\" is no IANA time zone; {hint}", plant.zone);
        document.error_at(&[Key("plant"), Key("zone")], problem)
    })
}

fn listen(document: &Document, plant: &PlantTable) -> Result<SocketAddr> {
    let text = plant
        .listen
        .as_deref()
        .unwrap_or(daemon_api::routes::DEFAULT_ADDRESS);
    check_listen(text).map_err(|problem| document.error_at(&[Key("plant"), Key("listen")], problem))
}

fn beds(document: &Document, tables: Vec<BedTable>, sets: &[LimitSet]) -> Vec<Bed> {
    require_ids(
        document,
        "bed",
        tables.iter().map(|table| table.id.as_str()),
    );
    for (index, bed) in tables.iter().enumerate() {
        // A bed's name is a level of MQTT topics and a part of addresses.
        if bed.id.contains(['/', '+', '#', '?', '%']) {
            let problem = format!(
                "\"{}\" has a sign that topics and addresses give a meaning (/ + # ? %): name the bed \
                 without it",
                bed.id
            );
            document.fault(&[Key("bed"), Entry(index), Key("id")], problem);
        }
        let length = [Key("bed"), Entry(index), Key("length_m")];
        require(document, &length, bed.length_m, 1.0..=bounds::STATION_M.max);
        let at = [Key("bed"), Entry(index), Key("limit_set")];
        require_limit_set(document, &at, bed.limit_set.as_deref(), sets);
    }
    let beds = tables.into_iter().map(|table| Bed {
        id: table.id,
        length_m: table.length_m,
        limit_set: table.limit_set,
        heat_source: table.heat_source,
    });
    beds.collect()
}

/// A limit set that is named must be there.
fn require_limit_set(document: &Document, at: &[Step<'_>], named: Option<&str>, sets: &[LimitSet]) {
    let is_known = |named: &str| sets.iter().any(|set| set.id == named);
    if let Some(named) = named.filter(|named| !is_known(named)) {
        let known: Vec<&str> = sets.iter().map(|set| set.id.as_str()).collect();
        let hint = nearest_hint(named, &known);
        let problem = format!("there is no [[limit_set]] with the id \"{named}\"; {hint}");
        document.fault(at, problem);
    }
}

fn curve_files(document: &Document, folder: &Path, files: &[PathBuf]) -> Vec<PathBuf> {
    let found = files.iter().enumerate().filter_map(|(index, file)| {
        let path = folder.join(file);
        if path.is_file() {
            return Some(path);
        }
        let problem = format!(
            "there is no curve file {}; a path counts from the folder of the plant file",
            path.display()
        );
        document.fault(&[Key("curves"), Key("files"), Entry(index)], problem);
        None
    });
    found.collect()
}

fn release(document: &Document, table: &ReleaseTable) -> Result<ReleasePolicy> {
    let at = |key| [Key("release"), Key(key)];
    require(
        document,
        &at("single_min_fraction"),
        table.single_min_fraction,
        0.0..=1.0,
    );
    if !(1..=20).contains(&table.specimen_count_min) {
        let problem = format!("must be from 1 to 20, not {}", table.specimen_count_min);
        document.fault(&at("specimen_count_min"), problem);
    }
    let or = |key, value: Option<f64>, default, range| {
        require(document, &at(key), value.unwrap_or(default), range)
    };
    Ok(ReleasePolicy {
        rule: ReleaseRule {
            basis: match table.basis {
                BasisWord::Average => ReleaseBasis::Average,
                BasisWord::Each => ReleaseBasis::Each,
            },
            single_min_fraction: table.single_min_fraction,
            specimen_count_min: table.specimen_count_min,
        },
        set_stands_for: set_scope(document, table.set_stands_for)?,
        count_specimens_without_history: table.count_specimens_without_history,
        pooled_within_h: or(
            "pooled_within_h",
            table.pooled_within_h,
            POOLED_WITHIN_H,
            0.0..=24.0,
        ),
        disagreement_fraction: or(
            "disagreement_fraction",
            table.disagreement_fraction,
            DISAGREEMENT_FRACTION,
            0.01..=1.0,
        ),
        break_probability: or(
            "break_probability",
            table.break_probability,
            BREAK_PROBABILITY,
            0.5..=0.999,
        ),
    })
}

/// What a set stands for is the plant's to say: either choice can release a line that the other holds.
fn set_scope(document: &Document, written: Option<ScopeWord>) -> Result<SetScope> {
    match written {
        Some(ScopeWord::Loads) => Ok(SetScope::Loads),
        Some(ScopeWord::Pour) => Ok(SetScope::Pour),
        None => {
            let problem = "is missing, and has no default: write set_stands_for = \"loads\" where a \
                           cylinder set speaks for the loads it was sampled from only, or \
                           set_stands_for = \"pour\" where your specification lets it speak for the \
                           whole pour";
            Err(document.error_at(&[Key("release"), Key("set_stands_for")], problem.to_owned()))
        }
    }
}

fn trust(document: &Document, table: &TrustTable) -> TrustSettings {
    let default = TrustSettings::default();
    let or = |key, value: Option<f64>, default, range| {
        require(
            document,
            &[Key("trust"), Key(key)],
            value.unwrap_or(default),
            range,
        )
    };
    TrustSettings {
        silent_min: or(
            "silent_min",
            table.silent_min,
            default.silent_min,
            1.0..=240.0,
        ),
        stuck_min: or("stuck_min", table.stuck_min, default.stuck_min, 5.0..=720.0),
        step_c_per_h: or(
            "step_c_per_h",
            table.step_c_per_h,
            default.step_c_per_h,
            5.0..=1000.0,
        ),
        step_c: or("step_c", table.step_c, default.step_c, 0.5..=50.0),
        tolerance_c: or(
            "tolerance_c",
            table.tolerance_c,
            default.tolerance_c,
            0.0..=5.0,
        ),
    }
}

fn estimate(document: &Document, table: &EstimateTable) -> EstimateSettings {
    let default = EstimateSettings::default();
    let at = |key| [Key("estimate"), Key(key)];
    let or = |key, value: Option<f64>, default, range| {
        require(document, &at(key), value.unwrap_or(default), range)
    };
    let position_count_min = table
        .position_count_min
        .unwrap_or(default.position_count_min);
    if !(1..=100).contains(&position_count_min) {
        let problem = format!("must be from 1 to 100, not {position_count_min}");
        document.fault(&at("position_count_min"), problem);
    }
    let cv = bounds::COEFFICIENT_OF_VARIATION.min..=bounds::COEFFICIENT_OF_VARIATION.max;
    EstimateSettings {
        short_gap_min: or(
            "short_gap_min",
            table.short_gap_min,
            default.short_gap_min,
            1.0..=20_160.0,
        ),
        bridged_h_max: or(
            "bridged_h_max",
            table.bridged_h_max,
            default.bridged_h_max,
            0.0..=48.0,
        ),
        fastest_cooling_c_per_h: or(
            "fastest_cooling_c_per_h",
            table.fastest_cooling_c_per_h,
            default.fastest_cooling_c_per_h,
            1.0..=200.0,
        ),
        pour_cv: or("pour_cv", table.pour_cv, default.pour_cv, cv.clone()),
        load_cv: or("load_cv", table.load_cv, default.load_cv, cv),
        position_count_min,
        advisory_margin: or(
            "advisory_margin",
            table.advisory_margin,
            default.advisory_margin,
            0.0..=0.9,
        ),
        heated_above_c: or(
            "heated_above_c",
            table.heated_above_c,
            default.heated_above_c,
            20.0..=100.0,
        ),
    }
}

fn loggers(document: &Document, tables: Vec<LoggerTable>) -> Vec<Logger> {
    unique_ids(
        document,
        "logger",
        tables.iter().map(|table| table.id.as_str()),
    );
    let mut owners = HashMap::new();
    for (index, table) in tables.iter().enumerate() {
        for channel in &table.channels {
            let at = [Key("logger"), Entry(index), Key("channels")];
            require_text(document, &at, channel);
            if let Some(owner) = owners.insert(channel.as_str(), table.id.as_str()) {
                let problem = format!(
                    "the channel \"{channel}\" is already on the clock of logger \"{owner}\"; \
                     name it once"
                );
                document.fault(&at, problem);
            }
        }
    }
    let loggers = tables.into_iter().map(|table| Logger {
        id: table.id,
        channels: table.channels,
    });
    loggers.collect()
}

fn serial(
    document: &Document,
    folder: &Path,
    mut tables: Vec<daemon_sources::SerialTable>,
) -> Result<Vec<SerialSource>> {
    for table in &mut tables {
        // A port such as COM3 is no path; an empty one is refused below.
        if cfg!(unix) && !table.path.as_os_str().is_empty() {
            table.path = folder.join(&table.path);
        }
    }
    let names: Vec<String> = tables.iter().map(|table| table.name.clone()).collect();
    check_serial(tables).map_err(|error| source_error(document, &names, &error))
}

fn mqtt(
    document: &Document,
    folder: &Path,
    mut tables: Vec<daemon_sources::MqttTable>,
) -> Result<Vec<MqttSource>> {
    for table in &mut tables {
        table.password_file = table.password_file.take().map(|file| folder.join(file));
    }
    let names: Vec<String> = tables.iter().map(|table| table.name.clone()).collect();
    check_mqtt(tables).map_err(|error| source_error(document, &names, &error))
}

/// A source names its table and key; the line is found here.
fn source_error(
    document: &Document,
    names: &[String],
    error: &daemon_sources::ConfigError,
) -> ConfigError {
    // The last of two tables with one name is the one that was refused.
    let index = names
        .iter()
        .rposition(|name| *name == error.name)
        .unwrap_or(0);
    let mut steps = vec![Key(error.table), Entry(index)];
    let (key, subscription) = match error.key.split_once(": ") {
        Some((place, key)) => (key, place.split(' ').nth(1)),
        None => (error.key.as_str(), None),
    };
    if let Some(number) = subscription.and_then(|number| number.parse::<usize>().ok()) {
        steps.extend([Key("subscription"), Entry(number.saturating_sub(1))]);
    }
    steps.push(Key(key));
    document.error_at(&steps, error.problem.clone())
}

fn require_ids<'a>(
    document: &Document,
    table: &'static str,
    ids: impl Iterator<Item = &'a str> + Clone,
) {
    if ids.clone().next().is_none() {
        let problem = format!("there is none; add a table [[{table}]] with an `id`");
        document.fault(&[Key(table)], problem);
    }
    unique_ids(document, table, ids);
}

pub(super) fn unique_ids<'a>(
    document: &Document,
    table: &'static str,
    ids: impl Iterator<Item = &'a str>,
) {
    let mut seen = HashSet::new();
    for (index, id) in ids.enumerate() {
        let at = [Key(table), Entry(index), Key("id")];
        require_text(document, &at, id);
        if !seen.insert(id) {
            let problem = format!("another [[{table}]] has the id \"{id}\"; each needs its own");
            document.fault(&at, problem);
        }
    }
}

pub(super) fn require_text(document: &Document, at: &[Step<'_>], text: &str) {
    if text.trim().is_empty() || text.chars().any(char::is_control) {
        document.fault(at, "must be a text that is not empty");
    }
}

pub(super) fn require_optional(
    document: &Document,
    at: &[Step<'_>],
    value: Option<f64>,
    range: std::ops::RangeInclusive<f64>,
) {
    if let Some(value) = value {
        require(document, at, value, range);
    }
}

/// The value; where it is out of range that is taken down.
pub(super) fn require(
    document: &Document,
    at: &[Step<'_>],
    value: f64,
    range: std::ops::RangeInclusive<f64>,
) -> f64 {
    if !range.contains(&value) {
        let unit = match at.last() {
            Some(Key(key)) => unit_of(key),
            _ => "",
        };
        let problem = format!(
            "must be from {} to {}{unit}, not {value}",
            range.start(),
            range.end()
        );
        document.fault(at, problem);
    }
    value
}

/// The unit that a key names at its end, to go after a number.
fn unit_of(key: &str) -> &'static str {
    let key = key
        .trim_end_matches("_max")
        .trim_end_matches("_min_at_least");
    let key = if key.ends_with("_c_min") || key.ends_with("_h_min") {
        key.trim_end_matches("_min")
    } else {
        key
    };
    const UNITS: [(&str, &str); 6] = [
        ("_c_per_h", " °C/h"),
        ("_c", " °C"),
        ("_h", " h"),
        ("_min", " min"),
        ("_m", " m"),
        ("_s", " s"),
    ];
    let unit = UNITS.iter().find(|(end, _)| key.ends_with(end));
    unit.map_or("", |(_, unit)| unit)
}

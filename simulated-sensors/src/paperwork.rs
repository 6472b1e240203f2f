//! The files that a plant with these beds would have written: plant file, curves, pours.
//!
//! They are rendered as text from the scenario and the night's plan; the daemon that reads them is
//! known here only by its documented keys.

use std::fs;
use std::path::Path;

use anyhow::Context;
use chrono::{DateTime, SecondsFormat, TimeDelta, Utc};

use crate::link::mqtt::BrokerAddress;
use crate::plan::{BedPlan, NightPlan};
use crate::scenario::{Bed, Logger, Scenario, WireFormat};

/// The curves that belong to the built-in scenario's mixes: mix, curve file, records beside it.
const CURVES: [(&str, &str, &str); 4] = [
    (
        "DT-45",
        include_str!("../curves/DT-45.toml"),
        include_str!("../curves/DT-45.records.toml"),
    ),
    (
        "PL-40",
        include_str!("../curves/PL-40.toml"),
        include_str!("../curves/PL-40.records.toml"),
    ),
    (
        "BM-60",
        include_str!("../curves/BM-60.toml"),
        include_str!("../curves/BM-60.records.toml"),
    ),
    (
        "PI-50",
        include_str!("../curves/PI-50.toml"),
        include_str!("../curves/PI-50.records.toml"),
    ),
];

/// Cylinders as the simulated testing machine measures them.
pub const CYLINDER_DIAMETER_MM: f64 = 100.0;
pub const CYLINDER_LENGTH_MM: f64 = 200.0;

/// Who works in the yard, at night, and in quality control; the names are invented.
pub const YARD: &str = "R. Fielding";
pub const NIGHT_SHIFT: &str = "J. Marlow";
pub const QUALITY: &str = "Q. Lanedale";

/// What the plant file needs besides the scenario.
#[derive(Debug, Clone)]
pub struct PlantFileOptions {
    /// Where the daemon answers.
    pub listen: String,
    pub broker: BrokerAddress,
}

/// The id of the pour that a bed takes on a night.
pub fn pour_id(plan: &NightPlan, bed_id: &str) -> String {
    format!("{bed_id}-{}", plan.night)
}

/// Writes `plant.toml`, `curves/` and `pours/` into a folder.
pub fn write(
    dir: &Path,
    scenario: &Scenario,
    plan: &NightPlan,
    options: &PlantFileOptions,
) -> anyhow::Result<()> {
    write_plant(dir, scenario, options)?;
    make_folder(&dir.join("pours"))?;
    for (bed, bed_plan) in scenario.beds.iter().zip(&plan.beds) {
        let text = pour_file(scenario, plan, bed, bed_plan);
        write_text(dir, &format!("pours/{}.toml", bed.id), &text)?;
    }
    Ok(())
}

/// Writes `plant.toml` and `curves/` into a folder.
pub fn write_plant(
    dir: &Path,
    scenario: &Scenario,
    options: &PlantFileOptions,
) -> anyhow::Result<()> {
    make_folder(&dir.join("curves"))?;
    for (mix, curve, records) in curves_of(scenario) {
        write_text(dir, &format!("curves/{mix}.toml"), curve)?;
        write_text(dir, &format!("curves/{mix}.records.toml"), records)?;
    }
    write_text(dir, "plant.toml", &plant_file(scenario, options))
}

fn make_folder(path: &Path) -> anyhow::Result<()> {
    fs::create_dir_all(path).with_context(|| format!("cannot make the folder {}", path.display()))
}

fn write_text(dir: &Path, name: &str, text: &str) -> anyhow::Result<()> {
    let path = dir.join(name);
    fs::write(&path, text).with_context(|| format!("cannot write {}", path.display()))
}

fn curves_of(scenario: &Scenario) -> impl Iterator<Item = (&str, &str, &str)> {
    CURVES
        .into_iter()
        .filter(|(mix, _, _)| scenario.mix(mix).is_some())
}

/// An instant as every file and command writes it.
pub fn stamp(instant: DateTime<Utc>) -> String {
    instant.to_rfc3339_opts(SecondsFormat::AutoSi, true)
}

/// A string in TOML's double quotes, which escape as JSON does.
fn quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string()
}

fn quoted_list<'a>(texts: impl Iterator<Item = &'a str>) -> String {
    let texts: Vec<String> = texts.map(quoted).collect();
    format!("[{}]", texts.join(", "))
}

/// The plant file: beds, mixes, curves, limits, the release rule and every logger as it speaks.
pub fn plant_file(scenario: &Scenario, options: &PlantFileOptions) -> String {
    let curves: Vec<String> = curves_of(scenario)
        .map(|(mix, _, _)| format!("curves/{mix}.toml"))
        .collect();
    let mut text = format!(
        r#"# The simulated plant; everything in it is invented but for the limits' source.

[plant]
name = {name}
zone = {zone}
units = "us"
listen = {listen}
data_dir = "data"

[curves]
files = {curves}

[release]
basis = "average"
single_min_fraction = 0.9
specimen_count_min = 2
count_specimens_without_history = true
set_stands_for = "loads"

[[limit_set]]
id = "highway"
concrete_c_max = 71.1      # 160 °F
rise_c_per_h_max = 22.2    # 40 °F/h
source = "Ohio DOT CMS 2010, 515.16"
"#,
        name = quoted(&scenario.plant.name),
        zone = quoted(scenario.plant.zone.name()),
        listen = quoted(&options.listen),
        curves = quoted_list(curves.iter().map(String::as_str)),
    );
    for bed in &scenario.beds {
        let id = quoted(&bed.id);
        let length_m = bed.length_m;
        text.push_str(&format!(
            "\n[[bed]]\nid = {id}\nlength_m = {length_m:?}\nlimit_set = \"highway\"\n"
        ));
    }
    for mix in &scenario.mixes {
        text.push_str(&format!("\n[[mix]]\nid = {}\n", quoted(&mix.id)));
    }
    // Loggers without a clock are named too, so that their channels are known before a pour binds them.
    for logger in &scenario.loggers {
        let of_logger =
            |(channel, owner): (&str, &str)| (owner == logger.id).then(|| quoted(channel));
        let channels: Vec<String> = scenario.channels().filter_map(of_logger).collect();
        let id = quoted(&logger.id);
        let channels = channels.join(", ");
        text.push_str(&format!(
            "\n[[logger]]\nid = {id}\nchannels = [{channels}]\n"
        ));
    }
    for logger in &scenario.loggers {
        if let Some(table) = serial_table(logger) {
            text.push_str(&table);
        }
    }
    text.push_str(&mqtt_tables(scenario, &options.broker));
    text
}

fn serial_table(logger: &Logger) -> Option<String> {
    let (pattern, time) = match logger.format {
        WireFormat::Line | WireFormat::LineF => (
            r"(?<channel>[A-Z0-9]+-\d+) (?<value>-?[0-9.]+|OPEN)(?: (?<unit>[CF]))?",
            "",
        ),
        WireFormat::LineTimed => (
            r"(?<time>[^;]+);(?<channel>[A-Z0-9]+-\d+);(?<value>-?[0-9.]+|OPEN)",
            "time = \"rfc3339\"\n",
        ),
        WireFormat::Senml | WireFormat::JsonBatch | WireFormat::Json | WireFormat::Plain => {
            return None;
        }
    };
    let id = &logger.id;
    Some(format!(
        "\n[[serial]]\nname = \"logger {id}\"\npath = \"tty-{id}\"\npattern = '{pattern}'\n{time}\
         fault_words = {{ OPEN = \"open\" }}\n"
    ))
}

fn mqtt_tables(scenario: &Scenario, broker: &BrokerAddress) -> String {
    let subscriptions: String = scenario
        .loggers
        .iter()
        .filter_map(|logger| {
            let id = &logger.id;
            let (topic, rest) = match logger.format {
                WireFormat::Senml => (
                    format!("plant/{id}/senml"),
                    "payload = \"senml\"\nfault_words = { OPEN = \"open\" }\n",
                ),
                WireFormat::JsonBatch => (
                    format!("plant/{id}/readings"),
                    "payload = \"json\"\nrecords_pointer = \"/readings\"\n\
                     value_pointer = \"/temperature_c\"\ntime_pointer = \"/at\"\n\
                     name_pointer = \"/channel\"\n\
                     fault_words = { null = \"open\" }\n",
                ),
                WireFormat::Json => (
                    format!("plant/{id}/reading"),
                    "payload = \"json\"\nvalue_pointer = \"/temperature_c\"\n\
                     time_pointer = \"/at\"\nname_pointer = \"/channel\"\n\
                     fault_words = { null = \"open\" }\n",
                ),
                WireFormat::Plain => (
                    format!("plant/{id}/+"),
                    "payload = \"plain\"\nchannel = \"{3}\"\nfault_words = { OPEN = \"open\" }\n",
                ),
                WireFormat::Line | WireFormat::LineF | WireFormat::LineTimed => return None,
            };
            Some(format!(
                "\n[[mqtt.subscription]]\ntopic = {}\n{rest}",
                quoted(&topic)
            ))
        })
        .collect();
    if subscriptions.is_empty() {
        return subscriptions;
    }
    let BrokerAddress { host, port } = broker;
    let host = quoted(host);
    format!("\n[[mqtt]]\nname = \"yard broker\"\nhost = {host}\nport = {port}\n{subscriptions}")
}

/// The pour as it is opened when its first load comes: loads and cylinders are entered later.
pub fn pour_file(scenario: &Scenario, plan: &NightPlan, bed: &Bed, bed_plan: &BedPlan) -> String {
    // What the plan says in the afternoon; when heat really comes on is entered at that time.
    let planned_last_at = bed.last_placed.on(plan.night, scenario.plant.zone);
    let preset_s = (bed.heat.preset_h * 3600.0).round() as i64;
    let planned_heat_on_at = planned_last_at + TimeDelta::seconds(preset_s);
    let mut text = format!(
        r#"pour = {pour}
by = "{YARD}"
bed = {bed}
mix = {mix}
from_station_m = 0.0
to_station_m = {length_m:?}
first_placement_at = {first}
wanted_release_at = {wanted}
required = [{{ act = "release", strength_mpa = {required:?} }}]
fresh = {{ temperature_c = {fresh_c:.1} }}
heat_plan = {{ on_at = {on}, rise_c_per_h = {rise:?}, soak_c = {soak:?}, off_at = {off} }}
"#,
        pour = quoted(&pour_id(plan, &bed.id)),
        bed = quoted(&bed.id),
        mix = quoted(&bed.mix),
        length_m = bed.length_m,
        first = quoted(&stamp(bed_plan.first_placed_at)),
        wanted = quoted(&stamp(bed_plan.wanted_release_at)),
        required = bed.required_release_mpa,
        fresh_c = bed_plan.loads[0].fresh_c,
        rise = bed_plan.rise_c_per_h,
        soak = bed_plan.soak_c,
        on = quoted(&stamp(planned_heat_on_at)),
        off = quoted(&stamp(bed_plan.heat_off_at)),
    );
    if let Some(mix) = scenario.mix(&bed.mix) {
        text.push_str(&format!(
            "cementitious_kg_m3 = {:?}\n",
            mix.cementitious_kg_m3
        ));
    }
    if let Some(product) = scenario.product(&bed.product) {
        let thickest_m = product.places.iter().map(|place| place.thickness_m);
        let thickness_mm = thickest_m.fold(0.0, f64::max) * 1000.0;
        let name = quoted(&product.name);
        text.push_str(&format!(
            "section = {{ name = {name}, thickness_mm = {thickness_mm:.0}.0 }}\n"
        ));
    }
    for (index, position) in bed.positions.iter().enumerate() {
        let place = quoted(&position.place);
        text.push_str(&format!(
            "\n[[positions]]\nid = \"{}\"\nstation_m = {:?}\nplace = {place}\ndepth_mm = {:.0}.0\n",
            position_id(index),
            position.station_m,
            position.depth_m * 1000.0
        ));
    }
    for (index, position) in bed.positions.iter().enumerate() {
        let of = format!(
            "role = \"concrete\"\nposition = \"{}\"\n",
            position_id(index)
        );
        text.push_str(&channel_table(&position.channel, &of));
    }
    text.push_str(&channel_table(
        &bed.enclosure.channel,
        "role = \"enclosure\"\n",
    ));
    // A channel is bound in one pour at a time: the yard's air goes to the bed of its logger.
    let ambient = &scenario.plant.ambient;
    if ambient.logger == bed.logger {
        text.push_str(&channel_table(&ambient.channel, "role = \"ambient\"\n"));
    }
    text
}

fn channel_table(channel: &str, of: &str) -> String {
    format!("\n[[channels]]\nchannel = {}\n{of}", quoted(channel))
}

/// Positions are called P1, P2 … in the order in which they are wired.
pub fn position_id(index: usize) -> String {
    format!("P{}", index + 1)
}

#[cfg(test)]
mod tests {
    use toml::Value;

    use super::*;

    fn written() -> (Scenario, NightPlan, Value) {
        let scenario = Scenario::eight_beds().expect("scenario");
        let plan = NightPlan::new(&scenario, 1, "2026-11-24".parse().expect("date"));
        let options = PlantFileOptions {
            listen: "127.0.0.1:7871".to_owned(),
            broker: "127.0.0.1:1899".parse().expect("address"),
        };
        let file = toml::from_str(&plant_file(&scenario, &options)).expect("a TOML file");
        (scenario, plan, file)
    }

    #[test]
    fn every_bed_mix_and_logger_of_the_scenario_is_in_the_plant_file() {
        let (scenario, _, file) = written();
        let count = |key: &str| file[key].as_array().map_or(0, Vec::len);
        assert_eq!(count("bed"), scenario.beds.len());
        assert_eq!(count("mix"), scenario.mixes.len());
        assert_eq!(
            file["curves"]["files"].as_array().map(Vec::len),
            Some(scenario.mixes.len())
        );
        let subscriptions = file["mqtt"][0]["subscription"].as_array().expect("several");
        assert_eq!(
            count("serial") + subscriptions.len(),
            scenario.loggers.len()
        );
        let named = file["logger"].as_array().expect("several").iter();
        let named = named.filter_map(|logger| logger["channels"].as_array());
        let named_count: usize = named.map(Vec::len).sum();
        assert_eq!(named_count, scenario.channels().count());
        assert_eq!(file["mqtt"][0]["port"].as_integer(), Some(1899));
    }

    #[test]
    fn every_curve_has_an_approval_of_its_own_bytes_recorded_before_the_nights() {
        for (mix, curve, records) in CURVES {
            let curve: Value = toml::from_str(curve).expect("a curve file");
            assert_eq!(curve["mix"].as_str(), Some(mix));
            let records: Value = toml::from_str(records).expect("records");
            let record = &records["record"][0];
            assert_eq!(record["act"].as_str(), Some("approved"));
            let recorded_at = record["recorded_at"].as_datetime().expect("an instant");
            assert!(
                recorded_at.to_string().as_str() < "2026-11-01",
                "{recorded_at}"
            );
        }
    }

    #[test]
    fn a_pour_binds_every_channel_but_the_companion_cylinders() {
        let (scenario, plan, _) = written();
        let mut ambient_count = 0;
        for (bed, bed_plan) in scenario.beds.iter().zip(&plan.beds) {
            let text = pour_file(&scenario, &plan, bed, bed_plan);
            let pour: Value = toml::from_str(&text).expect("a pour file");
            assert_eq!(
                pour["pour"].as_str(),
                Some(pour_id(&plan, &bed.id).as_str())
            );
            let channels = pour["channels"].as_array().expect("channels");
            let of_role = |role: &str| {
                let is = |channel: &&Value| channel["role"].as_str() == Some(role);
                channels.iter().filter(is).count()
            };
            assert_eq!(of_role("concrete"), bed.positions.len());
            assert_eq!(of_role("enclosure"), 1);
            ambient_count += of_role("ambient");
            assert!(!text.contains(&bed.companion.channel));
        }
        assert_eq!(ambient_count, 1);
    }
}

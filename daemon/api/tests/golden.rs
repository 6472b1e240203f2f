//! The contract as golden JSON: every file reads into its type and is written again unchanged.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use daemon_api::act::ActBody;
use daemon_api::alarm::{AlarmHistory, AlarmsAnswer};
use daemon_api::channel::ChannelsAnswer;
use daemon_api::effect::RecordEntry;
use daemon_api::event::PlantEvent;
use daemon_api::mix::{BreaksAnswer, MixesAnswer};
use daemon_api::plan::PlanAnswer;
use daemon_api::reading::{Backfill, BackfillAnswer};
use daemon_api::series::SeriesAnswer;
use daemon_api::shift::ShiftLog;
use daemon_api::{Act, ActAnswer, BedView, PlantSnapshot, PourView, Problem, ProblemKind};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};

/// Every golden file by its name without the ending.
fn golden() -> BTreeMap<String, Value> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden");
    fs::read_dir(&folder)
        .expect("the golden folder is there")
        .map(|entry| {
            let path = entry.expect("it can be listed").path();
            let name = path
                .file_stem()
                .expect("a name")
                .to_string_lossy()
                .into_owned();
            let text = fs::read_to_string(&path).expect("it can be read");
            let value =
                serde_json::from_str(&text).unwrap_or_else(|error| panic!("{name}: {error}"));
            (name, value)
        })
        .collect()
}

fn one(name: &str) -> Value {
    golden()
        .remove(name)
        .unwrap_or_else(|| panic!("no golden file {name}"))
}

fn round_trip<T: DeserializeOwned + Serialize>(name: &str, value: &Value) -> T {
    let parsed: T =
        serde_json::from_value(value.clone()).unwrap_or_else(|error| panic!("{name}: {error}"));
    let written = serde_json::to_value(&parsed).expect("it can be written");
    assert_eq!(&written, value, "{name} changed on the way");
    parsed
}

#[test]
fn every_golden_file_survives_reading_and_writing() {
    for (name, value) in golden() {
        match name.split('-').next().unwrap_or_default() {
            "act" => drop(round_trip::<Act>(&name, &value)),
            "alarms" => drop(round_trip::<AlarmsAnswer>(&name, &value)),
            "alarm" => drop(round_trip::<AlarmHistory>(&name, &value)),
            "breaks" => drop(round_trip::<BreaksAnswer>(&name, &value)),
            "mixes" => drop(round_trip::<MixesAnswer>(&name, &value)),
            "channels" => drop(round_trip::<ChannelsAnswer>(&name, &value)),
            "plan" => drop(round_trip::<PlanAnswer>(&name, &value)),
            "shift" => drop(round_trip::<ShiftLog>(&name, &value)),
            "bed" => drop(round_trip::<BedView>(&name, &value)),
            "event" => drop(round_trip::<PlantEvent>(&name, &value)),
            "pour" => drop(round_trip::<PourView>(&name, &value)),
            "problem" => drop(round_trip::<Problem>(&name, &value)),
            "series" => drop(round_trip::<SeriesAnswer>(&name, &value)),
            "snapshot" => drop(round_trip::<PlantSnapshot>(&name, &value)),
            "backfill" => drop(round_trip::<Backfill>(&name, &value)),
            "record" => drop(round_trip::<Vec<RecordEntry>>(&name, &value)),
            "answer" if name.starts_with("answer-act") => {
                drop(round_trip::<ActAnswer>(&name, &value))
            }
            "answer" => drop(round_trip::<BackfillAnswer>(&name, &value)),
            _ => panic!("{name}.json is of no known kind"),
        }
    }
}

/// The golden file of an act; a new act does not compile before it has a name here.
fn file_of(body: &ActBody) -> &'static str {
    match body {
        ActBody::PourOpened(_) => "act-pour-opened",
        ActBody::PourCorrected(_) => "act-pour-corrected",
        ActBody::PlacementRecorded(_) => "act-placement-recorded",
        ActBody::LoadPlaced(_) => "act-load-placed",
        ActBody::HeatOn {} => "act-heat-on",
        ActBody::HeatOff {} => "act-heat-off",
        ActBody::TarpLifted {} => "act-tarp-lifted",
        ActBody::TarpBack {} => "act-tarp-back",
        ActBody::CylindersMade(_) => "act-cylinders-made",
        ActBody::CylindersPulled { .. } => "act-cylinders-pulled",
        ActBody::PlugMoved(_) => "act-plug-moved",
        ActBody::HandProbed { .. } => "act-hand-probed",
        ActBody::BreakRecorded(_) => "act-break-recorded",
        ActBody::PositionExcluded { .. } => "act-position-excluded",
        ActBody::PositionRestored { .. } => "act-position-restored",
        ActBody::GapsAccepted { .. } => "act-gaps-accepted",
        ActBody::DisagreementResolved { .. } => "act-disagreement-resolved",
        ActBody::ReleaseSigned(_) => "act-release-signed",
        ActBody::Stripped {} => "act-stripped",
        ActBody::Abandoned {} => "act-abandoned",
        ActBody::InitialSetReached {} => "act-initial-set-reached",
        ActBody::LimitStated { .. } => "act-limit-stated",
        ActBody::HoldDisposed { .. } => "act-hold-disposed",
        ActBody::AlarmSeen { .. } => "act-alarm-seen",
        ActBody::AlarmSnoozed { .. } => "act-alarm-snoozed",
        ActBody::AlarmWoken { .. } => "act-alarm-woken",
        ActBody::AlarmReset { .. } => "act-alarm-reset",
        ActBody::ShiftNoted {} => "act-shift-noted",
        ActBody::ShiftHandedOver { .. } => "act-shift-handed-over",
        ActBody::ActStruck { .. } => "act-struck",
        ActBody::ActCorrected { .. } => "act-corrected",
        ActBody::ReleaseWithdrawn { .. } => "act-release-withdrawn",
    }
}

#[test]
fn every_act_has_its_golden_file() {
    let acts: Vec<_> = golden()
        .into_iter()
        .filter(|(name, _)| name.starts_with("act-"))
        .collect();
    for (name, value) in &acts {
        assert_eq!(file_of(&round_trip::<Act>(name, value).body), name);
    }
    assert_eq!(acts.len(), 32, "one golden file for each act of `file_of`");
}

#[test]
fn an_event_is_named_as_its_key_says() {
    for (name, value) in golden() {
        if name.starts_with("event-") {
            let event: PlantEvent = round_trip(&name, &value);
            assert_eq!(value["event"], event.change.name());
            assert_eq!(name, format!("event-{}", event.change.name()));
        }
    }
}

#[test]
fn an_unknown_act_is_refused_by_name() {
    let mut act = one("act-heat-on");
    act["act"] = json!("strand-cut");
    let error = serde_json::from_value::<Act>(act).expect_err("there is no such act");
    assert!(
        error.to_string().contains("unknown variant `strand-cut`"),
        "{error}"
    );
}

#[test]
fn an_unknown_field_inside_an_act_is_refused_by_name() {
    for (file, place) in [
        ("act-pour-opened", ""),
        ("act-pour-opened", "/required/0"),
        ("act-pour-opened", "/pieces/0"),
        ("act-pour-opened", "/positions/0"),
        ("act-pour-opened", "/section"),
        ("act-pour-opened", "/fresh"),
        ("act-pour-opened", "/heat_plan"),
        ("act-pour-corrected", ""),
        ("act-placement-recorded", "/stoppages/0"),
        ("act-break-recorded", "/specimens/0"),
    ] {
        let mut act = one(file);
        act.pointer_mut(place).expect("the place is in the file")["strength_psi"] = json!(4500);
        let error = serde_json::from_value::<Act>(act).expect_err(place);
        assert!(
            error.to_string().contains("unknown field `strength_psi`"),
            "{place}: {error}"
        );
    }
}

#[test]
fn an_act_without_a_required_field_is_refused_by_name() {
    for (file, field) in [
        ("act-heat-on", "id"),
        ("act-heat-on", "by"),
        ("act-heat-on", "happened_at"),
        ("act-heat-on", "pour"),
        ("act-pour-opened", "bed"),
        ("act-pour-opened", "required"),
        ("act-break-recorded", "tested_at"),
        ("act-release-signed", "breaks"),
    ] {
        let mut act = one(file);
        act.as_object_mut().expect("an object").remove(field);
        let error = serde_json::from_value::<Act>(act).expect_err(field);
        assert!(
            error
                .to_string()
                .contains(&format!("missing field `{field}`")),
            "{error}"
        );
    }
}

#[test]
fn a_problem_is_made_from_its_kind_alone() {
    let golden: Problem = round_trip("problem", &one("problem"));
    let made = Problem::new(ProblemKind::HoldStands, &golden.code, golden.detail.clone());
    assert_eq!(made, golden);
}

//! The plan over the worked example's night: what it tells people to do never speaks against itself.

mod support;

use std::sync::Arc;

use daemon::config::PlantFile;
use daemon::convert;
use daemon::watch::plan::plan;
use daemon_api::plan::PlanAnswer;
use daemon_core::alarm::Alarm;
use daemon_core::assessment::{Trouble, Urgency};
use daemon_core::plant::Plant;
use daemon_core::reading::{Content, Reading};
use daemon_core::time::UtcMs;
use serde_json::{Value, json};

use support::{acts, clocked_readings, example, time};

/// The example as it was known by a moment, with what else its people said.
fn plant_at(moment: &str, more: &[Value]) -> Plant {
    let moment = time(moment);
    let file = PlantFile::load(&example("plant.toml"), &[]).expect("the plant file");
    let mut plant = Plant::new(file.core);
    for one in clocked_readings() {
        if one.measured_at <= moment {
            plant.take_reading(&Reading {
                channel: Arc::from(one.channel.as_str()),
                measured_at: Some(UtcMs::from(one.measured_at)),
                received_at: UtcMs::from(one.measured_at),
                content: Content::TemperatureC(one.temperature_c),
            });
        }
    }
    let more = more.iter().map(|act| {
        let mut act = act.clone();
        act["id"] = json!(uuid::Uuid::now_v7());
        act["by"] = json!("Q. Example");
        act["pour"] = json!("P-101");
        serde_json::from_value(act).expect("an act")
    });
    for mut act in acts().into_iter().chain(more) {
        if act.happened_at <= moment {
            act.recorded_at = Some(act.happened_at);
            plant.take_act(convert::act::act(&act).expect("the core reads it"));
        }
    }
    plant
}

fn plan_at(moment: &str, more: &[Value], alarms: &[Alarm]) -> PlanAnswer {
    let plant = plant_at(moment, more);
    let now = UtcMs::from(time(moment));
    let assessment = plant.assess(now);
    plan(&plant, &assessment.pours, alarms, now)
}

fn texts<'a>(plan: &'a PlanAnswer, kind: &str) -> Vec<&'a str> {
    let of_kind = plan.items.iter().filter(|item| item.kind == kind);
    of_kind.map(|item| item.text.as_str()).collect()
}

fn broke(at: &str, strength_mpa: f64) -> Value {
    let specimens = ["R1", "R2"].map(|specimen| {
        json!({ "specimen": specimen, "strength_mpa": strength_mpa, "as_typed": "typed" })
    });
    json!({ "act": "break-recorded", "happened_at": at, "set": "R", "tested_at": at,
        "specimens": specimens })
}

#[test]
fn the_heat_on_stands_in_the_plan_before_the_concrete_is_covered() {
    let plan = plan_at("2026-01-20T22:00:05Z", &[], &[]);
    assert_eq!(texts(&plan, "heat-on"), ["Turn the heat of B1 on."]);
}

#[test]
fn after_cylinders_that_failed_nothing_tells_people_to_turn_the_heat_off() {
    let moment = "2026-01-21T06:40:05Z";
    assert_eq!(
        texts(&plan_at(moment, &[], &[]), "heat-off"),
        ["Turn the heat of B1 off."]
    );
    let failed = plan_at(moment, &[broke("2026-01-21T06:30:00Z", 15.0)], &[]);
    for kind in ["heat-off", "heat-needed-until", "heat-must-be-off"] {
        assert!(texts(&failed, kind).is_empty(), "{failed:?}");
    }
    let schedule = &failed.schedule[0];
    assert!(
        schedule.confirmation.words.contains("FAILED"),
        "{schedule:?}"
    );
}

#[test]
fn the_heat_off_stays_in_the_plan_after_the_release_while_the_heat_is_on() {
    let released = [json!({ "act": "heat-on", "happened_at": "2026-01-21T10:40:00Z" })];
    // The example's people turned the heat off at 07:00Z, and signed at 11:05Z.
    let off = plan_at("2026-01-21T11:10:05Z", &[], &[]);
    assert!(texts(&off, "heat-off").is_empty(), "{off:?}");
    let on = plan_at("2026-01-21T11:10:05Z", &released, &[]);
    assert_eq!(texts(&on, "heat-off"), ["Turn the heat of B1 off."]);
}

#[test]
fn while_heat_is_lost_nobody_is_told_when_it_is_no_longer_needed() {
    let moment = "2026-01-21T05:00:05Z";
    let now = UtcMs::from(time(moment));
    let lost = Alarm {
        id: "losing-heat/B1/P-101".to_owned(),
        trouble: Trouble {
            kind: "losing-heat".into(),
            urgency: Urgency::Now,
            bed: Some("B1".to_owned()),
            pour: Some("P-101".to_owned()),
            place: None,
            what: "The air falls.".to_owned(),
            since: now,
            first_act: "See whether the tarp is off.".into(),
            explained_by: None,
        },
        is_active: true,
        raised_at: now,
        rang_at: now,
        rang_as: Urgency::Now,
        cleared_at: None,
        seen: None,
        is_latched: false,
        snoozed: None,
        explained_by: None,
    };
    // Wanted so late that heat is not needed all along.
    let corrected = [
        json!({ "act": "pour-corrected", "happened_at": "2026-01-20T21:30:00Z",
        "why": "the crew comes later", "wanted_release_at": "2026-01-21T16:00:00Z" }),
    ];
    let kind = "heat-needed-until";
    let quiet = plan_at(moment, &corrected, &[]);
    assert_eq!(texts(&quiet, kind).len(), 1, "{quiet:?}");
    assert!(texts(&plan_at(moment, &corrected, &[lost]), kind).is_empty());
}

#[test]
fn no_line_of_the_plan_reads_as_leave_to_cut_or_to_turn_anything_off() {
    for hour in 0..13 {
        let moment = time("2026-01-20T22:30:05Z") + chrono::TimeDelta::hours(hour);
        let plan = plan_at(&moment.to_rfc3339(), &[], &[]);
        let items = plan.items.iter().map(|item| &item.text);
        for text in items.chain(plan.schedule.iter().map(|one| &one.text)) {
            for phrase in [
                "may go off",
                "limit for detensioning",
                "ends; only its cylinders",
            ] {
                assert!(!text.contains(phrase), "{moment}: {text}");
            }
        }
    }
}

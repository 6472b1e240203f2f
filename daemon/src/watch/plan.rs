//! The plan: what wants a person through the night, and each pour against its wanted time.

use chrono::{DateTime, Utc};
use daemon_api::plan::{PlanAnswer, PlanItemView, ScheduleView};
use daemon_core::ahead::HeatCounsel;
use daemon_core::alarm::Alarm;
use daemon_core::assessment::{ConfirmationState, PourAssessment, PourStatus};
use daemon_core::plant::Plant;
use daemon_core::time::UtcMs;
use daemon_core::trouble::lateness;

use crate::convert::{utc, utc_option, view};

/// A pour that is expected this soon after its wanted time is on time, h.
const ON_TIME_H: f64 = 0.25;

/// The plan from now on; what is overdue stands first, because its time is past.
#[must_use]
pub fn plan<'a>(
    plant: &Plant,
    pours: &[PourAssessment],
    alarms: impl IntoIterator<Item = &'a Alarm>,
    now: UtcMs,
) -> PlanAnswer {
    let under_cure = || pours.iter().filter(|pour| pour.record.is_under_cure());
    let mut items: Vec<PlanItemView> = under_cure()
        .flat_map(|pour| items_of(plant, pour, now))
        .collect();
    for alarm in alarms {
        if let Some(snoozed) = &alarm.snoozed {
            let text = format!(
                "A snooze ends: {} ({} by {}).",
                alarm.trouble.what.trim_end_matches('.'),
                snoozed.why,
                snoozed.by
            );
            items.push(PlanItemView {
                at: utc(snoozed.until_at),
                kind: "snooze-ends".to_owned(),
                bed: alarm.trouble.bed.clone(),
                pour: alarm.trouble.pour.clone(),
                text,
                overdue: false,
            });
        }
    }
    items.sort_by(|one, other| {
        (one.at, &one.bed, &one.kind).cmp(&(other.at, &other.bed, &other.kind))
    });
    PlanAnswer {
        now: utc(now),
        items,
        schedule: under_cure().map(schedule).collect(),
    }
}

fn items_of(plant: &Plant, pour: &PourAssessment, now: UtcMs) -> Vec<PlanItemView> {
    let record = &pour.record;
    let bed = &record.facts.bed;
    let mut items = Vec::new();
    let mut item = |at: UtcMs, kind: &str, text: String| {
        items.push(PlanItemView {
            at: utc(at),
            kind: kind.to_owned(),
            bed: Some(bed.clone()),
            pour: Some(record.id.clone()),
            text,
            overdue: at < now,
        });
    };
    let limits = plant.limits(record).unwrap_or_default();
    let tarp = plant.under_tarp(record, now);
    let preset_ends_at = tarp
        .last_batch_at
        .zip(limits.preset_h_min)
        .map(|(batch_at, preset_h)| batch_at.plus_hours(preset_h));
    let last = record.heat.iter().rfind(|switch| switch.at <= now);
    if let Some(heat) = record.facts.heat_plan {
        // Heat is due by the plan, but never before the preset is over.
        let on_at = heat.on_at.max(preset_ends_at);
        match (last, on_at) {
            (None, Some(on_at)) if pour.status != PourStatus::Placing => {
                item(on_at, "heat-on", format!("Turn the heat of {bed} on."));
            }
            _ => {}
        }
        if let Some(off_at) = heat.off_at
            && last.is_none_or(|switch| switch.on)
        {
            item(off_at, "heat-off", format!("Turn the heat of {bed} off."));
        }
    }
    let lifted = record.tarp.iter().rfind(|switch| switch.at <= now);
    if let Some(lifted) = lifted.filter(|switch| switch.on) {
        let quiet_h = plant.config().watch.tarp_quiet_min / 60.0;
        let text = format!("See whether the tarp of {bed} is back.");
        item(lifted.at.plus_hours(quiet_h), "check-tarp", text);
    }
    let is_confirmed = pour.confirmation.state == ConfirmationState::Confirmed;
    let chance = 100.0 * plant.config().release.break_probability;
    if let Some(break_at) = pour.forecast.break_from_at.filter(|_| !is_confirmed) {
        let text = format!("Break a release set of {bed}: it would then pass with {chance:.0} %.");
        item(break_at.max(now), "break", text);
    }
    let advice = pour.ahead.heat.filter(|_| !is_confirmed);
    if let Some((advice, off_at)) = advice.and_then(|one| Some((one, one.earliest_off_at?)))
        && advice.counsel == HeatCounsel::OffFrom
    {
        let but = if last.is_some_and(|switch| !switch.on) {
            " was recorded off, but its air reads heated; it"
        } else {
            ""
        };
        let mut text = format!(
            "The heat of {bed}{but} may go off from here: its wanted time is then still made with {:.0} %.",
            100.0 * advice.aimed_probability
        );
        if limits.heat_off_h_max.is_none() && limits.heat_off_fall_c_max.is_none() {
            text += " No limit is stated for its cooling before detensioning: ask the engineer.";
        }
        item(off_at, "heat-may-go-off", text);
    }
    if let Some(latest_at) = advice.and_then(|one| one.latest_off_at) {
        let text =
            format!("The heat of {bed} must be off by here, to cool before its wanted time.");
        item(latest_at, "heat-must-be-off", text);
    }
    if let Some(wanted_at) = record.facts.wanted_release_at {
        item(
            wanted_at,
            "wanted-release",
            format!("{bed} is wanted; only its cylinders decide."),
        );
    }
    let off_at = last.filter(|switch| !switch.on).map(|switch| switch.at);
    let latest = [
        tarp.last_batch_at.zip(limits.release_h_max),
        off_at.zip(limits.heat_off_h_max),
    ];
    let latest = latest
        .into_iter()
        .flatten()
        .map(|(from, hours)| from.plus_hours(hours));
    if let Some(latest_at) = latest.min() {
        let text = format!("The limit for detensioning {bed} ends; only its cylinders decide.");
        item(latest_at, "latest-detensioning", text);
    }
    items
}

fn schedule(pour: &PourAssessment) -> ScheduleView {
    let record = &pour.record;
    let wanted_at = record.facts.wanted_release_at;
    let likely_at = pour.forecast.likely_at;
    let late = lateness(pour);
    let is_confirmed = pour.confirmation.state == ConfirmationState::Confirmed;
    let (word, text) = match (is_confirmed, wanted_at, late) {
        (true, _, _) => (
            "confirmed",
            "Cylinders passed; QC signs the release.".to_owned(),
        ),
        (_, None, _) => ("not-wanted", "No time is wanted.".to_owned()),
        (_, Some(_), None) => {
            let why = pour
                .forecast
                .reason
                .as_deref()
                .unwrap_or("nothing to go by");
            ("no-forecast", format!("No forecast: {why}."))
        }
        (_, Some(_), Some((late_h, how_surely))) if late_h > ON_TIME_H => (
            "late",
            format!("{late_h:.1} h late; it is late {how_surely}."),
        ),
        (_, Some(_), Some((late_h, how_surely))) => (
            "on-time",
            format!("{:.1} h before its time; it is late {how_surely}.", -late_h),
        ),
    };
    let counsel = heat_sentence(pour).filter(|_| !is_confirmed);
    ScheduleView {
        bed: record.facts.bed.clone(),
        pour: record.id.clone(),
        wanted_at: utc_option(wanted_at),
        likely_at: utc_option(likely_at),
        word: word.to_owned(),
        late_h: late.map(|one| one.0),
        text: match counsel {
            Some(counsel) => format!("{text} {counsel}"),
            None => text,
        },
        confirmation: view::confirmation(&pour.confirmation),
    }
}

/// What heat can still do for the wanted time, where that is not simply to go on.
fn heat_sentence(pour: &PourAssessment) -> Option<String> {
    let advice = pour.ahead.heat?;
    match advice.counsel {
        HeatCounsel::NothingHelps => Some(format!(
            "Nothing helps: heat until then gives {:.0} %.",
            100.0 * advice.longest_heat_probability?
        )),
        HeatCounsel::HeatIsOff => Some(format!(
            "The heat is off: a set passes by then with {:.0} %.",
            100.0 * advice.on_time_probability
        )),
        HeatCounsel::LimitInTheWay => Some(
            "The heat that makes it passes the highest temperature allowed: keep the limit."
                .to_owned(),
        ),
        HeatCounsel::NoTimeMeetsBoth => {
            Some("No heat-off makes it and leaves room to cool first: ask QC.".to_owned())
        }
        HeatCounsel::OffFrom => None,
    }
}

/// The items that are due before a moment.
#[must_use]
pub fn due_before(plan: &PlanAnswer, before: DateTime<Utc>) -> Vec<PlanItemView> {
    let items = plan.items.iter().filter(|item| item.at < before);
    items.cloned().collect()
}

//! The plan: what wants a person through the night, and each pour against its wanted time.

use chrono::{DateTime, Utc};
use daemon_api::plan::{PlanAnswer, PlanItemView, ScheduleView};
use daemon_core::ahead::HeatCounsel;
use daemon_core::alarm::Alarm;
use daemon_core::assessment::{BreakTime, BreakTimeKind, Outcome, PourAssessment, PourStatus};
use daemon_core::plant::Plant;
use daemon_core::say;
use daemon_core::time::UtcMs;
use daemon_core::trouble::lateness;

use crate::convert::{utc, utc_option, view};

/// Alarms during which nobody is told when heat is no longer needed.
const HEAT_LOST: [&str; 4] = [
    "losing-heat",
    "local-heat-loss",
    "heat-source-lost",
    "heat-not-started",
];

/// The plan from now on; what is overdue stands first, because its time is past.
#[must_use]
pub fn plan<'a>(
    plant: &Plant,
    pours: &[PourAssessment],
    alarms: impl IntoIterator<Item = &'a Alarm>,
    now: UtcMs,
) -> PlanAnswer {
    let under_cure = || pours.iter().filter(|pour| pour.record.is_under_cure());
    let alarms: Vec<&Alarm> = alarms.into_iter().collect();
    let mut items: Vec<PlanItemView> = pours
        .iter()
        .flat_map(|pour| items_of(plant, pour, &alarms, now))
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
    // What waits for a signature goes first: all that could be done about it has been.
    let order = |item: &PlanItemView| {
        (
            item.kind != "sign",
            item.at,
            item.bed.clone(),
            item.kind.clone(),
        )
    };
    items.sort_by_key(order);
    PlanAnswer {
        now: utc(now),
        items,
        schedule: under_cure().map(schedule).collect(),
    }
}

fn items_of(
    plant: &Plant,
    pour: &PourAssessment,
    alarms: &[&Alarm],
    now: UtcMs,
) -> Vec<PlanItemView> {
    let is_of_pour = |alarm: &&&Alarm| alarm.trouble.pour.as_ref() == Some(&pour.record.id);
    let is_heat_lost = alarms
        .iter()
        .filter(is_of_pour)
        .any(|alarm| alarm.is_active && HEAT_LOST.contains(&&*alarm.trouble.kind));
    let mut items = heat_items(plant, pour, is_heat_lost, now);
    items.extend(cylinder_items(plant, pour, now));
    let view = |(at, kind, text): Item| PlanItemView {
        at: utc(at),
        kind: kind.to_owned(),
        bed: Some(pour.record.facts.bed.clone()),
        pour: Some(pour.record.id.clone()),
        text,
        overdue: at < now,
    };
    items.into_iter().map(view).collect()
}

/// When, its kind, and its sentence.
type Item = (UtcMs, &'static str, String);

/// What is to be done at the valve and the tarp, also after the release while the heat is on. Where heat is
/// lost, advice on when it is no longer needed would hide that.
fn heat_items(plant: &Plant, pour: &PourAssessment, is_heat_lost: bool, now: UtcMs) -> Vec<Item> {
    let record = &pour.record;
    let bed = &record.facts.bed;
    let mut items = Vec::new();
    let limits = plant.limits(record).unwrap_or_default();
    let outcome = pour.confirmation.outcome;
    let tarp = plant.under_tarp(record, now);
    let preset_ends_at = tarp
        .last_batch_at
        .zip(limits.preset_h_min)
        .map(|(batch_at, preset_h)| batch_at.plus_hours(preset_h));
    let last = record.heat.iter().rfind(|switch| switch.at <= now);
    if let Some(heat) = record.facts.heat_plan {
        // Heat is due by the plan, but never before the preset is over.
        if let (None, Some(on_at)) = (last, heat.on_at.max(preset_ends_at))
            // While concrete is placed it is only announced: the preset counts from the last load.
            && (pour.status != PourStatus::Placing || on_at > now)
        {
            items.push((on_at, "heat-on", format!("Turn the heat of {bed} on.")));
        }
        // After cylinders that failed the heat is kept, whatever was planned.
        if let Some(off_at) = heat.off_at
            && last.is_none_or(|switch| switch.on)
            && !outcome.is_failed()
        {
            items.push((off_at, "heat-off", format!("Turn the heat of {bed} off.")));
        }
    }
    if !record.is_under_cure() {
        return items;
    }
    let lifted = record.tarp.iter().rfind(|switch| switch.at <= now);
    if let Some(lifted) = lifted.filter(|switch| switch.on) {
        let quiet_h = plant.config().watch.tarp_quiet_min / 60.0;
        let text = format!("See whether the tarp of {bed} is back.");
        items.push((lifted.at.plus_hours(quiet_h), "check-tarp", text));
    }
    let is_open = outcome.waits_for_cylinders() && !outcome.is_failed();
    let advice = pour.ahead.heat.filter(|_| is_open);
    if let Some((advice, off_at)) = advice.and_then(|one| Some((one, one.earliest_off_at?)))
        && advice.counsel == HeatCounsel::OffFrom
        && !is_heat_lost
    {
        let aim = say::percent(advice.aimed_probability);
        let mut text = if last.is_some_and(|switch| !switch.on) {
            format!(
                "Check the valve of {bed}: its heat was recorded off, but the air reads heated; it is no \
                 longer needed for the wanted time ({aim})."
            )
        } else {
            format!("The heat of {bed} is needed until here for its wanted time ({aim}).")
        };
        if limits.heat_off_h_max.is_none() && limits.heat_off_fall_c_max.is_none() {
            text += " No limit is stated for its cooling before detensioning: ask the engineer.";
        }
        items.push((off_at, "heat-needed-until", text));
    }
    if let Some(latest_at) = advice.and_then(|one| one.latest_off_at) {
        let text =
            format!("The heat of {bed} must be off by here, to cool before its wanted time.");
        items.push((latest_at, "heat-must-be-off", text));
    }
    items
}

/// What is to be done about cylinders, and the times that only they decide.
fn cylinder_items(plant: &Plant, pour: &PourAssessment, now: UtcMs) -> Vec<Item> {
    let record = &pour.record;
    if !record.is_under_cure() {
        return Vec::new();
    }
    let bed = &record.facts.bed;
    let said = &pour.confirmation;
    let wanted_at = record.facts.wanted_release_at;
    let mut items = Vec::new();
    if said.outcome == Outcome::Confirmed {
        let text = format!("{bed} waits for QC's signature: {}.", said.short);
        let tested_at = pour.breaks.iter().map(|broken| broken.tested_at).max();
        items.push((tested_at.unwrap_or(now), "sign", text));
    }
    // What needs a sentence of its own anyway is not told again as a time to break.
    let waiting_is_sooner = !said.catch_up.is_empty() && !said.is_break_sooner;
    if waiting_is_sooner {
        items.extend(said.catch_up.iter().filter_map(|one| {
            let text = format!(
                "{} of {bed} is then likely as mature as the cylinders that were strong enough: wait for \
                 it, sooner than another set.",
                one.position
            );
            Some((one.likely_at?.max(now), "catch-up", text))
        }));
    }
    let times = pour.forecast.break_times.iter();
    let is_late = |one: &BreakTime| wanted_at.is_none_or(|wanted_at| one.at > wanted_at);
    let aimed = pour.forecast.break_times.iter();
    let is_aimed_late = !aimed
        .filter(|one| one.kind == BreakTimeKind::Aimed)
        .any(|one| !is_late(one));
    let left = said.release_specimens_left;
    for time in times.filter(|_| left > 0 && !waiting_is_sooner) {
        // Less than the plant's probability is a choice only where that comes too late.
        if time.kind == BreakTimeKind::Aimed || is_aimed_late {
            let text = format!("Break a release set of {bed}: {}.", time.words());
            items.push((time.at.max(now), "break", text));
        }
    }
    if let Some(wanted_at) = wanted_at.filter(|_| said.outcome != Outcome::Confirmed) {
        let text = format!("{bed} is wanted; only its cylinders decide.");
        items.push((wanted_at, "wanted-release", text));
    }
    let limits = plant.limits(record).unwrap_or_default();
    let last = record.heat.iter().rfind(|switch| switch.at <= now);
    let off_at = last.filter(|switch| !switch.on).map(|switch| switch.at);
    let since_last = plant.under_tarp(record, now).last_batch_at;
    let latest = [
        (since_last, limits.release_h_max, "its last load"),
        (off_at, limits.heat_off_h_max, "its heat went off"),
    ];
    let latest = latest
        .into_iter()
        .filter_map(|(from, hours, what)| Some((from?.plus_hours(hours?), hours?, what)));
    if let Some((latest_at, hours, what)) = latest.min_by_key(|one| one.0) {
        let text = format!(
            "{bed}: {} since {what}, the most that its limits allow. If cylinders have not passed, call \
             QC and the engineer. Do not cut.",
            say::span(hours)
        );
        items.push((latest_at, "latest-detensioning", text));
    }
    items
}

fn schedule(pour: &PourAssessment) -> ScheduleView {
    let record = &pour.record;
    let wanted_at = record.facts.wanted_release_at;
    let likely_at = pour.forecast.likely_at;
    let late = lateness(pour);
    let is_confirmed = pour.confirmation.outcome == Outcome::Confirmed;
    let (word, text) = match (is_confirmed, wanted_at, late) {
        (true, _, _) => ("confirmed", pour.confirmation.words.clone()),
        (_, None, _) => ("not-wanted", "No time is wanted.".to_owned()),
        (_, Some(_), None) => {
            let why = pour
                .forecast
                .reason
                .as_deref()
                .unwrap_or("nothing to go by");
            ("no-forecast", format!("No forecast: {why}."))
        }
        (_, Some(_), Some(late)) => (
            if late.is_late() { "late" } else { "on-time" },
            format!("The next set is broken {}.", late.words()),
        ),
    };
    let is_open = pour.confirmation.outcome.waits_for_cylinders();
    let counsel = heat_sentence(pour).filter(|_| is_open);
    ScheduleView {
        bed: record.facts.bed.clone(),
        pour: record.id.clone(),
        wanted_at: utc_option(wanted_at),
        likely_at: utc_option(likely_at),
        word: word.to_owned(),
        late_h: late.map(|one| one.hours),
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
            "Nothing helps: heat until then gives {}.",
            say::percent(advice.longest_heat_probability?)
        )),
        HeatCounsel::HeatIsOff => {
            let is_said_on = pour.record.heat.last().is_some_and(|switch| switch.on);
            let state = if is_said_on {
                "The heat was recorded on, but the air reads unheated"
            } else {
                "The heat is off"
            };
            let chance = say::percent(advice.on_time_probability);
            Some(format!(
                "{state}: the chance that a set passes by then is {chance}."
            ))
        }
        HeatCounsel::LimitInTheWay => Some(
            "The heat that makes it goes over the highest temperature allowed: keep the limit."
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

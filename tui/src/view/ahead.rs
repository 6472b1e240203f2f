//! The night ahead in sentences: advice from sampled futures, beside the words that cylinders decide.

use daemon_api::ahead::{BindingReason, HeatAdviceView, HeatCounsel, LimitAheadView, SpreadView};
use daemon_api::pour::{ForecastView, PourView};
use ratatui::text::Line;
use units::{Celsius, CelsiusPerHour, Show, UnitSystem};

use super::notes::section;
use crate::state::State;
use crate::theme::Theme;
use crate::words;

/// A slower fall than this is none, °C/h.
const FALL_TOLD_C_PER_H: f64 = 0.5;

/// Chances by the clock, what waiting changes, limits ahead, heat.
pub fn lines(state: &State, pour: &PourView, width: u16, theme: Theme) -> Vec<Line<'static>> {
    let forecast = &pour.forecast;
    let units = state.units();
    let clock = |at| state.zone.clock_near(at, state.plant_now());
    let mut entries = Vec::new();
    entries.extend(chances(pour, units, clock));
    if let (Some(early_at), Some(likely_at)) =
        (forecast.by_curve.early_at, forecast.by_curve.likely_at)
    {
        let late_at = forecast.by_curve.late_at;
        entries.push(format!(
            "by the curve alone: early {}, likely {}, late {}",
            clock(early_at),
            clock(likely_at),
            late_at.map_or_else(|| "unknown".to_owned(), clock)
        ));
    }
    entries.extend(waiting(pour));
    let ahead = &forecast.ahead;
    let hottest = ahead.hottest.as_ref();
    entries.extend(hottest.map(|found| {
        let told = |c: f64| Celsius(c).show(units);
        limit_words("hottest", found, told, clock)
    }));
    let cooling = ahead
        .cooling
        .as_ref()
        .filter(|found| found.worst.high > FALL_TOLD_C_PER_H);
    entries.extend(cooling.map(|found| {
        let told = |rate: f64| CelsiusPerHour(rate.max(0.0)).show(units);
        limit_words("fastest fall", found, told, clock)
    }));
    let said_on = pour.heat.map(|switch| switch.on);
    let heat = ahead.heat.iter();
    let now = state.plant_now();
    entries.extend(heat.flat_map(|heat| heat_words(heat, said_on, now, clock)));
    let may_go_off = |heat: &HeatAdviceView| heat.counsel == HeatCounsel::OffFrom;
    let limits = &pour.limits;
    let is_limited = limits.heat_off_h_max.is_some() || limits.heat_off_fall_c_max.is_some();
    if ahead.heat.as_ref().is_some_and(may_go_off) && !is_limited {
        entries.push(
            "no limit is stated for cooling before detensioning: ask the engineer".to_owned(),
        );
    }
    entries.extend(rests_on(forecast));
    let mut lines = Vec::new();
    section(
        &mut lines,
        "Ahead (advice: cylinders decide, people switch)",
        &entries,
        width,
        theme.normal(),
        theme,
    );
    lines
}

/// What the forecast has learned from, and what it does without.
fn rests_on(forecast: &ForecastView) -> Vec<String> {
    if forecast.likely_at.is_none() {
        return Vec::new();
    }
    let learned = format!(
        "learned from {} of this bed and {} of this mix",
        words::plural(forecast.pours_of_bed, "finished pour"),
        words::plural(forecast.breaks_of_mix, "break")
    );
    let lacks = forecast
        .lacks
        .iter()
        .map(|lack| format!("rests on less: {lack}"));
    std::iter::once(learned).chain(lacks).collect()
}

fn chances(pour: &PourView, units: UnitSystem, clock: impl Fn(At) -> String) -> Option<String> {
    let forecast = &pour.forecast;
    let told: Vec<String> = forecast
        .chances
        .iter()
        .filter(|chance| [0.1, 0.3, 0.5, 0.7, 0.9].contains(&chance.probability))
        .filter_map(|chance| {
            Some(format!(
                "{:.0} % by {}",
                100.0 * chance.probability,
                clock(chance.at?)
            ))
        })
        .collect();
    let required = words::strength(pour.release_strength_mpa, units);
    (!told.is_empty()).then(|| {
        format!(
            "chance that the slowest concrete is at {required}: {}",
            told.join(", ")
        )
    })
}

type At = chrono::DateTime<chrono::Utc>;

/// What a set broken now or later would likely do, and how many are left.
fn waiting(pour: &PourView) -> Option<String> {
    let forecast = &pour.forecast;
    let now = forecast.pass_probability_now?;
    let mut told = vec![format!("now {}", words::percent(now))];
    told.extend(
        forecast
            .passes
            .iter()
            .map(|pass| format!("in {:.0} h {}", pass.in_h, words::percent(pass.probability))),
    );
    Some(format!(
        "chance that a set broken then would pass: {}; {} left",
        told.join(", "),
        words::plural(pour.confirmation.release_specimens_left, "release cylinder")
    ))
}

/// A share as people count: of ten nights. What is nearly sure is not said to be sure.
fn of_ten(share: f64) -> String {
    match 10.0 * share {
        none if none < 0.5 => "in fewer than 1 of 10 futures".to_owned(),
        all if all >= 9.5 => "in more than 9 of 10 futures".to_owned(),
        some => format!("in {some:.0} of 10 futures"),
    }
}

fn limit_words(
    what: &str,
    found: &LimitAheadView,
    told: impl Fn(f64) -> String,
    clock: impl Fn(At) -> String,
) -> String {
    let SpreadView { low, middle, high } = found.worst;
    let place = found.position.as_deref().unwrap_or("?");
    let mut text = format!(
        "{what} ahead: {} ({} to {}) at {place} about {}",
        told(middle),
        told(low),
        told(high),
        clock(found.likely_at)
    );
    if let (Some(limit), Some(share)) = (found.limit, found.beyond_probability) {
        text += &format!("; over the limit of {} {}", told(limit), of_ten(share));
    }
    if let Some(share) = found.probability_without_heat {
        text += &format!(", with the heat off from now {}", of_ten(share));
    }
    text
}

fn heat_words(
    heat: &HeatAdviceView,
    said_on: Option<bool>,
    now: At,
    clock: impl Fn(At) -> String,
) -> Vec<String> {
    let (is_said_on, is_said_off) = (said_on == Some(true), said_on == Some(false));
    let aim = words::percent(heat.aimed_probability);
    let mut told = vec![format!(
        "wanted {}: chance that a set passes by then with heat as planned {}, aimed at {aim}",
        clock(heat.wanted_at),
        words::percent(heat.on_time_probability)
    )];
    let longest = heat
        .longest_heat_probability
        .map(words::percent)
        .unwrap_or_default();
    told.push(match (heat.counsel, heat.earliest_off_at) {
        (HeatCounsel::OffFrom, Some(off_at)) => {
            let latest = heat.latest_off_at.map_or_else(String::new, |at| {
                format!(", and must by {} to cool first", clock(at))
            });
            let check = if is_said_off {
                "check the valve: heat was recorded off, but the air reads heated; "
            } else {
                ""
            };
            let wanted = clock(heat.wanted_at);
            if off_at <= now {
                format!("{check}heat is no longer needed for {wanted} ({aim}){latest}")
            } else {
                format!(
                    "{check}heat is needed for {wanted} until {} ({aim}){latest}{}",
                    clock(off_at),
                    bound(heat)
                )
            }
        }
        (HeatCounsel::HeatIsOff, _) if is_said_on => {
            "the heat was recorded on, but the air reads unheated".to_owned()
        }
        (HeatCounsel::HeatIsOff, _) => "the heat is off: there is nothing to turn off".to_owned(),
        (HeatCounsel::NothingHelps, _) => {
            format!("nothing helps: heat until then gives {longest}")
        }
        (HeatCounsel::LimitInTheWay, _) => {
            "the heat that makes it goes over the highest temperature allowed: keep the limit"
                .to_owned()
        }
        _ => "no heat-off time both makes it and leaves room to cool first: ask QC which gives way"
            .to_owned(),
    });
    told
}

/// What forbids an earlier heat-off.
const fn bound(heat: &HeatAdviceView) -> &'static str {
    match heat.earliest_is_bound_by {
        BindingReason::Strength => "; earlier the strength comes too late",
        BindingReason::TimeAfterHeat => "; earlier the stressed line cools longer than its limit",
        BindingReason::FallAfterHeat => "; earlier the stressed line cools further than its limit",
    }
}

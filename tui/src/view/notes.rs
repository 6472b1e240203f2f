//! What stands beside a pour's numbers: holds, cautions, sign-off, heat, limits, curve, loads, pieces.

use daemon_api::pour::{NoteView, PourView};
use ratatui::style::Style;
use ratatui::text::Line;
use units::{Celsius, CelsiusDifference, CelsiusPerHour, Metre, Millimetre, Show};
use uuid::Uuid;

use super::text::wrap;
use crate::state::State;
use crate::theme::Theme;
use crate::words;

/// A heading with wrapped entries; nothing where there are none.
pub(super) fn section(
    lines: &mut Vec<Line<'static>>,
    title: &str,
    entries: &[String],
    width: u16,
    style: Style,
    theme: Theme,
) {
    if entries.is_empty() {
        return;
    }
    lines.push(Line::styled(format!(" {title}"), theme.heading()));
    let width = usize::from(width).saturating_sub(5).max(20);
    for entry in entries {
        for (at, line) in wrap(entry, width).into_iter().enumerate() {
            let bullet = if at == 0 { "-" } else { " " };
            lines.push(Line::styled(format!("  {bullet} {line}"), style));
        }
    }
}

fn texts(notes: &[NoteView]) -> Vec<String> {
    notes.iter().map(|note| note.text.clone()).collect()
}

/// The breaks that a release rests on: `set A, passes: 4650 psi of 4000 psi`.
fn signed_on(pour: &PourView, breaks: &[Uuid]) -> String {
    let sets = pour.cylinder_sets.iter();
    let told: Vec<String> = sets
        .flat_map(|set| set.breaks.iter().map(|result| (&set.made.set, result)))
        .filter(|(_, result)| breaks.contains(&result.id))
        .map(|(set, result)| format!("set {set}, {}", result.short))
        .collect();
    // On a line of several pours the break may be another pour's.
    if told.is_empty() {
        format!("{} of its line", words::plural(breaks.len(), "break"))
    } else {
        told.join("; ")
    }
}

/// Holds, cautions and the sign-off.
pub fn lines(state: &State, pour: &PourView, width: u16, theme: Theme) -> Vec<Line<'static>> {
    let mut lines = Vec::new();
    if let Some(signed) = &pour.release {
        let mut entries = vec![format!(
            "by {} (not verified) at {}, on {}",
            signed.by,
            state.zone.clock_near(signed.at, state.plant_now()),
            signed_on(pour, &signed.breaks),
        )];
        entries.extend(
            signed
                .excluded
                .iter()
                .map(|excluded| format!("left out: {excluded}")),
        );
        if let Some(reason) = &signed.reason_without_estimate {
            entries.push(format!("no estimate supported it; reason: {reason}"));
        }
        section(
            &mut lines,
            "Release signed",
            &entries,
            width,
            theme.strong(),
            theme,
        );
    }
    section(
        &mut lines,
        "Release holds",
        &texts(&pour.release_holds),
        width,
        theme.doubt(),
        theme,
    );
    section(
        &mut lines,
        "Piece holds: do not ship until the engineer decides",
        &texts(&pour.piece_holds),
        width,
        theme.doubt(),
        theme,
    );
    section(
        &mut lines,
        "Cautions",
        &texts(&pour.cautions),
        width,
        theme.normal(),
        theme,
    );
    lines
}

/// Heat, tarp, plan, limits and curve.
pub fn background(state: &State, pour: &PourView, width: u16, theme: Theme) -> Vec<Line<'static>> {
    let units = state.units();
    let now = state.plant_now();
    let clock = |at| state.zone.clock_near(at, now);
    let mut heat = vec![words::heat_and_tarp(pour, state.zone, now)];
    if let Some(plan) = &pour.heat_plan {
        let parts: Vec<String> = [
            plan.on_at.map(|at| format!("on {}", clock(at))),
            plan.rise_c_per_h
                .map(|rate| format!("rise {}", CelsiusPerHour(rate).show(units))),
            plan.soak_c
                .map(|c| format!("soak {}", Celsius(c).show(units))),
            plan.off_at.map(|at| format!("off {}", clock(at))),
        ]
        .into_iter()
        .flatten()
        .collect();
        heat.push(format!("plan: {}", parts.join(", ")));
    }
    if pour.without_heat {
        heat.push("said to get no heat".to_owned());
    }
    if let Some(at) = pour.wanted_release_at {
        heat.push(format!("release wanted {}", clock(at)));
    }
    let mut lines = Vec::new();
    section(
        &mut lines,
        "Heat and tarp",
        &heat,
        width,
        theme.normal(),
        theme,
    );
    section(
        &mut lines,
        "Limits",
        &limits(pour, units),
        width,
        theme.normal(),
        theme,
    );
    let curve_style = if pour.curve.usable {
        theme.normal()
    } else {
        theme.doubt()
    };
    let mut curve = vec![match &pour.curve.name {
        Some(name) => format!("{name}, {}", pour.curve.standing.replace('-', " ")),
        None => "none".to_owned(),
    }];
    if !pour.curve.note.is_empty() {
        curve.push(pour.curve.note.clone());
    }
    section(&mut lines, "Curve", &curve, width, curve_style, theme);
    lines.extend(concrete(state, pour, width, theme));
    lines
}

fn limits(pour: &PourView, units: units::UnitSystem) -> Vec<String> {
    let limits = &pour.limits;
    let parts: Vec<String> = [
        limits
            .concrete_c_max
            .map(|c| format!("concrete at most {}", Celsius(c).show(units))),
        limits
            .concrete_c_min
            .map(|c| format!("at least {}", Celsius(c).show(units))),
        limits
            .rise_c_per_h_max
            .map(|rate| format!("rise {}", CelsiusPerHour(rate).show(units))),
        limits
            .cooling_c_per_h_max
            .map(|rate| format!("cooling {}", CelsiusPerHour(rate).show(units))),
        limits
            .difference_c_max
            .map(|c| format!("difference {}", CelsiusDifference(c).show(units))),
    ]
    .into_iter()
    .flatten()
    .collect();
    if parts.is_empty() {
        return Vec::new();
    }
    let name = limits
        .name
        .as_ref()
        .map_or_else(String::new, |name| format!("{name}: "));
    vec![format!("{name}{}", parts.join(", "))]
}

fn concrete(state: &State, pour: &PourView, width: u16, theme: Theme) -> Vec<Line<'static>> {
    let units = state.units();
    let now = state.plant_now();
    let clock = |at| state.zone.clock_near(at, now);
    let stations = |from_m, to_m| {
        format!(
            "{} to {}",
            Metre(from_m).show_number(units),
            Metre(to_m).show(units)
        )
    };
    let mut entries = Vec::new();
    if let Some(section) = &pour.section {
        let thickness = section.thickness_mm.map_or_else(String::new, |mm| {
            format!(", {} thick", Millimetre(mm).show(units))
        });
        entries.push(format!("section {}{thickness}", section.name));
    }
    for load in &pour.loads {
        entries.push(format!(
            "load {}: {}, placed {} to {}",
            load.ticket,
            stations(load.from_station_m, load.to_station_m),
            clock(load.placed_from_at),
            clock(load.placed_to_at),
        ));
    }
    for piece in &pour.pieces {
        let required: Vec<String> = piece
            .required
            .iter()
            .map(|one| {
                format!(
                    ", {} {}",
                    words::strength_act(one.act),
                    words::strength(Some(one.strength_mpa), units)
                )
            })
            .collect();
        entries.push(format!(
            "piece {}: {}{}",
            piece.mark,
            stations(piece.from_station_m, piece.to_station_m),
            required.concat()
        ));
    }
    let mut lines = Vec::new();
    section(
        &mut lines,
        "Section, loads, pieces",
        &entries,
        width,
        theme.normal(),
        theme,
    );
    lines
}

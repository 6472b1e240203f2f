//! The table of positions: where, how warm, how far believed, how strong by estimate, which governs.

use daemon_api::pour::{PositionView, PourView};
use ratatui::text::{Line, Span};
use units::{Celsius, CelsiusPerHour, Megapascal, Metre, Show, UnitSystem};

use super::text::{fit, width_of};
use crate::state::State;
use crate::theme::Theme;
use crate::times::{span_short, span_text};
use crate::words;

/// Widths of the columns before the trust, which takes what is left.
const WIDTHS: [usize; 9] = [5, 5, 10, 4, 4, 5, 5, 5, 8];

pub fn lines(state: &State, pour: &PourView, width: u16, theme: Theme) -> Vec<Line<'static>> {
    let units = state.units();
    let heads = [
        "place".to_owned(),
        Metre::unit(units).to_owned(),
        "section".to_owned(),
        Celsius::unit(units).to_owned(),
        "/h".to_owned(),
        "est".to_owned(),
        "low".to_owned(),
        "req".to_owned(),
        "age".to_owned(),
        "trust".to_owned(),
    ];
    let disagreed = if pour.estimate_disagreed {
        "; cylinders disagree with these estimates"
    } else {
        ""
    };
    let unit = Megapascal::unit(units);
    let mut lines = vec![
        Line::styled(
            format!(" Positions, strength in {unit}{disagreed}"),
            theme.heading(),
        ),
        Line::styled(row(&heads, width), theme.heading()),
    ];
    for position in &pour.positions {
        let style = match position.trust.verdict.as_str() {
            _ if position.excluded.is_some() => theme.doubt(),
            "good" => theme.normal(),
            "suspect" => theme.doubt(),
            _ => theme.bad(),
        };
        let is_governing = pour.governing_position.as_ref() == Some(&position.position);
        let style = if is_governing && words::is_trusted(&position.trust) {
            theme.strong()
        } else {
            style
        };
        lines.push(Line::styled(
            row(&cells(state, pour, position), width),
            style,
        ));
        let remarks = remarks(position, units);
        if !remarks.is_empty() {
            let text = format!("       {}", remarks.join("; "));
            lines.push(Line::styled(fit(&text, width.into()), theme.normal()));
        }
        if let Some(reason) = &position.excluded {
            let text = format!("        EXCLUDED from the release judgement: {reason}");
            lines.push(Line::styled(fit(&text, width.into()), theme.doubt()));
        }
    }
    for channel in &pour.other_channels {
        let age = channel.measured_at.map_or_else(
            || "no reading".to_owned(),
            |at| format!("{} old", span_text(state.plant_now() - at)),
        );
        let set = channel
            .set
            .as_ref()
            .map_or_else(String::new, |set| format!(" of set {set}"));
        let style = if words::is_trusted(&channel.trust) {
            theme.normal()
        } else {
            theme.doubt()
        };
        lines.push(Line::from(vec![Span::styled(
            format!(
                " {}{set} ({}): {}, {age}, {}",
                words::role(channel.role),
                channel.channel,
                words::temperature(channel.temperature_c, units),
                words::trust(&channel.trust),
            ),
            style,
        )]));
    }
    lines
}

/// What the row has no room for: why it is not believed, and on what its numbers rest.
fn remarks(position: &PositionView, units: UnitSystem) -> Vec<String> {
    let mut remarks = Vec::new();
    if !words::is_trusted(&position.trust) {
        let evidence = position.trust.evidence.as_ref();
        let evidence = evidence.map_or_else(String::new, |evidence| format!(" ({evidence})"));
        remarks.push(format!("{}{evidence}", words::trust(&position.trust)));
    }
    if position.highest_unproven {
        let highest = words::temperature(position.highest_c, units);
        remarks.push(format!("highest {highest} unproven"));
    }
    if position.bridged_h > 0.0 {
        remarks.push(format!("{:.1} h of its record bridged", position.bridged_h));
    }
    remarks
}

fn cells(state: &State, pour: &PourView, position: &PositionView) -> [String; 10] {
    let units = state.units();
    let number = |mpa: Option<f64>| {
        mpa.map_or_else(|| "–".to_owned(), |mpa| Megapascal(mpa).show_number(units))
    };
    let is_floor = position.estimate.kind == "at-least";
    let mut trust = position.trust.verdict.replace('-', " ");
    if pour.governing_position.as_ref() == Some(&position.position) {
        trust = format!("GOVERNS, {trust}");
    }
    if position.confirmed {
        trust.push_str(", confirmed");
    }
    [
        position.position.clone(),
        Metre(position.station_m).show_number(units),
        position.place.clone(),
        position
            .temperature_c
            .map_or_else(|| "–".to_owned(), |c| Celsius(c).show_number(units)),
        position.rate_c_per_h.map_or_else(
            || "–".to_owned(),
            |rate| {
                format!(
                    "{}{}",
                    if rate > 0.0 { "+" } else { "" },
                    CelsiusPerHour(rate).show_number(units)
                )
            },
        ),
        format!(
            "{}{}",
            if is_floor { "≥" } else { "" },
            number(position.estimate.estimate_mpa)
        ),
        number(position.estimate.lower_90_mpa),
        number(position.required_mpa),
        position.measured_at.map_or_else(
            || "never".to_owned(),
            |at| span_short(state.plant_now() - at),
        ),
        trust,
    ]
}

fn row(cells: &[String; 10], width: u16) -> String {
    let mut line = String::from(" ");
    for (at, (cell, width)) in cells.iter().zip(WIDTHS).enumerate() {
        let text = fit(cell, width);
        let pad = " ".repeat(width - width_of(&text));
        // Names stand at the left, numbers at the right.
        let is_name = matches!(at, 0 | 2);
        line.push_str(&if is_name {
            format!("{text}{pad} ")
        } else {
            format!("{pad}{text} ")
        });
    }
    let rest = usize::from(width).saturating_sub(width_of(&line));
    line.push_str(&fit(&cells[9], rest));
    line
}

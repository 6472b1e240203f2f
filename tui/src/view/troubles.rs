//! The whole list of troubles: what, where, since when, and what to do first.

use ratatui::text::{Line, Span};

use super::text::wrap;
use crate::state::State;
use crate::theme::Theme;
use crate::times::span_text;
use crate::words;

pub fn lines(state: &State, width: u16, theme: Theme) -> Vec<Line<'static>> {
    let troubles = state.troubles();
    let mut lines = vec![Line::styled(
        format!(
            " What needs a person: {}",
            words::plural(troubles.len(), "trouble")
        ),
        theme.strong(),
    )];
    let width = usize::from(width) - 8;
    for trouble in troubles {
        let mut place = trouble.bed.clone().unwrap_or_else(|| "plant".to_owned());
        if let Some(within) = &trouble.place {
            place.push_str(&format!(", {within}"));
        }
        let since = format!(
            "since {} ({})",
            state.zone.clock_near(trouble.since, state.plant_now()),
            span_text(state.plant_now() - trouble.since)
        );
        lines.push(Line::from(vec![
            Span::styled(
                format!(" {:<5} ", words::urgency(trouble.urgency)),
                theme.urgency(trouble.urgency),
            ),
            Span::styled(format!("{place}  "), theme.strong()),
            Span::styled(
                format!("{}, {since}", trouble.kind.replace('-', " ")),
                theme.normal(),
            ),
        ]));
        for line in wrap(&trouble.what, width) {
            lines.push(Line::styled(format!("       {line}"), theme.normal()));
        }
        for line in wrap(&format!("First: {}", trouble.first_act), width) {
            lines.push(Line::styled(format!("       {line}"), theme.strong()));
        }
    }
    lines
}

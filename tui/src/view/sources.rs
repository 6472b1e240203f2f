//! The sources of readings: up or down, counts, refusals by name, the last refused sample.

use ratatui::text::{Line, Span};

use super::text::{fit, width_of, wrap};
use crate::state::State;
use crate::theme::Theme;
use crate::times::span_text;

pub fn lines(state: &State, width: u16, theme: Theme) -> Vec<Line<'static>> {
    let sources = state
        .snapshot
        .as_ref()
        .map_or(&[][..], |snapshot| &snapshot.sources);
    let now = state.plant_now();
    let mut lines = vec![Line::styled(" Sources of readings", theme.strong())];
    if sources.is_empty() {
        lines.push(Line::styled(" The plant file names none.", theme.normal()));
    }
    let width = usize::from(width) - 8;
    let names = sources.iter().map(|source| width_of(&source.source));
    let name_width = names.max().unwrap_or(0).clamp(12, 24);
    for source in sources {
        // What is sent by command has no connection that could be down.
        let (state_word, style) = if source.via == "csv" {
            ("by command", theme.normal())
        } else if source.up {
            ("up", theme.normal())
        } else {
            ("DOWN", theme.bad())
        };
        let since = source.since.map_or_else(String::new, |at| {
            format!(" since {}", state.zone.clock_near(at, now))
        });
        let last = source.last_reading_at.map_or_else(
            || "none yet".to_owned(),
            |at| format!("last {} ago", span_text(now - at)),
        );
        lines.push(Line::from(vec![
            Span::styled(
                format!(
                    " {:<name_width$} {:<7}",
                    fit(&source.source, name_width),
                    source.via
                ),
                theme.strong(),
            ),
            Span::styled(format!("{state_word}{since}"), style),
            Span::styled(
                format!("   {} readings, {last}", source.reading_count),
                theme.normal(),
            ),
        ]));
        if let Some(problem) = &source.problem {
            lines.extend(indented(problem, width, theme.bad()));
        }
        if source.refusals.is_empty() {
            lines.push(Line::styled("       nothing refused", theme.quiet()));
        } else {
            let counts: Vec<String> = source
                .refusals
                .iter()
                .map(|refusal| format!("{} {}", refusal.count, refusal.kind.replace('-', " ")))
                .collect();
            lines.extend(indented(
                &format!("refused: {}", counts.join(", ")),
                width,
                theme.normal(),
            ));
        }
        if let Some(refusal) = &source.last_refusal {
            let text = format!(
                "last refused {}: {}: {}",
                state.zone.clock_near(refusal.received_at, now),
                refusal.kind.replace('-', " "),
                refusal.detail
            );
            lines.extend(indented(&text, width, theme.normal()));
            lines.extend(indented(
                &format!("it was: {}", printable(&refusal.sample)),
                width,
                theme.normal(),
            ));
        }
    }
    lines
}

fn indented(text: &str, width: usize, style: ratatui::style::Style) -> Vec<Line<'static>> {
    wrap(text, width)
        .into_iter()
        .map(|line| Line::styled(format!("       {line}"), style))
        .collect()
}

/// A sample came from a wire: control characters would disturb the terminal.
fn printable(sample: &str) -> String {
    sample
        .chars()
        .flat_map(|c| {
            if c.is_control() {
                c.escape_default().collect()
            } else {
                vec![c]
            }
        })
        .collect()
}

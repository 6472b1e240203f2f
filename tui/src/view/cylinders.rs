//! Cylinder sets: made, broken, left, and each result beside the estimate at its own maturity.

use daemon_api::pour::{BreakView, PourView};
use ratatui::text::Line;
use units::{Megapascal, Show};

use super::text::wrap;
use crate::state::State;
use crate::theme::Theme;
use crate::words;

pub fn lines(state: &State, pour: &PourView, width: u16, theme: Theme) -> Vec<Line<'static>> {
    let units = state.units();
    let mut lines = vec![Line::styled(" Cylinders", theme.heading())];
    let width = usize::from(width).saturating_sub(4).max(20);
    if pour.cylinder_sets.is_empty() {
        lines.push(Line::styled(
            "  none made: nothing can confirm this pour yet",
            theme.doubt(),
        ));
    }
    for set in &pour.cylinder_sets {
        for line in wrap(&words::set_words(set, units), width) {
            lines.push(Line::styled(format!("  {line}"), theme.normal()));
        }
        for result in &set.breaks {
            let style = match result.says.as_str() {
                "failed" => theme.bad(),
                "passes" | "confirms" => theme.strong(),
                _ => theme.doubt(),
            };
            for line in wrap(&break_words(state, result), width - 2) {
                lines.push(Line::styled(format!("    {line}"), style));
            }
            for note in &result.notes {
                for line in wrap(note, width - 4) {
                    lines.push(Line::styled(format!("      {line}"), theme.normal()));
                }
            }
        }
    }
    lines
}

/// One break in a sentence.
pub fn break_words(state: &State, result: &BreakView) -> String {
    let units = state.units();
    let mut text = format!(
        "{}: {}",
        state.zone.clock_near(result.tested_at, state.plant_now()),
        result.words
    );
    match (result.estimate_mpa, result.ratio) {
        (Some(estimate_mpa), Some(ratio)) => text.push_str(&format!(
            "; estimate of these specimens {}, measured/estimated {ratio:.2}",
            Megapascal(estimate_mpa).show_number(units)
        )),
        _ if !result.has_history => text.push_str("; no temperature history of their own"),
        _ => {}
    }
    text.push_str(&format!("; by {} (not verified)", result.by));
    text
}

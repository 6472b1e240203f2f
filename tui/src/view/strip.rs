//! The strip above the yard: what needs a person, most urgent first.

use daemon_api::trouble::Urgency;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use super::paint;
use crate::state::State;
use crate::theme::Theme;
use crate::times::span_text;
use crate::words;

/// Rows that the strip may take on the smallest terminal.
const ROWS_MIN: u16 = 4;

/// Draws the strip; the rows it took.
pub fn draw(buf: &mut Buffer, area: Rect, state: &State, theme: Theme) -> u16 {
    if state.troubles().is_empty() {
        let sentence = if state.is_stale() {
            " No trouble was known then."
        } else {
            " Nothing needs a person."
        };
        paint::put(buf, area.x, area.y, area.width, sentence, theme.quiet());
        return 1;
    }
    let lines = lines(state, usize::from((area.height / 3).max(ROWS_MIN)));
    for (y, (line, urgency)) in (area.y..area.bottom()).zip(&lines) {
        paint::put(buf, area.x, y, area.width, line, theme.urgency(*urgency));
    }
    u16::try_from(lines.len()).unwrap_or(area.height)
}

/// The most urgent trouble with what to do first, then as many more as there are rows for.
fn lines(state: &State, rows_max: usize) -> Vec<(String, Urgency)> {
    let troubles = state.troubles();
    let is_all_told = troubles.len() * 2 <= rows_max;
    let shown = if is_all_told || troubles.len() < rows_max {
        troubles.len()
    } else {
        // One row for the first act of the first, one for the count of the rest.
        rows_max - 2
    };
    let mut lines = Vec::new();
    for (at, trouble) in troubles[..shown].iter().enumerate() {
        let age = span_text(state.plant_now() - trouble.since);
        let bed = trouble.bed.as_deref().unwrap_or("plant");
        let line = format!(
            " {:<4} {bed:<5} {age:>10}  {}",
            words::urgency(trouble.urgency),
            words::trouble(trouble)
        );
        lines.push((line, trouble.urgency));
        if at == 0 || is_all_told {
            let first = format!("{:6}First: {}", "", trouble.first_act);
            lines.push((first, trouble.urgency));
        }
    }
    if let [next, ..] = &troubles[shown..] {
        // The list is sorted, so the first one left out is the most urgent of them.
        let line = format!(
            " … and {} more, the next {}: press t",
            troubles.len() - shown,
            words::urgency(next.urgency)
        );
        lines.push((line, next.urgency));
    }
    lines
}

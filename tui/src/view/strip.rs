//! The strip above the yard: what needs a person, most urgent first.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use super::paint;
use crate::state::State;
use crate::theme::Theme;
use crate::times::span_text;
use crate::words;

/// Draws the strip; the rows it took.
pub fn draw(buf: &mut Buffer, area: Rect, state: &State, theme: Theme) -> u16 {
    let troubles = state.troubles();
    if troubles.is_empty() {
        let sentence = if state.is_stale() {
            " No trouble was known then."
        } else {
            " Nothing needs a person."
        };
        paint::put(buf, area.x, area.y, area.width, sentence, theme.quiet());
        return 1;
    }
    let rows_max = usize::from((area.height / 6).clamp(2, 6));
    let shown = if troubles.len() <= rows_max {
        troubles.len()
    } else {
        rows_max - 1
    };
    let mut row = area.y;
    for trouble in &troubles[..shown] {
        let age = span_text(state.plant_now() - trouble.since);
        let bed = trouble.bed.as_deref().unwrap_or("plant");
        let line = format!(
            " {:<4} {bed:<5} {age:>10}  {}",
            words::urgency(trouble.urgency),
            trouble.what
        );
        paint::put(
            buf,
            area.x,
            row,
            area.width,
            &line,
            theme.urgency(trouble.urgency),
        );
        row += 1;
    }
    if shown < troubles.len() {
        let rest = &troubles[shown..];
        // The list is sorted, so the first one left out is the most urgent of them.
        let line = format!(
            " … and {} more, the next {}: press t",
            rest.len(),
            words::urgency(rest[0].urgency)
        );
        paint::put(
            buf,
            area.x,
            row,
            area.width,
            &line,
            theme.urgency(rest[0].urgency),
        );
        row += 1;
    }
    row - area.y
}

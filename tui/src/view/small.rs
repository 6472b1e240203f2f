//! A terminal too small for any screen: what needs a person, a line per bed, and how large it must be.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use super::{paint, text};
use crate::state::State;
use crate::theme::Theme;
use crate::words;

/// Draws as much as there is room for, what needs a person first.
pub fn draw(buf: &mut Buffer, area: Rect, state: &State, sentence: &str, theme: Theme) {
    let width = usize::from(area.width);
    let mut lines = Vec::new();
    if state.is_stale() {
        lines.push((
            "OLD: the daemon is silent, go and look".to_owned(),
            theme.bad(),
        ));
    }
    let awake = state.awake();
    if let Some(first) = awake.first() {
        let more = match awake.len() - 1 {
            0 => String::new(),
            more => format!("; {more} more"),
        };
        let head = format!(
            "{} {}: ",
            words::urgency(first.urgency),
            first.bed.as_deref().unwrap_or("plant")
        );
        // How many more there are must not be what is cut off.
        let room = width.saturating_sub(text::width_of(&head) + text::width_of(&more));
        let what = text::fit(&words::trouble(first), room);
        lines.push((
            format!("{head}{}{more}", what.trim_end()),
            theme.banner(first.urgency),
        ));
    } else if state.snapshot.is_some() && !state.is_stale() {
        lines.push(("Nothing needs a person.".to_owned(), theme.normal()));
    }
    for row in state.rows() {
        let said = row.pour.map_or("no pour", |pour| &pour.status_words);
        lines.push((format!("{}: {said}", row.bed.bed), theme.normal()));
    }
    let wrapped = text::wrap(sentence, width.max(1));
    lines.extend(wrapped.into_iter().map(|line| (line, theme.quiet())));
    for (row, (line, style)) in (0..area.height).zip(&lines) {
        paint::put(buf, 0, row, area.width, line, *style);
    }
}

//! The yard with more beds than rows: a cell for each, in columns, so that all are seen at once.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

use super::{paint, text, yard};
use crate::state::{Drawn, Hit, Row, State};
use crate::theme::Theme;

/// Cells across that one bed takes.
const WIDTH: u16 = 26;

/// Draws the beds down each column, from the row on that keeps the chosen one in sight.
pub fn draw(buf: &mut Buffer, area: Rect, state: &State, theme: Theme) -> (Drawn, usize) {
    let rows = state.rows();
    let columns = (area.width / WIDTH).max(1);
    for column in 0..columns {
        let heading = " bed  likely cylinders";
        let x = area.x + column * WIDTH;
        paint::put(buf, x, area.y, WIDTH - 1, heading, theme.heading());
    }
    let list = paint::below(area, 1);
    let per_page = usize::from(list.height) * usize::from(columns);
    let first = yard::first_row(state.chosen_at(), per_page, rows.len());
    let height = u16::try_from(rows.len().div_ceil(columns.into()))
        .unwrap_or(list.height)
        .clamp(1, list.height);
    let mut hits = Vec::new();
    for (place, row) in (0..).zip(rows.iter().skip(first).take(per_page)) {
        let (x, y) = (list.x + place / height * WIDTH, list.y + place % height);
        if x + WIDTH > list.right() {
            break;
        }
        let (content, style) = content(row, state, theme);
        let (mark, mark_style) = yard::mark(row, theme);
        paint::put(buf, x + 1, y, WIDTH - 1, &content, style);
        paint::put(buf, x, y, 1, mark, mark_style);
        let cell = Rect {
            x,
            y,
            width: WIDTH - 1,
            height: 1,
        };
        if first + usize::from(place) == state.chosen_at() {
            buf.set_style(cell, theme.chosen());
        }
        hits.push(Hit {
            y,
            height: 1,
            x,
            width: WIDTH - 1,
            row: row.key(),
        });
    }
    let below_count = rows.len().saturating_sub(first + hits.len());
    let drawn = Drawn {
        page_rows: hits.len().max(1),
        hits,
        scroll_max: 0,
    };
    (drawn, below_count)
}

fn content(row: &Row<'_>, state: &State, theme: Theme) -> (String, Style) {
    let bed = text::fit(&row.bed.bed, 4);
    let Some(pour) = row.pour else {
        return (format!("{bed:<4} no pour"), theme.quiet());
    };
    let likely = match (pour.forecast.unproven_since, pour.forecast.likely_at) {
        // A time that is past would read as an arrival.
        (Some(_), _) => "past".to_owned(),
        (None, Some(at)) => state.zone.clock(at),
        (None, None) => "--:--".to_owned(),
    };
    let cylinders = &pour.confirmation.shortest;
    let text = format!("{bed:<4} {likely:<5} {cylinders}");
    (text, yard::cylinder_style(pour, theme))
}

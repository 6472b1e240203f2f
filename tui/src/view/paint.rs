//! Small strokes on a buffer: text in a width, rows, and the buffer as text.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;
use ratatui::text::Line;

use super::text::{fit, width_of};

/// Writes text at the left of `width` cells, with an ellipsis where it does not fit.
pub fn put(buf: &mut Buffer, x: u16, y: u16, width: u16, text: &str, style: Style) {
    if y < buf.area.bottom() {
        buf.set_stringn(x, y, fit(text, width.into()), width.into(), style);
    }
}

/// Writes text at the right of `width` cells.
pub fn put_right(buf: &mut Buffer, x: u16, y: u16, width: u16, text: &str, style: Style) {
    let text = fit(text, width.into());
    let free = width.saturating_sub(u16::try_from(width_of(&text)).unwrap_or(width));
    put(buf, x + free, y, width - free, &text, style);
}

/// Writes a line of spans.
pub fn put_line(buf: &mut Buffer, area: Rect, y: u16, line: &Line<'_>) {
    if y < buf.area.bottom() {
        buf.set_line(area.x, y, line, area.width);
    }
}

/// The area without its first `height` rows.
pub fn below(area: Rect, height: u16) -> Rect {
    let height = height.min(area.height);
    Rect {
        y: area.y + height,
        height: area.height - height,
        ..area
    }
}

/// The buffer's characters, a line per row, without spaces at the ends.
pub fn buffer_text(buf: &Buffer) -> String {
    let mut text = String::new();
    for y in buf.area.top()..buf.area.bottom() {
        let mut line = String::new();
        let mut hidden = 0;
        for x in buf.area.left()..buf.area.right() {
            // The second cell of a wide character holds a space that was never written.
            if hidden > 0 {
                hidden -= 1;
                continue;
            }
            let symbol = buf[(x, y)].symbol();
            hidden = width_of(symbol).saturating_sub(1);
            line.push_str(symbol);
        }
        text.push_str(line.trim_end());
        text.push('\n');
    }
    text
}

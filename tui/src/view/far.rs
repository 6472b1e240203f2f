//! The far view: one bed and one word in letters that are read from across the room.

use daemon_api::trouble::{TroubleView, Urgency};
use font8x8::{BASIC_FONTS, LATIN_FONTS, UnicodeFonts};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

use super::{paint, text};
use crate::state::State;
use crate::theme::Theme;
use crate::times::span_text;
use crate::words;

/// Pixels of a letter in each direction.
const LETTER: u16 = 8;
/// Sizes of one pixel from large to small: half cells across, rows down.
///
/// A letter is read at two hundred times its height (common practice, no source): at ten metres eight
/// rows of a screen whose rows are 7 mm high are enough.
const SIZES: [(u16, u16); 5] = [(4, 2), (3, 2), (2, 2), (2, 1), (1, 1)];
/// Rows below the letters for evidence, first act and what else there is.
const TEXT_ROWS: u16 = 5;

/// Draws the far view.
pub fn draw(buf: &mut Buffer, area: Rect, state: &State, theme: Theme) {
    let awake = state.awake();
    let calling: Vec<&TroubleView> = awake
        .iter()
        .copied()
        .filter(|one| one.urgency >= Urgency::Soon)
        .collect();
    let letters = Rect {
        height: area.height.saturating_sub(TEXT_ROWS),
        ..area
    };
    let below = paint::below(area, letters.height);
    if state.is_stale() {
        put_big(buf, letters, &["NO", "DATA"], theme.alarm());
        let line = format!(
            "What was last heard is {} old: go and look at the beds.",
            span_text(state.data_age())
        );
        put_text(buf, below, &[(line, theme.bad())]);
        return;
    }
    let Some(first) = calling.first() else {
        put_big(buf, letters, &["NORMAL"], theme.normal());
        put_text(buf, below, &normal_lines(state, awake.len(), theme));
        return;
    };
    let style = theme.urgency(first.urgency);
    let bed = first.bed.as_deref().unwrap_or("PLANT");
    let head = format!("{bed} {}", words::urgency(first.urgency));
    put_big(buf, letters, &[&head, &words::far(first)], style);
    let mut lines = vec![
        (words::trouble(first), style),
        (format!("First: {}", first.first_act), theme.strong()),
    ];
    let others: Vec<String> = calling
        .iter()
        .filter(|one| one.id != first.id)
        .map(|one| {
            let bed = one.bed.as_deref().unwrap_or("plant");
            format!("{bed} {}", words::far(one).to_lowercase())
        })
        .collect();
    if !others.is_empty() {
        let line = format!("Also {}: {}", others.len(), others.join(", "));
        lines.push((line, theme.normal()));
    }
    put_text(buf, below, &lines);
}

/// The plain line of a quiet yard, and since when it has been watched.
fn normal_lines(state: &State, look_count: usize, theme: Theme) -> Vec<(String, Style)> {
    let now = state.plant_now();
    let since = state.quiet_since_at.map_or_else(
        || "now".to_owned(),
        |at| format!("since {}", state.zone.clock_near(at, now)),
    );
    let checked_at = now - state.data_age();
    let mut lines = vec![(
        format!(
            "All beds are normal; watched from here {since}, last checked {}.",
            state.zone.full(checked_at)
        ),
        theme.strong(),
    )];
    if look_count > 0 {
        let things = words::plural(look_count, "thing");
        lines[0].0 = format!(
            "No bed calls for a person; last checked {}.",
            state.zone.full(checked_at)
        );
        lines.push((
            format!("{things} to look at when you pass: press y."),
            theme.normal(),
        ));
    }
    let snoozed_count = state.snoozed().len();
    if snoozed_count > 0 {
        lines.push((format!("{snoozed_count} snoozed: press t."), theme.normal()));
    }
    lines.push((words::ESTIMATES_CONFIRM_NOTHING.to_owned(), theme.quiet()));
    lines
}

fn put_text(buf: &mut Buffer, area: Rect, lines: &[(String, Style)]) {
    let width = usize::from(area.width) - 2;
    let wrapped = lines.iter().flat_map(|(line, style)| {
        let lines = text::wrap(line, width);
        lines.into_iter().map(move |line| (line, *style))
    });
    for (y, (line, style)) in (area.y..area.bottom()).zip(wrapped) {
        paint::put(buf, area.x, y, area.width, &format!(" {line}"), style);
    }
}

/// Writes rows of text as large as all of them fit.
fn put_big(buf: &mut Buffer, area: Rect, rows: &[&str], style: Style) {
    let row_count = u16::try_from(rows.len()).unwrap_or(1).max(1);
    let height = area.height / row_count;
    for (at, row) in (0..row_count).zip(rows) {
        let letter_count = u16::try_from(row.chars().count()).unwrap_or(u16::MAX);
        let fits = |(across, down): &(u16, u16)| {
            let cells = (letter_count * LETTER).saturating_mul(*across).div_ceil(2);
            cells < area.width && LETTER * down <= height
        };
        let top = area.y + at * height;
        match SIZES.iter().copied().find(fits) {
            Some(size) => {
                let top = top + (height - LETTER * size.1) / 2;
                put_letters(buf, (area.x + 1, top), row, size, style);
            }
            // Too long for any letter, or too little room: at least it is said.
            None => paint::put(buf, area.x + 1, top, area.width - 1, row, style),
        }
    }
}

fn put_letters(buf: &mut Buffer, at: (u16, u16), row: &str, size: (u16, u16), style: Style) {
    let (across, down) = size;
    for (place, letter) in (0..).zip(row.chars()) {
        let glyph = BASIC_FONTS.get(letter).or_else(|| LATIN_FONTS.get(letter));
        let glyph = glyph.or_else(|| BASIC_FONTS.get('?')).unwrap_or_default();
        for (y, bits) in (0..LETTER).zip(glyph) {
            let lit = |half_cell: u16| bits >> (half_cell / across).min(7) & 1 == 1;
            for cell in 0..(LETTER * across).div_ceil(2) {
                let (left, right) = (lit(2 * cell), lit(2 * cell + 1));
                let symbol = match (left, right) {
                    (true, true) => "█",
                    (true, false) => "▌",
                    (false, true) => "▐",
                    (false, false) => continue,
                };
                let x = at.0 + place * (LETTER * across).div_ceil(2) + cell;
                for row in 0..down {
                    let y = at.1 + y * down + row;
                    if x < buf.area.right() && y < buf.area.bottom() {
                        buf[(x, y)].set_symbol(symbol).set_style(style);
                    }
                }
            }
        }
    }
}

//! The yard: every bed in its order, one row each, estimates never without what the cylinders say.

use daemon_api::pour::{PourStatus, PourView};
use daemon_api::trouble::Urgency;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;
use units::{Celsius, Megapascal, Show};

use super::{crowd, paint, text};
use crate::state::{Drawn, Hit, Order, Row, State, urgency_of};
use crate::theme::Theme;
use crate::words;

/// From this width on a whole row fits one line with every word written out.
const WIDE_WIDTH: u16 = 132;
/// Rows below the list that say what the chosen pour's estimate does not confirm.
const WORDS_ROWS: u16 = 2;

/// One thing that a row shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Cell {
    Bed,
    Mix,
    Status,
    /// Status and cylinders in the fewest words.
    State,
    Now,
    Strengths,
    Window,
    Cylinders,
    Holds,
    HoldCounts,
}

/// Where a cell stands in its row.
#[derive(Debug, Clone, Copy)]
struct Column {
    cell: Cell,
    line: u16,
    x: u16,
    width: u16,
}

/// Draws the yard in `area`.
pub fn draw(buf: &mut Buffer, area: Rect, state: &State, theme: Theme) -> Drawn {
    let rows = state.rows();
    let list_height = area.height.saturating_sub(WORDS_ROWS);
    let row_count = u16::try_from(rows.len()).unwrap_or(u16::MAX);
    let is_wide = area.width >= WIDE_WIDTH;
    let has_two_lines = !is_wide && row_count.saturating_mul(2).saturating_add(2) <= list_height;
    if !is_wide && row_count >= list_height {
        let list = Rect {
            height: list_height,
            ..area
        };
        let (drawn, below_count) = crowd::draw(buf, list, state, theme);
        draw_words(buf, area, state, theme, below_count);
        return drawn;
    }
    let window_width = rows
        .iter()
        .filter_map(|row| row.pour)
        .map(|pour| text::width_of(&words::window_short(&pour.forecast, state.zone)))
        .max()
        .map_or(17, |width| u16::try_from(width.max(17)).unwrap_or(17));
    let columns = if is_wide {
        wide(area.width, window_width)
    } else if has_two_lines {
        two_lines(area.width, window_width)
    } else {
        narrow(area.width, bed_width(&rows), window_width)
    };
    let row_height: u16 = if has_two_lines { 2 } else { 1 };
    for column in &columns {
        let y = area.y + column.line;
        let heading = heading(column.cell, state);
        paint::put(
            buf,
            area.x + column.x,
            y,
            column.width,
            &heading,
            theme.heading(),
        );
    }
    let list = paint::below(
        Rect {
            height: list_height,
            ..area
        },
        row_height,
    );
    let page_rows = usize::from(list.height / row_height).max(1);
    let first = first_row(state.chosen_at(), page_rows, rows.len());
    let mut hits = Vec::new();
    for (at, row) in rows.iter().enumerate().skip(first).take(page_rows) {
        let y = list.y + u16::try_from(at - first).unwrap_or(0) * row_height;
        for column in &columns {
            let (content, style) = content(column.cell, row, state, theme);
            paint::put(
                buf,
                area.x + column.x,
                y + column.line,
                column.width,
                &content,
                style,
            );
        }
        let (mark, mark_style) = mark(row, theme);
        paint::put(buf, area.x, y, 1, mark, mark_style);
        if at == state.chosen_at() {
            buf.set_style(
                Rect {
                    x: area.x,
                    y,
                    width: area.width,
                    height: row_height,
                },
                theme.chosen(),
            );
        }
        hits.push(Hit {
            y,
            height: row_height,
            x: area.x,
            width: area.width,
            row: row.key(),
        });
    }
    draw_words(
        buf,
        area,
        state,
        theme,
        rows.len().saturating_sub(first + page_rows),
    );
    Drawn {
        hits,
        scroll_max: 0,
        page_rows,
    }
}

/// Cells of cylinders and status together.
const STATE_CELLS: usize = 21;
/// How the beds stand when they do not stand as in the yard.
const URGENT_FIRST: &str = "Most urgent first.";
/// What the sign before a mix means.
const CURVE_DOUBTED: &str = "* its curve only advises, or drifts";

/// The first row shown, so that the chosen one is among the shown.
pub fn first_row(chosen_at: usize, page_rows: usize, row_count: usize) -> usize {
    if row_count <= page_rows {
        return 0;
    }
    chosen_at
        .saturating_sub(page_rows / 2)
        .min(row_count - page_rows)
}

pub fn draw_words(buf: &mut Buffer, area: Rect, state: &State, theme: Theme, below_count: usize) {
    let y = area.bottom() - WORDS_ROWS;
    let mut line = format!(" {}", words::ESTIMATES_CONFIRM_NOTHING);
    if below_count > 0 {
        line = format!(" … {below_count} more below.{line}");
    }
    // What an estimate is worth stays whole: on a narrow screen only the key itself said the order.
    let ordered = format!(" {URGENT_FIRST}{line}");
    if state.order == Order::Urgency && text::width_of(&ordered) <= usize::from(area.width) {
        line = ordered;
    }
    // What an estimate is worth must stay whole; what the sign means stands on the bed's page too.
    let has_doubt = |row: &Row<'_>| row.pour.is_some_and(is_doubted);
    let legend = format!("{line}  {CURVE_DOUBTED}");
    if state.rows().iter().any(has_doubt) && text::width_of(&legend) <= usize::from(area.width) {
        line = legend;
    }
    paint::put(buf, area.x, y, area.width, &line, theme.quiet());
    if let Some(Row {
        bed,
        pour: Some(pour),
    }) = state.chosen_row()
    {
        let line = format!(" {}: {}", bed.bed, pour.confirmation.words);
        paint::put(buf, area.x, y + 1, area.width, &line, theme.strong());
    }
}

fn laid_out(cells: &[(Cell, u16)], line: u16, indent: u16) -> Vec<Column> {
    let mut x = indent;
    let mut columns = Vec::new();
    for &(cell, width) in cells {
        columns.push(Column {
            cell,
            line,
            x,
            width,
        });
        x += width + 1;
    }
    columns
}

fn wide(width: u16, window_width: u16) -> Vec<Column> {
    let taken = 1 + 5 + 8 + 30 + 8 + 15 + window_width + 14 + 7;
    let cells = [
        (Cell::Bed, 5),
        (Cell::Mix, 8),
        (Cell::Status, 30),
        (Cell::Now, 8),
        (Cell::Strengths, 15),
        (Cell::Window, window_width),
        (Cell::Cylinders, width.saturating_sub(taken)),
        (Cell::Holds, 14),
    ];
    laid_out(&cells, 0, 1)
}

fn two_lines(width: u16, window_width: u16) -> Vec<Column> {
    let first = [
        (Cell::Bed, 5),
        (Cell::Mix, 13),
        (Cell::Status, 30),
        (Cell::Now, 10),
        (Cell::Holds, 14),
    ];
    let second = [
        (Cell::Strengths, 17),
        (Cell::Window, window_width),
        (
            Cell::Cylinders,
            width.saturating_sub(7 + 17 + window_width + 2),
        ),
    ];
    [laid_out(&first, 0, 1), laid_out(&second, 1, 7)].concat()
}

/// As wide as the longest name, so that what the cylinders say has the rest.
fn bed_width(rows: &[Row<'_>]) -> u16 {
    let names = rows.iter().map(|row| text::width_of(&row.bed.bed));
    u16::try_from(names.max().unwrap_or(0).clamp(3, 6)).unwrap_or(6)
}

fn narrow(width: u16, bed_width: u16, window_width: u16) -> Vec<Column> {
    let taken = 1 + bed_width + 5 + 8 + 15 + window_width + 4 + 6;
    let cells = [
        (Cell::Bed, bed_width),
        (Cell::Mix, 5),
        (Cell::Now, 8),
        (Cell::Strengths, 15),
        (Cell::Window, window_width),
        (Cell::State, width.saturating_sub(taken)),
        (Cell::HoldCounts, 4),
    ];
    laid_out(&cells, 0, 1)
}

fn heading(cell: Cell, state: &State) -> String {
    let units = state.units();
    match cell {
        Cell::Bed => "bed".to_owned(),
        Cell::Mix => "mix".to_owned(),
        Cell::Status => "status".to_owned(),
        Cell::State => "cylinders; status".to_owned(),
        Cell::Now => format!("now {}", Celsius::unit(units)),
        Cell::Strengths => format!("est/low/req {}", Megapascal::unit(units)),
        Cell::Window => "early–likely–late".to_owned(),
        Cell::Cylinders => "cylinders".to_owned(),
        Cell::Holds => "holds".to_owned(),
        Cell::HoldCounts => "hold".to_owned(),
    }
}

fn content(cell: Cell, row: &Row<'_>, state: &State, theme: Theme) -> (String, Style) {
    let units = state.units();
    let Some(pour) = row.pour else {
        return match cell {
            Cell::Bed => (row.bed.bed.clone(), theme.quiet()),
            Cell::Status | Cell::State => ("no pour".to_owned(), theme.quiet()),
            _ => (String::new(), theme.quiet()),
        };
    };
    match cell {
        Cell::Bed => (row.bed.bed.clone(), mark(row, theme).1),
        Cell::Mix => mix(pour, theme),
        Cell::Status => (pour.status_words.clone(), status_style(pour, theme)),
        Cell::State => (state_words(pour), cylinder_style(pour, theme)),
        Cell::Now => (words::temperatures_short(pour, units), theme.normal()),
        Cell::Strengths => (words::strengths_short(pour, units), theme.normal()),
        Cell::Window => (
            words::window_short(&pour.forecast, state.zone),
            theme.normal(),
        ),
        Cell::Cylinders => (pour.confirmation.short.clone(), cylinder_style(pour, theme)),
        Cell::Holds => (words::holds_short(pour), theme.normal()),
        Cell::HoldCounts => (hold_counts(pour), theme.normal()),
    }
}

/// The mix, behind a sign where its curve only advises or drifts: a cut name still shows it.
pub fn mix(pour: &PourView, theme: Theme) -> (String, Style) {
    if is_doubted(pour) {
        (format!("*{}", pour.mix), theme.doubt())
    } else {
        (pour.mix.clone(), theme.normal())
    }
}

fn is_doubted(pour: &PourView) -> bool {
    pour.curve.advisory.is_some() || pour.curve.drift.is_some()
}

/// Cylinders and status together in twenty-one cells; what the cylinders say comes first, so that it
/// is whole where the rest does not fit.
pub fn state_words(pour: &PourView) -> String {
    let cylinders = &pour.confirmation.shortest;
    let both = match pour.status {
        PourStatus::Confirmed => "passed, not released".to_owned(),
        PourStatus::BreakDue => format!("{cylinders}; due"),
        status if words::status(status) == cylinders => cylinders.clone(),
        status => format!("{cylinders}; {}", words::status(status)),
    };
    if text::width_of(&both) <= STATE_CELLS {
        both
    } else {
        cylinders.clone()
    }
}

fn hold_counts(pour: &PourView) -> String {
    match (pour.release_holds.len(), pour.piece_holds.len()) {
        (0, 0) => String::new(),
        (release, 0) => release.to_string(),
        (release, piece) => format!("{release}+{piece}"),
    }
}

fn status_style(pour: &PourView, theme: Theme) -> Style {
    match pour.status {
        PourStatus::BreakDue | PourStatus::Confirmed => theme.strong(),
        PourStatus::Placing | PourStatus::Curing => theme.normal(),
        PourStatus::Released | PourStatus::Stripped | PourStatus::Abandoned => theme.quiet(),
    }
}

pub fn cylinder_style(pour: &PourView, theme: Theme) -> Style {
    match pour.confirmation.outcome.as_str() {
        "failed" | "failed-after-release" => theme.bad(),
        "not-confirmed" | "does-not-count" => theme.doubt(),
        "confirmed" | "released" => theme.strong(),
        _ => theme.normal(),
    }
}

/// A sign for the most urgent trouble of the bed, so that colour never stands alone.
pub fn mark(row: &Row<'_>, theme: Theme) -> (&'static str, Style) {
    match urgency_of(row.bed) {
        Some(Urgency::Now) => ("!", theme.bad()),
        Some(Urgency::Soon) => ("?", theme.doubt()),
        Some(Urgency::Look) => ("·", theme.normal()),
        None if !row.bed.troubles.is_empty() => ("z", theme.quiet()),
        None => (" ", theme.normal()),
    }
}

//! The night on one line of time: every bed's forecast window, and beside it what the cylinders say.

use chrono::{DateTime, TimeDelta, Timelike, Utc};
use daemon_api::pour::PourView;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

use super::{paint, yard};
use crate::state::{Drawn, Hit, Row, State};
use crate::theme::Theme;
use crate::words;

/// Columns of a bed's sign and name.
const NAME_WIDTH: u16 = 7;
/// Columns of what the cylinders say, with the space before them.
const STATE_WIDTH: u16 = 24;
/// Rows above the beds: the hours and the legend.
const HEAD_ROWS: u16 = 2;
/// Rows below the beds: the chosen bed's times, and the words of the yard.
const FOOT_ROWS: u16 = 3;
/// An hour's number and a space.
const TICK_WIDTH: i64 = 3;
/// How far back and ahead the line reaches at most; what lies beyond ends in an arrow.
const BACK_H_MAX: i64 = 6;
const AHEAD_H_MAX: i64 = 18;
const LEGEND: &str = "├ early  ◆ likely  ┤ late  B break from  W wanted  │ now  ← → goes on";

/// The hours that the line shows, and its cells.
#[derive(Debug, Clone, Copy)]
struct Axis {
    from_at: DateTime<Utc>,
    to_at: DateTime<Utc>,
    x: u16,
    width: u16,
}

impl Axis {
    /// From the earliest early to the latest late of what has not passed yet, on whole hours.
    fn of(state: &State, area: Rect) -> Self {
        let now = state.plant_now();
        let rows = state.rows();
        let pours = || {
            let pours = rows.iter().filter_map(|row| row.pour);
            pours.filter(|pour| words::waits_for_cylinders(pour))
        };
        let early = pours().filter_map(|pour| pour.forecast.early_at).min();
        let late = pours()
            .flat_map(|pour| [pour.forecast.late_at, pour.wanted_release_at])
            .flatten()
            .max();
        let from_at = early.unwrap_or(now).clamp(
            now - TimeDelta::hours(BACK_H_MAX),
            now - TimeDelta::minutes(30),
        );
        let to_at = late.unwrap_or(now).clamp(
            now + TimeDelta::hours(4),
            now + TimeDelta::hours(AHEAD_H_MAX),
        );
        let whole = |at: DateTime<Utc>| {
            let into_hour_s = (at.timestamp() + state.zone.offset_s(at)).rem_euclid(3600);
            let sub_second = TimeDelta::nanoseconds(at.nanosecond().into());
            at - TimeDelta::seconds(into_hour_s) - sub_second
        };
        Self {
            from_at: whole(from_at),
            to_at: whole(to_at) + TimeDelta::hours(1),
            x: area.x + NAME_WIDTH,
            width: area.width.saturating_sub(NAME_WIDTH + STATE_WIDTH),
        }
    }

    /// The cell of an instant, where the line shows it.
    fn cell(&self, at: DateTime<Utc>) -> Option<u16> {
        let span_ms = (self.to_at - self.from_at).num_milliseconds();
        let cell = (at - self.from_at).num_milliseconds() * i64::from(self.width) / span_ms;
        let is_shown = at >= self.from_at && at < self.to_at;
        u16::try_from(cell).ok().filter(|_| is_shown)
    }
}

/// Draws the night in `area`.
pub fn draw(buf: &mut Buffer, area: Rect, state: &State, theme: Theme) -> Drawn {
    let axis = Axis::of(state, area);
    draw_hours(buf, area.y, &axis, state, theme);
    let legend_width = area.right().saturating_sub(axis.x);
    paint::put(buf, axis.x, area.y + 1, legend_width, LEGEND, theme.quiet());
    let state_x = axis.x + axis.width + 1;
    let heading = "cylinders; status";
    paint::put(
        buf,
        state_x,
        area.y,
        STATE_WIDTH - 1,
        heading,
        theme.heading(),
    );

    let rows = state.rows();
    let page_rows = usize::from(area.height.saturating_sub(HEAD_ROWS + FOOT_ROWS)).max(1);
    let first = yard::first_row(state.chosen_at(), page_rows, rows.len());
    let mut hits = Vec::new();
    let shown = rows.iter().enumerate().skip(first).take(page_rows);
    for (y, (at, row)) in (area.y + HEAD_ROWS..).zip(shown) {
        draw_row(buf, area.x, y, &axis, row, state, theme);
        if at == state.chosen_at() {
            let whole = Rect {
                y,
                height: 1,
                ..area
            };
            buf.set_style(whole, theme.chosen());
        }
        hits.push(Hit {
            y,
            height: 1,
            x: area.x,
            width: area.width,
            row: row.key(),
        });
    }
    if let Some(pour) = state.chosen_row().and_then(|row| row.pour) {
        let times = words::forecast(&pour.forecast, state.zone, state.plant_now());
        let y = area.bottom() - FOOT_ROWS;
        paint::put(
            buf,
            area.x,
            y,
            area.width,
            &format!(" {}: {times}", pour.bed),
            theme.normal(),
        );
    }
    let below_count = rows.len().saturating_sub(first + page_rows);
    yard::draw_words(buf, area, state, theme, below_count);
    Drawn {
        hits,
        scroll_max: 0,
        page_rows,
    }
}

/// The hours of the plant's clock, as many as there is room for.
fn draw_hours(buf: &mut Buffer, y: u16, axis: &Axis, state: &State, theme: Theme) {
    let hours = (axis.to_at - axis.from_at).num_hours().max(1);
    let width = i64::from(axis.width).max(1);
    let step = ((hours * TICK_WIDTH + width - 1) / width).max(1);
    for hour in (0..hours).filter(|hour| hour % step == 0) {
        let at = axis.from_at + TimeDelta::hours(hour);
        let text = state.zone.clock(at);
        let text = text.split(':').next().unwrap_or_default();
        if let Some(cell) = axis.cell(at) {
            paint::put(buf, axis.x + cell, y, 2, text, theme.heading());
        }
    }
}

fn draw_row(
    buf: &mut Buffer,
    x: u16,
    y: u16,
    axis: &Axis,
    row: &Row<'_>,
    state: &State,
    theme: Theme,
) {
    let (mark, mark_style) = yard::mark(row, theme);
    paint::put(buf, x, y, 1, mark, mark_style);
    paint::put(buf, x + 1, y, NAME_WIDTH - 2, &row.bed.bed, mark_style);
    let now_cell = axis.cell(state.plant_now());
    let mut stroke = |cell: u16, sign: &str, style: Style| {
        paint::put(buf, axis.x + cell, y, 1, sign, style);
    };
    if let Some(cell) = now_cell {
        stroke(cell, "│", theme.quiet());
    }
    let Some(pour) = row.pour else {
        paint::put(
            buf,
            axis.x + axis.width + 1,
            y,
            STATE_WIDTH - 1,
            "no pour",
            theme.quiet(),
        );
        return;
    };
    let has_passed = !words::waits_for_cylinders(pour);
    let style = if has_passed {
        theme.quiet()
    } else {
        theme.normal()
    };
    if pour.forecast.unproven_since.is_none() {
        window(axis, pour, now_cell, style, &mut stroke);
    }
    if let Some(cell) = pour.forecast.break_from_at.and_then(|at| axis.cell(at)) {
        stroke(cell, "B", style.patch(theme.strong()));
    }
    if let Some(wanted_at) = pour.wanted_release_at
        && let Some(cell) = axis.cell(wanted_at)
    {
        let is_late = !has_passed
            && pour
                .forecast
                .late_at
                .is_some_and(|late_at| late_at > wanted_at);
        stroke(cell, "W", if is_late { theme.doubt() } else { style });
    }
    if let Some(since) = pour.forecast.unproven_since {
        // A window that ends before now would read as an arrival.
        let text = format!("{}, not proven: break a set", state.zone.clock(since));
        paint::put(buf, axis.x, y, axis.width, &text, theme.doubt());
    }
    if pour.forecast.likely_at.is_none() && !has_passed {
        paint::put(buf, axis.x, y, axis.width, "no forecast", theme.doubt());
    }
    let (words, style) = (yard::state_words(pour), yard::cylinder_style(pour, theme));
    paint::put(
        buf,
        axis.x + axis.width + 1,
        y,
        STATE_WIDTH - 1,
        &words,
        style,
    );
}

/// Early to late as a stroke with its ends, likely on it; an arrow where it leaves the line.
fn window(
    axis: &Axis,
    pour: &PourView,
    now_cell: Option<u16>,
    style: Style,
    stroke: &mut impl FnMut(u16, &str, Style),
) {
    let Some(likely_at) = pour.forecast.likely_at else {
        return;
    };
    let last = axis.width.saturating_sub(1);
    let early_at = pour.forecast.early_at.unwrap_or(likely_at);
    let (first_cell, first_sign) = match axis.cell(early_at) {
        Some(cell) => (cell, "├"),
        None if early_at >= axis.to_at => (last, "→"),
        None => (0, "←"),
    };
    // Without a late time the window has no known end.
    let late_cell = pour
        .forecast
        .late_at
        .map(|late_at| (late_at, axis.cell(late_at)));
    let (last_cell, last_sign) = match late_cell {
        Some((_, Some(cell))) => (cell, "┤"),
        Some((late_at, None)) if late_at < axis.from_at => (0, "←"),
        Some((_, None)) | None => (last, "→"),
    };
    for cell in first_cell..=last_cell {
        stroke(cell, if Some(cell) == now_cell { "┼" } else { "─" }, style);
    }
    stroke(first_cell, first_sign, style);
    stroke(last_cell, last_sign, style);
    if let Some(cell) = axis.cell(likely_at) {
        stroke(cell, "◆", style);
    }
}

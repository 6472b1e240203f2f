//! The head of every screen: plant, plant time, age of the data, and what makes all of it doubtful.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use super::paint;
use crate::state::{Link, State};
use crate::theme::Theme;
use crate::times::span_text;

/// Draws the head; the rows it took.
pub fn draw(buf: &mut Buffer, area: Rect, state: &State, theme: Theme) -> u16 {
    let Some(snapshot) = &state.snapshot else {
        paint::put(
            buf,
            area.x,
            area.y,
            area.width,
            " tarplight",
            theme.strong(),
        );
        return 1;
    };
    let plant = &snapshot.plant;
    let left = format!(" {}   {}", plant.name, state.zone.full(state.plant_now()));
    paint::put(buf, area.x, area.y, area.width, &left, theme.strong());
    let mut right = format!("data {} old ", span_text(state.data_age()));
    if plant.simulated {
        right = format!("SIMULATED ×{:.0}  {right}", plant.clock_speed);
    }
    paint::put_right(
        buf,
        area.x + area.width / 2,
        area.y,
        area.width - area.width / 2,
        &right,
        theme.normal(),
    );
    let mut alarms = Vec::new();
    if state.is_stale() {
        alarms.push(stale_words(state));
    }
    if !plant.store.writing {
        let since = plant.store.since.map_or_else(String::new, |at| {
            format!(" since {}", state.zone.clock_near(at, state.plant_now()))
        });
        let problem = plant
            .store
            .problem
            .as_deref()
            .unwrap_or("the store does not answer");
        alarms.push(format!(" NOTHING IS BEING RECORDED{since}: {problem}"));
    }
    let mut row = area.y + 1;
    for alarm in &alarms {
        let padded = format!("{alarm:<width$}", width = usize::from(area.width));
        paint::put(buf, area.x, row, area.width, &padded, theme.alarm());
        row += 1;
    }
    row - area.y
}

fn stale_words(state: &State) -> String {
    let as_of = state
        .snapshot
        .as_ref()
        .map_or_else(String::new, |snapshot| {
            state.zone.clock_near(snapshot.plant.now, state.plant_now())
        });
    let old = span_text(state.data_age());
    match (&state.link, state.retry_in_s()) {
        (Link::Down { problem, .. }, Some(retry_in_s)) => {
            format!(
                " DAEMON GONE: all below is of {as_of}, {old} old. Next try in {retry_in_s} s. {problem}"
            )
        }
        _ => format!(
            " NO WORD FROM THE DAEMON: all below is of {as_of}, {old} old, and may no longer hold."
        ),
    }
}

//! The head of every screen: plant, plant time, age of the data, and what makes all of it doubtful.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

use super::{paint, text};
use crate::event::Loss;
use crate::state::{Link, Screen, State};
use crate::theme::Theme;
use crate::times::span_text;
use crate::words;

const GONE: &str = "First: start tarplightd on the plant's computer; meanwhile look at the beds.";
const HANGS: &str = "First: see whether tarplightd hangs; meanwhile go and look at the beds.";

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
        right = format!("SIMULATED ×{}  {right}", plant.clock_speed);
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
        alarms.extend(stale_words(state));
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
        alarms.push(format!("NOTHING IS BEING RECORDED{since}: {problem}"));
    }
    let mut row = area.y + 1;
    let width = usize::from(area.width);
    for line in alarms.iter().flat_map(|alarm| text::wrap(alarm, width - 2)) {
        let padded = format!(" {line:<width$}", width = width - 1);
        paint::put(buf, area.x, row, area.width, &padded, theme.alarm());
        row += 1;
    }
    if let Some((banner, style)) = banner(state, theme) {
        let padded = format!("{:<width$}", text::fit(&banner, width));
        paint::put(buf, area.x, row, area.width, &padded, style);
        row += 1;
    }
    row - area.y
}

/// What calls for a person, on screens that do not show it anyway.
fn banner(state: &State, theme: Theme) -> Option<(String, Style)> {
    let is_shown = matches!(state.screen, Screen::Yard | Screen::Troubles | Screen::Far);
    if is_shown && state.form.is_none() {
        return None;
    }
    let calling = state.calling();
    let first = calling.first()?;
    let bed = first.bed.as_deref().unwrap_or("plant");
    let others = match calling.len() {
        1 => String::new(),
        count => format!(" ({} more)", count - 1),
    };
    let what = words::trouble(first);
    let line = format!(
        " NEW {} {bed}{others}: {what}",
        words::urgency(first.urgency)
    );
    Some((line, theme.banner(first.urgency)))
}

/// What is wrong with the connection and how old everything is, then what to do.
fn stale_words(state: &State) -> [String; 2] {
    let as_of = state
        .snapshot
        .as_ref()
        .map_or_else(String::new, |snapshot| {
            state.zone.clock_near(snapshot.plant.now, state.plant_now())
        });
    let old = format!(
        "all below is of {as_of}, {} old.",
        span_text(state.data_age())
    );
    let Link::Down { loss, .. } = &state.link else {
        return [
            format!("NO WORD FROM THE DAEMON: {old} It may no longer hold."),
            HANGS.to_owned(),
        ];
    };
    let retry = format!("Next try in {} s.", state.retry_in_s().unwrap_or(0));
    match loss {
        Loss::Silent => [
            format!("NO WORD FROM THE DAEMON: {old} {retry}"),
            HANGS.to_owned(),
        ],
        Loss::Gone => [format!("DAEMON GONE: {old} {retry}"), GONE.to_owned()],
        Loss::Odd(sentence) => [
            format!("DAEMON NOT UNDERSTOOD: {old} {retry}"),
            sentence.clone(),
        ],
    }
}

//! The foot of every screen: the last answer to a person, and the keys.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use super::{paint, text};
use crate::keys::{BINDINGS, Binding, Group};
use crate::state::{Screen, State};
use crate::theme::Theme;

/// Rows that a message may take; the daemon's sentences are short.
const MESSAGE_ROWS_MAX: usize = 6;

/// Draws the foot at the bottom of `area`; the rows it took.
pub fn draw(buf: &mut Buffer, area: Rect, state: &State, theme: Theme) -> u16 {
    let last = area.bottom() - 1;
    paint::put(
        buf,
        area.x,
        last,
        area.width,
        &keys(state, area.width),
        theme.quiet(),
    );
    let Some(message) = &state.message else {
        return 1;
    };
    let width = usize::from(area.width) - 2;
    let mut lines: Vec<String> = message
        .lines
        .iter()
        .flat_map(|line| text::wrap(line, width))
        .collect();
    if lines.len() > MESSAGE_ROWS_MAX {
        lines.truncate(MESSAGE_ROWS_MAX - 1);
        lines.push("… the rest stands among the bed's cautions".to_owned());
    }
    let style = if message.is_bad {
        theme.bad()
    } else {
        theme.strong()
    };
    let height = u16::try_from(lines.len()).unwrap_or(0);
    for (row, line) in (last - height..last).zip(&lines) {
        paint::put(buf, area.x, row, area.width, &format!(" {line}"), style);
    }
    height + 1
}

fn keys(state: &State, width: u16) -> String {
    if state.form.is_some() {
        return " Tab ↑ ↓ move   Enter next, and on Record: record   PgUp PgDn read   Esc leave"
            .to_owned();
    }
    let mut line = String::from(" ");
    if state.message.is_some() {
        line.push_str("Esc put away   ");
    }
    // Those that do not fit whole are left out; the help has them all.
    let first = match state.screen {
        Screen::Troubles => Some(Group::Alarms),
        Screen::Log | Screen::Changes => Some(Group::Shift),
        _ => None,
    };
    let is_first = |binding: &&Binding| Some(binding.group) == first;
    let rest = BINDINGS.iter().filter(|binding| {
        let is_elsewhere = matches!(binding.group, Group::Alarms | Group::Shift);
        Some(binding.group) != first && !is_elsewhere
    });
    for binding in BINDINGS.iter().filter(is_first).chain(rest) {
        if let Some(word) = binding.foot {
            let key = binding.label.split(' ').next().unwrap_or(binding.label);
            let text = format!("{key} {word}  ");
            if text::width_of(&line) + text::width_of(text.trim_end()) <= usize::from(width) {
                line.push_str(&text);
            }
        }
    }
    line.truncate(line.trim_end().len());
    line
}

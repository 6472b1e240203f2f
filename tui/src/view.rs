//! Drawing: one file per region of the screen; nothing here changes the state.

mod ahead;
mod bed;
mod channels;
mod chart;
mod crowd;
mod cylinders;
mod far;
mod foot;
mod form;
mod head;
mod help;
mod log;
mod mixes;
mod night;
mod notes;
mod page;
mod paint;
mod plan;
mod positions;
mod small;
mod sources;
mod strip;
mod text;
mod troubles;
mod yard;

use daemon_api::bed::PlantSnapshot;
use ratatui::Frame;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::text::Line;

use crate::event::{Connection, Event};
use crate::state::{Drawn, Link, Screen, Settings, State};
use crate::theme::Theme;
use crate::words;

/// The smallest terminal on which every screen is whole.
pub const WIDTH_MIN: u16 = 80;
pub const HEIGHT_MIN: u16 = 24;

/// Draws the state on a frame; what the state must know of it comes back.
pub fn draw(frame: &mut Frame<'_>, state: &State, theme: Theme) -> Drawn {
    render(frame.buffer_mut(), state, theme)
}

/// Draws the state on a buffer of any size.
pub fn render(buf: &mut Buffer, state: &State, theme: Theme) -> Drawn {
    let area = buf.area;
    if area.width < WIDTH_MIN || area.height < HEIGHT_MIN {
        let sentence = format!(
            "tarplight needs {WIDTH_MIN} columns and {HEIGHT_MIN} lines; this terminal has {} and \
             {}. Make it larger, or use \"tarplight show\".",
            area.width, area.height
        );
        small::draw(buf, area, state, &sentence, theme);
        return Drawn::default();
    }
    let mut area = area;
    let head_height = head::draw(buf, area, state, theme);
    area = paint::below(area, head_height);
    let foot_height = foot::draw(buf, area, state, theme);
    area.height -= foot_height;
    if let Some(form) = &state.form {
        form::draw(buf, area, state, form, theme);
        return Drawn::default();
    }
    if state.snapshot.is_none() {
        waiting(buf, area, state, theme);
        return Drawn::default();
    }
    match state.screen {
        Screen::Yard => {
            let strip_height = strip::draw(buf, area, state, theme);
            yard::draw(buf, paint::below(area, strip_height), state, theme)
        }
        Screen::Bed => bed::draw(buf, area, state, theme),
        Screen::Night => night::draw(buf, area, state, theme),
        Screen::Troubles => {
            let (lines, chosen) = troubles::lines(state, area.width, theme);
            let scroll = page::scroll_to(chosen, lines.len(), area.height.into());
            page::draw_lines(buf, area, scroll, &lines)
        }
        Screen::Far => {
            far::draw(buf, area, state, theme);
            Drawn::default()
        }
        screen => {
            let lines = page_lines(screen, state, area.width, theme);
            page::draw_lines(buf, area, state.scroll, &lines)
        }
    }
}

/// The screens that are pages of lines.
fn page_lines(screen: Screen, state: &State, width: u16, theme: Theme) -> Vec<Line<'static>> {
    match screen {
        Screen::Sources => sources::lines(state, width, theme),
        Screen::Mixes => mixes::lines(state, width, theme),
        Screen::Plan => plan::lines(state, width, theme),
        Screen::Log => log::lines(state, width, theme),
        Screen::History => log::history(state, width, theme),
        Screen::Changes => log::changes(state, width, theme),
        Screen::Channels => channels::lines(state, width, theme),
        Screen::Yard
        | Screen::Bed
        | Screen::Night
        | Screen::Troubles
        | Screen::Far
        | Screen::Help => help::lines(width, theme),
    }
}

fn waiting(buf: &mut Buffer, area: Rect, state: &State, theme: Theme) {
    let sentence = match &state.link {
        Link::Down { loss, .. } => format!(
            "No daemon yet at {}: {}. Start tarplightd there, or name its address with --daemon. \
             Next try in {} s; it goes on for ever.",
            state.settings.daemon,
            words::loss(loss),
            state.retry_in_s().unwrap_or(0),
        ),
        Link::Connecting | Link::Up => format!("Asking the daemon at {}.", state.settings.daemon),
    };
    for (row, line) in
        (area.y + 1..area.bottom()).zip(text::wrap(&sentence, usize::from(area.width) - 2))
    {
        paint::put(
            buf,
            area.x,
            row,
            area.width,
            &format!(" {line}"),
            theme.normal(),
        );
    }
}

/// The yard of a snapshot as plain text, as the dashboard would first show it.
pub fn render_to_text(snapshot: PlantSnapshot, width: u16, height: u16) -> String {
    let mut state = State::new(Settings::default());
    let news = Event::Connection(Connection::Snapshot(Box::new(snapshot)));
    state.apply(news, std::time::Duration::ZERO);
    text_of(&state, width, height)
}

/// A frame of the state as plain text.
pub fn text_of(state: &State, width: u16, height: u16) -> String {
    let mut buf = Buffer::empty(Rect::new(0, 0, width, height));
    render(&mut buf, state, Theme::PLAIN);
    paint::buffer_text(&buf)
}

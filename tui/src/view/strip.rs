//! The strip above the yard: what needs a person, most urgent first, and what is snoozed.

use daemon_api::trouble::TroubleView;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

use super::{paint, text};
use crate::state::{State, is_new};
use crate::theme::Theme;
use crate::times::span_short;
use crate::words;

/// Rows that the strip may take on the smallest terminal.
const ROWS_MIN: usize = 5;
/// Rows that the evidence of one alarm may take, and what to do first.
const WRAPPED_ROWS_MAX: usize = 2;
/// Where the sentences stand, so that the eye finds urgency, bed and word before them.
const INDENT: usize = 26;

/// Draws the strip; the rows it took.
pub fn draw(buf: &mut Buffer, area: Rect, state: &State, theme: Theme) -> u16 {
    let rows_max = usize::from(area.height / 3).max(ROWS_MIN);
    let lines = lines(state, usize::from(area.width), rows_max, theme);
    for (y, (line, style)) in (area.y..area.bottom()).zip(&lines) {
        // What is new is a bar over the whole width.
        let line = format!("{line:<width$}", width = usize::from(area.width));
        paint::put(buf, area.x, y, area.width, &line, *style);
    }
    u16::try_from(lines.len()).unwrap_or(area.height)
}

/// The most urgent alarm in full, then as many more as there are rows for.
fn lines(state: &State, width: usize, rows_max: usize, theme: Theme) -> Vec<(String, Style)> {
    let awake = state.awake();
    let snoozed = snoozed_line(state);
    let mut rows_left = rows_max - usize::from(snoozed.is_some());
    let mut lines = Vec::new();
    if awake.is_empty() {
        let sentence = if state.is_stale() {
            " No trouble was known then."
        } else {
            " Nothing needs a person."
        };
        lines.push((sentence.to_owned(), theme.quiet()));
    }
    for (at, trouble) in awake.iter().enumerate() {
        let after_count = awake.len() - at - 1;
        let what = told(state, trouble, width, theme);
        let first = first_act(trouble, width, theme);
        let headline = format!("{}{}", head(state, trouble), words::trouble(trouble));
        let headline = vec![(text::fit(&headline, width), style_of(trouble, theme))];
        // In full where the others still have a row each, the first in any case; what to do first is
        // given up after the rest of the evidence.
        let full = [what, first.clone()].concat();
        let short = [headline.clone(), first].concat();
        let fits = |block: &Vec<_>| at == 0 || block.len() + after_count <= rows_left;
        let block = [full, short].into_iter().find(fits).unwrap_or(headline);
        // One row is kept for the count of what follows.
        if at > 0 && block.len() + usize::from(after_count > 0) > rows_left {
            let line = format!(
                " … and {} more, the next {}: press t",
                awake.len() - at,
                words::urgency(trouble.urgency)
            );
            lines.push((line, theme.urgency(trouble.urgency)));
            break;
        }
        rows_left = rows_left.saturating_sub(block.len());
        lines.extend(block);
    }
    lines.extend(snoozed.map(|line| (line, theme.quiet())));
    lines
}

fn style_of(trouble: &TroubleView, theme: Theme) -> Style {
    if is_new(trouble) {
        theme.banner(trouble.urgency)
    } else {
        theme.urgency(trouble.urgency)
    }
}

fn head(state: &State, trouble: &TroubleView) -> String {
    let word = trouble.alarm.as_ref().map_or("", |alarm| &alarm.word);
    let bed = trouble.bed.as_deref().unwrap_or("plant");
    format!(
        " {:<4} {:<5} {word:<5}{:>7}  ",
        words::urgency(trouble.urgency),
        text::fit(bed, 5),
        span_short(state.plant_now() - trouble.since),
    )
}

/// The evidence, in as many rows as it may take.
fn told(state: &State, trouble: &TroubleView, width: usize, theme: Theme) -> Vec<(String, Style)> {
    let style = style_of(trouble, theme);
    let what = wrapped(&words::trouble(trouble), width - INDENT);
    let line = |(at, line): (usize, String)| {
        let head = if at == 0 {
            head(state, trouble)
        } else {
            " ".repeat(INDENT)
        };
        (format!("{head}{line}"), style)
    };
    what.into_iter().enumerate().map(line).collect()
}

fn first_act(trouble: &TroubleView, width: usize, theme: Theme) -> Vec<(String, Style)> {
    let first = wrapped(&format!("First: {}", trouble.first_act), width - 7);
    let style = theme.urgency(trouble.urgency);
    first
        .into_iter()
        .map(|line| (format!("{:6}{line}", ""), style))
        .collect()
}

/// The text in as many rows as it may take, with an ellipsis where something is left out.
fn wrapped(what: &str, width: usize) -> Vec<String> {
    let mut lines = text::wrap(what, width);
    if lines.len() > WRAPPED_ROWS_MAX {
        let rest = lines.split_off(WRAPPED_ROWS_MAX - 1).join(" ");
        lines.push(text::fit(&rest, width));
    }
    lines
}

fn snoozed_line(state: &State) -> Option<String> {
    let snoozed = state.snoozed();
    let first = snoozed.first()?;
    let until_at = first.alarm.as_ref()?.snoozed.as_ref()?.until_at;
    let bed = first.bed.as_deref().unwrap_or("plant");
    Some(format!(
        " {} snoozed; {bed} until {}: {}",
        snoozed.len(),
        state.zone.clock_near(until_at, state.plant_now()),
        words::trouble(first)
    ))
}

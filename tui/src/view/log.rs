//! The shift log, what happened to alarms, and what changed since a person last looked.

use daemon_api::shift::{ShiftEntry, ShiftLog};
use daemon_api::trouble::TroubleView;
use ratatui::style::Style;
use ratatui::text::{Line, Span};

use super::plan;
use super::text::{fit, wrap};
use crate::state::State;
use crate::theme::Theme;
use crate::times::span_text;
use crate::words;

/// Where the sentences of entries begin: after time, bed and kind.
const INDENT: usize = 27;

/// The shift log: what stands, what is next, what happened with the newest first.
pub fn lines(state: &State, width: u16, theme: Theme) -> Vec<Line<'static>> {
    let mut lines = vec![Line::styled(" The shift log", theme.strong())];
    let Some(log) = &state.pages.log.answer else {
        let wanting = format!(" {}", state.pages.log.wanting("The log"));
        lines.push(Line::styled(wanting, theme.normal()));
        return lines;
    };
    lines.push(Line::styled(" What stands", theme.heading()));
    lines.extend(stands(state, log, width, theme));
    lines.push(Line::styled(" What is next", theme.heading()));
    if log.next.is_empty() {
        let text = "   Nothing is due before the shift ends; w shows the whole plan.";
        lines.push(Line::styled(text, theme.normal()));
    } else {
        lines.extend(plan::items(state, &log.next, width, theme));
    }
    let from = state.zone.clock_near(log.from_at, state.plant_now());
    let title = format!(" What happened since {from}, the newest first");
    lines.push(Line::styled(title, theme.heading()));
    lines.extend(entries(state, &log.entries, width, theme));
    lines
}

/// What stands, a line each.
pub fn stands(state: &State, log: &ShiftLog, width: u16, theme: Theme) -> Vec<Line<'static>> {
    if log.stands.is_empty() {
        return vec![Line::styled("   Nothing needs a person.", theme.normal())];
    }
    let told = |trouble: &TroubleView| {
        let word = trouble.alarm.as_ref().map_or("", |alarm| &alarm.word);
        let line = format!(
            "   {:<4} {:<6} {word:<8} {}",
            words::urgency(trouble.urgency),
            trouble.bed.as_deref().unwrap_or("plant"),
            words::trouble(trouble),
        );
        let style = if state.is_stale() {
            theme.quiet()
        } else {
            theme.urgency(trouble.urgency)
        };
        Line::styled(fit(&line, usize::from(width) - 1), style)
    };
    log.stands.iter().map(told).collect()
}

fn entries(state: &State, entries: &[ShiftEntry], width: u16, theme: Theme) -> Vec<Line<'static>> {
    if entries.is_empty() {
        return vec![Line::styled("   Nothing was recorded.", theme.normal())];
    }
    let clock = |at| state.zone.clock_near(at, state.plant_now());
    let mut lines = Vec::new();
    for entry in entries.iter().rev() {
        let by = entry
            .by
            .as_deref()
            .filter(|by| !by.is_empty())
            .map_or_else(String::new, |by| format!(" (by {by}, not verified)"));
        let known = entry
            .known_at
            .map_or_else(String::new, |at| format!(" [told at {}]", clock(at)));
        let style = match entry.kind.as_str() {
            "note" | "handover" => theme.strong(),
            _ => theme.normal(),
        };
        let head = format!(
            "   {:<6} {:<6} {:<9} ",
            clock(entry.at),
            fit(entry.bed.as_deref().unwrap_or("plant"), 6),
            fit(&entry.kind.replace('-', " "), 9),
        );
        lines.extend(hung(
            &head,
            &format!("{}{by}{known}", entry.text),
            width,
            style,
        ));
    }
    lines
}

/// A head at the left of the first line, and text that hangs beside it.
fn hung(head: &str, text: &str, width: u16, style: Style) -> Vec<Line<'static>> {
    let text = wrap(text, usize::from(width) - INDENT - 1);
    let lines = text.into_iter().enumerate().map(|(at, line)| {
        let head = if at == 0 { head } else { "" };
        Line::from(vec![
            Span::styled(format!("{head:<INDENT$}"), style),
            Span::styled(line, style),
        ])
    });
    lines.collect()
}

/// What happened to alarms, the newest first.
pub fn history(state: &State, width: u16, theme: Theme) -> Vec<Line<'static>> {
    let Some(history) = &state.pages.history.answer else {
        let wanting = format!(" {}", state.pages.history.wanting("The history of alarms"));
        return vec![Line::styled(wanting, theme.normal())];
    };
    let clock = |at| state.zone.clock_near(at, state.plant_now());
    let title = format!(
        " What happened to alarms since {}, the newest first",
        clock(history.from_at)
    );
    let mut lines = vec![Line::styled(title, theme.strong())];
    for event in history.events.iter().rev() {
        let trouble = &event.trouble;
        let rings = ["raised", "worsened", "woken"].contains(&event.event.as_str());
        let style = if rings { theme.normal() } else { theme.quiet() };
        let head = format!(
            "   {:<6} {:<6} {:<9} ",
            clock(event.at),
            fit(trouble.bed.as_deref().unwrap_or("plant"), 6),
            event.event,
        );
        let said = trouble.alarm.as_ref().and_then(|alarm| {
            let snoozed = alarm.snoozed.as_ref().filter(|_| event.event == "snoozed");
            let seen = alarm.seen_by.as_ref().filter(|_| event.event == "seen");
            let until = |at| clock(at);
            snoozed
                .map(|one| {
                    format!(
                        " (until {} by {}: {})",
                        until(one.until_at),
                        one.by,
                        one.why
                    )
                })
                .or_else(|| seen.map(|by| format!(" (by {by})")))
        });
        let text = format!(
            "{} {}{}",
            words::urgency(trouble.urgency),
            words::trouble(trouble),
            said.unwrap_or_default()
        );
        lines.extend(hung(&head, &text, width, style));
    }
    if history.events.is_empty() {
        lines.push(Line::styled("   No alarm has changed.", theme.normal()));
    }
    lines
}

/// What changed since a person last looked: the yard, then the log.
pub fn changes(state: &State, width: u16, theme: Theme) -> Vec<Line<'static>> {
    let from_at = state.changes_from_at();
    let now = state.plant_now();
    let title = format!(
        " What changed since you last looked at {} ({} ago)",
        state.zone.clock_near(from_at, now),
        span_text(now - from_at)
    );
    let mut lines = vec![Line::styled(title, theme.strong())];
    let yard = state.yard_changes();
    if !yard.is_empty() {
        lines.push(Line::styled(" The beds", theme.heading()));
    }
    for change in yard {
        for line in wrap(&change, usize::from(width) - 4) {
            lines.push(Line::styled(format!("   {line}"), theme.normal()));
        }
    }
    lines.push(Line::styled(" The log, the newest first", theme.heading()));
    match &state.pages.changes.answer {
        Some(log) => lines.extend(entries(state, &log.entries, width, theme)),
        None => {
            let wanting = format!("   {}", state.pages.changes.wanting("The log"));
            lines.push(Line::styled(wanting, theme.normal()));
        }
    }
    lines
}

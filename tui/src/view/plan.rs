//! The plan: what wants a person through the night, by time, and each bed against its wanted time.

use daemon_api::plan::PlanItemView;
use ratatui::text::{Line, Span};

use super::text::{width_of, wrap};
use crate::state::State;
use crate::theme::Theme;
use crate::times::span_text;
use crate::words;

pub fn lines(state: &State, width: u16, theme: Theme) -> Vec<Line<'static>> {
    let title = Line::styled(" The plan: what wants a person, by time", theme.strong());
    let Some(answer) = &state.pages.plan.answer else {
        let wanting = format!(" {}", state.pages.plan.wanting("The plan"));
        return vec![title, Line::styled(wanting, theme.normal())];
    };
    let mut lines = vec![title];
    lines.extend(items(state, &answer.items, width, theme));
    if !answer.schedule.is_empty() {
        lines.push(Line::styled(" Against the wanted times", theme.heading()));
    }
    let beds = answer.schedule.iter().map(|pour| width_of(&pour.bed));
    let bed_width = beds.max().unwrap_or(4).clamp(4, 12);
    for pour in &answer.schedule {
        let wanted = pour.wanted_at.map_or_else(String::new, |at| {
            format!("wanted {}: ", state.zone.clock_near(at, state.plant_now()))
        });
        let style = if pour.word == "late" {
            theme.doubt()
        } else {
            theme.normal()
        };
        let text = format!("{wanted}{}", pour.text);
        let indent = bed_width + 3;
        for (at, line) in wrap(&text, usize::from(width) - indent - 1)
            .into_iter()
            .enumerate()
        {
            let bed = if at == 0 { pour.bed.as_str() } else { "" };
            lines.push(Line::from(vec![
                Span::styled(format!("   {bed:<bed_width$} "), theme.strong()),
                Span::styled(line, style),
            ]));
        }
    }
    for line in wrap(words::ESTIMATES_CONFIRM_NOTHING, usize::from(width) - 2) {
        lines.push(Line::styled(format!(" {line}"), theme.quiet()));
    }
    lines
}

/// Items of a plan with their times, and how long it is until then.
pub fn items(
    state: &State,
    items: &[PlanItemView],
    width: u16,
    theme: Theme,
) -> Vec<Line<'static>> {
    let now = state.plant_now();
    let mut lines = Vec::new();
    for item in items {
        let (when, style) = if item.at <= now {
            let is_waiting = item.overdue;
            let word = if is_waiting { "OVERDUE" } else { "now" };
            let style = if is_waiting {
                theme.doubt()
            } else {
                theme.strong()
            };
            (word.to_owned(), style)
        } else {
            (format!("in {}", span_text(item.at - now)), theme.normal())
        };
        let indent = 27;
        for (at, line) in wrap(&item.text, usize::from(width) - indent - 1)
            .into_iter()
            .enumerate()
        {
            let head = if at == 0 {
                let clock = state.zone.clock_near(item.at, now);
                format!("   {clock:<9} {when:<13} ")
            } else {
                " ".repeat(indent)
            };
            lines.push(Line::from(vec![
                Span::styled(head, style),
                Span::styled(line, style),
            ]));
        }
    }
    if lines.is_empty() {
        lines.push(Line::styled("   Nothing is due.", theme.normal()));
    }
    lines
}

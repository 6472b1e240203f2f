//! The page of alarms: what stands, what is snoozed, what is over but unseen, what another explains.

use std::ops::Range;

use daemon_api::trouble::TroubleView;
use ratatui::style::Style;
use ratatui::text::{Line, Span};

use super::text::wrap;
use crate::state::{AlarmPart, State, is_new};
use crate::theme::Theme;
use crate::times::span_text;
use crate::words;

/// The lines of the page, and where the chosen alarm stands among them.
pub fn lines(state: &State, width: u16, theme: Theme) -> (Vec<Line<'static>>, Range<usize>) {
    let parts = state.alarms_by_part();
    let chosen_id = state.chosen_alarm().map(|chosen| chosen.id.clone());
    let mut chosen = 0..0;
    let mut lines = Vec::new();
    for (part, alarms) in &parts {
        if alarms.is_empty() && *part != AlarmPart::Stands {
            continue;
        }
        let style = if lines.is_empty() {
            theme.strong()
        } else {
            theme.heading()
        };
        lines.push(Line::styled(title(*part, alarms), style));
        for alarm in alarms {
            let from = lines.len();
            let is_chosen = Some(&alarm.id) == chosen_id.as_ref();
            lines.extend(alarm_lines(state, alarm, *part, is_chosen, width, theme));
            if is_chosen {
                chosen = from..lines.len();
            }
        }
    }
    if let Some(answer) = &state.pages.alarms.answer {
        let count = words::plural(answer.rang_last_hour, "alarm");
        lines.push(Line::styled(
            format!(" {count} rang in the last hour."),
            theme.quiet(),
        ));
    }
    if let Some(problem) = &state.pages.alarms.problem {
        let line = format!(" Snoozed and explained alarms did not come: {problem}");
        lines.push(Line::styled(line, theme.bad()));
    }
    (lines, chosen)
}

fn title(part: AlarmPart, alarms: &[&TroubleView]) -> String {
    match part {
        AlarmPart::Stands => {
            let new_count = alarms.iter().filter(|one| is_new(one)).count();
            let new = match new_count {
                0 => String::new(),
                count => format!(", {count} new"),
            };
            let count = words::plural(alarms.len(), "trouble");
            format!(" What needs a person: {count}{new}")
        }
        AlarmPart::Snoozed => format!(" Snoozed: {}", alarms.len()),
        AlarmPart::Over => format!(" Over, to be seen or put away: {}", alarms.len()),
        AlarmPart::Explained => format!(" Explained by another one: {}", alarms.len()),
    }
}

fn alarm_lines(
    state: &State,
    trouble: &TroubleView,
    part: AlarmPart,
    is_chosen: bool,
    width: u16,
    theme: Theme,
) -> Vec<Line<'static>> {
    let quiet_or = |style: Style| {
        if part == AlarmPart::Stands {
            style
        } else {
            theme.quiet()
        }
    };
    let mut place = trouble.bed.clone().unwrap_or_else(|| "plant".to_owned());
    if let Some(within) = &trouble.place {
        place.push_str(&format!(", {within}"));
    }
    let since = format!(
        "since {} ({})",
        state.zone.clock_near(trouble.since, state.plant_now()),
        span_text(state.plant_now() - trouble.since)
    );
    let urgency = if is_new(trouble) {
        theme.banner(trouble.urgency)
    } else {
        quiet_or(theme.urgency(trouble.urgency))
    };
    let pointer = if is_chosen { ">" } else { " " };
    let word = match part {
        AlarmPart::Stands => trouble.alarm.as_ref().map_or("", |alarm| &alarm.word),
        AlarmPart::Snoozed => "snoozed",
        AlarmPart::Over => "over",
        AlarmPart::Explained => "explained",
    };
    let mut heading = Line::from(vec![
        Span::styled(pointer, theme.strong()),
        Span::styled(format!("{:<4} ", words::urgency(trouble.urgency)), urgency),
        Span::styled(format!(" {place}  "), quiet_or(theme.strong())),
        Span::styled(format!("{word:<5} "), urgency),
        Span::styled(
            format!("{}, {since}", trouble.kind.replace('-', " ")),
            quiet_or(theme.normal()),
        ),
    ]);
    if is_chosen {
        heading = heading.patch_style(theme.chosen());
    }
    let mut lines = vec![heading];
    let width = usize::from(width) - 8;
    let mut add = |text: &str, style: Style| {
        for line in wrap(text, width) {
            lines.push(Line::styled(format!("       {line}"), style));
        }
    };
    // What another alarm explains is told in one line unless a person wants to know more.
    if part != AlarmPart::Explained || is_chosen {
        add(&trouble.what, quiet_or(theme.normal()));
    }
    if part == AlarmPart::Stands || is_chosen {
        add(
            &format!("First: {}", trouble.first_act),
            quiet_or(theme.strong()),
        );
    }
    if let Some(said) = said(state, trouble) {
        add(&said, theme.quiet());
    }
    lines
}

/// What people have said to it, in a sentence.
pub fn said(state: &State, trouble: &TroubleView) -> Option<String> {
    let clock = |at| state.zone.clock_near(at, state.plant_now());
    let alarm = trouble.alarm.as_ref()?;
    if let Some(snoozed) = &alarm.snoozed {
        return Some(format!(
            "Snoozed until {} by {}: {}",
            clock(snoozed.until_at),
            snoozed.by,
            snoozed.why
        ));
    }
    if let Some(cause) = &alarm.explained_by {
        let cause = state.alarms().into_iter().find(|one| one.id == *cause)?;
        let bed = cause.bed.as_deref().unwrap_or("plant");
        let kind = cause.kind.replace('-', " ");
        return Some(format!("Explained by: {bed}, {kind}."));
    }
    let over = alarm.cleared_at.filter(|_| !alarm.active).map(|at| {
        let what_next = if alarm.latched {
            "it stays in sight until it is put away with x"
        } else {
            "nobody saw it while it stood: a says that you have"
        };
        format!("Over since {}; {what_next}.", clock(at))
    });
    let by = alarm.seen_by.as_deref().filter(|by| !by.is_empty());
    let seen = by
        .zip(alarm.seen_at)
        .map(|(by, at)| format!("Seen by {by} at {}.", clock(at)));
    let sentences: Vec<String> = over.into_iter().chain(seen).collect();
    (!sentences.is_empty()).then(|| sentences.join(" "))
}

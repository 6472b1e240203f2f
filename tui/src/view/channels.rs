//! Channels: which plug is this, and whether those of a bed agree before the pour.

use daemon_api::channel::{ChannelReading, ChannelsAnswer};
use ratatui::style::Style;
use ratatui::text::{Line, Span};
use units::{Celsius, CelsiusDifference, Show};

use super::text::{fit, width_of, wrap};
use crate::state::State;
use crate::theme::Theme;
use crate::times::span_text;
use crate::words;

const HOW: &str = "Which plug is this? Hold its tip in the hand for a minute; the channel that moves is named here.";

pub fn lines(state: &State, width: u16, theme: Theme) -> Vec<Line<'static>> {
    let mut lines = vec![Line::styled(" Channels", theme.strong())];
    let Some(answer) = &state.pages.channels.answer else {
        let wanting = format!(" {}", state.pages.channels.wanting("What channels read"));
        lines.push(Line::styled(wanting, theme.normal()));
        return lines;
    };
    let text_width = usize::from(width) - 2;
    let add = |lines: &mut Vec<Line<'static>>, text: &str, style: Style| {
        lines.extend(
            wrap(text, text_width)
                .into_iter()
                .map(|line| Line::styled(format!(" {line}"), style)),
        );
    };
    add(&mut lines, HOW, theme.normal());
    add(&mut lines, &named(state, answer), theme.strong());
    if !answer.agreement.is_empty() {
        let title = " Before the pour: do all of a bed agree?";
        lines.push(Line::styled(title, theme.heading()));
    }
    for group in &answer.agreement {
        let (word, style) = match (group.agrees, group.poured) {
            (_, true) => ("poured", theme.quiet()),
            (true, false) => ("agree", theme.normal()),
            (false, false) => ("LOOK", theme.doubt()),
        };
        let head = format!("   {} {:<6} {word:<7}", group.of, fit(&group.name, 6));
        let indent = width_of(&head);
        for (at, line) in wrap(&group.text, text_width - indent)
            .into_iter()
            .enumerate()
        {
            let head = if at == 0 {
                head.clone()
            } else {
                " ".repeat(indent)
            };
            lines.push(Line::styled(format!("{head}{line}"), style));
        }
    }
    let since = state.zone.clock_near(answer.since_at, state.plant_now());
    let title = format!(" Every channel, and how far it has moved since {since}");
    lines.push(Line::styled(title, theme.heading()));
    lines.extend(
        answer
            .channels
            .iter()
            .map(|one| row(state, answer, one, theme)),
    );
    if answer.channels.is_empty() {
        let sentence = "   No channel has spoken yet: look at the sources with s.";
        lines.push(Line::styled(sentence, theme.normal()));
    }
    lines
}

fn named(state: &State, answer: &ChannelsAnswer) -> String {
    let Some(found) = &answer.stands_out else {
        return "No channel moves against the others yet.".to_owned();
    };
    let channel = answer
        .channels
        .iter()
        .find(|one| one.channel == found.channel);
    let place = channel.and_then(place);
    let place = place.map_or_else(
        || "no pour names it yet".to_owned(),
        |place| format!("plugged in at {place}"),
    );
    let moved = CelsiusDifference(found.against_others_c.abs()).show(state.units());
    let way = if found.against_others_c < 0.0 {
        "fell"
    } else {
        "rose"
    };
    format!(
        "THIS IS {}: it {way} {moved} against the others; {place}.",
        found.channel
    )
}

/// Bed and position, or what it reads there.
fn place(one: &ChannelReading) -> Option<String> {
    let bed = one.bed.as_ref()?;
    let role = one.role.map_or("", words::role);
    Some(match &one.position {
        Some(position) => format!("{bed} {position}"),
        None => format!("{bed} {role}"),
    })
}

fn row(
    state: &State,
    answer: &ChannelsAnswer,
    one: &ChannelReading,
    theme: Theme,
) -> Line<'static> {
    let units = state.units();
    let read = match (one.temperature_c, &one.fault) {
        (Some(temperature_c), _) => Celsius(temperature_c).show(units),
        (None, Some(fault)) => fault.clone(),
        (None, None) => "nothing".to_owned(),
    };
    let moved = one.moved_c.map_or_else(String::new, |moved_c| {
        let moved = CelsiusDifference(moved_c.abs()).show(units);
        format!("{}{moved}", if moved_c < 0.0 { "-" } else { "+" })
    });
    let age = one.measured_at.map_or_else(String::new, |at| {
        format!("{} ago", span_text(state.plant_now() - at))
    });
    let is_found = answer
        .stands_out
        .as_ref()
        .is_some_and(|found| found.channel == one.channel);
    let pointer = if is_found { ">" } else { " " };
    let style = if is_found {
        theme.strong()
    } else {
        theme.normal()
    };
    let text = format!(
        " {pointer} {:<12} {:<16} {read:>10} {moved:>10}  {age}",
        fit(&one.channel, 12),
        fit(&place(one).unwrap_or_else(|| "-".to_owned()), 16),
    );
    Line::from(Span::styled(text, style))
}

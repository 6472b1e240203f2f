//! The help, made from the table of keys.

use ratatui::text::{Line, Span};

use super::text::wrap;
use crate::keys::{BINDINGS, Group};
use crate::theme::Theme;
use crate::words;

pub fn lines(width: u16, theme: Theme) -> Vec<Line<'static>> {
    let mut lines = vec![Line::styled(" Help", theme.strong())];
    for group in Group::ALL {
        lines.push(Line::styled(format!(" {}", group.title()), theme.heading()));
        for binding in BINDINGS.iter().filter(|binding| binding.group == group) {
            lines.push(Line::from(vec![
                Span::styled(format!("   {:<12}", binding.label), theme.strong()),
                Span::styled(binding.help, theme.normal()),
            ]));
        }
    }
    lines.push(Line::styled(" Signs before a bed's name", theme.heading()));
    for (sign, meaning) in [
        ("!", "go now"),
        ("?", "see to it soon"),
        ("·", "look when you pass"),
        ("z", "snoozed: quiet until a time"),
    ] {
        lines.push(Line::styled(
            format!("   {sign:<12}{meaning}"),
            theme.normal(),
        ));
    }
    lines.push(Line::styled(" Remember", theme.heading()));
    let width = usize::from(width) - 4;
    for sentence in [words::ESTIMATES_CONFIRM_NOTHING]
        .iter()
        .chain(&words::RELEASE_CAUTIONS)
    {
        for line in wrap(sentence, width) {
            lines.push(Line::styled(format!("   {line}"), theme.normal()));
        }
    }
    lines
}

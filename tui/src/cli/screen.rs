//! One frame of the dashboard as text, for a note, a manual or a mail: the same drawing, without colour.

use std::str::FromStr;
use std::time::Duration;

use anyhow::{Context as _, bail};
use clap::{Args, ValueEnum};
use daemon_api::client::Client;

use super::send::print;
use crate::event::{Connection, Event};
use crate::state::{Screen, Settings, State};
use crate::{app, view};

/// A larger frame than any terminal is a slip of the keyboard.
const CELLS_MAX: u16 = 1000;

#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  tarplight screen\n  tarplight screen bed N4 --size 140x45\n\n\
                  A bed in depth is a long page: give it enough lines, such as --size 140x90, to print all of it."
)]
pub struct ScreenArgs {
    /// Which screen
    #[arg(value_enum, default_value_t = ScreenName::Yard)]
    screen: ScreenName,
    /// The bed to show, or to choose in the yard; the first if absent
    bed: Option<String>,
    /// Columns and lines
    #[arg(long, value_name = "COLUMNSxLINES", default_value = "80x24")]
    size: Size,
}

/// The screens by the words of the help.
#[derive(Debug, Clone, Copy, ValueEnum)]
enum ScreenName {
    Yard,
    Bed,
    Night,
    Troubles,
    Sources,
    Mixes,
    Plan,
    Log,
    History,
    Channels,
    Far,
    Help,
}

impl From<ScreenName> for Screen {
    fn from(name: ScreenName) -> Self {
        match name {
            ScreenName::Yard => Self::Yard,
            ScreenName::Bed => Self::Bed,
            ScreenName::Night => Self::Night,
            ScreenName::Troubles => Self::Troubles,
            ScreenName::Sources => Self::Sources,
            ScreenName::Mixes => Self::Mixes,
            ScreenName::Plan => Self::Plan,
            ScreenName::Log => Self::Log,
            ScreenName::History => Self::History,
            ScreenName::Channels => Self::Channels,
            ScreenName::Far => Self::Far,
            ScreenName::Help => Self::Help,
        }
    }
}

/// Columns and lines of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Size {
    columns: u16,
    lines: u16,
}

impl FromStr for Size {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let parse = |text: &str| text.trim().parse::<u16>().ok();
        let size = text
            .split_once('x')
            .and_then(|(columns, lines)| Some((parse(columns)?, parse(lines)?)));
        match size {
            Some((columns, lines))
                if (view::WIDTH_MIN..=CELLS_MAX).contains(&columns)
                    && (view::HEIGHT_MIN..=CELLS_MAX).contains(&lines) =>
            {
                Ok(Self { columns, lines })
            }
            _ => Err(format!(
                "give columns and lines such as 140x45, at least {}x{}",
                view::WIDTH_MIN,
                view::HEIGHT_MIN
            )),
        }
    }
}

/// Prints one frame of what the daemon knows now.
pub async fn run(settings: Settings, args: &ScreenArgs) -> anyhow::Result<()> {
    let client = Client::new(&settings.daemon)?;
    let mut state = State::new(settings);
    let snapshot = Box::new(client.snapshot().await?);
    let news = Event::Connection(Connection::Snapshot(snapshot));
    state.apply(news, Duration::ZERO);
    if let Some(bed) = &args.bed {
        choose(&mut state, bed)?;
    }
    state.screen = args.screen.into();
    for request in state.apply(Event::Tick, Duration::ZERO) {
        if let Some(event) = app::answer(&client, request).await {
            state.apply(event, Duration::ZERO);
        }
    }
    let text = view::text_of(&state, args.size.columns, args.size.lines);
    print(&text).context("the frame cannot be printed")
}

fn choose(state: &mut State, bed: &str) -> anyhow::Result<()> {
    let rows = state.rows();
    let Some(row) = rows.iter().find(|row| row.bed.bed == bed) else {
        let known: Vec<&str> = rows.iter().map(|row| row.bed.bed.as_str()).collect();
        bail!(
            "there is no bed \"{bed}\": the plant has {}",
            known.join(", ")
        );
    };
    state.chosen = Some(row.key());
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_size_is_columns_and_lines_and_never_too_small_to_read() {
        let size = |text: &str| text.parse::<Size>();
        assert_eq!(
            size("140x45"),
            Ok(Size {
                columns: 140,
                lines: 45
            })
        );
        for wrong in ["", "140", "x", "79x24", "80x23", "80x-1", "9999x24", "axb"] {
            let sentence = size(wrong).expect_err(wrong);
            assert!(sentence.contains("at least 80x24"), "{sentence}");
        }
    }
}

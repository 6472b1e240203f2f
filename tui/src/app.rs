//! The dashboard's loop: terminal, connection and answers in, frames and requests out.

use std::time::{Duration, Instant};

use anyhow::Context as _;
use chrono::{DateTime, Utc};
use crossterm::event::{
    DisableBracketedPaste, DisableMouseCapture, EnableBracketedPaste, EnableMouseCapture,
    Event as TerminalEvent, EventStream,
};
use crossterm::execute;
use crossterm::style::Print;
use crossterm::terminal::{EnterAlternateScreen, enable_raw_mode};
use daemon_api::client::{Client, ClientError};
use futures_util::StreamExt;
use ratatui::DefaultTerminal;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc::{Receiver, Sender, channel};

use crate::connection;
use crate::event::{ActFailure, Event, Page, PageAnswer, Request};
use crate::looks::Looks;
use crate::state::{Settings, State};
use crate::theme::Theme;
use crate::view;

/// Ages are shown to the second.
const TICK_PERIOD: Duration = Duration::from_secs(1);
/// Events that may wait while a frame is drawn; more make the connection wait.
const EVENTS_MAX: usize = 256;

/// The signal that follows a stop; each system has its own number for it.
const SIGCONT: i32 = if cfg!(target_os = "linux") { 18 } else { 19 };

/// Shows the dashboard until the person leaves it.
///
/// # Errors
/// Where the daemon's address is not usable or the terminal fails; a daemon that is gone is shown.
pub async fn run(mut settings: Settings, theme: Theme) -> anyhow::Result<()> {
    let looks = Looks::of(&settings.daemon);
    settings.looked_at = looks.read();
    let client = Client::new(&settings.daemon)?;
    let (sender, receiver) = channel(EVENTS_MAX);
    let follower = tokio::spawn(connection::follow(client.clone(), sender.clone()));
    let mut terminal = ratatui::try_init().context("the terminal cannot show a dashboard")?;
    let outcome = async {
        execute!(std::io::stdout(), EnableMouseCapture, EnableBracketedPaste)?;
        dashboard(
            &mut terminal,
            State::new(settings),
            theme,
            client,
            sender,
            receiver,
        )
        .await
    }
    .await;
    // The terminal is given back whatever happened; a failure to do so must not hide the first one.
    let restored = execute!(
        std::io::stdout(),
        DisableBracketedPaste,
        DisableMouseCapture
    );
    ratatui::restore();
    follower.abort();
    looks.write(outcome?);
    restored.context("the terminal was not restored")
}

async fn dashboard(
    terminal: &mut DefaultTerminal,
    mut state: State,
    theme: Theme,
    client: Client,
    sender: Sender<Event>,
    mut receiver: Receiver<Event>,
) -> anyhow::Result<Option<DateTime<Utc>>> {
    let began_at = Instant::now();
    let mut typed = EventStream::new();
    let mut ticks = tokio::time::interval(TICK_PERIOD);
    let mut continued = signal(SignalKind::from_raw(SIGCONT))?;
    loop {
        let mut drawn = None;
        terminal.draw(|frame| drawn = Some(view::draw(frame, &state, theme)))?;
        state.set_drawn(drawn.unwrap_or_default());
        let mut next = tokio::select! {
            event = receiver.recv() => event,
            event = typed.next() => match event {
                Some(event) => from_terminal(event.context("the terminal cannot be read")?),
                None => return Ok(state.last_look_at()),
            },
            _ = ticks.tick() => Some(Event::Tick),
            _ = continued.recv() => {
                // The shell has put the terminal into its own mode meanwhile.
                take_back(terminal)?;
                Some(Event::Resize)
            }
        };
        // A burst of events is taken in whole before the next frame.
        while let Some(event) = next {
            for request in state.apply(event, began_at.elapsed()) {
                match request {
                    Request::Quit => return Ok(state.last_look_at()),
                    Request::Bell => execute!(std::io::stdout(), Print('\u{7}'))?,
                    request => {
                        tokio::spawn(perform(client.clone(), sender.clone(), request));
                    }
                }
            }
            next = receiver.try_recv().ok();
        }
    }
}

/// Puts the terminal into the dashboard's mode again and draws everything anew.
fn take_back(terminal: &mut DefaultTerminal) -> anyhow::Result<()> {
    enable_raw_mode()?;
    execute!(
        std::io::stdout(),
        EnterAlternateScreen,
        EnableMouseCapture,
        EnableBracketedPaste
    )?;
    terminal.clear()?;
    Ok(())
}

fn from_terminal(event: TerminalEvent) -> Option<Event> {
    match event {
        TerminalEvent::Key(key) => Some(Event::Key(key)),
        TerminalEvent::Mouse(mouse) => Some(Event::Mouse(mouse)),
        TerminalEvent::Paste(text) => Some(Event::Paste(text)),
        TerminalEvent::Resize(..) => Some(Event::Resize),
        TerminalEvent::FocusGained | TerminalEvent::FocusLost => None,
    }
}

/// Carries a request out and sends the answer back as an event.
async fn perform(client: Client, sender: Sender<Event>, request: Request) {
    if let Some(event) = answer(&client, request).await {
        // Nobody listens any more when the dashboard was left meanwhile.
        let _ = sender.send(event).await;
    }
}

/// The answer to a request; nothing answers the bell and the wish to leave.
pub async fn answer(client: &Client, request: Request) -> Option<Event> {
    Some(match request {
        Request::Series { pour, points } => {
            let answer = client.series(&pour, points).await;
            let answer = answer.map(Box::new).map_err(|problem| problem.to_string());
            Event::Series { pour, answer }
        }
        Request::Page(page) => {
            let answer = page_answer(client, page).await;
            let answer = answer.map_err(|problem| problem.to_string());
            Event::Page { page, answer }
        }
        Request::Act(act) => {
            let answer = client.act(&act).await.map_err(failure);
            Event::Act { id: act.id, answer }
        }
        Request::DryRun(act) => {
            let answer = client.dry_run(&act).await.map_err(failure);
            Event::DryRun { id: act.id, answer }
        }
        Request::Quit | Request::Bell => return None,
    })
}

async fn page_answer(client: &Client, page: Page) -> Result<PageAnswer, ClientError> {
    Ok(match page {
        Page::Mixes => PageAnswer::Mixes(Box::new(client.mixes().await?)),
        Page::Alarms => PageAnswer::Alarms(Box::new(client.alarms().await?)),
        Page::History => PageAnswer::History(Box::new(client.alarm_history((None, None)).await?)),
        Page::Plan => PageAnswer::Plan(Box::new(client.plan().await?)),
        Page::Log => PageAnswer::Log(Box::new(client.shift_log((None, None)).await?)),
        Page::Changes { from_at } => {
            PageAnswer::Log(Box::new(client.shift_log((Some(from_at), None)).await?))
        }
        Page::Channels { since_at } => {
            PageAnswer::Channels(Box::new(client.channels(Some(since_at)).await?))
        }
    })
}

/// Only the daemon's own sentence says that an act was refused; all else leaves it open.
fn failure(error: ClientError) -> ActFailure {
    match error {
        ClientError::Problem(problem) if !problem.odd.is_empty() => {
            ActFailure::Odd(problem.odd.into_vec())
        }
        ClientError::Problem(problem) => ActFailure::Refused(problem.detail),
        other => ActFailure::Unanswered(other.to_string()),
    }
}

//! Everything that can make the dashboard act, and everything it can ask of the world.

use std::time::Duration;

use chrono::{DateTime, Utc};
use crossterm::event::{KeyEvent, MouseEvent};
use daemon_api::act::{Act, ActAnswer};
use daemon_api::alarm::{AlarmHistory, AlarmsAnswer};
use daemon_api::bed::PlantSnapshot;
use daemon_api::channel::ChannelsAnswer;
use daemon_api::effect::Odd;
use daemon_api::event::PlantEvent;
use daemon_api::mix::MixesAnswer;
use daemon_api::plan::PlanAnswer;
use daemon_api::series::SeriesAnswer;
use daemon_api::shift::ShiftLog;
use uuid::Uuid;

/// One thing that happened.
#[derive(Debug)]
pub enum Event {
    /// A key was pressed.
    Key(KeyEvent),
    /// The mouse did something.
    Mouse(MouseEvent),
    /// Text was pasted.
    Paste(String),
    /// The terminal has another size.
    Resize,
    /// Time passed: ages must be shown again.
    Tick,
    /// The connection to the daemon came or went.
    Connection(Connection),
    /// The plant changed.
    Plant(Box<PlantEvent>),
    /// The series of a pour came, or a sentence why not.
    Series {
        pour: String,
        answer: Result<Box<SeriesAnswer>, String>,
    },
    /// What a page shows came, or a sentence why not.
    Page {
        page: Page,
        answer: Result<PageAnswer, String>,
    },
    /// What an act would change came, or why it would not be taken.
    DryRun {
        id: Uuid,
        answer: Result<ActAnswer, ActFailure>,
    },
    /// An act was answered.
    Act {
        id: Uuid,
        answer: Result<ActAnswer, ActFailure>,
    },
}

/// What is fetched only while it is in view.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Page {
    /// Mixes with their curves.
    Mixes,
    /// Every alarm that is not normal.
    Alarms,
    /// What happened to alarms.
    History,
    /// What wants a person, in order of time.
    Plan,
    /// The shift log of the last hours.
    Log,
    /// The shift log since a person last looked.
    Changes { from_at: DateTime<Utc> },
    /// Every channel that speaks, and how far each has moved since a moment.
    Channels { since_at: DateTime<Utc> },
}

/// What a page shows.
#[derive(Debug)]
pub enum PageAnswer {
    Mixes(Box<MixesAnswer>),
    Alarms(Box<AlarmsAnswer>),
    History(Box<AlarmHistory>),
    Plan(Box<PlanAnswer>),
    /// Also of the changes.
    Log(Box<ShiftLog>),
    Channels(Box<ChannelsAnswer>),
}

/// News of the connection.
#[derive(Debug)]
pub enum Connection {
    /// A whole snapshot: after connecting and after a missed event.
    Snapshot(Box<PlantSnapshot>),
    /// The daemon is gone.
    Lost { loss: Loss, retry_in: Duration },
}

/// How the daemon was lost.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Loss {
    /// Nothing listens at its address, or the connection broke.
    Gone,
    /// The connection stands, but nothing comes.
    Silent,
    /// It answered something else than it should, in the client's words.
    Odd(String),
}

/// Why an act is not in the record, or may not be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ActFailure {
    /// Something is odd about it: it is taken only where each is accepted by its name.
    Odd(Vec<Odd>),
    /// The daemon refused it with this sentence.
    Refused(String),
    /// No answer came: it may be recorded or not.
    Unanswered(String),
}

/// What the dashboard asks of the world after an event.
#[derive(Debug, Clone, PartialEq)]
pub enum Request {
    /// Fetch the series of a pour.
    Series { pour: String, points: usize },
    /// Fetch what a page shows.
    Page(Page),
    /// Ring the terminal's bell.
    Bell,
    /// Ask what an act would change.
    DryRun(Box<Act>),
    /// Send an act.
    Act(Box<Act>),
    /// Leave.
    Quit,
}

//! Everything that can make the dashboard act, and everything it can ask of the world.

use std::time::Duration;

use crossterm::event::{KeyEvent, MouseEvent};
use daemon_api::act::{Act, ActAnswer};
use daemon_api::bed::PlantSnapshot;
use daemon_api::event::PlantEvent;
use daemon_api::mix::MixesAnswer;
use daemon_api::series::SeriesAnswer;
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
    /// The mixes with their curves came, or a sentence why not.
    Mixes(Result<Box<MixesAnswer>, String>),
    /// An act was answered.
    Act {
        id: Uuid,
        answer: Result<ActAnswer, ActFailure>,
    },
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
    /// Fetch the mixes with their curves.
    Mixes,
    /// Send an act.
    Act(Box<Act>),
    /// Leave.
    Quit,
}

//! All that the dashboard knows and where the person is in it; knows nothing of drawing.

mod alarms;
mod fetched;
mod input;
mod looking;

use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use daemon_api::bed::{BedView, PlantSnapshot};
use daemon_api::event::{PlantChange, PlantEvent};
use daemon_api::pour::{PourStatus, PourView};
use daemon_api::series::SeriesAnswer;
use daemon_api::trouble::{TroubleView, Urgency};
use units::UnitSystem;

pub use alarms::{AlarmPart, is_new, is_snoozed};
pub use fetched::{Fetched, Pages};

use crate::event::{ActFailure, Connection, Event, Loss, Page, Request};
use crate::form::{FieldKey, Form, FormKind};
use crate::times::Zone;

/// Without a word for this long of wall time, what is shown is called old; heartbeats come each 5 s.
pub const SILENCE_MAX: Duration = Duration::from_secs(12);
/// A message that asks nothing of a person leaves after this much wall time.
const MESSAGE_STAYS: Duration = Duration::from_secs(20);
/// Points per series that a chart asks for: two per braille column of a wide screen.
const SERIES_POINTS: usize = 240;

/// What the person chose when starting the dashboard.
#[derive(Debug, Clone, Default)]
pub struct Settings {
    /// The daemon's address, for messages.
    pub daemon: String,
    /// The unit system; the plant's own where absent.
    pub units: Option<UnitSystem>,
    /// The name that forms begin with.
    pub by: String,
    /// When a person last looked at another dashboard of this daemon, in plant time.
    pub looked_at: Option<DateTime<Utc>>,
}

/// The screens.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Screen {
    Yard,
    Bed,
    Night,
    Troubles,
    Sources,
    Mixes,
    Plan,
    Log,
    History,
    Changes,
    Channels,
    /// One word, readable from across the room.
    Far,
    Help,
}

/// How the beds stand below each other.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Order {
    /// As they lie in the yard.
    #[default]
    Yard,
    /// What needs a person most first.
    Urgency,
}

/// The connection as last heard of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Link {
    /// No answer yet.
    Connecting,
    Up,
    Down {
        loss: Loss,
        /// The wall time of the next try.
        retry_at: Duration,
    },
}

/// One row of the yard: a bed, with one of its pours where it has any.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RowKey {
    pub bed: String,
    pub pour: Option<String>,
}

/// A row with what it shows.
#[derive(Debug, Clone, Copy)]
pub struct Row<'a> {
    pub bed: &'a BedView,
    pub pour: Option<&'a PourView>,
}

impl Row<'_> {
    pub fn key(&self) -> RowKey {
        RowKey {
            bed: self.bed.bed.clone(),
            pour: self.pour.map(|pour| pour.pour.clone()),
        }
    }
}

/// What an act or a key led to, shown until put away.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
    pub is_bad: bool,
    pub lines: Vec<String>,
}

/// Where on the screen something can be clicked; filled by the view.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Hit {
    pub y: u16,
    pub height: u16,
    pub x: u16,
    pub width: u16,
    pub row: RowKey,
}

/// What the last frame said of itself, so that scrolling knows its bounds.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Drawn {
    pub hits: Vec<Hit>,
    pub scroll_max: usize,
    pub page_rows: usize,
}

/// The series of the pour in view.
#[derive(Debug, Default)]
pub struct Charted {
    pub pour: String,
    pub answer: Option<Box<SeriesAnswer>>,
    pub problem: Option<String>,
    asked_at: Option<Duration>,
}

/// The whole state.
#[derive(Debug)]
pub struct State {
    pub settings: Settings,
    pub snapshot: Option<PlantSnapshot>,
    pub zone: Zone,
    pub link: Link,
    pub screen: Screen,
    pub chosen: Option<RowKey>,
    pub scroll: usize,
    pub form: Option<Form>,
    pub message: Option<Message>,
    /// Since when of wall time the message stands.
    message_since: Option<Duration>,
    /// The screens that led to this one, the last at the end.
    before: Vec<Screen>,
    /// True where one more `q` leaves although somebody is called.
    is_leaving: bool,
    pub charted: Charted,
    pub pages: Pages,
    pub order: Order,
    /// The alarm that is chosen on their page.
    pub chosen_alarm_id: Option<String>,
    /// Since when nothing has needed a person, as seen from here.
    pub quiet_since_at: Option<DateTime<Utc>>,
    looking: looking::Looking,
    rung: Option<alarms::Rung>,
    pub drawn: Drawn,
    /// Wall time since the dashboard began.
    wall: Duration,
    /// The wall time at which the daemon was last heard.
    heard_at: Duration,
}

impl State {
    pub fn new(settings: Settings) -> Self {
        Self {
            settings,
            snapshot: None,
            zone: Zone::default(),
            link: Link::Connecting,
            screen: Screen::Yard,
            chosen: None,
            scroll: 0,
            form: None,
            message: None,
            message_since: None,
            before: Vec::new(),
            is_leaving: false,
            charted: Charted::default(),
            pages: Pages::default(),
            order: Order::default(),
            chosen_alarm_id: None,
            quiet_since_at: None,
            looking: looking::Looking::default(),
            rung: None,
            drawn: Drawn::default(),
            wall: Duration::ZERO,
            heard_at: Duration::ZERO,
        }
    }

    /// Takes one event in at a wall time; says what to ask of the world.
    pub fn apply(&mut self, event: Event, wall: Duration) -> Vec<Request> {
        self.wall = wall;
        let mut requests = Vec::new();
        match event {
            Event::Key(key) => {
                requests.extend(self.looked());
                requests.extend(self.key(&key));
            }
            Event::Mouse(mouse) => {
                requests.extend(self.looked());
                requests.extend(self.mouse(&mouse));
            }
            Event::Paste(text) => {
                if let Some(form) = &mut self.form {
                    form.paste(&text);
                }
            }
            Event::Resize | Event::Tick => {}
            Event::Connection(news) => requests.extend(self.connection(news)),
            Event::Plant(event) => self.plant_event(*event),
            Event::Series { pour, answer } => self.series(&pour, answer),
            Event::Page { page, answer } => {
                self.pages.take(page, answer);
                if matches!(page, Page::Changes { .. }) {
                    self.tell_changes();
                }
            }
            Event::DryRun { id, answer } => {
                if let Some(form) = self.form.as_mut().filter(|form| form.id == id) {
                    form.take_check(answer);
                }
            }
            Event::Act { id, answer } => {
                if self.form.as_ref().is_some_and(|form| form.id == id) {
                    self.act_answer(answer);
                    self.pages.hurry();
                }
            }
        }
        self.let_message_go();
        if self.snapshot.is_some() && self.rings() {
            requests.push(Request::Bell);
        }
        requests.extend(self.series_request());
        requests.extend(self.page_request());
        requests
    }

    /// What went well leaves by itself; what has a caution or went wrong stays until a key is pressed.
    fn let_message_go(&mut self) {
        match (&self.message, self.message_since) {
            (None, _) => self.message_since = None,
            (Some(_), None) => self.message_since = Some(self.wall),
            (Some(message), Some(since)) => {
                let is_plain = !message.is_bad && message.lines.len() == 1;
                if is_plain && self.wall >= since + MESSAGE_STAYS {
                    self.message = None;
                    self.message_since = None;
                }
            }
        }
    }

    fn connection(&mut self, news: Connection) -> Option<Request> {
        match news {
            Connection::Snapshot(snapshot) => {
                let is_first = self.snapshot.is_none();
                self.zone = Zone::named(&snapshot.plant.zone);
                self.snapshot = Some(*snapshot);
                self.link = Link::Up;
                self.heard_at = self.wall;
                self.keep_choice();
                self.note_quiet();
                is_first.then(|| self.first_look()).flatten()
            }
            Connection::Lost { loss, retry_in } => {
                self.link = Link::Down {
                    loss,
                    retry_at: self.wall + retry_in,
                };
                // Nobody knows what happens meanwhile.
                self.quiet_since_at = None;
                None
            }
        }
    }

    /// Notes since when nothing has needed a person.
    fn note_quiet(&mut self) {
        if !self.awake().is_empty() {
            self.quiet_since_at = None;
        } else if self.quiet_since_at.is_none() {
            self.quiet_since_at = Some(self.plant_now());
        }
    }

    fn plant_event(&mut self, event: PlantEvent) {
        let Some(snapshot) = &mut self.snapshot else {
            return;
        };
        snapshot.sequence = event.sequence;
        snapshot.plant.now = event.now;
        self.heard_at = self.wall;
        self.link = Link::Up;
        match event.change {
            PlantChange::Bed { bed } => {
                match snapshot.beds.iter_mut().find(|known| known.bed == bed.bed) {
                    Some(known) => *known = *bed,
                    None => snapshot.beds.push(*bed),
                }
                snapshot.beds.sort_by_key(|bed| bed.order);
                self.keep_choice();
            }
            PlantChange::Plant {
                troubles,
                cleared,
                sources,
                store,
            } => {
                snapshot.troubles = troubles;
                snapshot.cleared = cleared;
                snapshot.sources = sources;
                snapshot.plant.store = store;
                self.note_quiet();
                self.pages.hurry();
            }
            PlantChange::Heartbeat {} | PlantChange::Resync {} => {}
        }
    }

    fn series(&mut self, pour: &str, answer: Result<Box<SeriesAnswer>, String>) {
        if self.charted.pour != pour {
            return;
        }
        match answer {
            Ok(answer) => {
                self.charted.answer = Some(answer);
                self.charted.problem = None;
            }
            Err(problem) => self.charted.problem = Some(problem),
        }
    }

    /// Asks for the series of the bed in view when it is due; nothing else is charted.
    fn series_request(&mut self) -> Option<Request> {
        if self.screen != Screen::Bed || self.link != Link::Up {
            return None;
        }
        let pour = self.chosen_row()?.pour?.pour.clone();
        if self.charted.pour != pour {
            self.charted = Charted {
                pour: pour.clone(),
                ..Charted::default()
            };
        }
        let is_due = self
            .charted
            .asked_at
            .is_none_or(|asked_at| self.wall >= asked_at + fetched::FETCH_PERIOD);
        is_due.then(|| {
            self.charted.asked_at = Some(self.wall);
            Request::Series {
                pour,
                points: SERIES_POINTS,
            }
        })
    }

    fn act_answer(&mut self, answer: Result<daemon_api::ActAnswer, ActFailure>) {
        let Some(form) = &mut self.form else { return };
        form.is_sending = false;
        match answer {
            Ok(answer) => {
                let known = if answer.already_known {
                    " (it was in the record already)"
                } else {
                    ""
                };
                // What the daemon understood, which is more than what was typed.
                let understood = match answer.understood.as_str() {
                    "" => &form.title,
                    understood => understood,
                };
                let mut lines = vec![format!("Recorded: {understood}{known}.")];
                lines.extend(form.verdict().map(str::to_owned));
                if form.kind == FormKind::HandOver {
                    self.settings.by = form.value(&FieldKey::To);
                }
                lines.extend(
                    answer
                        .cautions
                        .into_iter()
                        .map(|text| format!("Caution: {text}")),
                );
                self.message = Some(Message {
                    is_bad: false,
                    lines,
                });
                self.form = None;
            }
            Err(ActFailure::Odd(odd)) => form.ask_about(&odd),
            Err(ActFailure::Refused(sentence)) => {
                form.problem = Some(format!("Refused, nothing was recorded: {sentence}"));
            }
            Err(ActFailure::Unanswered(sentence)) => {
                form.problem = Some(format!(
                    "It is not known whether this was recorded ({sentence}). Record it again when the \
                     daemon is back: unchanged, it counts once."
                ));
            }
        }
    }

    /// Keeps the chosen row when the pours of its bed change, and chooses the first at the start.
    fn keep_choice(&mut self) {
        let rows = self.rows();
        let kept = match &self.chosen {
            Some(chosen) => rows
                .iter()
                .find(|row| row.key() == *chosen)
                .or_else(|| rows.iter().find(|row| row.bed.bed == chosen.bed)),
            None => rows.first(),
        };
        self.chosen = kept.or(rows.first()).map(Row::key);
    }

    /// Every row of the yard: a bed with several pours has one for each, none is hidden.
    pub fn rows(&self) -> Vec<Row<'_>> {
        let Some(snapshot) = &self.snapshot else {
            return Vec::new();
        };
        let mut rows = Vec::new();
        for bed in &snapshot.beds {
            if bed.pours.is_empty() {
                rows.push(Row { bed, pour: None });
            }
            rows.extend(bed.pours.iter().map(|pour| Row {
                bed,
                pour: Some(pour),
            }));
        }
        if self.order == Order::Urgency {
            // The sort keeps the yard's order among equals.
            rows.sort_by_key(|row| std::cmp::Reverse(urgency_of(row.bed)));
        }
        rows
    }

    /// The place of the chosen row.
    pub fn chosen_at(&self) -> usize {
        self.rows()
            .iter()
            .position(|row| Some(row.key()) == self.chosen)
            .unwrap_or(0)
    }

    pub fn chosen_row(&self) -> Option<Row<'_>> {
        self.rows().get(self.chosen_at()).copied()
    }

    /// A pour of any bed.
    pub fn pour(&self, id: &str) -> Option<&PourView> {
        let snapshot = self.snapshot.as_ref()?;
        snapshot
            .beds
            .iter()
            .flat_map(|bed| &bed.pours)
            .find(|pour| pour.pour == id)
    }

    /// Every pour that is cut together with this one, itself included.
    pub fn line_pours<'a>(&'a self, pour: &'a PourView) -> Vec<&'a PourView> {
        let mut pours: Vec<_> = pour
            .line_pours
            .iter()
            .filter_map(|id| self.pour(id))
            .collect();
        if pours.is_empty() {
            pours.push(pour);
        }
        pours
    }

    pub fn troubles(&self) -> &[TroubleView] {
        self.snapshot
            .as_ref()
            .map_or(&[], |snapshot| &snapshot.troubles)
    }

    pub fn units(&self) -> UnitSystem {
        self.settings.units.unwrap_or_else(|| match &self.snapshot {
            Some(snapshot) if snapshot.plant.units == "us" => UnitSystem::Us,
            _ => UnitSystem::Si,
        })
    }

    /// Plant time now: what the daemon last said and the wall time since, at the plant clock's speed.
    pub fn plant_now(&self) -> DateTime<Utc> {
        let Some(snapshot) = &self.snapshot else {
            return DateTime::UNIX_EPOCH;
        };
        snapshot.plant.now + self.data_age()
    }

    /// How old what is shown is, in plant time.
    pub fn data_age(&self) -> TimeDelta {
        let speed = self
            .snapshot
            .as_ref()
            .map_or(1.0, |snapshot| snapshot.plant.clock_speed);
        let elapsed_s = self.wall.saturating_sub(self.heard_at).as_secs_f64();
        #[expect(
            clippy::cast_possible_truncation,
            reason = "ages are far below 2^63 ms"
        )]
        TimeDelta::milliseconds((elapsed_s * speed * 1000.0) as i64)
    }

    /// True where what is shown may no longer hold.
    pub fn is_stale(&self) -> bool {
        self.link != Link::Up || self.wall.saturating_sub(self.heard_at) > SILENCE_MAX
    }

    /// Wall seconds to the next try of a lost connection.
    pub fn retry_in_s(&self) -> Option<u64> {
        match &self.link {
            Link::Down { retry_at, .. } => Some(retry_at.saturating_sub(self.wall).as_secs()),
            Link::Connecting | Link::Up => None,
        }
    }

    /// Takes in what the frame said of itself.
    pub fn set_drawn(&mut self, drawn: Drawn) {
        self.scroll = self.scroll.min(drawn.scroll_max);
        self.drawn = drawn;
    }
}

/// The most urgent of what stands on a bed and is not snoozed.
pub fn urgency_of(bed: &BedView) -> Option<Urgency> {
    let awake = bed.troubles.iter().filter(|trouble| !is_snoozed(trouble));
    awake.map(|trouble| trouble.urgency).max()
}

/// True for a pour that can still be acted upon.
pub fn is_open(pour: &PourView) -> bool {
    !matches!(pour.status, PourStatus::Stripped | PourStatus::Abandoned)
}

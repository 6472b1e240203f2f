//! What is fetched only while its page is in view.

use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use daemon_api::alarm::{AlarmHistory, AlarmsAnswer};
use daemon_api::channel::ChannelsAnswer;
use daemon_api::mix::MixesAnswer;
use daemon_api::plan::PlanAnswer;
use daemon_api::shift::ShiftLog;

use super::{Link, Screen, State};
use crate::event::{Page, PageAnswer, Request};

/// What is in view and comes by request is asked for again after this much wall time.
pub const FETCH_PERIOD: Duration = Duration::from_secs(5);
/// Channels move within seconds of a hand, so they are asked for more often.
const CHANNELS_PERIOD: Duration = Duration::from_secs(2);
/// Movements are counted from this long before the page was opened: a hand may have been quicker.
const MOVED_BEFORE: TimeDelta = TimeDelta::minutes(2);

/// One answer of the daemon, as last fetched.
#[derive(Debug)]
pub struct Fetched<T> {
    pub answer: Option<Box<T>>,
    pub problem: Option<String>,
}

impl<T> Default for Fetched<T> {
    fn default() -> Self {
        Self {
            answer: None,
            problem: None,
        }
    }
}

impl<T> Fetched<T> {
    fn take(&mut self, answer: Box<T>) {
        self.answer = Some(answer);
        self.problem = None;
    }

    /// What stands where there is no answer yet: that it is being fetched, or why it did not come.
    pub fn wanting(&self, what: &str) -> String {
        match &self.problem {
            Some(problem) => format!("{what} did not come: {problem}"),
            None => format!("{what}: being fetched."),
        }
    }
}

/// Every page's answer.
#[derive(Debug, Default)]
pub struct Pages {
    pub mixes: Fetched<MixesAnswer>,
    pub alarms: Fetched<AlarmsAnswer>,
    pub history: Fetched<AlarmHistory>,
    pub plan: Fetched<PlanAnswer>,
    pub log: Fetched<ShiftLog>,
    pub changes: Fetched<ShiftLog>,
    pub channels: Fetched<ChannelsAnswer>,
    /// The moment since when channels are watched for a hand.
    pub channels_since_at: Option<DateTime<Utc>>,
    /// The page asked for last, and when.
    asked: Option<(Page, Duration)>,
}

impl Pages {
    /// Whatever is in view is asked for at once.
    pub fn hurry(&mut self) {
        self.asked = None;
    }

    pub(super) fn take(&mut self, page: Page, answer: Result<PageAnswer, String>) {
        match answer {
            Ok(PageAnswer::Mixes(answer)) => self.mixes.take(answer),
            Ok(PageAnswer::Alarms(answer)) => self.alarms.take(answer),
            Ok(PageAnswer::History(answer)) => self.history.take(answer),
            Ok(PageAnswer::Plan(answer)) => self.plan.take(answer),
            Ok(PageAnswer::Log(answer)) if matches!(page, Page::Changes { .. }) => {
                self.changes.take(answer);
            }
            Ok(PageAnswer::Log(answer)) => self.log.take(answer),
            Ok(PageAnswer::Channels(answer)) => self.channels.take(answer),
            Err(problem) => {
                *match page {
                    Page::Mixes => &mut self.mixes.problem,
                    Page::Alarms => &mut self.alarms.problem,
                    Page::History => &mut self.history.problem,
                    Page::Plan => &mut self.plan.problem,
                    Page::Log => &mut self.log.problem,
                    Page::Changes { .. } => &mut self.changes.problem,
                    Page::Channels { .. } => &mut self.channels.problem,
                } = Some(problem);
            }
        }
    }
}

impl State {
    /// The page that the screen in view shows, where it shows one.
    fn page_in_view(&mut self) -> Option<Page> {
        Some(match self.screen {
            Screen::Mixes => Page::Mixes,
            Screen::Troubles => Page::Alarms,
            Screen::History => Page::History,
            Screen::Plan => Page::Plan,
            Screen::Log => Page::Log,
            Screen::Changes => Page::Changes {
                from_at: self.changes_from_at(),
            },
            Screen::Channels => Page::Channels {
                since_at: self.channels_since_at(),
            },
            Screen::Yard
            | Screen::Bed
            | Screen::Night
            | Screen::Sources
            | Screen::Far
            | Screen::Help => return None,
        })
    }

    fn channels_since_at(&mut self) -> DateTime<Utc> {
        let opened_at = self.plant_now() - MOVED_BEFORE;
        *self.pages.channels_since_at.get_or_insert(opened_at)
    }

    /// Asks for what the page in view shows when it is due.
    pub(super) fn page_request(&mut self) -> Option<Request> {
        if self.link != Link::Up || self.snapshot.is_none() {
            return None;
        }
        let page = self.page_in_view()?;
        let period = match page {
            Page::Channels { .. } => CHANNELS_PERIOD,
            _ => FETCH_PERIOD,
        };
        let is_due = match self.pages.asked {
            Some((asked, asked_at)) => asked != page || self.wall >= asked_at + period,
            None => true,
        };
        is_due.then(|| {
            self.pages.asked = Some((page, self.wall));
            Request::Page(page)
        })
    }
}

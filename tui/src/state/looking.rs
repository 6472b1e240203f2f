//! When a person last looked, and what the yard was like then.

use std::time::Duration;

use chrono::{DateTime, Utc};
use daemon_api::pour::PourStatus;

use super::{Message, State};
use crate::event::{Page, Request};
use crate::words;

/// A person who presses no key for this long of wall time has looked away.
const AWAY: Duration = Duration::from_secs(3 * 60);

/// What was known of a pour at a moment.
#[derive(Debug, Clone, PartialEq)]
pub struct PourThen {
    pub bed: String,
    pub pour: String,
    pub status: PourStatus,
    pub cylinders: String,
    pub likely_at: Option<DateTime<Utc>>,
}

/// The looks of the person at this dashboard.
#[derive(Debug, Default)]
pub struct Looking {
    /// The wall time of the last key.
    key_at: Duration,
    /// Plant time and yard at the last key.
    last: Option<(DateTime<Utc>, Vec<PourThen>)>,
    /// The same when the person last looked away, or left another dashboard.
    pub away: Option<(DateTime<Utc>, Vec<PourThen>)>,
    /// True until the changes since then have been told.
    is_untold: bool,
}

impl State {
    /// A person pressed a key: whoever comes back is told what changed meanwhile.
    pub(super) fn looked(&mut self) -> Option<Request> {
        let has_been_away = self.wall >= self.looking.key_at + AWAY;
        self.looking.key_at = self.wall;
        let before = self.look();
        if !has_been_away {
            return None;
        }
        self.looking.away = before;
        self.ask_for_changes()
    }

    /// Keeps what a person sees now; what was seen before comes back.
    fn look(&mut self) -> Option<(DateTime<Utc>, Vec<PourThen>)> {
        self.snapshot.as_ref()?;
        let now = (self.plant_now(), self.yard_now());
        self.looking.last.replace(now)
    }

    /// The first sight of the plant: what changed since another dashboard was left.
    pub(super) fn first_look(&mut self) -> Option<Request> {
        let now = self.plant_now();
        self.look();
        let looked_at = self.settings.looked_at.filter(|at| *at < now)?;
        self.looking.away = Some((looked_at, Vec::new()));
        self.ask_for_changes()
    }

    fn ask_for_changes(&mut self) -> Option<Request> {
        let (from_at, _) = self.looking.away.as_ref()?;
        let from_at = *from_at;
        self.looking.is_untold = true;
        Some(Request::Page(Page::Changes { from_at }))
    }

    /// Says in a line how much changed, once.
    pub(super) fn tell_changes(&mut self) {
        if !std::mem::take(&mut self.looking.is_untold) || self.message.is_some() {
            return;
        }
        let Some(log) = &self.pages.changes.answer else {
            return;
        };
        let count = log.entries.len() + self.yard_changes().len();
        if count > 0 {
            let since = self.zone.clock_near(log.from_at, self.plant_now());
            let lines = vec![format!(
                "Since you last looked at {since}: {}. Press d to see them.",
                words::plural(count, "change")
            )];
            self.message = Some(Message {
                is_bad: false,
                lines,
            });
        }
    }

    /// When a person last looked away; the beginning of this dashboard where nobody did.
    pub fn changes_from_at(&self) -> DateTime<Utc> {
        let away = self.looking.away.as_ref().or(self.looking.last.as_ref());
        away.map_or_else(|| self.plant_now(), |(at, _)| *at)
    }

    /// When a person last pressed a key here, in plant time.
    pub fn last_look_at(&self) -> Option<DateTime<Utc>> {
        self.looking.last.as_ref().map(|(at, _)| *at)
    }

    fn yard_now(&self) -> Vec<PourThen> {
        let pours = self.snapshot.iter().flat_map(|snapshot| &snapshot.beds);
        pours
            .flat_map(|bed| &bed.pours)
            .map(|pour| PourThen {
                bed: pour.bed.clone(),
                pour: pour.pour.clone(),
                status: pour.status,
                cylinders: pour.confirmation.shortest.clone(),
                likely_at: pour.forecast.likely_at,
            })
            .collect()
    }

    /// What is different in the yard since the person looked away, a sentence each.
    pub fn yard_changes(&self) -> Vec<String> {
        let Some((_, then)) = &self.looking.away else {
            return Vec::new();
        };
        let now = self.yard_now();
        now.iter()
            .filter_map(|now| {
                let then = then.iter().find(|then| then.pour == now.pour)?;
                self.pour_change(then, now)
            })
            .collect()
    }

    fn pour_change(&self, then: &PourThen, now: &PourThen) -> Option<String> {
        let mut parts = Vec::new();
        if then.status != now.status {
            let (was, is) = (words::status(then.status), words::status(now.status));
            parts.push(format!("was {was}, is {is}"));
        }
        if then.cylinders != now.cylinders {
            parts.push(format!("cylinders: {}", now.cylinders));
        }
        let clock = |at| self.zone.clock_near(at, self.plant_now());
        match (then.likely_at, now.likely_at) {
            // Forecasts move by minutes with every reading; only more is news.
            (Some(was), Some(is)) if (is - was).num_minutes().abs() >= 20 => {
                parts.push(format!("likely at {}, was {}", clock(is), clock(was)));
            }
            (None, Some(is)) => parts.push(format!("likely at {}, was unknown", clock(is))),
            (Some(_), None) => parts.push("has no forecast any more".to_owned()),
            _ => {}
        }
        (!parts.is_empty()).then(|| format!("{}: {}.", now.bed, parts.join("; ")))
    }
}

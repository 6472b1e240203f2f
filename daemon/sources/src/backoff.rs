//! Waiting between attempts to reach a port or a broker, and saying once that it is away.

use std::hash::{BuildHasher, Hasher, RandomState};
use std::time::{Duration, Instant};

use tokio::sync::mpsc::UnboundedSender;

use crate::delivery::{Clock, SourceEvent};

const FIRST_WAIT: Duration = Duration::from_millis(200);
const LONGEST_WAIT: Duration = Duration::from_secs(5);
/// A connection that lasted this long was a good one, so the next wait starts short again.
/// Shorter ones keep the wait growing: two clients that throw each other off would spin otherwise.
const GOOD_CONNECTION: Duration = Duration::from_secs(10);

/// Doubling waits with jitter, on wall time.
#[derive(Debug)]
pub struct Backoff {
    next_wait: Duration,
    connected_at: Option<Instant>,
}

impl Backoff {
    pub fn new() -> Self {
        Self {
            next_wait: FIRST_WAIT,
            connected_at: None,
        }
    }

    pub fn connected(&mut self) {
        self.connected_at = Some(Instant::now());
    }

    /// How long to wait now: between half and all of the current step.
    pub fn wait(&mut self) -> Duration {
        if self
            .connected_at
            .take()
            .is_some_and(|at| at.elapsed() >= GOOD_CONNECTION)
        {
            self.next_wait = FIRST_WAIT;
        }
        let step = self.next_wait;
        self.next_wait = (step * 2).min(LONGEST_WAIT);
        // The standard library seeds each RandomState at random: enough to spread reconnects.
        let random = RandomState::new().build_hasher().finish();
        let share =
            f64::from(u32::try_from(random >> 32).unwrap_or(u32::MAX)) / f64::from(u32::MAX);
        step.mul_f64(0.5 + 0.5 * share)
    }
}

/// Sends `Up` and `Down` for one source, each once per change.
pub struct Announcer {
    source: String,
    clock: Clock,
    events: UnboundedSender<SourceEvent>,
    last: Option<Said>,
}

#[derive(PartialEq)]
enum Said {
    Up,
    Down(String),
}

impl Announcer {
    pub fn new(source: String, clock: Clock, events: UnboundedSender<SourceEvent>) -> Self {
        Self {
            source,
            clock,
            events,
            last: None,
        }
    }

    pub fn up(&mut self) {
        if self.last != Some(Said::Up) {
            tracing::info!(source = self.source, "source is up");
            self.last = Some(Said::Up);
            self.send(SourceEvent::Up {
                source: self.source.clone(),
                at: (self.clock)(),
            });
        }
    }

    pub fn down(&mut self, reason: String) {
        let said = Said::Down(reason.clone());
        if self.last.as_ref() != Some(&said) {
            tracing::warn!(source = self.source, reason, "source is down");
            self.last = Some(said);
            self.send(SourceEvent::Down {
                source: self.source.clone(),
                at: (self.clock)(),
                reason,
            });
        }
    }

    fn send(&self, event: SourceEvent) {
        // The daemon is ending when nobody takes events; the stop signal follows.
        let _ = self.events.send(event);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_up_to_the_longest_and_stay_above_half_a_step() {
        let mut backoff = Backoff::new();
        let mut step = FIRST_WAIT;
        for _ in 0..12 {
            backoff.connected();
            let wait = backoff.wait();
            assert!(
                wait >= step / 2 && wait <= step,
                "{wait:?} for a step of {step:?}"
            );
            step = (step * 2).min(LONGEST_WAIT);
        }
        assert_eq!(step, LONGEST_WAIT);
    }

    #[test]
    fn a_change_is_said_once() {
        let (events, mut heard) = tokio::sync::mpsc::unbounded_channel();
        let clock: Clock = std::sync::Arc::new(chrono::DateTime::default);
        let mut announcer = Announcer::new("port".to_owned(), clock, events);
        announcer.down("no such file".to_owned());
        announcer.down("no such file".to_owned());
        announcer.up();
        announcer.up();
        announcer.down("unplugged".to_owned());
        drop(announcer);
        let mut words = Vec::new();
        while let Ok(event) = heard.try_recv() {
            words.push(match event {
                SourceEvent::Up { .. } => "up".to_owned(),
                SourceEvent::Down { reason, .. } => reason,
                SourceEvent::Delivery(_) => "delivery".to_owned(),
            });
        }
        assert_eq!(words, ["no such file", "up", "unplugged"]);
    }
}

//! Which silences are known: those during which somebody listened.

use crate::assessment::{DoubtReason, Trust};
use crate::time::UtcMs;

/// When sources have been listened to.
#[derive(Debug, Clone, Copy, Default)]
pub struct Listened {
    /// Until the daemon last stopped; `None` where it never ran before.
    pub until: Option<UtcMs>,
    /// Since it was started; `None` where it always listened, as in a replay.
    pub since: Option<UtcMs>,
}

/// What may be said of silences at one moment.
#[derive(Debug, Clone, Copy)]
pub struct Silences {
    pub listened: Listened,
    /// Silence for this long is told, min.
    pub silent_min: f64,
    pub now: UtcMs,
}

impl Silences {
    /// Whether a channel has been silent for long enough while somebody listened. The outage between
    /// two runs of the daemon explains itself: it is told as no logger's silence.
    #[must_use]
    pub fn is_known(&self, trust: &Trust) -> bool {
        let (Some(since), Some(silent_from)) = (self.listened.since, trust.since) else {
            return true;
        };
        let ms = |from: UtcMs, to: UtcMs| (to.0 - from.0).max(0) as f64;
        let before = self
            .listened
            .until
            .map_or(0.0, |until| ms(silent_from, until));
        before + ms(since.max(silent_from), self.now) > self.silent_min * 60_000.0
    }

    /// Whether what a channel's trust says may be told: everything but a silence that the start explains.
    #[must_use]
    pub fn may_tell(&self, trust: &Trust) -> bool {
        trust.reason != Some(DoubtReason::Silent) || self.is_known(trust)
    }
}

//! A reading: a channel, a time, and a temperature or the reason why there is none.

use std::sync::Arc;

use crate::time::UtcMs;

/// One reading as a source delivered it.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// The channel.
    pub channel: Arc<str>,
    /// When the logger says it measured; `None` where the source has no clock.
    pub measured_at: Option<UtcMs>,
    /// When the daemon received it.
    pub received_at: UtcMs,
    /// What was read.
    pub content: Content,
}

/// What was read.
#[derive(Debug, Clone, PartialEq)]
pub enum Content {
    /// A temperature, °C, finite.
    TemperatureC(f64),
    /// The logger's own word for a fault (`open`, `short`, …).
    Fault(Arc<str>),
}

/// What became of a reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Taken {
    /// It was not known.
    New,
    /// The very same was known.
    Known,
    /// Another value was known for the same channel and time; both are kept.
    Conflict,
}

impl Reading {
    /// The time that identifies it: as measured, or as received where the source has no clock.
    #[must_use]
    pub fn identity_at(&self) -> UtcMs {
        self.measured_at.unwrap_or(self.received_at)
    }
}

//! Instants as UTC milliseconds, the only time the core knows; it never reads a clock.

use chrono::{DateTime, Utc};

/// An instant, milliseconds since 1970-01-01T00:00:00Z.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct UtcMs(pub i64);

/// Milliseconds in an hour.
pub const MS_PER_H: f64 = 3_600_000.0;

impl UtcMs {
    /// Hours from `earlier` to `self`; negative where `self` is the earlier.
    #[must_use]
    pub fn hours_since(self, earlier: Self) -> f64 {
        (self.0 - earlier.0) as f64 / MS_PER_H
    }

    /// The instant `hours` later, to the nearest millisecond.
    #[must_use]
    pub fn plus_hours(self, hours: f64) -> Self {
        Self(self.0 + (hours * MS_PER_H).round() as i64)
    }

    /// As a calendar time; `None` outside the calendar's range.
    #[must_use]
    pub fn to_utc(self) -> Option<DateTime<Utc>> {
        DateTime::from_timestamp_millis(self.0)
    }
}

impl From<DateTime<Utc>> for UtcMs {
    fn from(at: DateTime<Utc>) -> Self {
        Self(at.timestamp_millis())
    }
}

//! Between the wire and the core: the only place where the two vocabularies meet.
//!
//! Acts come in by [`act`], records and answers go out by [`view`], nouns that both share by
//! [`noun`], limits and alarms by [`watch`], mixes and
//! their curves by [`mix`], what an act would change by [`effect`], readings and their stored rows by [`reading`].

pub mod act;
pub mod ahead;
pub mod effect;
pub mod mix;
pub mod noun;
pub mod reading;
pub mod view;
pub mod watch;

use chrono::{DateTime, Utc};
use daemon_core::time::UtcMs;

/// An instant for the wire; beyond the calendar it is the calendar's end.
#[must_use]
pub fn utc(at: UtcMs) -> DateTime<Utc> {
    let end = if at.0 < 0 {
        DateTime::<Utc>::MIN_UTC
    } else {
        DateTime::<Utc>::MAX_UTC
    };
    at.to_utc().unwrap_or(end)
}

/// An optional instant for the wire.
#[must_use]
pub fn utc_option(at: Option<UtcMs>) -> Option<DateTime<Utc>> {
    at.map(utc)
}

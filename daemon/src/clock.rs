//! The plant's clock: the wall's, or in a simulation an affine map of it that a restart continues.

use std::sync::Arc;

use chrono::{DateTime, TimeDelta, Utc};
use clap::Args;
use daemon_core::time::UtcMs;

/// Options of a simulated clock; without any of them the plant lives on wall time.
#[derive(Debug, Clone, Default, Args)]
pub struct ClockOptions {
    /// Simulated clock: wall time at which it showed its start (RFC 3339; now if absent)
    #[arg(long, value_name = "TIME")]
    pub clock_start_wall: Option<DateTime<Utc>>,
    /// Simulated clock: what it showed then (RFC 3339; the same as the wall if absent)
    #[arg(long, value_name = "TIME")]
    pub clock_start: Option<DateTime<Utc>>,
    /// Simulated clock: seconds of plant time per second of wall time (1 if absent)
    #[arg(long, value_name = "N", value_parser = speed)]
    pub clock_speed: Option<f64>,
}

fn speed(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(speed) if speed.is_finite() && speed > 0.0 && speed <= 100_000.0 => Ok(speed),
        _ => Err("give a number above 0 and up to 100000, for example 120".to_owned()),
    }
}

/// Plant time = start + speed × (wall time − wall time at start).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlantClock {
    start_wall: DateTime<Utc>,
    start: DateTime<Utc>,
    pub speed: f64,
    pub is_simulated: bool,
}

impl PlantClock {
    /// The wall's clock.
    #[must_use]
    pub fn wall() -> Self {
        Self::new(&ClockOptions::default(), Utc::now())
    }

    /// The clock of these options, where what is absent is taken from the wall.
    #[must_use]
    pub fn new(options: &ClockOptions, wall_now: DateTime<Utc>) -> Self {
        let start_wall = options.clock_start_wall.unwrap_or(wall_now);
        Self {
            start_wall,
            start: options.clock_start.unwrap_or(start_wall),
            speed: options.clock_speed.unwrap_or(1.0),
            is_simulated: options.clock_start_wall.is_some()
                || options.clock_start.is_some()
                || options.clock_speed.is_some(),
        }
    }

    /// Plant time at a wall time, to the millisecond as the record keeps it.
    #[must_use]
    pub fn at(&self, wall: DateTime<Utc>) -> UtcMs {
        let elapsed_ms = (wall - self.start_wall).num_milliseconds() as f64 * self.speed;
        UtcMs::from(self.start + TimeDelta::milliseconds(elapsed_ms.round() as i64))
    }

    /// Plant time now.
    #[must_use]
    pub fn now(&self) -> UtcMs {
        self.at(Utc::now())
    }

    /// This clock for sources, which stamp what arrives by it.
    #[must_use]
    pub fn for_sources(self) -> daemon_sources::Clock {
        Arc::new(move || crate::convert::utc(self.now()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn instant(text: &str) -> DateTime<Utc> {
        text.parse().expect("an instant")
    }

    #[test]
    fn a_simulated_clock_runs_at_its_speed_from_its_start_and_a_restart_continues_it() {
        let options = ClockOptions {
            clock_start_wall: Some(instant("2026-11-25T10:00:00Z")),
            clock_start: Some(instant("2026-11-24T18:00:00Z")),
            clock_speed: Some(120.0),
        };
        for started in ["2026-11-25T10:00:00Z", "2026-11-25T11:00:00Z"] {
            let clock = PlantClock::new(&options, instant(started));
            let shown = clock.at(instant("2026-11-25T10:05:00.5Z"));
            assert_eq!(shown, UtcMs::from(instant("2026-11-25T04:01:00Z")));
            assert!(clock.is_simulated);
        }
    }

    #[test]
    fn a_clock_without_options_shows_the_wall() {
        let wall = instant("2026-11-25T10:00:00.123Z");
        let clock = PlantClock::new(&ClockOptions::default(), wall);
        assert_eq!(clock.at(wall), UtcMs::from(wall));
        assert!(!clock.is_simulated);
    }
}

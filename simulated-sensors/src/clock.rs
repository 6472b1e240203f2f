//! The clock that all processes of a demo share: plant time as an affine map of wall time.

use chrono::{DateTime, TimeDelta, Utc};
use clap::Args;

/// Options that define the shared clock; the daemon and the dashboard take the same three.
#[derive(Debug, Clone, Args)]
pub struct ClockOptions {
    /// Wall time at which the plant clock showed its start (RFC 3339; now if absent)
    #[arg(long, value_name = "TIME")]
    pub clock_start_wall: Option<DateTime<Utc>>,
    /// What the plant clock showed then (RFC 3339; the same as the wall if absent)
    #[arg(long, value_name = "TIME")]
    pub clock_start: Option<DateTime<Utc>>,
    /// Seconds of plant time per second of wall time
    #[arg(long, value_name = "N", default_value_t = 1.0, value_parser = speed)]
    pub clock_speed: f64,
}

/// Reads a speed given as an option.
pub fn speed(text: &str) -> Result<f64, String> {
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
    speed: f64,
}

impl PlantClock {
    /// The clock of these options, where what is absent is taken from the wall.
    pub fn new(options: &ClockOptions, wall_now: DateTime<Utc>) -> Self {
        let start_wall = options.clock_start_wall.unwrap_or(wall_now);
        Self {
            start_wall,
            start: options.clock_start.unwrap_or(start_wall),
            speed: options.clock_speed,
        }
    }

    /// Plant time at a wall time.
    pub fn at(&self, wall: DateTime<Utc>) -> DateTime<Utc> {
        let elapsed_ms = (wall - self.start_wall).num_milliseconds() as f64 * self.speed;
        self.start + TimeDelta::milliseconds(elapsed_ms.round() as i64)
    }

    /// Plant time now.
    pub fn now(&self) -> DateTime<Utc> {
        self.at(Utc::now())
    }

    /// Wall seconds from now until the plant clock shows `instant`; zero if it already has.
    pub fn wall_s_until(&self, instant: DateTime<Utc>) -> f64 {
        (seconds(instant - self.now()) / self.speed).max(0.0)
    }
}

/// A span in hours.
pub fn hours(span: TimeDelta) -> f64 {
    seconds(span) / 3600.0
}

/// A span in seconds.
pub fn seconds(span: TimeDelta) -> f64 {
    span.num_milliseconds() as f64 / 1000.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_plant_clock_runs_at_its_speed_from_its_start() {
        let instant = |text: &str| text.parse::<DateTime<Utc>>().expect("instant");
        let options = ClockOptions {
            clock_start_wall: Some(instant("2026-11-25T10:00:00Z")),
            clock_start: Some(instant("2026-11-24T18:00:00Z")),
            clock_speed: 120.0,
        };
        let clock = PlantClock::new(&options, instant("2026-11-25T11:00:00Z"));
        assert_eq!(
            clock.at(instant("2026-11-25T10:00:00Z")),
            instant("2026-11-24T18:00:00Z")
        );
        assert_eq!(
            clock.at(instant("2026-11-25T10:05:00.5Z")),
            instant("2026-11-25T04:01:00Z")
        );
    }

    #[test]
    fn a_clock_without_options_shows_the_wall() {
        let wall = "2026-11-25T10:00:00Z".parse().expect("instant");
        let options = ClockOptions {
            clock_start_wall: None,
            clock_start: None,
            clock_speed: 1.0,
        };
        assert_eq!(PlantClock::new(&options, wall).at(wall), wall);
    }
}

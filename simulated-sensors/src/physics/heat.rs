//! The heat plan of a bed and the thermostat that follows it.

use chrono::{DateTime, Utc};

use crate::clock::hours;

/// Preset, rise, soak and off, as instants and degrees.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeatSchedule {
    pub on_at: DateTime<Utc>,
    pub off_at: DateTime<Utc>,
    pub rise_c_per_h: f64,
    pub soak_c: f64,
    /// Half of the thermostat's dead band.
    pub dead_band_c: f64,
}

/// An on-off controller with a dead band, on the air in the middle of the bed.
#[derive(Debug, Clone)]
pub struct Thermostat {
    schedule: HeatSchedule,
    /// The set point rises from the air that was there when the heat came on.
    rise_from_c: Option<f64>,
    is_calling: bool,
}

impl Thermostat {
    pub fn new(schedule: HeatSchedule) -> Self {
        Self {
            schedule,
            rise_from_c: None,
            is_calling: false,
        }
    }

    /// Whether the bed asks for heat now.
    pub fn call(&mut self, now: DateTime<Utc>, air_c: f64) -> bool {
        if now < self.schedule.on_at || now >= self.schedule.off_at {
            self.is_calling = false;
            return false;
        }
        let from_c = *self.rise_from_c.get_or_insert(air_c);
        let risen_c = self.schedule.rise_c_per_h * hours(now - self.schedule.on_at);
        let set_point_c = (from_c + risen_c).min(self.schedule.soak_c);
        if air_c <= set_point_c - self.schedule.dead_band_c {
            self.is_calling = true;
        } else if air_c >= set_point_c + self.schedule.dead_band_c {
            self.is_calling = false;
        }
        self.is_calling
    }
}

#[cfg(test)]
mod tests {
    use chrono::TimeDelta;

    use super::*;

    #[test]
    fn the_thermostat_rises_soaks_with_a_dead_band_and_stops() {
        let on_at: DateTime<Utc> = "2026-11-24T22:00:00Z".parse().expect("instant");
        let after = |minutes| on_at + TimeDelta::minutes(minutes);
        let schedule = HeatSchedule {
            on_at,
            off_at: after(600),
            rise_c_per_h: 20.0,
            soak_c: 60.0,
            dead_band_c: 1.0,
        };
        let mut thermostat = Thermostat::new(schedule);
        assert!(!thermostat.call(after(-1), 15.0), "before the heat is on");
        assert!(
            !thermostat.call(after(0), 20.0),
            "the rise starts from the air"
        );
        assert!(thermostat.call(after(30), 25.0), "set point 30");
        assert!(
            thermostat.call(after(30), 30.5),
            "inside the band it goes on"
        );
        assert!(!thermostat.call(after(30), 31.0), "above the band it stops");
        assert!(
            !thermostat.call(after(30), 29.5),
            "inside the band it stays off"
        );
        assert!(thermostat.call(after(400), 58.9), "soak");
        assert!(!thermostat.call(after(600), 10.0), "after the heat is off");
    }
}

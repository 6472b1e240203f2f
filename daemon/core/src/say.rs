//! Quantities and times in the sentences that people read: the plant's own units and clock.

use chrono::{LocalResult, TimeZone};
use chrono_tz::Tz;

use crate::time::UtcMs;
use units::{
    Celsius, CelsiusDifference, CelsiusPerHour, Megapascal, Metre, Show, UnitSystem, show_apart,
};

/// How the people of a plant read: their units, and the zone of the clock on their wall.
#[derive(Debug, Clone, Copy)]
pub struct Local {
    pub units: UnitSystem,
    pub zone: Tz,
}

impl Default for Local {
    fn default() -> Self {
        Self {
            units: UnitSystem::default(),
            zone: Tz::UTC,
        }
    }
}

impl Local {
    /// A time of this night: `05:10`.
    #[must_use]
    pub fn clock(&self, at: UtcMs) -> String {
        self.told(at, "%H:%M")
    }

    /// A time that may be of another day: `Mon 20:44`.
    #[must_use]
    pub fn day_clock(&self, at: UtcMs) -> String {
        self.told(at, "%a %H:%M")
    }

    /// A time with its date: `Mon 30 Nov 20:44`.
    #[must_use]
    pub fn moment(&self, at: UtcMs) -> String {
        self.told(at, "%a %-d %b %H:%M")
    }

    /// With the zone's abbreviation where the clock shows the time twice that day.
    fn told(&self, at: UtcMs, format: &str) -> String {
        let Some(utc) = at.to_utc() else {
            return at.0.to_string();
        };
        let local = utc.with_timezone(&self.zone);
        let is_twice = matches!(
            self.zone.from_local_datetime(&local.naive_local()),
            LocalResult::Ambiguous(..)
        );
        let format = if is_twice {
            format!("{format} %Z")
        } else {
            format.to_owned()
        };
        local.format(&format).to_string()
    }
}

/// A temperature with one decimal: `65.6 °C`, `150.1 °F`.
#[must_use]
pub fn temperature(temperature_c: f64, system: UnitSystem) -> String {
    tenths(Celsius(temperature_c), system)
}

/// A difference of temperatures; 10 °C apart are 18 °F apart.
#[must_use]
pub fn difference(difference_c: f64, system: UnitSystem) -> String {
    tenths(CelsiusDifference(difference_c), system)
}

/// A rate of temperature.
#[must_use]
pub fn rate(c_per_h: f64, system: UnitSystem) -> String {
    tenths(CelsiusPerHour(c_per_h), system)
}

/// A strength, to the step of screens.
#[must_use]
pub fn strength(strength_mpa: f64, system: UnitSystem) -> String {
    Megapascal(strength_mpa).show(system)
}

/// Two strengths, with as many digits as it takes to see which is the lower.
#[must_use]
pub fn strengths_apart(one_mpa: f64, other_mpa: f64, system: UnitSystem) -> (String, String) {
    show_apart(Megapascal(one_mpa), Megapascal(other_mpa), system)
}

/// A strength without its unit, with as many digits as it takes to tell it from another.
#[must_use]
pub fn strength_number_apart(mpa: f64, from_mpa: f64, system: UnitSystem) -> String {
    let (told, _) = strengths_apart(mpa, from_mpa, system);
    told.trim_end_matches(Megapascal::unit(system))
        .trim_end()
        .to_owned()
}

/// A probability; what is nearly sure is never said to be sure.
#[must_use]
pub fn percent(probability: f64) -> String {
    if probability > 0.99 {
        "more than 99 %".to_owned()
    } else if probability < 0.01 {
        "less than 1 %".to_owned()
    } else {
        format!("{:.0} %", 100.0 * probability)
    }
}

/// A place along a bed.
#[must_use]
pub fn station(station_m: f64, system: UnitSystem) -> String {
    Metre(station_m).show(system)
}

/// A sentence with its end: a full stop, but where it ends with a question already.
#[must_use]
pub fn ended(sentence: &str) -> String {
    if sentence.ends_with(['.', '?', '!']) {
        sentence.to_owned()
    } else {
        format!("{sentence}.")
    }
}

/// A span of time: `45 min`, `6 h 05 min`.
#[must_use]
pub fn span(hours: f64) -> String {
    let minutes = (hours * 60.0).round() as i64;
    if minutes < 120 {
        format!("{minutes} min")
    } else {
        format!("{} h {:02} min", minutes / 60, minutes % 60)
    }
}

fn tenths<Q: Show>(quantity: Q, system: UnitSystem) -> String {
    format!("{:.1} {}", quantity.number(system), Q::unit(system))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_told_by_the_clock_on_the_wall_also_when_it_is_set_back() {
        let local = Local {
            units: UnitSystem::Us,
            zone: chrono_tz::America::Chicago,
        };
        // 2026-11-25T02:44Z.
        assert_eq!(local.day_clock(UtcMs(1_795_574_640_000)), "Tue 20:44");
        assert_eq!(local.moment(UtcMs(1_795_574_640_000)), "Tue 24 Nov 20:44");
        // 2026-11-01: at 07:00Z the clock shows 01:00 for the second time.
        assert_eq!(local.clock(UtcMs(1_793_512_800_000)), "01:00 CDT");
        assert_eq!(local.clock(UtcMs(1_793_516_400_000)), "01:00 CST");
    }

    #[test]
    fn a_long_span_is_told_in_hours() {
        assert_eq!(span(1.99), "119 min");
        assert_eq!(span(6.0 + 5.0 / 60.0), "6 h 05 min");
    }

    #[test]
    fn a_difference_and_a_rate_have_no_32_in_them() {
        let us = UnitSystem::Us;
        assert_eq!(temperature(10.0, us), "50.0 °F");
        assert_eq!(difference(10.0, us), "18.0 °F");
        assert_eq!(rate(-10.0, us), "-18.0 °F/h");
        assert_eq!(strength(24.131_65, us), "3500 psi");
        assert_eq!(temperature(65.55, UnitSystem::Si), "65.5 °C");
    }

    #[test]
    fn a_sentence_has_one_end() {
        assert_eq!(ended("it is silent"), "it is silent.");
        assert_eq!(ended("did you mean `N2`?"), "did you mean `N2`?");
    }
}

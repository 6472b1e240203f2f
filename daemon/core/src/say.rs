//! Quantities in the sentences that people read, in the plant's own units.

use units::{
    Celsius, CelsiusDifference, CelsiusPerHour, Megapascal, Metre, Show, UnitSystem, show_apart,
};

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

//! How quantities read on a screen, in either unit system.

use crate::quantity::{
    Celsius, CelsiusDifference, CelsiusHours, CelsiusPerHour, Hours, JoulePerMole, Kilonewton,
    Megapascal, Metre, Millimetre,
};

/// The units that a person reads and types; inside, everything is SI.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum UnitSystem {
    /// °C, MPa, kN, mm, m.
    #[default]
    Si,
    /// US customary: °F, psi, lbf, in, ft.
    Us,
}

/// A quantity that can be written for people.
pub trait Show: Copy {
    /// The number in `system`, unrounded.
    fn number(self, system: UnitSystem) -> f64;

    /// The unit's symbol in `system`.
    fn unit(system: UnitSystem) -> &'static str;

    /// The step to which screens round in `system` (0.1 MPa, 10 psi, 1 °C).
    fn step(system: UnitSystem) -> f64;

    /// The number rounded to the screen's step, without unit, for a column whose head names the
    /// unit.
    fn show_number(self, system: UnitSystem) -> String {
        let step = Self::step(system);
        // Adding zero turns a rounded "-0" into "0".
        let rounded = (self.number(system) / step).round() * step + 0.0;
        format!("{rounded:.*}", decimals(step))
    }

    /// The rounded number with its unit: `26.4 MPa`, `3830 psi`, `62 °C`.
    fn show(self, system: UnitSystem) -> String {
        format!("{} {}", self.show_number(system), Self::unit(system))
    }
}

fn decimals(step: f64) -> usize {
    if step >= 1.0 {
        0
    } else if step >= 0.1 {
        1
    } else {
        2
    }
}

/// Writes two quantities with as many decimals as it takes to tell them apart (at most six).
///
/// 3999.96 psi and 4000 psi both read `4000 psi` on a screen; a sentence that says one is below the
/// other must show why.
pub fn show_apart<Q: Show>(left: Q, right: Q, system: UnitSystem) -> (String, String) {
    let rounded = (left.show(system), right.show(system));
    let (left, right) = (left.number(system), right.number(system));
    if rounded.0 != rounded.1 {
        return rounded;
    }
    let unit = Q::unit(system);
    (decimals(Q::step(system))..=6)
        .map(|places| {
            (
                format!("{left:.places$} {unit}"),
                format!("{right:.places$} {unit}"),
            )
        })
        .find(|(left, right)| left != right)
        .unwrap_or(rounded)
}

macro_rules! shows {
    ($($name:ident: $si_unit:literal by $si_step:literal, $us_unit:literal by $us_step:literal,
        $to_us:expr;)+) => {$(
        impl Show for $name {
            fn number(self, system: UnitSystem) -> f64 {
                match system {
                    UnitSystem::Si => self.0,
                    UnitSystem::Us => $to_us(self),
                }
            }

            fn unit(system: UnitSystem) -> &'static str {
                match system {
                    UnitSystem::Si => $si_unit,
                    UnitSystem::Us => $us_unit,
                }
            }

            fn step(system: UnitSystem) -> f64 {
                match system {
                    UnitSystem::Si => $si_step,
                    UnitSystem::Us => $us_step,
                }
            }
        }
    )+};
}

shows! {
    Celsius: "°C" by 1.0, "°F" by 1.0, Celsius::to_fahrenheit;
    CelsiusDifference: "°C" by 1.0, "°F" by 1.0, CelsiusDifference::to_fahrenheit;
    CelsiusPerHour: "°C/h" by 1.0, "°F/h" by 1.0, CelsiusPerHour::to_fahrenheit_per_hour;
    CelsiusHours: "°C·h" by 1.0, "°F·h" by 1.0, CelsiusHours::to_fahrenheit_hours;
    Hours: "h" by 0.1, "h" by 0.1, |span: Hours| span.0;
    Megapascal: "MPa" by 0.1, "psi" by 10.0, Megapascal::to_psi;
    Kilonewton: "kN" by 0.1, "lbf" by 1.0, Kilonewton::to_pound_force;
    Millimetre: "mm" by 0.1, "in" by 0.01, Millimetre::to_inch;
    Metre: "m" by 0.1, "ft" by 1.0, Metre::to_foot;
    // Activation energies are published in J/mol everywhere.
    JoulePerMole: "J/mol" by 1.0, "J/mol" by 1.0, |energy: JoulePerMole| energy.0;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantities_read_in_both_systems() {
        let strength = Megapascal(26.4);
        assert_eq!(strength.show(UnitSystem::Si), "26.4 MPa");
        assert_eq!(strength.show(UnitSystem::Us), "3830 psi");
        assert_eq!(Celsius(62.0).show(UnitSystem::Si), "62 °C");
        assert_eq!(Celsius(62.0).show(UnitSystem::Us), "144 °F");
        assert_eq!(CelsiusPerHour(20.0).show(UnitSystem::Us), "36 °F/h");
        assert_eq!(CelsiusPerHour(20.0).show(UnitSystem::Si), "20 °C/h");
        assert_eq!(Millimetre(101.6).show(UnitSystem::Us), "4.00 in");
        assert_eq!(Metre(60.96).show(UnitSystem::Us), "200 ft");
    }

    #[test]
    fn a_small_negative_number_does_not_read_minus_zero() {
        assert_eq!(Celsius(-0.3).show(UnitSystem::Si), "0 °C");
    }

    #[test]
    fn two_strengths_that_round_alike_are_told_apart() {
        let (low, required) = show_apart(
            Megapascal::from_psi(3999.96),
            Megapascal::from_psi(4000.0),
            UnitSystem::Us,
        );
        assert_eq!(
            (low.as_str(), required.as_str()),
            ("3999.96 psi", "4000.00 psi")
        );
        let (low, required) = show_apart(Megapascal(20.0), Megapascal(25.0), UnitSystem::Si);
        assert_eq!((low.as_str(), required.as_str()), ("20.0 MPa", "25.0 MPa"));
    }
}

//! Reading a quantity with its unit as a person types it: `3500 psi`, `100mm`, `142 °F`.

use std::fmt;

use crate::quantity::{
    Celsius, CelsiusDifference, CelsiusPerHour, Hours, Kilonewton, Megapascal, Metre, Millimetre,
};

/// Why a typed quantity was not understood; every message says what to type instead.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum QuantityError {
    /// Nothing was typed.
    Empty {
        /// What was expected, with an example.
        expected: &'static str,
    },
    /// What stands before the unit is not a plain decimal number.
    NotANumber {
        /// What was typed.
        typed: String,
        /// What was expected, with an example.
        expected: &'static str,
    },
    /// A number without its unit: guessing one is how wrong-unit mistakes begin.
    NoUnit {
        /// What was typed.
        typed: String,
        /// What was expected, with an example.
        expected: &'static str,
    },
    /// A unit that does not belong to this quantity.
    WrongUnit {
        /// What was typed.
        typed: String,
        /// The unit that was found in it.
        unit: String,
        /// What was expected, with an example.
        expected: &'static str,
    },
}

impl fmt::Display for QuantityError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Empty { expected } => write!(f, "nothing was entered: give {expected}"),
            Self::NotANumber { typed, expected } => write!(
                f,
                "\"{typed}\" does not start with a plain number: give {expected}, with a point for \
                 decimals"
            ),
            Self::NoUnit { typed, expected } => {
                write!(f, "\"{typed}\" has no unit: give {expected}")
            }
            Self::WrongUnit {
                typed,
                unit,
                expected,
            } => {
                write!(
                    f,
                    "\"{unit}\" in \"{typed}\" is not a unit for this: give {expected}"
                )
            }
        }
    }
}

impl std::error::Error for QuantityError {}

/// Splits typed text into its number and its unit (lower case, without spaces and degree signs).
fn split(text: &str, expected: &'static str) -> Result<(f64, String), QuantityError> {
    let typed = text.trim();
    if typed.is_empty() {
        return Err(QuantityError::Empty { expected });
    }
    let plain = typed.replace('\u{2212}', "-");
    let end = plain
        .find(|c: char| !(c.is_ascii_digit() || matches!(c, '+' | '-' | '.' | ',')))
        .unwrap_or(plain.len());
    let (number, unit) = plain.split_at(end);
    let Some(number) = decimal(number) else {
        return Err(QuantityError::NotANumber {
            typed: typed.to_owned(),
            expected,
        });
    };
    let unit: String = unit
        .chars()
        .filter(|c| !c.is_whitespace() && *c != '°')
        .collect();
    if unit.is_empty() {
        return Err(QuantityError::NoUnit {
            typed: typed.to_owned(),
            expected,
        });
    }
    Ok((number, unit.to_lowercase()))
}

/// A decimal number; commas only as separators of full groups of three digits, since a decimal
/// comma would read as a number a thousand times larger.
fn decimal(text: &str) -> Option<f64> {
    let unsigned = text.strip_prefix(['+', '-']).unwrap_or(text);
    let whole = unsigned.split('.').next().unwrap_or("");
    if unsigned.contains(',') {
        let groups: Vec<&str> = whole.split(',').collect();
        let is_grouped = (1..=3).contains(&groups[0].len())
            && groups[1..].iter().all(|group| group.len() == 3)
            && !unsigned[whole.len()..].contains(',');
        if !is_grouped {
            return None;
        }
    }
    let number: f64 = text.replace(',', "").parse().ok()?;
    number.is_finite().then_some(number)
}

macro_rules! parses {
    ($($name:ident, $what:literal, $expected:literal, { $($($unit:literal)|+ => $make:expr;)+ })+) => {$(
        impl $name {
            #[doc = concat!("Reads ", $what, " with its unit, as in ", $expected, ".")]
            ///
            /// # Errors
            /// A [`QuantityError`] that says what to type instead. Whether the value is plausible
            /// is for [`crate::bounds`].
            pub fn parse(text: &str) -> Result<Self, QuantityError> {
                let (number, unit) = split(text, $expected)?;
                match unit.as_str() {
                    $($($unit)|+ => Ok($make(number)),)+
                    _ => Err(QuantityError::WrongUnit {
                        typed: text.trim().to_owned(),
                        unit,
                        expected: $expected,
                    }),
                }
            }
        }
    )+};
}

parses! {
    Celsius, "a temperature", "°C or °F, such as \"61 °C\" or \"142 °F\"", {
        "c" | "degc" => Celsius;
        "f" | "degf" => Celsius::from_fahrenheit;
    }
    CelsiusDifference, "a temperature difference", "°C or °F, such as \"20 °C\" or \"36 °F\"", {
        "c" | "degc" | "k" => CelsiusDifference;
        "f" | "degf" => CelsiusDifference::from_fahrenheit;
    }
    CelsiusPerHour, "a rate", "°C/h or °F/h, such as \"20 °C/h\" or \"36 °F/h\"", {
        "c/h" | "degc/h" | "k/h" => CelsiusPerHour;
        "f/h" | "degf/h" => CelsiusPerHour::from_fahrenheit_per_hour;
    }
    Hours, "a span of time", "h or min, such as \"2.5 h\" or \"150 min\"", {
        "h" | "hr" | "hours" => Hours;
        "min" | "minutes" => |minutes: f64| Hours(minutes / 60.0);
    }
    Megapascal, "a strength", "MPa or psi, such as \"24.1 MPa\" or \"3500 psi\"", {
        "mpa" | "n/mm2" | "n/mm²" => Megapascal;
        "psi" => Megapascal::from_psi;
        "ksi" => |ksi: f64| Megapascal::from_psi(ksi * 1000.0);
    }
    Kilonewton, "a load", "kN or lbf, such as \"223.6 kN\" or \"50265 lbf\"", {
        "kn" => Kilonewton;
        "n" => |newtons: f64| Kilonewton(newtons / 1000.0);
        "lbf" | "lb" | "lbs" => Kilonewton::from_pound_force;
    }
    Millimetre, "a specimen's length", "mm or in, such as \"100 mm\" or \"4 in\"", {
        "mm" => Millimetre;
        "in" | "inch" | "\"" => Millimetre::from_inch;
    }
    Metre, "a length along a bed", "m or ft, such as \"61 m\" or \"200 ft\"", {
        "m" => Metre;
        "ft" | "feet" | "'" => Metre::from_foot;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn is_near(left: f64, right: f64) -> bool {
        (left - right).abs() < 1e-9
    }

    #[test]
    fn people_type_units_in_many_ways() {
        for (typed, psi) in [
            ("3500 psi", 3500.0),
            ("3,500psi", 3500.0),
            (" 3.5 ksi ", 3500.0),
            ("+4000 PSI", 4e3),
        ] {
            let strength = Megapascal::parse(typed).expect(typed);
            assert!(is_near(strength.to_psi(), psi), "{typed}");
        }
        assert!(is_near(Megapascal::parse("24.1 MPa").expect("SI").0, 24.1));
        assert!(is_near(
            Kilonewton::parse("50265 lbf").expect("US").to_pound_force(),
            50265.0
        ));
        assert!(is_near(Millimetre::parse("4 in").expect("US").0, 101.6));
        assert!(is_near(Millimetre::parse("100mm").expect("SI").0, 100.0));
        assert!(is_near(Celsius::parse("61C").expect("SI").0, 61.0));
        assert!(is_near(
            Celsius::parse("142 °F").expect("US").0,
            61.0 + 1.0 / 9.0
        ));
        assert!(is_near(
            Celsius::parse("\u{2212}5 °C").expect("a true minus sign").0,
            -5.0
        ));
        assert!(is_near(
            CelsiusPerHour::parse("36 °F/h").expect("US").0,
            20.0
        ));
        assert!(is_near(Hours::parse("150 min").expect("minutes").0, 2.5));
    }

    #[test]
    fn what_is_not_understood_is_answered_with_what_to_type() {
        let message = |typed| Megapascal::parse(typed).expect_err(typed).to_string();
        let advice = "give MPa or psi, such as \"24.1 MPa\" or \"3500 psi\"";
        assert_eq!(message("3500"), format!("\"3500\" has no unit: {advice}"));
        assert_eq!(
            message("61 °C"),
            format!("\"c\" in \"61 °C\" is not a unit for this: {advice}")
        );
        assert_eq!(message("  "), format!("nothing was entered: {advice}"));
        for typed in [
            "psi",
            "24,1 MPa",
            "1.2.3 MPa",
            "--4 MPa",
            "nan MPa",
            "12,34,567 psi",
            ", psi",
        ] {
            assert!(
                matches!(
                    Megapascal::parse(typed),
                    Err(QuantityError::NotANumber { .. })
                ),
                "{typed}"
            );
        }
    }
}

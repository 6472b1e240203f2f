//! What a person types for a broken specimen or a cylinder set, kept as typed and turned into SI.

use std::fmt;

use daemon_api::act::SpecimenResult;
use units::{Kilonewton, Megapascal, Millimetre, QuantityError};

/// Why an entry was not understood; every message says what to type instead.
#[derive(Debug, Clone, PartialEq)]
pub enum EntryError {
    /// Nothing after the specimen's name.
    NoResult { specimen: String },
    /// Something stands there that is no load, strength or diameter.
    NotAResult {
        specimen: String,
        part: String,
        problem: QuantityError,
    },
    /// Both a load and a strength, or one of them twice.
    TooMany {
        specimen: String,
        what: &'static str,
    },
    /// Only a diameter.
    OnlyDiameter { specimen: String },
}

impl fmt::Display for EntryError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let example = "a load such as \"50265 lbf\" or a strength such as \"3590 psi\"";
        match self {
            Self::NoResult { specimen } => {
                write!(f, "specimen {specimen} has no result: give {example}")
            }
            Self::NotAResult {
                specimen,
                part,
                problem,
            } => write!(
                f,
                "specimen {specimen}: \"{part}\" is no load, strength or diameter ({problem}); give \
                 {example}, then the diameter if measured"
            ),
            Self::TooMany { specimen, what } => {
                write!(
                    f,
                    "specimen {specimen} has {what}: give one load or one strength"
                )
            }
            Self::OnlyDiameter { specimen } => {
                write!(
                    f,
                    "specimen {specimen} has only a diameter: give {example} before it"
                )
            }
        }
    }
}

impl std::error::Error for EntryError {}

/// Reads `A1 50265 lbf 4 in` or `A2 3590 psi`, with `fracture …` at the end where it is noted.
///
/// # Errors
/// An [`EntryError`] that names the specimen and says what to type.
pub fn named_specimen(text: &str) -> Result<SpecimenResult, EntryError> {
    let text = text.trim();
    let (name, rest) = text.split_once(char::is_whitespace).unwrap_or((text, ""));
    specimen(name, rest)
}

/// Reads the result of a specimen whose name is known.
///
/// # Errors
/// An [`EntryError`] that names the specimen and says what to type.
pub fn specimen(name: &str, typed: &str) -> Result<SpecimenResult, EntryError> {
    let typed = typed.trim();
    let specimen = name.to_owned();
    let (quantities, fracture) = match typed.split_once("fracture") {
        Some((before, after)) => (before, Some(after.trim().to_owned())),
        None => (typed, None),
    };
    let mut result = SpecimenResult {
        specimen: specimen.clone(),
        strength_mpa: None,
        load_kn: None,
        diameter_mm: None,
        as_typed: Some(typed.to_owned()),
        fracture: fracture.filter(|text| !text.is_empty()),
    };
    for part in quantity_parts(quantities) {
        let (slot, value, what) = if let Ok(load) = Kilonewton::parse(&part) {
            (&mut result.load_kn, load.0, "two loads")
        } else if let Ok(diameter) = Millimetre::parse(&part) {
            (&mut result.diameter_mm, diameter.0, "two diameters")
        } else {
            match Megapascal::parse(&part) {
                Ok(strength) => (&mut result.strength_mpa, strength.0, "two strengths"),
                Err(problem) => {
                    return Err(EntryError::NotAResult {
                        specimen,
                        part,
                        problem,
                    });
                }
            }
        };
        if slot.replace(value).is_some() {
            return Err(EntryError::TooMany { specimen, what });
        }
    }
    match (result.load_kn, result.strength_mpa) {
        (Some(_), Some(_)) => Err(EntryError::TooMany {
            specimen,
            what: "both a load and a strength",
        }),
        (None, None) if result.diameter_mm.is_some() => Err(EntryError::OnlyDiameter { specimen }),
        (None, None) => Err(EntryError::NoResult { specimen }),
        _ => Ok(result),
    }
}

/// Writes the unit behind a result that was typed without one: `4450` and `4450 4 in` of a form in psi.
pub fn with_unit(typed: &str, unit: &str) -> String {
    let typed = typed.trim();
    let mut words = typed.split_whitespace();
    let is_number = |word: &str| {
        let plain = word.trim_end_matches([',', ';']);
        !plain.is_empty()
            && plain
                .chars()
                .all(|c| c.is_ascii_digit() || ".,".contains(c))
    };
    match (words.next(), words.next()) {
        (Some(number), None) if is_number(number) => format!("{typed} {unit}"),
        // A number follows, or the fracture: the first one stands alone.
        (Some(number), Some(next))
            if is_number(number) && (is_number(next) || next.starts_with("fracture")) =>
        {
            let number = number.trim_end_matches([',', ';']);
            let rest = typed[typed.find(char::is_whitespace).unwrap_or(typed.len())..].trim();
            format!("{number} {unit} {rest}")
        }
        _ => typed.to_owned(),
    }
}

/// Splits `50265 lbf, 4 in` before each word that begins like a number.
fn quantity_parts(text: &str) -> Vec<String> {
    let mut parts: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let word = word.trim_end_matches([',', ';']);
        let begins_number =
            word.starts_with(|c: char| c.is_ascii_digit() || "+-.\u{2212}".contains(c));
        match parts.last_mut() {
            Some(part) if !begins_number => {
                part.push(' ');
                part.push_str(word);
            }
            _ if word.is_empty() => {}
            _ => parts.push(word.to_owned()),
        }
    }
    parts
}

/// Names as typed with commas or spaces between.
pub fn names(text: &str) -> Vec<String> {
    text.split([',', ' '])
        .map(str::trim)
        .filter(|name| !name.is_empty())
        .map(str::to_owned)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn is_near(left: Option<f64>, right: f64) -> bool {
        left.is_some_and(|left| (left - right).abs() < 1e-6)
    }

    #[test]
    fn a_load_with_its_diameter_is_kept_as_typed_and_in_si() {
        let result = named_specimen("A1 50,265 lbf, 4 in fracture cone").expect("a result");
        assert_eq!(result.specimen, "A1");
        assert!(is_near(result.load_kn, 223.589_859));
        assert!(is_near(result.diameter_mm, 101.6));
        assert_eq!(result.strength_mpa, None);
        assert_eq!(
            result.as_typed.as_deref(),
            Some("50,265 lbf, 4 in fracture cone")
        );
        assert_eq!(result.fracture.as_deref(), Some("cone"));
    }

    #[test]
    fn a_strength_may_stand_alone_with_or_without_a_space() {
        for typed in ["3590 psi", "3590psi", " 3,590 psi "] {
            let result = specimen("A2", typed).expect(typed);
            assert!(is_near(result.strength_mpa, 24.752_179), "{typed}");
        }
    }

    #[test]
    fn a_wrong_entry_says_which_specimen_and_what_to_type() {
        for (typed, part) in [
            ("", "A1 has no result"),
            ("4 in", "only a diameter"),
            ("50265", "has no unit"),
            ("50265 furlongs", "\"50265 furlongs\" is no load"),
            ("50265 lbf 3590 psi", "both a load and a strength"),
            ("50265 lbf 223 kN", "two loads"),
        ] {
            let refused = specimen("A1", typed).expect_err(typed).to_string();
            assert!(
                refused.contains("A1") && refused.contains(part),
                "{typed}: {refused}"
            );
        }
    }

    #[test]
    fn a_result_without_a_unit_takes_that_of_the_form() {
        for (typed, whole) in [
            ("4450", "4450 psi"),
            ("4,450", "4,450 psi"),
            ("4450 4 in", "4450 psi 4 in"),
            ("4450 fracture cone", "4450 psi fracture cone"),
            ("30.7 MPa", "30.7 MPa"),
            ("50265 lbf 4 in", "50265 lbf 4 in"),
            ("", ""),
            ("x", "x"),
        ] {
            assert_eq!(with_unit(typed, "psi"), whole);
        }
    }

    #[test]
    fn names_are_split_at_commas_and_spaces() {
        assert_eq!(names("A1, A2 A3,"), ["A1", "A2", "A3"]);
    }
}

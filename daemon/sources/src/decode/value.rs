//! A temperature or a fault word from the text or number that a logger sends.

use std::collections::BTreeMap;

use serde::Deserialize;

use super::Reason;
use crate::delivery::{Content, FaultWord, RefusalKind};

/// Zero on the Celsius scale, in kelvin (its definition).
const KELVIN_OFFSET: f64 = 273.15;

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
pub enum TemperatureUnit {
    #[default]
    C,
    F,
    K,
}

impl TemperatureUnit {
    /// Every spelling of a unit that is understood.
    const LABELS: [(&str, Self); 11] = [
        ("°C", Self::C),
        ("degC", Self::C),
        ("deg C", Self::C),
        ("Cel", Self::C),
        ("C", Self::C),
        ("°F", Self::F),
        ("degF", Self::F),
        ("deg F", Self::F),
        ("F", Self::F),
        ("kelvin", Self::K),
        ("K", Self::K),
    ];

    pub fn from_label(label: &str) -> Result<Self, Reason> {
        let label = label.trim();
        let found = Self::LABELS
            .iter()
            .find(|(known, _)| known.eq_ignore_ascii_case(label));
        found.map(|(_, unit)| *unit).ok_or_else(|| {
            let shown: String = label.chars().take(30).collect();
            Reason::new(
                RefusalKind::UnknownUnit,
                format!("`{shown}` is no unit of temperature; C, F and K are read"),
            )
        })
    }

    /// Parts a unit from the end of a text such as `21.5 °C`.
    pub(crate) fn split_suffix(text: &str) -> (&str, Option<Self>) {
        let found = Self::LABELS
            .iter()
            .find_map(|(label, unit)| text.strip_suffix(label).map(|rest| (rest, Some(*unit))));
        found.unwrap_or((text, None))
    }

    pub fn to_celsius(self, value: f64) -> f64 {
        match self {
            Self::C => value,
            Self::F => (value - 32.0) * 5.0 / 9.0,
            Self::K => value - KELVIN_OFFSET,
        }
    }
}

/// How a source writes its values.
#[derive(Debug, Clone, Default)]
pub struct ValueRule {
    /// Used where the record itself names no unit.
    pub unit: TemperatureUnit,
    /// `21,5` means 21.5.
    pub decimal_comma: bool,
    /// Words, or numbers such as -999.9, that stand for a fault; compared before the unit counts.
    pub fault_words: FaultWords,
}

impl ValueRule {
    pub fn read(&self, text: &str, unit: Option<TemperatureUnit>) -> Result<Content, Reason> {
        let text = text.trim();
        if let Some(word) = self.fault_words.find(text) {
            return Ok(Content::Fault(word));
        }
        let number = if self.decimal_comma {
            text.replacen(',', ".", 1).parse::<f64>()
        } else {
            text.parse::<f64>()
        };
        match number {
            Ok(number) if number.is_finite() => self.read_number(number, unit),
            _ => {
                let shown: String = text.chars().take(60).collect();
                Err(Reason::new(
                    RefusalKind::NotANumber,
                    format!("`{shown}` is neither a number nor one of its fault words"),
                ))
            }
        }
    }

    /// What a JSON `null` in place of a value stands for: the fault word `null`, or some fault.
    pub fn null_fault(&self) -> FaultWord {
        self.fault_words.find("null").unwrap_or(FaultWord::Fault)
    }

    pub fn read_number(
        &self,
        number: f64,
        unit: Option<TemperatureUnit>,
    ) -> Result<Content, Reason> {
        if let Some(word) = self.fault_words.find_number(number) {
            return Ok(Content::Fault(word));
        }
        let temperature_c = unit.unwrap_or(self.unit).to_celsius(number);
        if !temperature_c.is_finite() {
            return Err(Reason::new(
                RefusalKind::NotANumber,
                format!("{number} is no temperature"),
            ));
        }
        Ok(Content::TemperatureC(temperature_c))
    }
}

/// The option `fault_words`, such as `{ "OPEN" = "open", "-999.9" = "fault" }`.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(transparent)]
pub struct FaultWords(BTreeMap<String, FaultWord>);

impl FaultWords {
    /// The daemon's own words, as its exports write them.
    pub fn own() -> Self {
        Self(
            FaultWord::ALL
                .iter()
                .map(|word| (word.as_str().to_owned(), *word))
                .collect(),
        )
    }

    /// Whether any word could never match, because the text is trimmed before.
    pub(crate) fn has_blank(&self) -> bool {
        self.0.keys().any(|text| text.trim().is_empty())
    }

    fn find(&self, text: &str) -> Option<FaultWord> {
        let found = self
            .0
            .iter()
            .find(|(known, _)| known.trim().eq_ignore_ascii_case(text));
        found.map(|(_, word)| *word)
    }

    /// -999.9 and -999.90 are the same word, and so is the JSON number.
    fn find_number(&self, number: f64) -> Option<FaultWord> {
        let same = |known: &str| {
            known
                .trim()
                .parse::<f64>()
                .is_ok_and(|known| known.to_bits() == number.to_bits())
        };
        self.0
            .iter()
            .find(|(known, _)| same(known))
            .map(|(_, word)| *word)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn rule() -> ValueRule {
        let words = [("OPEN", FaultWord::Open), ("-999.9", FaultWord::Fault)];
        let words = words.map(|(text, word)| (text.to_owned(), word));
        ValueRule {
            fault_words: FaultWords(words.into()),
            ..ValueRule::default()
        }
    }

    #[test]
    fn a_fault_word_is_found_as_text_and_as_number() {
        let cases = [
            ("OPEN", FaultWord::Open),
            (" open ", FaultWord::Open),
            ("-999.9", FaultWord::Fault),
            ("-999.90", FaultWord::Fault),
        ];
        for (text, word) in cases {
            assert_eq!(rule().read(text, None), Ok(Content::Fault(word)), "{text}");
        }
        assert_eq!(
            rule().read_number(-999.9, None),
            Ok(Content::Fault(FaultWord::Fault))
        );
    }

    #[test]
    fn no_value_is_the_fault_that_the_plant_names_or_some_fault() {
        assert_eq!(rule().null_fault(), FaultWord::Fault);
        let words = [("null".to_owned(), FaultWord::Open)];
        let named = ValueRule {
            fault_words: FaultWords(words.into()),
            ..ValueRule::default()
        };
        assert_eq!(named.null_fault(), FaultWord::Open);
    }

    #[test]
    fn what_is_no_finite_number_is_refused_by_name() {
        for text in [
            "",
            "NaN",
            "inf",
            "-Infinity",
            "1e999",
            "21,5",
            "0x10",
            "21.5C",
            "--",
        ] {
            let reason = rule().read(text, None).expect_err(text);
            assert_eq!(reason.kind, RefusalKind::NotANumber, "{text}");
        }
    }

    #[test]
    fn units_convert_by_their_definitions() {
        let rule = rule();
        let cases = [
            (TemperatureUnit::F, "212", 100.0),
            (TemperatureUnit::F, "-40", -40.0),
            (TemperatureUnit::K, "273.15", 0.0),
            (TemperatureUnit::C, "+21.5", 21.5),
        ];
        for (unit, text, expected) in cases {
            assert_eq!(
                rule.read(text, Some(unit)),
                Ok(Content::TemperatureC(expected)),
                "{text}"
            );
        }
    }

    #[test]
    fn a_decimal_comma_is_read_where_it_is_configured() {
        let rule = ValueRule {
            decimal_comma: true,
            ..rule()
        };
        assert_eq!(rule.read("21,5", None), Ok(Content::TemperatureC(21.5)));
        assert!(rule.read("1,021,5", None).is_err());
    }

    #[test]
    fn an_unknown_unit_is_refused_by_name() {
        assert_eq!(TemperatureUnit::from_label(" °f "), Ok(TemperatureUnit::F));
        let reason = TemperatureUnit::from_label("V").expect_err("volts");
        assert_eq!(reason.kind, RefusalKind::UnknownUnit);
    }

    proptest! {
        #[test]
        fn any_text_gives_a_finite_temperature_or_a_reason(text in ".*") {
            if let Ok(Content::TemperatureC(temperature_c)) = rule().read(&text, None) {
                prop_assert!(temperature_c.is_finite());
            }
        }
    }
}

//! The bounds of what a plant can plausibly enter or measure; checks and messages use them.

use std::fmt;

/// The plausible interval of one quantity, ends included.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bound {
    /// What is bounded, as it reads in a message.
    pub name: &'static str,
    /// The unit of `min` and `max`.
    pub unit: &'static str,
    /// The smallest plausible value.
    pub min: f64,
    /// The largest plausible value.
    pub max: f64,
    /// What a value outside most likely means.
    pub meaning: &'static str,
    /// Where the limits come from, and how sure that is.
    pub source: &'static str,
}

/// A value outside its [`Bound`], or not a number at all.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OutOfBounds {
    /// The value that was refused, in the bound's unit.
    pub value: f64,
    /// The bound it fell outside of.
    pub bound: &'static Bound,
}

impl fmt::Display for OutOfBounds {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Bound {
            name,
            unit,
            min,
            max,
            meaning,
            ..
        } = self.bound;
        let gap = if unit.is_empty() { "" } else { " " };
        write!(
            f,
            "{name} must be from {min} to {max}{gap}{unit}, not {}: {meaning}",
            self.value
        )
    }
}

impl std::error::Error for OutOfBounds {}

impl Bound {
    /// Whether `value` (in the bound's unit) lies inside; never for NaN.
    pub fn contains(&self, value: f64) -> bool {
        value >= self.min && value <= self.max
    }

    /// Gives `value` back when it lies inside.
    ///
    /// # Errors
    /// [`OutOfBounds`] when it lies outside or is not a number.
    pub fn check(&'static self, value: f64) -> Result<f64, OutOfBounds> {
        if self.contains(value) {
            Ok(value)
        } else {
            Err(OutOfBounds { value, bound: self })
        }
    }
}

macro_rules! bounds {
    ($($(#[$doc:meta])* $id:ident: $name:literal, $unit:literal, $min:literal ..= $max:literal,
        $meaning:literal, $source:literal;)+) => {
        $(
            $(#[$doc])*
            pub static $id: Bound = Bound {
                name: $name, unit: $unit, min: $min, max: $max, meaning: $meaning, source: $source,
            };
            const _: () = assert!($min < $max);
        )+

        /// Every bound, in the order of the table.
        pub static ALL: &[&Bound] = &[$(&$id),+];
    };
}

bounds! {
    /// Strength of a broken cylinder or a required strength.
    CONCRETE_STRENGTH_MPA: "concrete strength", "MPa", 1.0 ..= 150.0,
        "check the unit (1 MPa is 145 psi)", "common practice, no source";
    /// The long-term strength that a fitted curve tends to; fits overshoot what can be broken.
    CURVE_ULTIMATE_MPA: "a curve's ultimate strength", "MPa", 1.0 ..= 300.0,
        "check the unit (1 MPa is 145 psi) and the fit", "common practice, no source";
    /// Temperature that concrete, enclosure or ambient air can have in a precast yard.
    CONCRETE_TEMPERATURE_C: "concrete temperature", "°C", -35.0 ..= 110.0,
        "a broken wire or another unit reads like this", "common practice, no source";
    /// Datum temperature of the temperature-time factor.
    DATUM_TEMPERATURE_C: "datum temperature", "°C", -20.0 ..= 15.0,
        "0 °C and -10 °C are usual", "from memory: ASTM C1074; seen: Iowa IM 383 for -10 °C";
    /// Reference temperature of equivalent age.
    REFERENCE_TEMPERATURE_C: "reference temperature", "°C", 5.0 ..= 60.0,
        "20 °C and 23 °C are usual", "from memory: ASTM C1074";
    /// Apparent activation energy.
    ACTIVATION_ENERGY_J_MOL: "activation energy", "J/mol", 15_000.0 ..= 80_000.0,
        "give J/mol, not kJ/mol; 40000 to 45000 is usual", "from memory: ASTM C1074";
    /// Base C of the weighted maturity; 1 makes it the temperature-time factor with datum -10 °C.
    C_VALUE: "C-value", "", 1.0 ..= 2.0,
        "1.25 to 1.65 is usual", "seen: betonlexicon.nl, page on the C-value";
    /// Diameter of a cylinder.
    CYLINDER_DIAMETER_MM: "cylinder diameter", "mm", 40.0 ..= 310.0,
        "4 in is 101.6 mm, 6 in is 152.4 mm", "common practice, no source";
    /// Length of a cylinder.
    CYLINDER_LENGTH_MM: "cylinder length", "mm", 40.0 ..= 620.0,
        "8 in is 203.2 mm, 12 in is 304.8 mm", "common practice, no source";
    /// Length over diameter of a cylinder whose strength can be corrected.
    LENGTH_DIAMETER_RATIO: "length over diameter", "", 1.0 ..= 2.2,
        "no correction is known outside", "from memory: ASTM C39";
    /// Load at which a cylinder breaks.
    CYLINDER_LOAD_KN: "cylinder load", "kN", 1.0 ..= 12_000.0,
        "check the unit (1 kN is 224.8 lbf)", "common practice, no source";
    /// Distance along a bed.
    STATION_M: "station", "m", 0.0 ..= 1_000.0,
        "stations count from the bed's zero end; check the unit", "common practice, no source";
    /// Relative scatter of strength between pours or loads.
    COEFFICIENT_OF_VARIATION: "coefficient of variation", "", 0.0 ..= 0.5,
        "give a fraction, not percent", "common practice, no source";
}

const _: () = {
    // Relations between rows that other packages rely on.
    assert!(CURVE_ULTIMATE_MPA.max >= CONCRETE_STRENGTH_MPA.max);
    assert!(CONCRETE_TEMPERATURE_C.min < DATUM_TEMPERATURE_C.min);
    assert!(DATUM_TEMPERATURE_C.max < CONCRETE_TEMPERATURE_C.max);
    assert!(REFERENCE_TEMPERATURE_C.max < CONCRETE_TEMPERATURE_C.max);
    assert!(CONCRETE_TEMPERATURE_C.min > -super::constants::KELVIN_OFFSET_EN_1992);
    assert!(CYLINDER_LENGTH_MM.max <= CYLINDER_DIAMETER_MM.max * LENGTH_DIAMETER_RATIO.max);
    // The plausible numbers of psi begin (at 145) where those of MPa end (at 150), so that a number
    // tells which unit it was meant in; "did you mean psi?" depends on it.
    let psi_of_smallest = CONCRETE_STRENGTH_MPA.min * 1e6 / super::constants::PASCAL_PER_PSI;
    assert!(psi_of_smallest > 0.95 * CONCRETE_STRENGTH_MPA.max);
};

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bound_includes_its_ends_and_refuses_what_is_not_a_number() {
        assert!(CONCRETE_STRENGTH_MPA.contains(1.0) && CONCRETE_STRENGTH_MPA.contains(150.0));
        assert!(!CONCRETE_STRENGTH_MPA.contains(150.1));
        assert!(CONCRETE_STRENGTH_MPA.check(f64::NAN).is_err());
    }

    #[test]
    fn a_refusal_names_the_quantity_the_limits_and_the_value() {
        let refused = CONCRETE_STRENGTH_MPA
            .check(3500.0)
            .expect_err("3500 MPa is no concrete");
        assert_eq!(
            refused.to_string(),
            "concrete strength must be from 1 to 150 MPa, not 3500: check the unit (1 MPa is 145 psi)"
        );
    }

    #[test]
    fn every_row_has_its_own_name_a_meaning_and_a_source() {
        let names: std::collections::BTreeSet<_> = ALL.iter().map(|bound| bound.name).collect();
        assert_eq!(names.len(), ALL.len());
        assert!(
            ALL.iter()
                .all(|bound| !bound.meaning.is_empty() && !bound.source.is_empty())
        );
    }
}

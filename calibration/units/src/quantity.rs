//! The quantities: one newtype each, with only the arithmetic that makes sense for it.

use std::ops::{Add, AddAssign, Div, Mul, Neg, Sub, SubAssign};

use crate::constants::{
    FAHRENHEIT_AT_ZERO_CELSIUS, FAHRENHEIT_PER_CELSIUS, METRE_PER_FOOT, MILLIMETRE_PER_INCH,
    NEWTON_PER_POUND_FORCE, PASCAL_PER_PSI,
};

macro_rules! quantities {
    ($($(#[$doc:meta])* $name:ident;)+) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
        pub struct $name(pub f64);
    )+};
}

quantities! {
    /// A temperature, °C. Two of them cannot be added; their difference is a [`CelsiusDifference`].
    Celsius;
    /// A difference of temperatures, °C: converts by 9/5 with no 32.
    CelsiusDifference;
    /// A rate of temperature change, °C/h: converts by 9/5 with no 32.
    CelsiusPerHour;
    /// A span of time, h.
    Hours;
    /// A temperature-time factor, °C·h above a datum: converts by 9/5 with no 32.
    CelsiusHours;
    /// A strength or stress, MPa (N/mm²).
    Megapascal;
    /// A force, kN.
    Kilonewton;
    /// A length of a specimen, mm.
    Millimetre;
    /// A length along a bed, m.
    Metre;
    /// An activation energy, J/mol.
    JoulePerMole;
}

/// Sums, differences, multiples and ratios, for quantities with a true zero.
macro_rules! linear {
    ($($name:ident)+) => {$(
        impl Add for $name {
            type Output = Self;
            fn add(self, other: Self) -> Self {
                Self(self.0 + other.0)
            }
        }
        impl Sub for $name {
            type Output = Self;
            fn sub(self, other: Self) -> Self {
                Self(self.0 - other.0)
            }
        }
        impl AddAssign for $name {
            fn add_assign(&mut self, other: Self) {
                self.0 += other.0;
            }
        }
        impl SubAssign for $name {
            fn sub_assign(&mut self, other: Self) {
                self.0 -= other.0;
            }
        }
        impl Neg for $name {
            type Output = Self;
            fn neg(self) -> Self {
                Self(-self.0)
            }
        }
        impl Mul<f64> for $name {
            type Output = Self;
            fn mul(self, factor: f64) -> Self {
                Self(self.0 * factor)
            }
        }
        impl Div<f64> for $name {
            type Output = Self;
            fn div(self, divisor: f64) -> Self {
                Self(self.0 / divisor)
            }
        }
        impl Div for $name {
            type Output = f64;
            fn div(self, other: Self) -> f64 {
                self.0 / other.0
            }
        }
    )+};
}

linear! {
    CelsiusDifference CelsiusPerHour Hours CelsiusHours Megapascal Kilonewton Millimetre Metre
    JoulePerMole
}

/// `$left * $right = $product` in both orders, and the two quotients.
macro_rules! product {
    ($($left:ident * $right:ident = $product:ident;)+) => {$(
        impl Mul<$right> for $left {
            type Output = $product;
            fn mul(self, other: $right) -> $product {
                $product(self.0 * other.0)
            }
        }
        impl Mul<$left> for $right {
            type Output = $product;
            fn mul(self, other: $left) -> $product {
                $product(self.0 * other.0)
            }
        }
        impl Div<$left> for $product {
            type Output = $right;
            fn div(self, divisor: $left) -> $right {
                $right(self.0 / divisor.0)
            }
        }
        impl Div<$right> for $product {
            type Output = $left;
            fn div(self, divisor: $right) -> $left {
                $left(self.0 / divisor.0)
            }
        }
    )+};
}

product! {
    CelsiusPerHour * Hours = CelsiusDifference;
    CelsiusDifference * Hours = CelsiusHours;
}

impl Sub for Celsius {
    type Output = CelsiusDifference;
    fn sub(self, other: Self) -> CelsiusDifference {
        CelsiusDifference(self.0 - other.0)
    }
}

impl Add<CelsiusDifference> for Celsius {
    type Output = Self;
    fn add(self, difference: CelsiusDifference) -> Self {
        Self(self.0 + difference.0)
    }
}

impl Sub<CelsiusDifference> for Celsius {
    type Output = Self;
    fn sub(self, difference: CelsiusDifference) -> Self {
        Self(self.0 - difference.0)
    }
}

/// Conversion to and from US customary units by one factor: how many SI units one US unit is.
macro_rules! converts {
    ($($name:ident, $from:ident, $to:ident, $us:literal, $si_per_us:expr;)+) => {$(
        impl $name {
            #[doc = concat!("The quantity that measures `value` ", $us, ".")]
            pub fn $from(value: f64) -> Self {
                Self(value * $si_per_us)
            }

            #[doc = concat!("The quantity in ", $us, ".")]
            pub fn $to(self) -> f64 {
                self.0 / $si_per_us
            }
        }
    )+};
}

converts! {
    CelsiusDifference, from_fahrenheit, to_fahrenheit, "°F (a difference)",
        1.0 / FAHRENHEIT_PER_CELSIUS;
    CelsiusPerHour, from_fahrenheit_per_hour, to_fahrenheit_per_hour, "°F/h",
        1.0 / FAHRENHEIT_PER_CELSIUS;
    CelsiusHours, from_fahrenheit_hours, to_fahrenheit_hours, "°F·h", 1.0 / FAHRENHEIT_PER_CELSIUS;
    Megapascal, from_psi, to_psi, "psi", PASCAL_PER_PSI * 1e-6;
    Kilonewton, from_pound_force, to_pound_force, "lbf", NEWTON_PER_POUND_FORCE * 1e-3;
    Millimetre, from_inch, to_inch, "in", MILLIMETRE_PER_INCH;
    Metre, from_foot, to_foot, "ft", METRE_PER_FOOT;
}

impl Celsius {
    /// The temperature that reads `value` °F.
    pub fn from_fahrenheit(value: f64) -> Self {
        Self((value - FAHRENHEIT_AT_ZERO_CELSIUS) / FAHRENHEIT_PER_CELSIUS)
    }

    /// The temperature in °F.
    pub fn to_fahrenheit(self) -> f64 {
        self.0 * FAHRENHEIT_PER_CELSIUS + FAHRENHEIT_AT_ZERO_CELSIUS
    }
}

impl From<Metre> for Millimetre {
    fn from(length: Metre) -> Self {
        Self(length.0 * 1000.0)
    }
}

impl From<Millimetre> for Metre {
    fn from(length: Millimetre) -> Self {
        Self(length.0 / 1000.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn is_near(left: f64, right: f64) -> bool {
        (left - right).abs() <= 1e-9 * (1.0 + right.abs())
    }

    #[test]
    fn a_temperature_converts_with_the_32() {
        assert!(is_near(Celsius(0.0).to_fahrenheit(), 32.0));
        assert!(is_near(Celsius(100.0).to_fahrenheit(), 212.0));
        assert!(is_near(Celsius::from_fahrenheit(-40.0).0, -40.0));
    }

    #[test]
    fn a_rate_and_a_difference_convert_by_nine_fifths_with_no_32() {
        assert!(is_near(CelsiusDifference(0.0).to_fahrenheit(), 0.0));
        assert!(is_near(CelsiusDifference(20.0).to_fahrenheit(), 36.0));
        assert!(is_near(CelsiusPerHour(0.0).to_fahrenheit_per_hour(), 0.0));
        assert!(is_near(
            CelsiusPerHour::from_fahrenheit_per_hour(40.0).0,
            22.0 + 2.0 / 9.0
        ));
        assert!(is_near(CelsiusHours(480.0).to_fahrenheit_hours(), 864.0));
    }

    #[test]
    fn strength_force_and_length_convert_by_their_exact_factors() {
        assert!(is_near(Megapascal::from_psi(1.0).0, 0.006_894_757_293_168));
        assert!(is_near(
            Kilonewton::from_pound_force(1000.0).0,
            4.448_221_615_260_5
        ));
        assert!(is_near(Millimetre::from_inch(4.0).0, 101.6));
        assert!(is_near(Metre::from_foot(200.0).0, 60.96));
    }

    #[test]
    fn differences_rates_and_spans_combine_into_the_right_quantity() {
        let rise: CelsiusDifference = Celsius(65.0) - Celsius(25.0);
        let rate: CelsiusPerHour = rise / Hours(2.0);
        assert!(is_near(rate.0, 20.0));
        let factor: CelsiusHours = rise * Hours(3.0);
        assert!(is_near(factor.0, 120.0));
        assert!(is_near((Celsius(25.0) + rate * Hours(1.0)).0, 45.0));
    }

    proptest! {
        #[test]
        fn every_conversion_returns_to_where_it_began(value in -1e4..1e4f64) {
            prop_assert!(is_near(Celsius::from_fahrenheit(Celsius(value).to_fahrenheit()).0, value));
            prop_assert!(is_near(Megapascal::from_psi(Megapascal(value).to_psi()).0, value));
            prop_assert!(is_near(
                Kilonewton::from_pound_force(Kilonewton(value).to_pound_force()).0, value));
            prop_assert!(is_near(Millimetre::from_inch(Millimetre(value).to_inch()).0, value));
            prop_assert!(is_near(Metre::from_foot(Metre(value).to_foot()).0, value));
        }

        #[test]
        fn a_difference_converts_like_the_difference_of_the_converted(
            low in -50.0..120.0f64, high in -50.0..120.0f64,
        ) {
            let converted = Celsius(high).to_fahrenheit() - Celsius(low).to_fahrenheit();
            let difference = (Celsius(high) - Celsius(low)).to_fahrenheit();
            prop_assert!((converted - difference).abs() < 1e-9);
        }
    }
}

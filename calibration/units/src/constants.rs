//! The physical constants and conversion factors, each with its unit and where it comes from.

/// Molar gas constant R, J/(mol K).
///
/// The literature on equivalent age writes 8.314, and activation energies are published with it, so
/// it is used here instead of the CODATA value 8.314462618 (exact since 2019). The difference moves
/// an age factor in the fifth digit: 38.2 kJ/mol from 15 to 25 °C gives 0.58578 here and 0.58580
/// there.
pub const GAS_CONSTANT_J_MOL_K: f64 = 8.314;

/// 0 °C in kelvin (exact, by definition of the Celsius scale).
pub const KELVIN_OFFSET: f64 = 273.15;

/// The rounded offset that EN 1992-1-1 (B.10) itself prints; its age is not that of 273.15.
pub const KELVIN_OFFSET_EN_1992: f64 = 273.0;

/// One pound-force per square inch in pascal (from the exact pound-force and inch).
pub const PASCAL_PER_PSI: f64 = 6_894.757_293_168;

/// One pound-force in newton (exact: 0.45359237 kg at 9.80665 m/s²).
pub const NEWTON_PER_POUND_FORCE: f64 = 4.448_221_615_260_5;

/// One inch in millimetres (exact).
pub const MILLIMETRE_PER_INCH: f64 = 25.4;

/// One foot in metres (exact).
pub const METRE_PER_FOOT: f64 = 0.304_8;

/// Fahrenheit degrees in one Celsius degree: the whole conversion of a difference or a rate.
pub const FAHRENHEIT_PER_CELSIUS: f64 = 1.8;

/// The Fahrenheit reading at 0 °C: applies to temperatures, never to differences or rates.
pub const FAHRENHEIT_AT_ZERO_CELSIUS: f64 = 32.0;

const _: () = {
    // A pound-force per square inch is a pound-force over a square inch, to the digits given.
    let square_inch_m2 = MILLIMETRE_PER_INCH * MILLIMETRE_PER_INCH * 1e-6;
    let difference_pa = NEWTON_PER_POUND_FORCE / square_inch_m2 - PASCAL_PER_PSI;
    assert!(difference_pa < 1e-8 && difference_pa > -1e-8);
    let feet_to_inches = METRE_PER_FOOT * 1000.0 - 12.0 * MILLIMETRE_PER_INCH;
    assert!(feet_to_inches < 1e-9 && feet_to_inches > -1e-9);
    assert!(KELVIN_OFFSET_EN_1992 < KELVIN_OFFSET);
};

//! Quantities as types: conversion, formatting, parsing, and one table of constants and bounds.
//!
//! Everything inside tarplight is SI (°C, h, MPa, kN, mm, m); US customary units exist only where a
//! person types or reads. A temperature and a temperature *difference* are different types because
//! they convert differently: 40 °C is 104 °F, but a difference of 40 °C is one of 72 °F.
//!
//! ```
//! use units::{Celsius, CelsiusDifference, Megapascal, Show, UnitSystem};
//!
//! assert_eq!(Celsius(40.0).show(UnitSystem::Us), "104 °F");
//! assert_eq!(CelsiusDifference(40.0).show(UnitSystem::Us), "72 °F");
//! assert_eq!(Megapascal::parse("3500 psi")?.show(UnitSystem::Si), "24.1 MPa");
//! # Ok::<(), units::QuantityError>(())
//! ```
#![warn(missing_docs)]

pub mod bounds;
pub mod constants;
mod lines;
mod parse;
mod quantity;
mod show;

pub use bounds::{Bound, OutOfBounds};
pub use lines::{PlainLines, line_of_row, utf8_text};
pub use parse::QuantityError;
pub use quantity::{
    Celsius, CelsiusDifference, CelsiusHours, CelsiusPerHour, Hours, JoulePerMole, Kilonewton,
    Megapascal, Metre, Millimetre,
};
pub use show::{Show, UnitSystem, show_apart};

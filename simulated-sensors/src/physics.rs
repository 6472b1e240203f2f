//! The physical plant: what concrete, air, steam and weather do, with no instrument in sight.
//!
//! Nothing here is shared with the daemon's own models: agreement must be earned, not built in.

pub mod cylinder;
pub mod enclosure;
pub mod heat;
pub mod hydration;
pub mod section;
pub mod strength;
pub mod weather;

/// 0 °C in kelvin.
const KELVIN_AT_0_C: f64 = 273.15;

/// Molar gas constant, J/(mol K).
const GAS_CONSTANT: f64 = 8.314;

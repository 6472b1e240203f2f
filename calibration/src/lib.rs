//! Maturity, curves and cylinder strength as pure mathematics: no I/O, no clock, no threads.
//!
//! # The problem as a formula
//!
//! Concrete that cures warm gains strength faster. A maturity function turns the temperature
//! history T(t) of a position into one number, and a curve, fitted by the lab to broken cylinders
//! of the same mix, turns that number into strength:
//!
//! ```text
//! M = ∫ rate(T(t)) dt from time zero     S = curve(M)     lower_90 = S(M_low) - t * sd(M_low)
//! ```
//!
//! | symbol | meaning | unit |
//! |---|---|---|
//! | T | concrete temperature | °C |
//! | M | maturity: temperature-time factor, weighted maturity, or equivalent age | °C·h, or h |
//! | M_low | a maturity that cannot overstate (gaps, time zero, sensor tolerance) | as M |
//! | S | estimated strength | MPa |
//! | sd | standard deviation of the mean strength of the concrete at a position | MPa |
//! | t | Student's 0.90 quantile at the residual's degrees of freedom | - |
//!
//! An estimate is never permission. Broken cylinders decide, a person signs, and detensioning
//! follows the plant's engineered sequence.
//!
//! # A worked example
//!
//! Twenty-four hours at 20 °C over a datum of 0 °C are 480 °C·h; on a hyperbolic curve with an
//! ultimate strength of 50 MPa, k = 0.0025 and no offset that is 50 * 1.2 / 2.2 = 27.27 MPa.
//!
//! ```
//! use calibration::{Curve, MaturityFunction};
//!
//! let function = MaturityFunction::TemperatureTimeFactor { datum_c: 0.0 };
//! let maturities = function.history(&[(0.0, 20.0), (24.0, 20.0)])?;
//! assert_eq!(maturities.last(), Some(&480.0));
//!
//! let curve = Curve::Hyperbolic { ultimate_mpa: 50.0, rate_per_unit: 0.0025, offset: 0.0 };
//! assert!((curve.strength_mpa(480.0) - 27.2727).abs() < 1e-4);
//! assert_eq!(curve.maturity_at(55.0), None, "never: above the ultimate strength");
//! # Ok::<(), calibration::HistoryError>(())
//! ```
//!
//! # References
//!
//! ASTM C1074 (maturity functions and curve forms), ASTM C39 (cylinders): from memory. EN 1992-1-1
//! (B.10): seen in an open implementation. NEN 5970 (weighted maturity): formula seen at
//! kwaliteitsdienstbeton.nl. `tests/published` holds every figure that was checked, with its source
//! and how sure it is.
#![warn(missing_docs)]

pub mod curve;
pub mod curve_file;
pub mod curve_record;
pub mod cylinder;
mod document;
pub mod estimate;
pub mod fit;
pub mod least_squares;
pub mod maturity;
pub mod plan;
pub mod rates;
pub mod series;
pub mod verification;

pub use curve::Curve;
pub use curve_file::{
    Cured, CurveFile, CurveFileError, CurveRange, DataRow, DataSource, Exclusion, NOT_ITS_DATA,
    Specimens, TimeZero, digest,
};
pub use curve_record::{
    CurveAct, CurveRecord, CurveStanding, is_approval, parse_records, standing_at, unaccepted,
};
pub use cylinder::{
    CylinderError, CylinderSize, Judgement, ReleaseBasis, ReleaseRule, Shortfall, check_plausible,
    cylinder_strength, length_factor, reported,
};
pub use estimate::{
    MaturityInterval, PreparedCurve, RequiredMaturity, Scatter, StrengthEstimate, estimate,
    t_quantile,
};
pub use maturity::{HistoryError, MaturityFunction, MaturityUnit};

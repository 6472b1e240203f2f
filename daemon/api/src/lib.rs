//! The contract between the daemon and everyone who talks to it: nouns, routes, errors and a client.
//!
//! Reading order: [`act`] (what people tell the daemon), [`pour`] (what it answers), [`bed`], then the rest.
//! Every temperature is in °C, strength in MPa, length in m or mm, load in kN; the field's name says so.
//! Every instant is UTC, RFC 3339. A field may be added to any answer; none is renamed or removed.

#![warn(missing_docs)]

pub mod act;
pub mod ahead;
pub mod alarm;
pub mod bed;
pub mod channel;
#[cfg(feature = "client")]
pub mod client;
pub mod effect;
pub mod error;
pub mod event;
pub mod mix;
pub mod plan;
pub mod pour;
pub mod reading;
pub mod routes;
pub mod series;
pub mod shift;
pub mod source;
pub mod trouble;

pub use act::{Act, ActAnswer, ActBody};
pub use bed::{BedView, PlantSnapshot, PlantView};
pub use error::{Problem, ProblemKind};
pub use pour::PourView;
pub use trouble::TroubleView;

//! What is known of the beds and what it means: pure rules, without I/O, clocks or threads.
//!
//! Inputs are records (acts, readings, configuration) and the moment asked for; the answer is a
//! function of the set of records known at that moment, never of the order in which they came.
//! Reading order: [`act`] and [`reading`] (what comes in), [`pour`] and [`channel`] (what is kept),
//! [`positions`] (how it is judged), [`plant`] (what may be asked), [`assessment`] (the answers).

pub mod act;
pub mod act_check;
pub mod age;
pub mod ahead;
pub mod alarm;
pub mod assessment;
pub mod channel;
pub mod config;
pub mod curve_points;
pub mod estimate;
pub mod forecast;
mod grid;
pub mod habits;
pub mod limits;
pub mod path;
pub mod plant;
pub mod plugs;
pub mod positions;
pub mod pour;
pub mod reading;
pub mod record;
pub mod release;
pub mod say;
pub mod statistics;
pub mod time;
pub mod trouble;
pub mod trust;

pub use plant::{Plant, PlantAssessment, PourSeries};
pub use reading::{Content, Reading, Taken};

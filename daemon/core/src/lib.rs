//! What is known of the beds and what it means: pure rules, without I/O, clocks or threads.
//!
//! Inputs are records (acts, readings, configuration) and the moment asked for; the answer is a
//! function of the set of records known at that moment, never of the order in which they came.

pub mod act;
pub mod assessment;
pub mod config;
pub mod pour;
pub mod time;

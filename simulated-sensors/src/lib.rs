//! A simulated precast plant and its instruments, seeded, at any speed.
//!
//! Nothing here comes from the daemon: the physics is not its forecast model, strength comes from
//! each specimen's own hydration, and frames are encoded from the protocol's description alone.

pub mod bed;
pub mod broker;
pub mod cli;
pub mod clock;
pub mod control;
pub mod demo;
pub mod fault;
pub mod files;
pub mod history;
pub mod instruments;
pub mod lab;
pub mod link;
pub mod paperwork;
pub mod physics;
pub mod plan;
pub mod plant;
pub mod run;
pub mod scenario;
pub mod streams;
pub mod tied;
pub mod wire;

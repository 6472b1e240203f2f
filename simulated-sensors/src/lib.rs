//! A simulated precast plant and its instruments, seeded, at any speed.

pub mod bed;
pub mod clock;
pub mod fault;
pub mod files;
pub mod instruments;
pub mod physics;
pub mod plan;
pub mod plant;
pub mod scenario;
pub mod streams;
pub mod wire;

//! A simulated precast plant and its instruments, seeded, at any speed.

pub mod clock;
pub mod physics;
pub mod streams;

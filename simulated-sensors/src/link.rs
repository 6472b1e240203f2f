//! The wires from loggers to the daemon: pseudo-terminals and a broker.

pub mod mqtt;
pub mod serial;

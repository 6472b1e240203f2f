//! Breaks, confirmation and status.

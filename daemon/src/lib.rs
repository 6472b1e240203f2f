//! The daemon's shell: bytes come in, the core decides, the store keeps, HTTP answers.
//!
//! Reading order: [`config`] (what a plant is), [`convert`] (wire and core), [`replay`] (what would
//! it have said), then the live loop.

pub mod config;

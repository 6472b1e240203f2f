//! The dashboard and the plant's command line for acts: a view over the daemon's API, without maths of its own.

mod app;
mod cli;
mod connection;
pub mod entry;
pub mod event;
pub mod form;
pub mod keys;
mod looks;
mod names;
pub mod state;
pub mod theme;
pub mod times;
mod typed_time;
mod view;
pub mod when;
pub mod words;

pub use app::run;
pub use cli::{bed_as_text, main};
pub use view::{render, render_to_text, text_of};

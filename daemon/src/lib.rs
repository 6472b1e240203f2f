//! The daemon's shell: bytes come in, the core decides, the store keeps, HTTP answers.
//!
//! Reading order: [`config`] (what a plant is), [`convert`] (wire and core), [`replay`] (what would
//! it have said), [`event_loop`] (the living daemon), [`run`] (everything put together).

pub mod act_text;
pub mod channels;
pub mod clock;
pub mod config;
pub mod convert;
pub mod curve_watch;
pub mod door;
pub mod event_loop;
pub mod history;
pub mod live;
pub mod mix_breaks;
pub mod notify;
pub mod pour_file;
pub mod replay;
pub mod run;
pub mod series;
pub mod source_book;
pub mod state_line;
pub mod watch;

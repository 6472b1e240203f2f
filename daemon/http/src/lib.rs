//! The daemon's HTTP door: it turns requests into calls of a [`Door`] and nothing more.
//!
//! Every rule about pours, holds and acts lives behind the door. Here are the routes, the reading
//! of bodies with errors that a person can act on, the problem answers, the event stream and its
//! end at shutdown. It answers on loopback only; [`check_listen`] says why.

#![warn(missing_docs)]

mod body;
mod culprit;
mod door;
mod handlers;
mod query;
mod refusal;
mod router;
mod serve;

pub use body::BODY_BYTES_MAX;
pub use door::{Answer, Door, TextPieces, one_piece};
pub use handlers::event::HEARTBEAT_PERIOD;
pub use router::router;
pub use serve::{SHUTDOWN_WAIT_MAX, check_listen, serve};

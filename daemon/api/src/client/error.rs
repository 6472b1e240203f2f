//! What can go wrong between a client and the daemon, each a sentence that says what to do.

use super::event_stream::SILENCE_MAX;
use crate::error::Problem;

/// Why there is no answer.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ClientError {
    /// The address is not one that the client may use.
    #[error(
        "`{base}` is not an address of the daemon: {reason}; write it like http://127.0.0.1:7871"
    )]
    BadAddress {
        /// The address as given.
        base: String,
        /// What is wrong with it.
        reason: String,
    },
    /// No connection, or it broke before the whole answer was there.
    #[error("no answer from {base}: is tarplightd running?")]
    Unreachable {
        /// The daemon's address.
        base: String,
        /// What the connection said.
        source: reqwest::Error,
    },
    /// The connection stands, but the answer did not come in time.
    #[error(
        "no answer from {base} within {waited_s} s; what was sent may be recorded all the same: \
         send it again with the same id, it counts once"
    )]
    NoAnswer {
        /// The daemon's address.
        base: String,
        /// How long the client waited, s.
        waited_s: u64,
    },
    /// The daemon refused; its sentence says why and what to do.
    #[error(transparent)]
    Problem(Problem),
    /// An answer that does not follow the contract.
    #[error("the answer of {base}{path} cannot be read: {detail}")]
    Unreadable {
        /// The daemon's address.
        base: String,
        /// The path asked.
        path: String,
        /// What is wrong with it and what to look at.
        detail: String,
    },
    /// The event stream stands, but nothing came for [`SILENCE_MAX`], not even a heartbeat.
    #[error(
        "the daemon has been silent for {} s: open the event stream again and fetch the snapshot",
        SILENCE_MAX.as_secs()
    )]
    Silent,
    /// The daemon ended the event stream.
    #[error("the daemon ended the event stream: open it again and fetch the snapshot")]
    Ended,
}

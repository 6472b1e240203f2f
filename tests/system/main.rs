//! The daemon as a process, fed by a broker that is not ours: nothing accepted is lost or changed.

#![expect(
    clippy::print_stdout,
    reason = "what a run found is told beside its verdict"
)]

mod acts;
mod commands;
mod demo;
mod durable;
mod full;
mod kill;
mod leak;
mod log;
mod no_permission;
mod outage;
mod published;
mod replay;
mod serial;
mod status;
mod watch;

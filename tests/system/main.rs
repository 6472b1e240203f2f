//! The daemon as a process, fed by a broker that is not ours: nothing accepted is lost or changed.

mod acts;
mod kill;
mod published;
mod replay;

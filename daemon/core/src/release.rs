//! What the cylinders have said, what stands against signing, and where a pour stands.
//!
//! A break confirms only what it stands for; breaking until one passes is one result, not a pass.

mod breaks;
mod confirm;
mod notes;
mod outcome;

pub use breaks::{Compared, compared, disagrees, judge_breaks, strength_mpa};
pub use confirm::{confirm, could_confirm_the_rest, status};
pub use notes::{cautions, release_holds, withdrawn_sentence};
pub use outcome::{Telling, status_words, tell};

//! Programs that end when the process that started them is gone, even where it was killed.
//!
//! Linux offers to signal a process when its parent ends, and only the process itself can ask for it.
//! So a program is started through this one, which asks and then becomes it. Elsewhere nothing is
//! asked: there a parent that is killed outright leaves its children, and one that is told to end
//! takes them along.

use std::ffi::OsString;
use std::os::unix::process::CommandExt as _;
use std::path::Path;
use std::process::Command;

use anyhow::Context;

/// The name of the subcommand that ties and becomes.
pub const SUBCOMMAND: &str = "tied";

/// Whether the system can tie a program to the process that starts it.
pub const IS_OFFERED: bool = cfg!(target_os = "linux");

/// The words that start a program through `tool`, this program's file, which ties it to this process.
pub fn words(tool: &Path, program: &Path) -> [OsString; 4] {
    let parent = std::process::id().to_string();
    [
        tool.into(),
        SUBCOMMAND.into(),
        parent.into(),
        program.into(),
    ]
}

/// Asks to end with `parent` and becomes the program; returns only with why it could not.
pub fn become_tied(parent: u32, program: &[OsString]) -> anyhow::Result<()> {
    ask(parent)?;
    let (name, arguments) = program.split_first().context("no program is named")?;
    let error = Command::new(name).args(arguments).exec();
    Err(error).with_context(|| format!("cannot start {}", Path::new(name).display()))
}

#[cfg(target_os = "linux")]
fn ask(parent: u32) -> anyhow::Result<()> {
    use rustix::process::{Signal, getppid, set_parent_process_death_signal};

    set_parent_process_death_signal(Some(Signal::TERM))
        .context("cannot ask to end with the parent")?;
    // A parent that went before the kernel was asked would never be reported.
    let is_there = getppid().is_some_and(|id| u32::try_from(id.as_raw_pid()) == Ok(parent));
    if !is_there {
        anyhow::bail!("process {parent}, to which it was to be tied, has ended");
    }
    Ok(())
}

#[cfg(not(target_os = "linux"))]
fn ask(_parent: u32) -> anyhow::Result<()> {
    Ok(())
}

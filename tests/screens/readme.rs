//! The README's capture is what its command prints.

use std::process::Command;

use harness::{binary, workspace_root};

use crate::night::Night;

/// What stands before the capture in the README.
const COMMAND: &str = "tarplight screen yard\n";
const FENCE: &str = "```\n";

#[test]
fn the_capture_in_the_readme_is_what_its_command_prints() {
    let night = Night::stopped_at("2026-01-21T10:55:05Z");
    let run = Command::new(binary("tarplight"))
        .args(["--daemon", &format!("http://{}", night.daemon.address())])
        .args(["screen", "yard"])
        .output()
        .expect("the command runs");
    assert!(
        run.status.success(),
        "{}",
        String::from_utf8_lossy(&run.stderr)
    );
    let printed = String::from_utf8(run.stdout).expect("a screen is text");

    let path = workspace_root().join("README.md");
    let readme = std::fs::read_to_string(&path).expect("the README");
    let (before, rest) = readme
        .split_once(COMMAND)
        .expect("the README shows the command");
    let (between, rest) = rest
        .split_once("```text\n")
        .expect("a block of text follows");
    let (capture, after) = rest.split_once(FENCE).expect("the block ends");
    if std::env::var_os("UPDATE_SCREENS").is_some() {
        let readme = format!("{before}{COMMAND}{between}```text\n{printed}{FENCE}{after}");
        std::fs::write(&path, readme).expect("the README is written");
        return;
    }
    for (at, (shown, printed)) in capture.lines().zip(printed.lines()).enumerate() {
        assert_eq!(shown, printed, "line {} of the README's capture", at + 1);
    }
    assert_eq!(
        capture, printed,
        "UPDATE_SCREENS=1 writes the README's capture anew"
    );
}

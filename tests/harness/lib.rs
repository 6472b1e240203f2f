//! What system tests stand on: the workspace's binaries, a broker, a daemon, and bounded waiting.

use std::path::PathBuf;

/// The root of the workspace.
#[must_use]
pub fn workspace_root() -> PathBuf {
    let tests = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    tests.parent().map_or(tests.clone(), PathBuf::from)
}

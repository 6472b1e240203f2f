//! What system tests stand on: the workspace's binaries, a broker, a daemon, and bounded waiting.

pub mod broker;
pub mod daemon;
pub mod disk;
pub mod plant;
pub mod port;
pub mod trace;
pub mod wire;

use std::path::PathBuf;
use std::process::Command;
use std::sync::OnceLock;
use std::time::{Duration, Instant};

/// The root of the workspace.
///
/// # Panics
/// Where this package is not below it.
#[must_use]
pub fn workspace_root() -> PathBuf {
    let tests = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    tests
        .parent()
        .expect("the package lies below the workspace's root")
        .to_owned()
}

/// A binary of the workspace, built once per run of the tests.
///
/// # Panics
/// Where it does not build.
#[must_use]
pub fn binary(name: &str) -> PathBuf {
    static BUILT: OnceLock<PathBuf> = OnceLock::new();
    let folder = BUILT.get_or_init(|| {
        // Test binaries stand in `deps`, the workspace's binaries one folder up.
        let this = std::env::current_exe().expect("a test knows its own path");
        let folder = this
            .ancestors()
            .nth(2)
            .expect("a test stands two folders down")
            .to_owned();
        // A benchmark measures what a benchmark's own profile makes; both stand in one folder.
        let is_benchmark = folder.ends_with("release");
        let arguments = [
            "build",
            "--locked",
            "--profile",
            if is_benchmark { "bench" } else { "dev" },
            "--workspace",
            "--bins",
        ];
        let built = Command::new(env!("CARGO"))
            .args(arguments)
            .current_dir(workspace_root())
            .output()
            .expect("cargo runs");
        assert!(
            built.status.success(),
            "{}",
            String::from_utf8_lossy(&built.stderr)
        );
        folder
    });
    folder.join(name)
}

/// The middle of what a benchmark measured.
///
/// # Panics
/// Without values.
#[must_use]
pub fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

/// Waits until `probe` is `Ok`, asking again and again; after `limit` it fails with the last answer.
///
/// # Panics
/// When `limit` has passed.
pub fn wait_until<T>(
    what: &str,
    limit: Duration,
    mut probe: impl FnMut() -> Result<T, String>,
) -> T {
    let start = Instant::now();
    loop {
        match probe() {
            Ok(value) => return value,
            Err(last) => assert!(
                start.elapsed() < limit,
                "waited {limit:?} until {what}: {last}"
            ),
        }
        std::thread::sleep(Duration::from_millis(20));
    }
}

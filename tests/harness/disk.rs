//! A disk that a test can fill under a running daemon.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use crate::daemon::{Daemon, Launch};

/// Room that can run out: a small file system, or where this user may not mount one, a limit on the
/// size of the daemon's files. Either way the kernel refuses the write.
#[derive(Debug)]
pub enum SmallDisk {
    /// A file system of its own, here.
    Mounted(PathBuf),
    /// A folder, and a limit on the daemon's files.
    Limited(PathBuf),
}

impl SmallDisk {
    /// In a folder of the test's own.
    ///
    /// # Panics
    /// Where the folder cannot be made.
    #[must_use]
    pub fn new(folder: &Path) -> Self {
        let disk = folder.join("disk");
        std::fs::create_dir(&disk).expect("a folder");
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", "size=4m", "tmpfs"])
            .arg(&disk)
            .stderr(Stdio::null())
            .status()
            .is_ok_and(|status| status.success());
        if mounted {
            Self::Mounted(disk)
        } else {
            Self::Limited(disk)
        }
    }

    /// Where the daemon's data go.
    #[must_use]
    pub fn path(&self) -> &Path {
        match self {
            Self::Mounted(disk) | Self::Limited(disk) => disk,
        }
    }

    /// How a daemon must be started so that a full disk does not end it.
    #[must_use]
    pub fn launch(&self, log: PathBuf) -> Launch {
        let wrapper: &[&str] = match self {
            Self::Mounted(_) => &[],
            // Past the limit a process gets a signal that would end it; ignored, the write fails.
            Self::Limited(_) => &["sh", "-c", "trap '' XFSZ; exec \"$@\"", "sh"],
        };
        Launch {
            wrapper: wrapper.iter().map(|one| (*one).to_owned()).collect(),
            log: Some(log),
            ..Launch::default()
        }
    }

    /// Takes all the room that is left.
    ///
    /// # Panics
    /// Where there is still room then.
    pub fn fill(&self, daemon: &Daemon) {
        match self {
            Self::Mounted(disk) => {
                let filled = std::fs::write(disk.join("filler"), vec![0_u8; 8 << 20]);
                let error = filled.expect_err("eight megabytes do not fit on four");
                assert_eq!(error.kind(), std::io::ErrorKind::StorageFull);
            }
            Self::Limited(_) => {
                let log = PathBuf::from(format!("{}-wal", daemon.database().display()));
                let size = std::fs::metadata(log).expect("the log is there").len();
                limit_files(daemon, &size.to_string());
            }
        }
    }

    /// Gives the room back.
    ///
    /// # Panics
    /// Where the filler cannot be removed.
    pub fn make_room(&self, daemon: &Daemon) {
        match self {
            Self::Mounted(disk) => {
                std::fs::remove_file(disk.join("filler")).expect("the filler goes");
            }
            Self::Limited(_) => limit_files(daemon, "unlimited"),
        }
    }
}

fn limit_files(daemon: &Daemon, bytes: &str) {
    let limited = Command::new("prlimit")
        .args(["--pid", &daemon.process_id().to_string()])
        .arg(format!("--fsize={bytes}:unlimited"))
        .status();
    assert!(
        limited
            .expect("prlimit starts (Debian package: util-linux)")
            .success()
    );
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        if let Self::Mounted(disk) = self {
            // Lazily, because the daemon may still be ending; there is nobody left to be told.
            let _ = Command::new("umount").arg("--lazy").arg(disk).status();
        }
    }
}

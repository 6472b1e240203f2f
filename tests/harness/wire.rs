//! Two linked pseudo-terminals: one end is the daemon's port, the other is the test's logger.

use std::fs::{File, OpenOptions};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use crate::wait_until;

/// A wire that can be pulled out and plugged in again behind the same link.
pub struct Wire {
    port: PathBuf,
    logger: PathBuf,
    process: Option<Child>,
}

impl Wire {
    /// Plugs a wire in; its links lie in `folder`.
    ///
    /// # Panics
    /// Where socat is not installed or makes no pseudo-terminals.
    #[must_use]
    pub fn plug(folder: &Path, name: &str) -> Self {
        let mut wire = Self {
            port: folder.join(name),
            logger: folder.join(format!("{name}-logger")),
            process: None,
        };
        wire.plug_again();
        wire
    }

    /// Makes both pseudo-terminals again, behind the same links.
    ///
    /// # Panics
    /// Where they do not appear.
    pub fn plug_again(&mut self) {
        let end = |link: &Path| format!("pty,raw,echo=0,link={}", link.display());
        let mut process = Command::new("socat")
            .arg(end(&self.logger))
            .arg(end(&self.port))
            .stderr(Stdio::null())
            .spawn()
            .expect("socat starts (Debian package: socat)");
        wait_until(
            "both ends of the wire are there",
            Duration::from_secs(10),
            || {
                let ended = process.try_wait().map_err(|error| error.to_string())?;
                assert!(ended.is_none(), "socat ended: {ended:?}");
                if self.port.exists() && self.logger.exists() {
                    Ok(())
                } else {
                    Err("no links yet".to_owned())
                }
            },
        );
        self.process = Some(process);
    }

    /// Pulls it out: both pseudo-terminals are destroyed and their links with them.
    ///
    /// # Panics
    /// Where it was not plugged in.
    pub fn unplug(&mut self) {
        let mut process = self.process.take().expect("the wire is plugged in");
        process.kill().expect("it can be pulled out");
        process.wait().expect("it is gone");
        for link in [&self.port, &self.logger] {
            // A killed process leaves its links; a pulled plug takes its name away.
            std::fs::remove_file(link).expect("the link was there");
        }
    }

    /// The daemon's end.
    #[must_use]
    pub fn port(&self) -> &Path {
        &self.port
    }

    /// The pseudo-terminal behind the daemon's end.
    ///
    /// # Panics
    /// Where it is not plugged in.
    #[must_use]
    pub fn number(&self) -> PathBuf {
        std::fs::read_link(&self.port).expect("the wire is plugged in")
    }

    /// The logger's end, to be written to.
    ///
    /// # Panics
    /// Where it does not open.
    #[must_use]
    pub fn logger(&self) -> File {
        OpenOptions::new()
            .write(true)
            .open(&self.logger)
            .expect("the logger's end opens")
    }

    /// Writes a line end, which ends the half line that a reader drops after it opened its port,
    /// and then these lines.
    ///
    /// # Panics
    /// Where the wire does not take them.
    pub fn write_lines(&self, lines: &str) {
        let mut logger = self.logger();
        logger
            .write_all(format!("\n{lines}").as_bytes())
            .expect("the wire takes its lines");
    }
}

impl Drop for Wire {
    fn drop(&mut self) {
        if let Some(mut process) = self.process.take() {
            // Nothing more can be done about a process that is already gone.
            let _ = process.kill();
            let _ = process.wait();
        }
    }
}

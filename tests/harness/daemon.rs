//! A `tarplightd` process of the test's own.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use daemon_api::client::{Client, ClientError};

use crate::{binary, free_port, wait_until};

/// A running (or killed) daemon on a data directory that outlives it.
pub struct Daemon {
    plant: PathBuf,
    data: PathBuf,
    port: u16,
    process: Option<Child>,
    runtime: tokio::runtime::Runtime,
}

impl Daemon {
    /// Starts a daemon on a plant file and waits until it answers.
    ///
    /// # Panics
    /// Where it does not start.
    #[must_use]
    pub fn start(plant: &Path, data: &Path) -> Self {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .expect("a runtime starts");
        let mut daemon = Self {
            plant: plant.to_owned(),
            data: data.to_owned(),
            port: free_port(),
            process: None,
            runtime,
        };
        daemon.resume();
        daemon
    }

    /// Starts it again on the same data directory.
    ///
    /// # Panics
    /// Where it does not answer within thirty seconds.
    pub fn resume(&mut self) {
        self.spawn_under(&[]);
        wait_until("the daemon answers", Duration::from_secs(30), || {
            let ended = self
                .process
                .as_mut()
                .and_then(|process| process.try_wait().ok().flatten());
            assert!(
                ended.is_none(),
                "the daemon ended: {ended:?}\n{}",
                self.log()
            );
            self.ask(async |client| client.snapshot().await)
        });
    }

    /// Starts it without waiting, under another command (a tracer) if one is given.
    ///
    /// # Panics
    /// Where it cannot be spawned.
    pub fn spawn_under(&mut self, wrapper: &[&str]) {
        let log = std::fs::OpenOptions::new()
            .create(true)
            .append(true)
            .open(self.data.with_extension("log"))
            .expect("the daemon's log opens");
        let mut command = match wrapper.split_first() {
            Some((program, arguments)) => {
                let mut command = Command::new(program);
                command.args(arguments).arg(binary("tarplightd"));
                command
            }
            None => Command::new(binary("tarplightd")),
        };
        let process = command
            .arg("run")
            .arg("--plant")
            .arg(&self.plant)
            .arg("--data")
            .arg(&self.data)
            .args(["--listen", &self.address()])
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .expect("tarplightd starts");
        self.process = Some(process);
    }

    /// Kills it as a power loss would: SIGKILL, no warning.
    ///
    /// # Panics
    /// Where it was not running.
    pub fn kill(&mut self) {
        let mut process = self.process.take().expect("the daemon runs");
        process.kill().expect("it can be killed");
        process.wait().expect("it is gone");
    }

    /// Its address.
    #[must_use]
    pub fn address(&self) -> String {
        format!("127.0.0.1:{}", self.port)
    }

    /// What it has said on stderr.
    #[must_use]
    pub fn log(&self) -> String {
        std::fs::read_to_string(self.data.with_extension("log")).unwrap_or_default()
    }

    /// Its database file.
    #[must_use]
    pub fn database(&self) -> PathBuf {
        self.data.join("tarplight.sqlite3")
    }

    /// Asks it something over HTTP.
    ///
    /// # Errors
    /// The client's sentence.
    pub fn ask<T>(
        &self,
        question: impl AsyncFnOnce(&Client) -> Result<T, ClientError>,
    ) -> Result<T, String> {
        let client =
            Client::new(&format!("http://{}", self.address())).map_err(|e| e.to_string())?;
        self.runtime
            .block_on(question(&client))
            .map_err(|error| error.to_string())
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        if let Some(mut process) = self.process.take() {
            // Nothing more can be done about a process that is already gone.
            let _ = process.kill();
            let _ = process.wait();
        }
    }
}

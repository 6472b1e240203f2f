//! A `tarplightd` process of the test's own.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use daemon_api::client::{Client, ClientError};
use daemon_api::routes;

use crate::port::HeldPort;
use crate::{binary, wait_until};

/// How a daemon is started.
#[derive(Debug, Clone, Default)]
pub struct Launch {
    /// A command to run it under, such as a tracer; it must become the daemon, not its parent.
    pub wrapper: Vec<String>,
    /// Further options of `tarplightd run`.
    pub options: Vec<String>,
    /// Where its log goes, in place of a file beside its data.
    pub log: Option<PathBuf>,
}

/// A running (or killed) daemon on a data directory that outlives it.
pub struct Daemon {
    plant: PathBuf,
    data: PathBuf,
    log: PathBuf,
    launch: Launch,
    port: HeldPort,
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
        Self::launch(plant, data, Launch::default())
    }

    /// Starts a daemon in a way of the test's own and waits until it answers.
    ///
    /// # Panics
    /// Where it does not start.
    #[must_use]
    pub fn launch(plant: &Path, data: &Path, launch: Launch) -> Self {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .expect("a runtime starts");
        let mut daemon = Self {
            plant: plant.to_owned(),
            data: data.to_owned(),
            log: launch
                .log
                .clone()
                .unwrap_or_else(|| data.with_extension("log")),
            launch,
            port: HeldPort::take(),
            process: None,
            runtime,
        };
        daemon.resume();
        daemon
    }

    /// Starts it again on the same data directory, in the same way.
    ///
    /// # Panics
    /// Where it does not answer within thirty seconds.
    pub fn resume(&mut self) {
        self.spawn();
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

    fn spawn(&mut self) {
        let log = std::fs::OpenOptions::new()
            .create(true)
            .append(true)
            .open(&self.log)
            .expect("the daemon's log opens");
        let daemon = binary("tarplightd");
        let mut command = match self.launch.wrapper.split_first() {
            Some((program, arguments)) => {
                let mut command = Command::new(program);
                command.args(arguments).arg(daemon);
                command
            }
            None => Command::new(daemon),
        };
        let process = command
            .arg("run")
            .arg("--plant")
            .arg(&self.plant)
            .arg("--data")
            .arg(&self.data)
            .args(["--listen", &self.address()])
            .args(&self.launch.options)
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .unwrap_or_else(|error| panic!("{command:?} does not start: {error}"));
        self.process = Some(process);
    }

    /// Waits until a source is up (or down), and says why it is not.
    ///
    /// # Panics
    /// When it is not so within twenty seconds.
    pub fn wait_for_source(&self, name: &str, is_up: bool) {
        let wanted = if is_up { "up" } else { "down" };
        wait_until(
            &format!("{name} is {wanted}"),
            Duration::from_secs(20),
            || {
                let snapshot = self.ask(async |client| client.snapshot().await)?;
                let source = snapshot
                    .sources
                    .into_iter()
                    .find(|source| source.source == name);
                let source = source.ok_or_else(|| format!("{name} is not known"))?;
                if source.up == is_up {
                    Ok(())
                } else {
                    Err(format!("{source:?}"))
                }
            },
        );
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

    /// Stops it as an administrator would, and waits until it has ended well.
    ///
    /// # Panics
    /// Where it was not running, or does not end well within thirty seconds.
    pub fn stop(&mut self) {
        let mut process = self.process.take().expect("the daemon runs");
        let told = Command::new("kill").arg(process.id().to_string()).status();
        assert!(told.expect("kill runs").success());
        let status = wait_until("the daemon has ended", Duration::from_secs(30), || {
            let ended = process.try_wait().map_err(|error| error.to_string())?;
            ended.ok_or_else(|| "it still runs".to_owned())
        });
        assert!(status.success(), "{status}: {}", self.log());
    }

    /// The number of its process.
    ///
    /// # Panics
    /// Where it does not run.
    #[must_use]
    pub fn process_id(&self) -> u32 {
        self.process.as_ref().expect("the daemon runs").id()
    }

    /// Its address.
    #[must_use]
    pub fn address(&self) -> String {
        format!("127.0.0.1:{}", self.port.number())
    }

    /// What it has said on stderr, where that went to a file.
    #[must_use]
    pub fn log(&self) -> String {
        // A device could go on for ever.
        if !self.log.is_file() {
            return String::new();
        }
        std::fs::read_to_string(&self.log).unwrap_or_default()
    }

    /// Its database file.
    #[must_use]
    pub fn database(&self) -> PathBuf {
        self.data.join("tarplight.sqlite3")
    }

    /// Everything it has stored, row by row as it exports them, without the header.
    ///
    /// # Errors
    /// The client's sentence.
    pub fn stored_rows(&self) -> Result<Vec<String>, String> {
        let text = self.ask(async |client| client.text(routes::READINGS_CSV).await)?;
        Ok(text.lines().skip(1).map(str::to_owned).collect())
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

//! A Mosquitto process of the test's own: it fails, never skips, where the broker cannot start.

use std::io::Write as _;
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use crate::plant::CLIENT_ID;
use crate::port::HeldPort;
use crate::wait_until;

/// The settings that the README tells plants to give their broker.
fn readme_settings() -> String {
    let readme = std::fs::read_to_string(crate::workspace_root().join("README.md"))
        .expect("the README is there");
    let (_, section) = readme
        .split_once("### The broker\n")
        .expect("the README has a section on the broker");
    let block = section.split("```").nth(1);
    block
        .expect("its settings stand between fences")
        .trim_start()
        .to_owned()
}

/// A running (or stopped) broker; its persistence outlives a stop.
pub struct Broker {
    folder: PathBuf,
    port: HeldPort,
    process: Option<Child>,
}

impl Broker {
    /// Starts a broker with its files in `folder`, set as the README tells plants to set theirs.
    ///
    /// # Panics
    /// Where Mosquitto is not installed or does not answer.
    #[must_use]
    pub fn start(folder: &Path) -> Self {
        // A log of every packet, and a record on its disk that is never older than a second.
        Self::start_with(folder, "autosave_interval 1\nlog_type all\n")
    }

    /// Starts a broker with further settings.
    ///
    /// # Panics
    /// Where Mosquitto is not installed or does not answer.
    #[must_use]
    pub fn start_with(folder: &Path, settings: &str) -> Self {
        std::fs::create_dir_all(folder).expect("the broker's folder can be made");
        let port = HeldPort::take();
        let text = format!(
            "listener {} 127.0.0.1\nallow_anonymous true\n{}persistence_location {}/\n\
             log_dest file {}\nuser root\n{settings}",
            port.number(),
            readme_settings(),
            folder.display(),
            folder.join("broker.log").display()
        );
        std::fs::write(folder.join("broker.conf"), text)
            .expect("the broker's settings are written");
        let mut broker = Self {
            folder: folder.to_owned(),
            port,
            process: None,
        };
        broker.resume();
        broker
    }

    /// The port it listens on.
    #[must_use]
    pub fn port(&self) -> u16 {
        self.port.number()
    }

    /// Starts it again on the same port with what it persisted.
    ///
    /// # Panics
    /// Where it does not answer within ten seconds.
    pub fn resume(&mut self) {
        let process = Command::new("mosquitto")
            .arg("-c")
            .arg(self.folder.join("broker.conf"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("mosquitto starts (Debian package: mosquitto)");
        self.process = Some(process);
        wait_until("the broker answers", Duration::from_secs(10), || {
            TcpStream::connect(("127.0.0.1", self.port())).map_err(|error| error.to_string())
        });
    }

    /// Stops it as an administrator would, so that it writes its persistence.
    ///
    /// # Panics
    /// Where it cannot be signalled.
    pub fn stop(&mut self) {
        if let Some(mut process) = self.process.take() {
            let killed = Command::new("kill").arg(process.id().to_string()).status();
            assert!(killed.expect("kill runs").success());
            process.wait().expect("the broker ends");
        }
    }

    /// Its log so far.
    #[must_use]
    pub fn log(&self) -> String {
        std::fs::read_to_string(self.folder.join("broker.log")).unwrap_or_default()
    }

    /// Waits until the daemon's persistent session has its subscriptions.
    ///
    /// # Panics
    /// Where it has not within ten seconds.
    pub fn wait_for_subscription(&self) {
        let wanted = format!("Sending SUBACK to {CLIENT_ID}");
        wait_until("the daemon has subscribed", Duration::from_secs(10), || {
            let is_there = self.log().lines().any(|line| line.ends_with(&wanted));
            if is_there {
                Ok(())
            } else {
                Err("no SUBACK in the broker's log".to_owned())
            }
        });
    }

    /// Messages that the daemon's persistent session has been sent so far.
    #[must_use]
    pub fn sent_count(&self) -> usize {
        self.log()
            .matches(&format!("Sending PUBLISH to {CLIENT_ID} "))
            .count()
    }

    /// Messages that the daemon's persistent session has acknowledged so far.
    #[must_use]
    pub fn acknowledged_count(&self) -> usize {
        self.log()
            .matches(&format!("Received PUBACK from {CLIENT_ID} "))
            .count()
    }

    /// Publishes each line as one QoS 1 message on one topic, with Mosquitto's own client.
    ///
    /// # Panics
    /// Where the client fails.
    pub fn publish_lines(&self, topic: &str, lines: &str) {
        assert!(
            self.try_publish_lines(topic, lines),
            "mosquitto_pub failed on {topic}"
        );
    }

    /// The same, for a publisher that may find the broker gone: whether the broker took them.
    ///
    /// # Panics
    /// Where the client does not start.
    #[must_use]
    pub fn try_publish_lines(&self, topic: &str, lines: &str) -> bool {
        let mut client = Command::new("mosquitto_pub")
            .args([
                "-h",
                "127.0.0.1",
                "-p",
                &self.port().to_string(),
                "-q",
                "1",
                "-t",
                topic,
                "-l",
            ])
            .stdin(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("mosquitto_pub starts (Debian package: mosquitto-clients)");
        let mut input = client.stdin.take().expect("its input is piped");
        // A client that finds no broker ends without reading its input; its exit tells.
        let _ = input.write_all(lines.as_bytes());
        drop(input);
        client.wait().expect("it ends").success()
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        if let Some(mut process) = self.process.take() {
            // Nothing more can be done about a process that is already gone.
            let _ = process.kill();
            let _ = process.wait();
        }
    }
}

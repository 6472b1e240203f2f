//! A serial line on a pseudo-terminal of its own, behind a link that never changes its name.
//!
//! It behaves as a wire does: bytes that nobody receives are lost. Nothing is kept for a reader
//! who comes later, and a reader who is slow loses lines; the simulation never waits.

use std::fs;
use std::io;
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{Mode, OFlags};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, QueueSelector, tcflush, tcgetattr, tcsetattr};

/// A logger's serial line.
#[derive(Debug)]
pub struct SerialLine {
    link: PathBuf,
    port: Option<Port>,
    pub counts: LineCounts,
}

/// What became of the lines.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, serde::Serialize)]
pub struct LineCounts {
    pub written_count: u64,
    /// Nobody had the port open.
    pub unheard_count: u64,
    /// The reader was too slow and the buffer full.
    pub overrun_count: u64,
}

#[derive(Debug)]
struct Port {
    master: OwnedFd,
    slave_path: PathBuf,
    /// The rest of a line that did not fit into the buffer.
    tail: Vec<u8>,
    was_heard: bool,
}

impl SerialLine {
    /// Opens the line of a logger behind `dir/tty-<logger>`.
    pub fn open(dir: &Path, logger: &str) -> io::Result<Self> {
        let link = dir.join(format!("tty-{logger}"));
        let mut line = Self {
            link,
            port: None,
            counts: LineCounts::default(),
        };
        line.plug_in()?;
        Ok(line)
    }

    pub fn link(&self) -> &Path {
        &self.link
    }

    pub fn is_plugged_in(&self) -> bool {
        self.port.is_some()
    }

    /// Makes a new pseudo-terminal behind the same link; nothing changes if there is one.
    pub fn plug_in(&mut self) -> io::Result<()> {
        if self.port.is_some() {
            return Ok(());
        }
        let port = Port::open()?;
        // A link made beside and renamed is never missing or half made for a reader.
        let fresh = self.link.with_extension("new");
        remove_if_there(&fresh)?;
        std::os::unix::fs::symlink(&port.slave_path, &fresh)?;
        fs::rename(&fresh, &self.link)?;
        self.port = Some(port);
        Ok(())
    }

    /// Pulls the plug: the terminal goes away under whoever reads it, and so does the link.
    pub fn unplug(&mut self) -> io::Result<()> {
        self.port = None;
        remove_if_there(&self.link)
    }

    /// Sends one line, or loses it: never waits.
    pub fn send(&mut self, line: &[u8]) -> io::Result<()> {
        let Some(port) = &mut self.port else {
            self.counts.unheard_count += 1;
            return Ok(());
        };
        if !port.is_heard()? {
            self.counts.unheard_count += 1;
            return Ok(());
        }
        // Half a line must be ended before the next begins, or the two would read as one.
        let tail = std::mem::take(&mut port.tail);
        port.tail = port.write(&tail)?;
        if !port.tail.is_empty() {
            self.counts.overrun_count += 1;
            return Ok(());
        }
        let rest = port.write(line)?;
        if rest.len() == line.len() {
            self.counts.overrun_count += 1;
        } else {
            port.tail = rest;
            self.counts.written_count += 1;
        }
        Ok(())
    }
}

impl Drop for SerialLine {
    fn drop(&mut self) {
        // Leaving a link to a terminal that is gone would only confuse; there is nobody to tell.
        drop(remove_if_there(&self.link));
    }
}

impl Port {
    fn open() -> io::Result<Self> {
        let flags = OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC;
        let master = openpt(flags)?;
        grantpt(&master)?;
        unlockpt(&master)?;
        let status = rustix::fs::fcntl_getfl(&master)?;
        rustix::fs::fcntl_setfl(&master, status | OFlags::NONBLOCK)?;
        let name = ptsname(&master, Vec::new())?;
        let slave_path = PathBuf::from(String::from_utf8_lossy(name.as_bytes()).into_owned());
        // The terminal says that nobody listens only after somebody has: so we open it once, and
        // leave it raw, without echo.
        let slave = open_slave(&slave_path)?;
        let mut attributes = tcgetattr(&slave)?;
        attributes.make_raw();
        tcsetattr(&slave, OptionalActions::Now, &attributes)?;
        Ok(Self {
            master,
            slave_path,
            tail: Vec::new(),
            was_heard: false,
        })
    }

    /// Whether somebody has the terminal open. When a reader has left, what it did not read goes.
    fn is_heard(&mut self) -> io::Result<bool> {
        let mut fds = [PollFd::new(&self.master, PollFlags::OUT)];
        poll(
            &mut fds,
            Some(&Timespec {
                tv_sec: 0,
                tv_nsec: 0,
            }),
        )?;
        let is_heard = !fds[0].revents().contains(PollFlags::HUP);
        if self.was_heard && !is_heard {
            self.tail.clear();
            tcflush(open_slave(&self.slave_path)?, QueueSelector::IFlush)?;
        }
        self.was_heard = is_heard;
        Ok(is_heard)
    }

    /// Writes what fits and returns the rest.
    fn write(&self, bytes: &[u8]) -> io::Result<Vec<u8>> {
        let mut rest = bytes;
        while !rest.is_empty() {
            match rustix::io::write(&self.master, rest) {
                Ok(0) | Err(rustix::io::Errno::AGAIN) => break,
                Ok(written) => rest = &rest[written..],
                Err(rustix::io::Errno::INTR) => {}
                Err(error) => return Err(error.into()),
            }
        }
        Ok(rest.to_vec())
    }
}

fn open_slave(path: &Path) -> io::Result<OwnedFd> {
    let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC;
    Ok(rustix::fs::open(path, flags, Mode::empty())?)
}

fn remove_if_there(path: &Path) -> io::Result<()> {
    match fs::remove_file(path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use std::time::{Duration, Instant};

    use tokio::io::AsyncReadExt;
    use tokio_serial::{SerialPortBuilderExt, SerialStream};

    use super::*;

    fn open_reader(line: &SerialLine) -> SerialStream {
        let path = line.link().display().to_string();
        tokio_serial::new(path, 9600)
            .open_native_async()
            .expect("the port opens")
    }

    /// Reads until the text ends as given, for at most ten seconds.
    async fn read_until(reader: &mut SerialStream, end: &str) -> String {
        let deadline = Instant::now() + Duration::from_secs(10);
        let mut text = String::new();
        while !text.ends_with(end) {
            let left = deadline.saturating_duration_since(Instant::now());
            let mut buffer = [0; 4096];
            let count = tokio::time::timeout(left, reader.read(&mut buffer))
                .await
                .unwrap_or_else(|_| panic!("waiting for {end:?}, only got {text:?}"))
                .expect("read");
            assert!(count > 0, "the port closed after {text:?}");
            text.push_str(&String::from_utf8_lossy(&buffer[..count]));
        }
        text
    }

    #[tokio::test]
    async fn a_reader_hears_what_is_sent_while_it_listens_and_nothing_older() {
        let dir = tempfile::tempdir().expect("folder");
        let mut line = SerialLine::open(dir.path(), "N1").expect("line");
        line.send(b"before 1.00 C\r\n").expect("sent");
        assert_eq!(line.counts.unheard_count, 1);
        let mut reader = open_reader(&line);
        line.send(b"N1-03 62.41 C\r\n").expect("sent");
        assert_eq!(read_until(&mut reader, "\r\n").await, "N1-03 62.41 C\r\n");
        line.send(b"unread 2.00 C\r\n").expect("sent");
        drop(reader);
        line.send(b"lost 3.00 C\r\n").expect("sent");
        let mut reader = open_reader(&line);
        line.send(b"again 4.00 C\r\n").expect("sent");
        assert_eq!(read_until(&mut reader, "\r\n").await, "again 4.00 C\r\n");
        assert_eq!(
            line.counts,
            LineCounts {
                written_count: 3,
                unheard_count: 2,
                overrun_count: 0
            }
        );
    }

    #[tokio::test]
    async fn a_slow_reader_loses_lines_but_never_gets_two_halves_as_one() {
        let dir = tempfile::tempdir().expect("folder");
        let mut line = SerialLine::open(dir.path(), "N1").expect("line");
        let mut reader = open_reader(&line);
        let mut sent_count = 0;
        while line.counts.overrun_count < 50 {
            line.send(format!("line {sent_count:07} end\r\n").as_bytes())
                .expect("sent");
            sent_count += 1;
            assert!(sent_count < 1_000_000, "the buffer never fills");
        }
        let drain = async {
            let mut text = String::new();
            let mut last_sent = 0;
            while !text.ends_with("last\r\n") {
                // Each read makes room; the mark is sent until it gets through whole.
                line.send(b"last\r\n").expect("sent");
                last_sent += 1;
                assert!(last_sent < 100_000);
                let mut buffer = [0; 4096];
                let count = reader.read(&mut buffer).await.expect("read");
                text.push_str(&String::from_utf8_lossy(&buffer[..count]));
            }
            text
        };
        let text = tokio::time::timeout(Duration::from_secs(20), drain)
            .await
            .expect("drained");
        for received in text.lines() {
            let is_whole =
                received == "last" || (received.len() == 16 && received.ends_with("end"));
            assert!(is_whole, "{received:?}");
        }
    }

    #[tokio::test]
    async fn unplugging_ends_the_reader_and_plugging_in_uses_the_same_link() {
        let dir = tempfile::tempdir().expect("folder");
        let mut line = SerialLine::open(dir.path(), "N1").expect("line");
        let mut reader = open_reader(&line);
        line.unplug().expect("unplugged");
        assert!(!line.link().exists() && !line.is_plugged_in());
        let mut buffer = [0; 16];
        let end = tokio::time::timeout(Duration::from_secs(10), reader.read(&mut buffer));
        assert!(matches!(
            end.await.expect("the reader is told"),
            Ok(0) | Err(_)
        ));
        line.send(b"nobody\r\n").expect("lost");
        line.plug_in().expect("plugged in");
        let mut reader = open_reader(&line);
        line.send(b"N1-03 1.00 C\r\n").expect("sent");
        assert_eq!(read_until(&mut reader, "\r\n").await, "N1-03 1.00 C\r\n");
    }
}

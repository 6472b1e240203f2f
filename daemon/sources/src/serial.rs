//! Serial ports: opened, read line by line, and opened again for ever.

mod lines;

use std::io;

use tokio::io::{AsyncRead, AsyncReadExt};
use tokio::sync::mpsc::UnboundedSender;
use tokio::task::JoinHandle;
use tokio_serial::{ErrorKind, SerialPortBuilderExt};
use tokio_util::sync::CancellationToken;

use crate::backoff::{Announcer, Backoff};
use crate::config::SerialSource;
use crate::decode::{Arrival, Reason};
use crate::delivery::{Clock, Delivery, Item, RefusalKind, SourceEvent, Via};
use lines::{Line, Lines};

const READ_BYTES: usize = 4096;

/// Reads one port until told to stop. Each port has its own task, so that one that is away or
/// talks nonsense disturbs no other.
pub fn spawn_serial(
    source: SerialSource,
    clock: Clock,
    events: UnboundedSender<SourceEvent>,
    shutdown: CancellationToken,
) -> JoinHandle<()> {
    tokio::spawn(async move {
        let port = Port {
            source,
            clock,
            events,
        };
        shutdown.run_until_cancelled_owned(port.run()).await;
    })
}

struct Port {
    source: SerialSource,
    clock: Clock,
    events: UnboundedSender<SourceEvent>,
}

impl Port {
    async fn run(self) {
        let mut announcer = Announcer::new(
            self.source.name.clone(),
            self.clock.clone(),
            self.events.clone(),
        );
        let mut backoff = Backoff::new();
        loop {
            let reason = match self.open() {
                Ok(stream) => {
                    announcer.up();
                    backoff.connected();
                    self.read(stream).await
                }
                Err(reason) => reason,
            };
            announcer.down(reason);
            tokio::time::sleep(backoff.wait()).await;
        }
    }

    fn open(&self) -> Result<tokio_serial::SerialStream, String> {
        let source = &self.source;
        // Text paths only, because the port library takes no other.
        let path = source.path.to_str().ok_or("the path is not UTF-8 text")?;
        tokio_serial::new(path, source.baud)
            .data_bits(source.data_bits)
            .parity(source.parity)
            .stop_bits(source.stop_bits)
            .open_native_async()
            .map_err(|error| open_problem(path, &error))
    }

    /// Reads until the port is gone; the answer is why.
    async fn read(&self, mut stream: impl AsyncRead + Unpin) -> String {
        let mut lines = Lines::new(self.source.max_line_bytes);
        let mut buffer = [0; READ_BYTES];
        loop {
            match stream.read(&mut buffer).await {
                // A port that is pulled out reads as ended, at once and for ever.
                Ok(0) => return "unplugged: the port has ended".to_owned(),
                Ok(byte_count) => self.deliver(lines.push(&buffer[..byte_count])),
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return format!("unplugged: reading failed: {error}"),
            }
        }
    }

    fn deliver(&self, lines: Vec<Line>) {
        if lines.is_empty() {
            return;
        }
        let received_at = (self.clock)();
        let items = lines
            .iter()
            .map(|line| self.item(line, received_at))
            .collect();
        let source = self.source.name.clone();
        let delivery = Delivery {
            source,
            received_at,
            items,
            ack: None,
        };
        // The daemon is ending when nobody takes deliveries; the stop signal follows.
        let _ = self.events.send(SourceEvent::Delivery(delivery));
    }

    fn item(&self, line: &Line, received_at: chrono::DateTime<chrono::Utc>) -> Item {
        let (came, decoded) = match line {
            Line::Whole(bytes) => (bytes, self.source.format.decode(bytes)),
            Line::TooLong(bytes) => {
                let limit = self.source.max_line_bytes;
                let detail = format!("the line is longer than {limit} bytes");
                (bytes, Err(Reason::new(RefusalKind::Garbled, detail)))
            }
        };
        // A wire keeps nothing back, so a line without a time was measured as it came.
        let is_the_time = true;
        Arrival {
            received_at,
            is_the_time,
            via: Via::Serial,
            came,
            context: "",
        }
        .item(decoded)
    }
}

fn open_problem(path: &str, error: &tokio_serial::Error) -> String {
    let said = &error.description;
    if said.contains("exclusive lock") {
        return format!("{path} is in use by another program: stop it, or give it another port");
    }
    match error.kind() {
        ErrorKind::NoDevice | ErrorKind::Io(io::ErrorKind::NotFound) => {
            format!("{path} is not there: is the adapter plugged in?")
        }
        ErrorKind::Io(io::ErrorKind::PermissionDenied) => {
            format!("{path} may not be opened: let the daemon's user read and write it")
        }
        ErrorKind::InvalidInput | ErrorKind::Unknown | ErrorKind::Io(_) => {
            format!("{path} cannot be opened: {said}")
        }
    }
}

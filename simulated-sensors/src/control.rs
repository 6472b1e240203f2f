//! Commands to a running plant: one line of JSON each way over a loopback port.

use std::io::{BufRead, BufReader, Write};
use std::net::{Ipv4Addr, SocketAddr, TcpStream};
use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::{Context, bail};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpListener;
use tokio::sync::{mpsc, oneshot};

use crate::fault::FaultKind;

/// What a running plant can be asked.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Request {
    /// Time, faults and what became of the readings.
    Status,
    /// Begin a fault now, or in a while.
    Fault {
        kind: FaultKind,
        target: String,
        in_min: u32,
        for_min: u32,
        offset_s: Option<i64>,
        span_m: Option<[f64; 2]>,
    },
    /// End faults of a target.
    Mend {
        target: String,
        kind: Option<FaultKind>,
    },
    /// Break cylinders that are pulled now.
    Break {
        bed: String,
        specimens: usize,
        set: Option<String>,
    },
}

/// A request with the place where its answer goes.
pub type Asked = (Request, oneshot::Sender<Value>);

const LINE_BYTES_MAX: u64 = 64 * 1024;
/// A plant answers between two samples; a command does not wait longer than this.
const ANSWER_WITHIN: Duration = Duration::from_secs(30);

/// The file that tells where a plant's control port is.
fn address_file(dir: &Path) -> PathBuf {
    dir.join("control-address")
}

/// Opens the control port and writes its address into the plant's folder.
pub async fn listen(dir: &Path, port: u16) -> anyhow::Result<TcpListener> {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, port))
        .await
        .with_context(|| format!("cannot open the control port {port}"))?;
    let path = address_file(dir);
    std::fs::write(&path, format!("{}\n", listener.local_addr()?))
        .with_context(|| format!("cannot write {}", path.display()))?;
    Ok(listener)
}

/// Answers connections for ever, passing each request to the plant.
pub async fn serve(listener: TcpListener, asked: mpsc::Sender<Asked>) {
    loop {
        match listener.accept().await {
            Ok((stream, _)) => drop(tokio::spawn(converse(stream, asked.clone()))),
            Err(error) => {
                tracing::warn!(%error, "a control connection failed");
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
        }
    }
}

async fn converse(stream: tokio::net::TcpStream, asked: mpsc::Sender<Asked>) {
    let (reader, mut writer) = stream.into_split();
    let mut reader = tokio::io::BufReader::new(reader);
    loop {
        let mut line = String::new();
        let mut limited = (&mut reader).take(LINE_BYTES_MAX);
        if !matches!(limited.read_line(&mut line).await, Ok(count) if count > 0) {
            return;
        }
        let answer = match serde_json::from_str(&line) {
            Ok(request) => ask(&asked, request).await,
            Err(error) => serde_json::json!({ "error": format!("not a request: {error}") }),
        };
        if writer
            .write_all(format!("{answer}\n").as_bytes())
            .await
            .is_err()
        {
            return;
        }
    }
}

async fn ask(asked: &mpsc::Sender<Asked>, request: Request) -> Value {
    let (answer, answered) = oneshot::channel();
    if asked.send((request, answer)).await.is_ok()
        && let Ok(value) = answered.await
    {
        return value;
    }
    serde_json::json!({ "error": "the plant is stopping" })
}

/// Sends a request to the plant that runs in `dir` and returns its answer.
pub fn request(dir: &Path, request: &Request) -> anyhow::Result<Value> {
    let path = address_file(dir);
    let text = std::fs::read_to_string(&path).with_context(|| {
        format!(
            "no plant runs in {}: cannot read {}",
            dir.display(),
            path.display()
        )
    })?;
    let address: SocketAddr = text
        .trim()
        .parse()
        .with_context(|| format!("{} does not hold an address", path.display()))?;
    let mut stream = TcpStream::connect_timeout(&address, Duration::from_secs(5))
        .with_context(|| format!("no plant answers on {address}, named in {}", path.display()))?;
    stream.set_read_timeout(Some(ANSWER_WITHIN))?;
    writeln!(stream, "{}", serde_json::to_string(request)?)?;
    let mut line = String::new();
    BufReader::new(stream)
        .read_line(&mut line)
        .context("the plant did not answer")?;
    let answer: Value = serde_json::from_str(&line).context("the plant's answer is not JSON")?;
    if let Some(error) = answer.get("error").and_then(Value::as_str) {
        bail!("{error}");
    }
    Ok(answer)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn requests_are_lines_that_read_back_as_they_were() {
        let request = Request::Fault {
            kind: FaultKind::TarpOff,
            target: "N1".to_owned(),
            in_min: 0,
            for_min: 60,
            offset_s: None,
            span_m: Some([0.0, 30.0]),
        };
        let line = serde_json::to_string(&request).expect("line");
        assert!(
            line.starts_with(r#"{"do":"fault","kind":"tarp-off","target":"N1""#),
            "{line}"
        );
        assert_eq!(
            serde_json::from_str::<Request>(&line).expect("request"),
            request
        );
    }

    #[tokio::test]
    async fn a_line_that_is_no_request_is_answered_and_the_next_still_heard() {
        let dir = tempfile::tempdir().expect("folder");
        let listener = listen(dir.path(), 0).await.expect("listening");
        let address = listener.local_addr().expect("address");
        let (asked, mut requests) = mpsc::channel::<Asked>(1);
        tokio::spawn(serve(listener, asked));
        tokio::spawn(async move {
            while let Some((request, answer)) = requests.recv().await {
                assert_eq!(request, Request::Status);
                drop(answer.send(serde_json::json!({ "night": "2026-11-24" })));
            }
        });
        let talk = tokio::task::spawn_blocking(move || {
            let mut stream = TcpStream::connect(address).expect("connection");
            let mut lines = BufReader::new(stream.try_clone().expect("clone")).lines();
            let mut say = |text: &str| {
                writeln!(stream, "{text}").expect("sent");
                lines.next().expect("an answer").expect("text")
            };
            (say("fault now"), say(r#"{"do":"status"}"#))
        });
        let (refused, answered) = talk.await.expect("talk");
        assert!(refused.contains("not a request"), "{refused}");
        assert_eq!(answered, r#"{"night":"2026-11-24"}"#);
    }

    #[test]
    fn a_folder_without_a_plant_is_named() {
        let dir = tempfile::tempdir().expect("folder");
        let error = request(dir.path(), &Request::Status).expect_err("no plant");
        assert!(error.to_string().starts_with("no plant runs in"), "{error}");
    }
}

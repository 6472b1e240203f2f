//! Where the daemon may listen, and serving until it is told to stop.

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;

use crate::door::Door;
use crate::router::router;

/// How long a stop waits for requests that are being answered, in wall time.
pub const SHUTDOWN_WAIT_MAX: Duration = Duration::from_secs(10);

/// Checks an address to listen on: loopback with a port, for example `127.0.0.1:7871`.
///
/// # Errors
/// A sentence that says what is wrong with the address and why nothing but loopback is served.
pub fn check_listen(addr: &str) -> Result<SocketAddr, String> {
    let numeric = addr
        .strip_prefix("localhost:")
        .map_or_else(|| addr.to_owned(), |port| format!("127.0.0.1:{port}"));
    let parsed: SocketAddr = numeric.parse().map_err(|_| {
        format!("`{addr}` is not an address with a port: write it like 127.0.0.1:7871")
    })?;
    if parsed.ip().is_loopback() {
        return Ok(parsed);
    }
    Err(format!(
        "`{addr}` can be reached from other machines, and the daemon has no people, roles or TLS \
         yet: whoever reaches it could sign a release. Listen on 127.0.0.1:{} and let people come \
         in through an SSH session on this machine",
        parsed.port()
    ))
}

/// Serves until `stop` is cancelled, then lets requests in flight end, for at most
/// [`SHUTDOWN_WAIT_MAX`]. Event streams end at once.
///
/// # Errors
/// What the listener answers when it cannot go on.
pub async fn serve(
    listener: TcpListener,
    door: Arc<dyn Door>,
    stop: CancellationToken,
) -> io::Result<()> {
    let app = router(door, stop.clone());
    let serving = axum::serve(listener, app).with_graceful_shutdown(stop.clone().cancelled_owned());
    // A client that never finishes its request must not keep the daemon from stopping.
    let overdue = async {
        stop.cancelled().await;
        tokio::time::sleep(SHUTDOWN_WAIT_MAX).await;
    };
    tokio::select! {
        served = serving => served,
        () = overdue => {
            tracing::warn!("stopped although a client had not finished its request");
            Ok(())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_loopback_may_be_listened_on_and_the_refusal_says_why() {
        for good in [
            "127.0.0.1:7871",
            "127.0.0.1:0",
            "[::1]:7871",
            "localhost:7871",
        ] {
            assert!(check_listen(good).is_ok(), "{good}");
        }
        for open in ["0.0.0.0:7871", "[::]:7871", "192.0.2.7:7871"] {
            let why = check_listen(open).expect_err(open);
            assert!(why.contains("no people, roles or TLS"), "{why}");
            assert!(why.contains("127.0.0.1:7871"), "{why}");
        }
        for nonsense in ["", "7871", "127.0.0.1", "plant.example:7871", "localhost:x"] {
            let why = check_listen(nonsense).expect_err(nonsense);
            assert!(why.contains("write it like 127.0.0.1:7871"), "{why}");
        }
    }
}

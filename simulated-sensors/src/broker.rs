//! A broker for demos and tests, run as a process of its own: it has no way to be stopped from
//! within and keeps everything in memory.

use std::collections::HashMap;
use std::net::{Ipv4Addr, SocketAddr, TcpListener};

use anyhow::Context;
use rumqttd::{Broker, Config, ConnectionSettings, RouterConfig, ServerSettings};

/// Far above any payload of ours, and the daemon's own limit.
const PAYLOAD_BYTES_MAX: usize = 1 << 20;

/// Runs a broker on loopback until the process ends.
pub fn run(port: u16) -> anyhow::Result<()> {
    let listen = SocketAddr::from((Ipv4Addr::LOCALHOST, port));
    // The broker itself would only log that the port is taken, and then sit there for ever.
    drop(
        TcpListener::bind(listen).with_context(|| {
            format!("cannot listen on {listen}; choose another port with --port")
        })?,
    );
    let connections = ConnectionSettings {
        connection_timeout_ms: 5000,
        max_payload_size: PAYLOAD_BYTES_MAX,
        max_inflight_count: 100,
        auth: None,
        external_auth: None,
        dynamic_filters: true,
    };
    let server = ServerSettings {
        name: "plant".to_owned(),
        listen,
        tls: None,
        next_connection_delay_ms: 1,
        connections,
    };
    let config = Config {
        router: RouterConfig {
            max_connections: 1000,
            max_outgoing_packet_count: 200,
            // What an absent subscriber may miss is bounded by these two.
            max_segment_size: 1 << 20,
            max_segment_count: 10,
            ..RouterConfig::default()
        },
        v4: Some(HashMap::from([("plant".to_owned(), server)])),
        ..Config::default()
    };
    Broker::new(config).start().context("the broker ended")
}

//! The publisher against a scripted broker that drops connections at the worst moments.

use std::time::Instant;

use rumqttc::mqttbytes::v4;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

use super::*;

const SIZE_MAX: usize = 1 << 20;

/// One connection of the scripted broker: acknowledges `count` publishes, then reads one more
/// and drops the connection without a word. Adds the acknowledged payloads to those before.
async fn serve(stream: &mut TcpStream, count: usize, acknowledged: &mut Vec<String>) {
    let mut left_count = count;
    let mut buffer = bytes::BytesMut::new();
    loop {
        let packet = loop {
            match v4::Packet::read(&mut buffer, SIZE_MAX) {
                Ok(packet) => break packet,
                Err(_) => {
                    if stream.read_buf(&mut buffer).await.unwrap_or(0) == 0 {
                        return;
                    }
                }
            }
        };
        let answer = match packet {
            v4::Packet::Connect(_) => {
                v4::Packet::ConnAck(v4::ConnAck::new(v4::ConnectReturnCode::Success, false))
            }
            v4::Packet::Publish(publish) => {
                if left_count == 0 {
                    return;
                }
                left_count -= 1;
                acknowledged.push(String::from_utf8_lossy(&publish.payload).into_owned());
                v4::Packet::PubAck(v4::PubAck::new(publish.pkid))
            }
            _ => continue,
        };
        let mut bytes = bytes::BytesMut::new();
        answer.write(&mut bytes, SIZE_MAX).expect("encodable");
        if stream.write_all(&bytes).await.is_err() {
            return;
        }
    }
}

async fn wait_until(what: &str, condition: impl Fn() -> bool) {
    let deadline = Instant::now() + Duration::from_secs(30);
    while !condition() {
        assert!(Instant::now() < deadline, "waited in vain until {what}");
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
}

async fn listen() -> (TcpListener, BrokerAddress) {
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
    let port = listener.local_addr().expect("address").port();
    (
        listener,
        BrokerAddress {
            host: "127.0.0.1".to_owned(),
            port,
        },
    )
}

#[tokio::test]
async fn a_logger_with_a_memory_loses_nothing_over_dropped_connections() {
    let (listener, address) = listen().await;
    let publisher = Publisher::spawn("S1", address, true);
    for number in 0..60 {
        publisher.send(
            "plant/S1/reading".to_owned(),
            number.to_string().into_bytes(),
        );
    }
    let broker = async {
        let mut acknowledged = Vec::new();
        for count in [0, 7, 1, 0, 20, usize::MAX] {
            let (mut stream, _) = listener.accept().await.expect("connection");
            if count < usize::MAX {
                serve(&mut stream, count, &mut acknowledged).await;
            } else {
                let counts = Arc::clone(&publisher.counts);
                tokio::select! {
                    () = serve(&mut stream, count, &mut acknowledged) => {}
                    () = wait_until("all is acknowledged", || {
                        counts.acknowledged.load(Ordering::Relaxed) == 60
                    }) => {}
                }
            }
        }
        acknowledged
    };
    let acknowledged = tokio::time::timeout(Duration::from_secs(40), broker).await;
    let acknowledged = acknowledged.expect("the publisher reconnects");
    let expected: Vec<String> = (0..60).map(|number| number.to_string()).collect();
    assert_eq!(acknowledged, expected, "in order, each once, none skipped");
    assert_eq!(publisher.counts.lost.load(Ordering::Relaxed), 0);
    wait_until("the outbox is empty", || {
        publisher.counts.waiting.load(Ordering::Relaxed) == 0
    })
    .await;
}

#[tokio::test]
async fn a_logger_without_a_memory_forgets_what_it_could_not_send() {
    let (listener, address) = listen().await;
    let publisher = Publisher::spawn("S4", address, false);
    publisher.unplug();
    for number in 0..5 {
        publisher.send("plant/S4/S4-01".to_owned(), number.to_string().into_bytes());
    }
    let counts = Arc::clone(&publisher.counts);
    wait_until("five are lost", || counts.lost.load(Ordering::Relaxed) == 5).await;
    publisher.plug_in();
    let (mut stream, _) = listener.accept().await.expect("connection");
    let sender = async {
        // Sending before the connection is up would lose more: send until one arrives.
        while counts.acknowledged.load(Ordering::Relaxed) == 0 {
            publisher.send("plant/S4/S4-01".to_owned(), b"9".to_vec());
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    };
    let mut received = Vec::new();
    let both = async {
        tokio::select! {
            () = serve(&mut stream, usize::MAX, &mut received) => panic!("closed"),
            () = sender => {}
        }
    };
    tokio::time::timeout(Duration::from_secs(30), both)
        .await
        .expect("sent");
    assert!(!received.is_empty());
    assert!(
        received.iter().all(|payload| payload == "9"),
        "old ones came back: {received:?}"
    );
}

#[test]
fn broker_addresses_are_host_and_port() {
    let address: BrokerAddress = "broker.yard:1883".parse().expect("address");
    assert_eq!((address.host.as_str(), address.port), ("broker.yard", 1883));
    for wrong in ["broker", ":1883", "broker:0", "broker:many"] {
        assert!(
            wrong
                .parse::<BrokerAddress>()
                .expect_err("refused")
                .contains("HOST:PORT")
        );
    }
}

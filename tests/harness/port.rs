//! A port of loopback that nobody else is given while a test lasts.

use tokio::net::TcpSocket;

/// A bound socket that never listens: the system hands its port to nobody who asks for any, and lets
/// a program listen there that asks for it by number, again and again.
pub struct HeldPort {
    socket: TcpSocket,
}

impl HeldPort {
    /// Holds a port that was free.
    ///
    /// # Panics
    /// Where loopback has no free port.
    #[must_use]
    pub fn take() -> Self {
        let socket = TcpSocket::new_v4().expect("a socket is made");
        // Both sides must allow it before a second socket may have the port; listeners mostly do.
        socket.set_reuseaddr(true).expect("a socket's option");
        let any = "127.0.0.1:0".parse().expect("an address");
        socket.bind(any).expect("loopback has a free port");
        Self { socket }
    }

    /// Its number.
    ///
    /// # Panics
    /// Where the socket has lost its address.
    #[must_use]
    pub fn number(&self) -> u16 {
        let address = self.socket.local_addr();
        address.expect("a bound socket has an address").port()
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;
    use std::net::TcpListener;

    use super::*;

    #[test]
    fn a_held_port_is_given_to_nobody_else_and_can_be_listened_at_again_and_again() {
        let held: Vec<HeldPort> = (0..500).map(|_| HeldPort::take()).collect();
        let mut numbers: BTreeSet<u16> = held.iter().map(HeldPort::number).collect();
        assert_eq!(numbers.len(), held.len());
        for _ in 0..500 {
            let other = TcpListener::bind("127.0.0.1:0").expect("a free port");
            let number = other.local_addr().expect("an address").port();
            assert!(!numbers.contains(&number), "{number} was handed out twice");
        }
        let number = numbers.pop_first().expect("a port");
        for _ in 0..3 {
            let listener = TcpListener::bind(("127.0.0.1", number));
            drop(listener.expect("who asks for it by number may listen there"));
        }
    }
}

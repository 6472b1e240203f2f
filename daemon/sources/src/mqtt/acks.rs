//! Which deliveries of a connection are outstanding, committed, or ready to be acknowledged.

use std::collections::hash_map::Entry;
use std::collections::{HashMap, VecDeque};

use rumqttc::{AsyncClient, Publish, QoS};

use crate::delivery::Receipt;

/// Outstanding packets in receipt order; grows with what the broker sends, which no in-flight
/// setting bounds after a reconnect.
#[derive(Debug, Default)]
pub struct AckLedger {
    /// Raised at each connection; packet ids are used again on the next.
    connection_number: u64,
    in_receipt_order: VecDeque<u16>,
    is_committed: HashMap<u16, bool>,
}

impl AckLedger {
    pub fn connected(&mut self) {
        self.disconnected();
        self.connection_number += 1;
    }

    /// Forgets what is outstanding: the broker sends it again, and an old packet id on a new
    /// connection could acknowledge a message that was never read.
    pub fn disconnected(&mut self) {
        self.in_receipt_order.clear();
        self.is_committed.clear();
    }

    /// `None` where this packet is outstanding already and will be acknowledged once.
    pub fn received(&mut self, packet_id: u16) -> Option<Receipt> {
        let Entry::Vacant(place) = self.is_committed.entry(packet_id) else {
            return None;
        };
        place.insert(false);
        self.in_receipt_order.push_back(packet_id);
        Some(Receipt {
            connection_number: self.connection_number,
            packet_id,
        })
    }

    pub fn committed(&mut self, receipt: Receipt) {
        if receipt.connection_number == self.connection_number
            && let Some(is_committed) = self.is_committed.get_mut(&receipt.packet_id)
        {
            *is_committed = true;
        }
    }

    /// Queues acknowledgements in receipt order, as the protocol demands, until one is not yet
    /// committed or the queue is full; the rest stays for the next turn.
    pub fn send(&mut self, client: &AsyncClient) {
        self.take_ready(|packet_id| {
            let mut publish = Publish::new("", QoS::AtLeastOnce, Vec::new());
            publish.pkid = packet_id;
            client.try_ack(&publish).is_ok()
        });
    }

    fn take_ready(&mut self, mut send: impl FnMut(u16) -> bool) {
        while let Some(&packet_id) = self.in_receipt_order.front() {
            let is_ready = self.is_committed.get(&packet_id) == Some(&true);
            if !is_ready || !send(packet_id) {
                return;
            }
            self.in_receipt_order.pop_front();
            self.is_committed.remove(&packet_id);
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn ready(ledger: &mut AckLedger) -> Vec<u16> {
        let mut sent = Vec::new();
        ledger.take_ready(|packet_id| {
            sent.push(packet_id);
            true
        });
        sent
    }

    fn receive(ledger: &mut AckLedger, packet_id: u16) -> Receipt {
        ledger.received(packet_id).expect("a new packet")
    }

    #[test]
    fn acknowledgements_go_in_receipt_order() {
        let mut ledger = AckLedger::default();
        ledger.connected();
        let first = receive(&mut ledger, 7);
        let second = receive(&mut ledger, 3);
        ledger.committed(second);
        assert!(ready(&mut ledger).is_empty());
        ledger.committed(first);
        assert_eq!(ready(&mut ledger), [7, 3]);
        assert!(ready(&mut ledger).is_empty());
    }

    #[test]
    fn what_does_not_fit_the_queue_stays_for_the_next_turn() {
        let mut ledger = AckLedger::default();
        ledger.connected();
        for packet_id in 1..=3 {
            let receipt = receive(&mut ledger, packet_id);
            ledger.committed(receipt);
        }
        let mut room = 1;
        ledger.take_ready(|_| {
            room -= 1;
            room >= 0
        });
        assert_eq!(ready(&mut ledger), [2, 3]);
    }

    #[test]
    fn an_acknowledgement_from_an_older_connection_is_dropped() {
        let mut ledger = AckLedger::default();
        ledger.connected();
        let old = receive(&mut ledger, 1);
        ledger.disconnected();
        ledger.committed(old);
        ledger.connected();
        receive(&mut ledger, 1);
        ledger.committed(old);
        assert!(ready(&mut ledger).is_empty());
    }

    #[test]
    fn a_packet_that_comes_twice_is_acknowledged_once() {
        let mut ledger = AckLedger::default();
        ledger.connected();
        let receipt = receive(&mut ledger, 1);
        assert_eq!(ledger.received(1), None);
        ledger.committed(receipt);
        assert_eq!(ledger.received(1), None);
        assert_eq!(ready(&mut ledger), [1]);
    }

    proptest! {
        #[test]
        fn every_committed_packet_is_acknowledged_once_whatever_the_order_of_commits(
            order in Just((1..=300_u16).collect::<Vec<_>>()).prop_shuffle(),
        ) {
            let mut ledger = AckLedger::default();
            ledger.connected();
            let receipts: HashMap<u16, Receipt> =
                (1..=300).map(|id| (id, receive(&mut ledger, id))).collect();
            let mut sent = Vec::new();
            for packet_id in order {
                ledger.committed(receipts[&packet_id]);
                sent.extend(ready(&mut ledger));
            }
            prop_assert_eq!(sent, (1..=300).collect::<Vec<_>>());
        }
    }
}

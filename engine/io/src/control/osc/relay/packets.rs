//! Messages packed into as few bundles as go over an Ethernet in one piece.

use super::super::time::AT_ONCE;
use rosc::{OscBundle, OscMessage, OscPacket, encoder};

/// The most bytes of a packet: what an Ethernet frame of 1500 leaves beside the headers of IPv4 (20) and UDP (8).
pub(super) const MOST: usize = 1472;
/// The bytes of a bundle without its messages, and those that each message has beside its own (OSC 1.0).
const BUNDLE: usize = 16;
const SIZE: usize = 4;

/// Bundles of these messages, in order, each beginning with `head`. Their time is "at once": whoever follows is never late
/// and needs no clock that agrees with this machine's. A message that is too long for a packet stands alone in a longer one.
pub(super) fn bundles(head: Option<&OscMessage>, messages: &[OscMessage]) -> Vec<Vec<u8>> {
    let size = |message: &OscMessage| SIZE + encoded(OscPacket::Message(message.clone())).len();
    let empty = BUNDLE + head.map_or(0, size);
    let (mut packets, mut packed, mut length) = (Vec::new(), Vec::new(), empty);
    for message in messages {
        let size = size(message);
        if length + size > MOST && !packed.is_empty() {
            packets.push(bundle(head, std::mem::take(&mut packed)));
            length = empty;
        }
        packed.push(OscPacket::Message(message.clone()));
        length += size;
    }
    packets.push(bundle(head, packed));
    packets
}

fn bundle(head: Option<&OscMessage>, messages: Vec<OscPacket>) -> Vec<u8> {
    let head = head.cloned().map(OscPacket::Message);
    encoded(OscPacket::Bundle(OscBundle { timetag: AT_ONCE, content: head.into_iter().chain(messages).collect() }))
}

fn encoded(packet: OscPacket) -> Vec<u8> {
    // Into a vector it cannot fail: all that could is to grow it.
    encoder::encode(&packet).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rosc::{OscType, decoder};

    fn content(packet: &[u8]) -> Vec<OscMessage> {
        let (rest, packet) = decoder::decode_udp(packet).unwrap();
        assert!(rest.is_empty());
        let OscPacket::Bundle(bundle) = packet else { panic!("a bundle") };
        assert_eq!(bundle.timetag, AT_ONCE);
        let message = |packet| match packet {
            OscPacket::Message(message) => message,
            OscPacket::Bundle(_) => panic!("flat"),
        };
        bundle.content.into_iter().map(message).collect()
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..Default::default() })]

        #[test]
        fn all_arrive_in_order_in_packets_that_are_small_and_full(
            lengths in prop::collection::vec(1usize..200, 1..200), with_head: bool,
        ) {
            let message = |(n, length): (i32, &usize)| OscMessage {
                addr: format!("/{}", "a".repeat(*length)),
                args: vec![OscType::Int(n)],
            };
            let messages: Vec<_> = (0..).zip(&lengths).map(message).collect();
            let head = with_head.then(|| OscMessage { addr: "/head".to_owned(), args: vec![OscType::Int(7)] });
            let packets = bundles(head.as_ref(), &messages);
            let mut seen = Vec::new();
            for packet in &packets {
                prop_assert!(packet.len() <= MOST);
                let mut content = content(packet);
                if let Some(head) = &head {
                    prop_assert_eq!(&content.remove(0), head);
                }
                seen.extend(content);
            }
            prop_assert_eq!(seen, messages);
            // No two neighbours would have gone into one.
            for pair in packets.windows(2) {
                prop_assert!(pair[0].len() + pair[1].len() > MOST);
            }
        }
    }
}

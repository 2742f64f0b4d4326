//! How much of something may come in a while, and whose it counts as.

use std::hash::{BuildHasher, RandomState};
use std::net::{IpAddr, Ipv6Addr};
use std::time::{Duration, Instant};

/// So much a second, and so much at once after a pause.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pace {
    pub a_second: f64,
    pub at_once: f64,
}

/// What is left of a [`Pace`].
#[derive(Clone, Copy, Debug)]
pub(crate) struct Purse {
    pace: Pace,
    left: f64,
    counted: Instant,
}

impl Purse {
    /// Full at first.
    pub fn new(pace: Pace, now: Instant) -> Self {
        Self { pace, left: pace.at_once, counted: now }
    }

    /// What may come now.
    pub fn left(&mut self, now: Instant) -> f64 {
        let since = now.saturating_duration_since(self.counted).as_secs_f64();
        self.left = (self.left + since * self.pace.a_second).min(self.pace.at_once);
        self.counted = now;
        self.left
    }

    /// Takes so much, if need be on credit.
    pub fn take(&mut self, much: f64) {
        self.left -= much;
    }

    /// How long until so much may come; as it was counted last.
    pub fn until(&self, much: f64) -> Duration {
        Duration::from_secs_f64((much - self.left).max(0.0) / self.pace.a_second)
    }
}

/// What counts as one address: an IPv6 network of 64 bits, since one machine has all its addresses.
pub(crate) fn network(peer: IpAddr) -> IpAddr {
    match peer.to_canonical() {
        IpAddr::V6(six) => IpAddr::V6(Ipv6Addr::from_bits(six.to_bits() & !u128::from(u64::MAX))),
        four => four,
    }
}

/// Something for each network, in memory that does not grow and found in a time that does not depend on how many there
/// are: networks share it if their hashes meet. Whose do, nobody outside can know or bring about.
pub(crate) struct ByNetwork<T> {
    slots: Box<[T]>,
    hasher: RandomState,
}

/// Far more than a hall has networks.
const SLOTS: usize = 4096;

impl<T: Clone> ByNetwork<T> {
    /// Each address begins with one of these.
    pub fn new(each: T) -> Self {
        Self { slots: vec![each; SLOTS].into(), hasher: RandomState::new() }
    }
}

impl<T> ByNetwork<T> {
    /// What is kept for the network of an address, and for all whose hash meets with its.
    pub fn of(&mut self, peer: IpAddr) -> &mut T {
        let hash = self.hasher.hash_one(network(peer)) as usize;
        &mut self.slots[hash % SLOTS]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_purse_gives_at_once_what_it_holds_and_then_its_pace() {
        let start = Instant::now();
        let mut purse = Purse::new(Pace { a_second: 10.0, at_once: 30.0 }, start);
        assert_eq!(purse.left(start), 30.0);
        purse.take(35.0);
        assert_eq!(purse.left(start), -5.0);
        assert_eq!(purse.until(1.0), Duration::from_millis(600));
        assert!((purse.left(start + Duration::from_secs(1)) - 5.0).abs() < 1e-9);
        assert_eq!(purse.left(start + Duration::from_secs(60)), 30.0, "no more than it holds");
    }

    #[test]
    fn one_ipv6_network_is_one_address_and_so_is_an_ipv4_address_however_written() {
        let six = |network: u16, machine: u16| IpAddr::from([0x2001, 0xdb8, 0, network, 0, 0, 0, machine]);
        assert_eq!(network(six(1, 1)), network(six(1, 99)));
        assert_ne!(network(six(1, 1)), network(six(2, 1)));
        let four = IpAddr::from([192, 0, 2, 1]);
        assert_eq!(network("::ffff:192.0.2.1".parse().unwrap()), four);
        assert_ne!(network(four), network(IpAddr::from([192, 0, 2, 2])));
    }

    #[test]
    fn networks_are_told_apart_and_memory_does_not_grow() {
        let mut counts = ByNetwork::new(0u32);
        for machine in 0..=u16::MAX {
            let [high, low] = machine.to_be_bytes();
            *counts.of(IpAddr::from([198, 18, high, low])) += 1;
        }
        assert_eq!(counts.slots.len(), SLOTS);
        assert_eq!(counts.slots.iter().sum::<u32>(), 65_536);
        // 16 in each on average: none is left out, none has many.
        assert!(counts.slots.iter().all(|count| *count < 100), "{:?}", counts.slots.iter().max());
    }
}

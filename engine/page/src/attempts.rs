//! How many wrong keys may be tried.

use std::collections::{HashMap, HashSet};
use std::net::{IpAddr, Ipv6Addr};
use std::time::{Duration, Instant};

/// From the first wrong key on this long they are counted together.
const WINDOW: Duration = Duration::from_secs(60);
/// Wrong keys of one address in a window.
const MOST_OF_ONE: u32 = 10;
/// Wrong keys of all addresses in a window.
const MOST_OF_ALL: u32 = 60;
/// Addresses that are remembered; beyond these the oldest is forgotten.
const MOST_ADDRESSES: usize = 1024;

#[derive(Clone, Copy)]
struct Window {
    since: Instant,
    wrong: u32,
    /// What was shown last of its own accord (a browser shows an old cookie again and again).
    shown: Option<u64>,
}

impl Window {
    fn new(now: Instant) -> Self {
        Self { since: now, wrong: 0, shown: None }
    }

    fn over(&self, now: Instant) -> bool {
        now.saturating_duration_since(self.since) >= WINDOW
    }

    /// How long it is still shut.
    fn shut(&self, most: u32, now: Instant) -> Option<Duration> {
        let left = WINDOW.saturating_sub(now.saturating_duration_since(self.since));
        (self.wrong >= most && !left.is_zero()).then_some(left)
    }
}

/// Counts wrong keys: 10 a minute from one address (an IPv6 network of 64 bits counts as one, since one machine has
/// all its addresses), 60 over all.
///
/// Who is over the limit is refused until the minute is over, the right key too: were it let in, guessing could go on
/// at any speed, for the right guess would show itself.
#[derive(Default)]
pub struct Attempts {
    all: Option<Window>,
    of: HashMap<IpAddr, Window>,
    /// Addresses from which a right key came.
    known: HashSet<IpAddr>,
}

impl Attempts {
    /// How long keys from `peer` are still refused because of what that address itself has tried.
    pub fn shut_to(&self, peer: IpAddr, now: Instant) -> Option<Duration> {
        self.of.get(&network(peer)).and_then(|window| window.shut(MOST_OF_ONE, now))
    }

    /// How long keys are still refused because of what all have tried together.
    pub fn shut_to_all(&self, now: Instant) -> Option<Duration> {
        self.all.and_then(|window| window.shut(MOST_OF_ALL, now))
    }

    /// A right key came from `peer`.
    pub fn right(&mut self, peer: IpAddr) {
        // More than any hall has: then it begins to learn again.
        if self.known.len() >= MOST_ADDRESSES {
            self.known.clear();
        }
        self.known.insert(peer.to_canonical());
    }

    /// Whether a right key has come from this very address.
    pub fn knows(&self, peer: IpAddr) -> bool {
        self.known.contains(&peer.to_canonical())
    }

    /// A wrong key was tried.
    pub fn wrong(&mut self, peer: IpAddr, now: Instant) {
        self.window(peer, now).wrong += 1;
        let all = self.all.get_or_insert(Window::new(now));
        if all.over(now) {
            *all = Window::new(now);
        }
        all.wrong = all.wrong.saturating_add(1);
    }

    /// A browser showed a wrong key of its own accord; `what` tells such keys apart. The same again is no new guess:
    /// a page with an old cookie that tries to come back must not shut its own address.
    pub fn shown(&mut self, peer: IpAddr, what: u64, now: Instant) {
        let window = self.window(peer, now);
        if window.shown != Some(what) {
            window.shown = Some(what);
            self.wrong(peer, now);
        }
    }

    fn window(&mut self, peer: IpAddr, now: Instant) -> &mut Window {
        let network = network(peer);
        if self.of.len() >= MOST_ADDRESSES && !self.of.contains_key(&network) {
            self.of.retain(|_, window| !window.over(now));
            let oldest = self.of.iter().min_by_key(|(_, window)| window.since).map(|(network, _)| *network);
            if let Some(oldest) = oldest.filter(|_| self.of.len() >= MOST_ADDRESSES) {
                self.of.remove(&oldest);
            }
        }
        let window = self.of.entry(network).or_insert(Window::new(now));
        if window.over(now) {
            *window = Window { shown: window.shown, ..Window::new(now) };
        }
        window
    }
}

/// What counts as one address.
fn network(peer: IpAddr) -> IpAddr {
    match peer.to_canonical() {
        IpAddr::V6(six) => IpAddr::V6(Ipv6Addr::from_bits(six.to_bits() & !u128::from(u64::MAX))),
        four => four,
    }
}

#[cfg(test)]
mod tests;

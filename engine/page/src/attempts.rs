//! How many wrong keys may be tried.

use std::net::IpAddr;
use std::time::{Duration, Instant};

use crate::pace::ByNetwork;

/// From the first wrong key on this long they are counted together.
const WINDOW: Duration = Duration::from_secs(60);
/// Wrong keys of one network in a window.
const MOST: u32 = 10;

#[derive(Clone, Copy, Default)]
struct AttemptWindow {
    since: Option<Instant>,
    wrong: u32,
    /// What was shown last of its own accord (a browser shows an old cookie again and again).
    shown: Option<u64>,
}

/// Counts wrong keys, 10 a minute from one network; what comes beyond is told to wait.
///
/// A right key is never refused: whoever shares an address with others, as all in a hall do behind one router, would be
/// shut out by any of them. Nothing is lost by that. A key has 80 bits, and strangers get at most 250 answers a second
/// together: in a year of guessing, day and night, one of three keys is found with a probability of 2e-14.
pub struct Attempts {
    of: ByNetwork<AttemptWindow>,
}

impl Default for Attempts {
    fn default() -> Self {
        Self { of: ByNetwork::new(AttemptWindow::default()) }
    }
}

impl Attempts {
    /// A wrong key was tried. How long its network is to wait, if it has tried too many.
    pub fn wrong(&mut self, peer: IpAddr, now: Instant) -> Option<Duration> {
        let window = self.of.of(peer);
        let since = match window.since {
            Some(since) if now.saturating_duration_since(since) < WINDOW => since,
            _ => {
                *window = AttemptWindow { since: Some(now), wrong: 0, shown: window.shown };
                now
            }
        };
        if window.wrong >= MOST {
            return Some(WINDOW.saturating_sub(now.saturating_duration_since(since)));
        }
        window.wrong += 1;
        None
    }

    /// A browser showed a wrong key of its own accord; `what` tells such keys apart. The same again is no new guess:
    /// a page with an old cookie tries to come back for ever.
    pub fn shown(&mut self, peer: IpAddr, what: u64, now: Instant) -> Option<Duration> {
        let window = self.of.of(peer);
        if window.shown == Some(what) {
            return None;
        }
        window.shown = Some(what);
        self.wrong(peer, now)
    }
}

#[cfg(test)]
mod tests;

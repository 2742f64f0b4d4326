//! What came by OSC and made no sense, for whoever set it up and wonders why nothing moves.

use std::net::SocketAddr;
use std::time::{Duration, Instant};

use tenterhook_plan::condition::Nonsense;

/// For so long it is told after it came last.
const TOLD: Duration = Duration::from_secs(10);
/// So many different ones are told at a time; a flood of others is only counted.
const MOST: usize = 4;
/// No longer part of an address is told.
const MOST_LETTERS: usize = 80;

/// A message that made no sense.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refused {
    /// Its address; empty where there was none to be read.
    pub path: String,
    /// Who sent it.
    pub from: SocketAddr,
    /// Why.
    pub why: Nonsense,
}

/// Those of the last seconds.
#[derive(Default)]
pub(crate) struct Refusals(Vec<(Refused, Instant)>);

impl Refusals {
    /// One came.
    pub fn add(&mut self, path: &str, from: SocketAddr, why: Nonsense, now: Instant) {
        self.0.retain(|(_, at)| now.duration_since(*at) < TOLD);
        let path: String = path.chars().take(MOST_LETTERS).collect();
        // A sender's port may change with each packet.
        let same = |one: &Refused| one.path == path && one.why == why && one.from.ip() == from.ip();
        if let Some((_, at)) = self.0.iter_mut().find(|(one, _)| same(one)) {
            *at = now;
        } else if self.0.len() < MOST {
            self.0.push((Refused { path, from, why }, now));
        }
    }

    /// Those that are told now.
    pub fn told(&self, now: Instant) -> Vec<Refused> {
        self.0.iter().filter(|(_, at)| now.duration_since(*at) < TOLD).map(|(one, _)| one.clone()).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_comes_again_is_told_once_and_a_flood_tells_little() {
        let (mut refusals, began) = (Refusals::default(), Instant::now());
        let after = |seconds| began + Duration::from_secs(seconds);
        let from = |port| SocketAddr::from(([127, 0, 0, 1], port));
        for n in 0..1000 {
            refusals.add("/tenterhook/fier", from(n), Nonsense::Nothing, after(0));
        }
        assert_eq!(refusals.told(after(0)).len(), 1);
        for n in 0..1000 {
            refusals.add(&format!("/{n}"), from(1), Nonsense::Nothing, after(1));
        }
        assert_eq!(refusals.told(after(1)).len(), MOST);
        assert_eq!(refusals.told(after(10)).len(), MOST - 1);
        assert!(refusals.told(after(11)).is_empty());
        refusals.add(&"x".repeat(100_000), from(1), Nonsense::Address, after(20));
        assert_eq!(refusals.told(after(20))[0].path.len(), MOST_LETTERS);
    }
}

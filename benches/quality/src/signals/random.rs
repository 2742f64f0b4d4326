//! Random numbers: SplitMix64 (Steele, Lea and Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014),
//! made normal by Box and Muller ("A note on the generation of random normal deviates", Ann. Math. Stat. 29, 1958).

use std::f64::consts::TAU;

/// A stream of random numbers.
#[derive(Clone, Debug)]
pub struct Random(u64);

impl Random {
    /// The stream of a name and a number: other names or numbers, other streams.
    pub fn new(name: &str, number: u64) -> Self {
        // FNV-1a.
        let hash = name
            .bytes()
            .fold(0xcbf2_9ce4_8422_2325u64, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3));
        let mut random = Self(hash);
        random.0 = random.bits() ^ number;
        random.0 = random.bits();
        random
    }

    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Even in 0…1, 1 excluded.
    pub fn even(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Even between two values.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.even()
    }

    /// Normal, of mean 0 and variance 1.
    pub fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.even()).ln()).sqrt() * (TAU * self.even()).cos()
    }
}

//! Noise whose every sample follows from a seed.

/// White noise. The generator is SplitMix64 (Steele, Lea and Flood 2014, constants from memory).
pub struct Noise(u64);

impl Noise {
    /// The noise of one thing: its kind and its number.
    pub fn new(kind: u64, number: u64) -> Self {
        let mut noise = Self(kind.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ number.wrapping_mul(0xD1B5_4A32_D192_ED03));
        noise.next();
        noise
    }

    /// The next sample, evenly spread over −1…1: its RMS is 1/√3.
    pub fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^= z >> 31;
        (z >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    }
}

//! Sounds whose make-up is known.

use std::f64::consts::TAU;

/// Numbers that look random and are the same every time (Marsaglia's xorshift, Journal of Statistical Software 8, 2003).
pub struct Chance(u64);

impl Chance {
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1)
    }

    /// A number between two.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        low + (high - low) * (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    /// A number between two, each ratio as likely.
    pub fn ratio(&mut self, low: f64, high: f64) -> f64 {
        self.between(low.ln(), high.ln()).exp()
    }

    /// A number of the normal distribution: the sum of twelve equal ones (common practice).
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.between(0.0, 1.0)).sum::<f64>() - 6.0
    }
}

/// A sine of steady or moving frequency: `hz` at each time in seconds.
pub fn sine(seconds: f64, rate: u32, amplitude: f64, phase: f64, hz: impl Fn(f64) -> f64) -> Vec<f32> {
    let mut turned = phase / TAU;
    (0..(seconds * f64::from(rate)) as usize)
        .map(|n| {
            let value = amplitude * (TAU * turned).sin();
            turned += hz((n as f64 + 0.5) / f64::from(rate)) / f64::from(rate);
            value as f32
        })
        .collect()
}

/// Harmonics of a fundamental, each with an amplitude, as far as the rate goes.
pub fn harmonics(
    seconds: f64,
    rate: u32,
    fundamental: impl Fn(f64) -> f64,
    amplitude: impl Fn(usize) -> f64,
    chance: &mut Chance,
) -> Vec<f32> {
    let mut sum = vec![0.0; (seconds * f64::from(rate)) as usize];
    for k in 1.. {
        if k as f64 * fundamental(0.0) > 0.44 * f64::from(rate) {
            break;
        }
        add(&mut sum, &sine(seconds, rate, amplitude(k), chance.between(0.0, TAU), |t| k as f64 * fundamental(t)));
    }
    sum
}

pub fn add(sound: &mut [f32], other: &[f32]) {
    for (a, b) in sound.iter_mut().zip(other) {
        *a += b;
    }
}

pub fn mean_square(sound: &[f32]) -> f64 {
    sound.iter().map(|&x| f64::from(x) * f64::from(x)).sum::<f64>() / sound.len() as f64
}

/// White noise of a mean square.
pub fn noise(length: usize, mean_square: f64, chance: &mut Chance) -> Vec<f32> {
    (0..length).map(|_| (mean_square.sqrt() * chance.normal()) as f32).collect()
}

/// Adds white noise so far below the sound, in dB of mean squares.
pub fn with_noise(sound: &mut [f32], below_db: f64, chance: &mut Chance) {
    let power = mean_square(sound) * 10f64.powf(-below_db / 10.0);
    let noise = noise(sound.len(), power, chance);
    add(sound, &noise);
}

/// How far a frequency is from another.
pub fn cents(hz: f64, from: f64) -> f64 {
    1200.0 * (hz / from).log2()
}

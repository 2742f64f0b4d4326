//! Noise made anew from its envelope: never read from a record, so that it neither stretches nor comes back.
//!
//! Frames of a complex Gaussian spectrum under the envelope, windowed and overlapped four times: noise of that spectrum
//! (after Serra and Smith, "Spectral modeling synthesis", Computer Music Journal 14, 1990).

use crate::bytes::{many, plan_bytes};
use crate::prefault::prefaulted;
use crate::random::{frame, grain};
use crate::transform;
use crate::windows::{hann, scaled};
use realfft::num_complex::Complex32;
use realfft::{ComplexToReal, RealFftPlanner};
use std::sync::{Arc, LazyLock};

/// Places of the table of normal numbers: a power of two.
const NORMAL: usize = 2048;

/// The steps of a frame, one at a grid line.
pub(crate) const STEPS: [NoiseStep; 6] = [
    NoiseStep::Envelope,
    NoiseStep::Fill(0),
    NoiseStep::Fill(1),
    NoiseStep::Fill(2),
    NoiseStep::Transform,
    NoiseStep::Add,
];

/// What is done of a frame at one grid line.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum NoiseStep {
    /// Whoever it belongs to gives it the [envelope](NoiseSynth::envelope).
    Envelope,
    /// A third of the spectrum.
    Fill(usize),
    Transform,
    Add,
}

/// Makes the noise of one voice.
pub(crate) struct NoiseSynth {
    inverse: Arc<dyn ComplexToReal<f32>>,
    scratch: Box<[Complex32]>,
    spectrum: Box<[Complex32]>,
    frame: Box<[f32]>,
    window: Box<[f32]>,
    normal: &'static [f32],
    /// The envelope of the frame in work, every second bin.
    envelope: Box<[f32]>,
    /// A ring of summed frames.
    sum: Box<[f32]>,
    seed: u64,
}

impl NoiseSynth {
    /// For `rate` samples a second; allocates all that it needs.
    pub fn new(rate: u32) -> Self {
        let size = scaled(2048, rate);
        let inverse = RealFftPlanner::new().plan_fft_inverse(size);
        // Σ hann² = 1.5 over frames a quarter apart; a bin of unit variance makes 1/√size of a sample.
        let gain = 1.0 / (1.5 * size as f32).sqrt();
        Self {
            scratch: prefaulted(Complex32::ZERO, inverse.get_scratch_len()),
            spectrum: prefaulted(Complex32::ZERO, size / 2 + 1),
            frame: prefaulted(0.0, size),
            window: hann(size).into_iter().map(|w| w * gain).collect(),
            normal: &NORMALS,
            envelope: prefaulted(0.0, (size / 2 + 1).div_ceil(2)),
            // Twice a frame: what a frame overwrites has sounded.
            sum: prefaulted(0.0, 2 * size),
            seed: 0,
            inverse,
        }
    }

    /// Bytes that one takes beside itself.
    pub fn bytes(rate: u32) -> usize {
        let size = scaled(2048, rate);
        let spectrum = size / 2 + 1;
        many::<Complex32>(spectrum) + many::<f32>(4 * size + spectrum.div_ceil(2)) + plan_bytes(size)
    }

    /// From here on its random numbers come from this seed.
    pub fn begin(&mut self, seed: u64) {
        self.seed = seed;
    }

    /// Samples from one frame to the next.
    pub fn hop(&self) -> usize {
        self.frame.len() / 4
    }

    /// Where the envelope of the next frame goes.
    pub fn envelope(&mut self) -> &mut [f32] {
        &mut self.envelope
    }

    /// Does a step of the frame that starts to sound `since` samples after the first, at the sample `at`.
    pub fn step(&mut self, step: NoiseStep, since: u64, at: u64) {
        match step {
            NoiseStep::Envelope => {}
            NoiseStep::Fill(third) => self.fill(third, at),
            NoiseStep::Transform => {
                // The two bins that have no phase.
                for end in [0, self.spectrum.len() - 1] {
                    if let Some(z) = self.spectrum.get_mut(end) {
                        *z = Complex32::ZERO;
                    }
                }
                transform::inverse(&*self.inverse, &mut self.spectrum, &mut self.frame, &mut self.scratch);
            }
            NoiseStep::Add => self.add(since),
        }
    }

    /// A third of the spectrum.
    fn fill(&mut self, third: usize, at: u64) {
        let length = self.spectrum.len().div_ceil(3).next_multiple_of(4);
        let first = third * length;
        let root = frame(self.seed, at);
        let Some(spectrum) = self.spectrum.get_mut(first..) else { return };
        let normal = |bits: u64| self.normal.get(bits as usize % NORMAL).copied().unwrap_or(0.0);
        // Two bins for each place of the envelope, and 44 of 64 bits for their four numbers.
        let pairs = spectrum.chunks_mut(2).take(length / 2).zip(self.envelope.iter().skip(first / 2));
        for ((pair, &deviation), place) in pairs.zip(first as u64..) {
            let bits = grain(root, place);
            for (z, bits) in pair.iter_mut().zip([bits, bits >> 22]) {
                *z = Complex32::new(normal(bits) * deviation, normal(bits >> 11) * deviation);
            }
        }
    }

    fn add(&mut self, since: u64) {
        let size = self.frame.len();
        let mask = self.sum.len() - 1;
        let start = since as usize & mask;
        // Before the first frame there was nothing, whatever the ring may hold of an earlier time.
        let fresh = if since == 0 { 0 } else { size - self.hop() };
        for (i, (&x, &w)) in self.frame.iter().zip(&self.window).enumerate() {
            let y = x * w;
            let y = if y.abs() < 1e-12 { 0.0 } else { y };
            if let Some(sum) = self.sum.get_mut((start + i) & mask) {
                *sum = if i < fresh { *sum + y } else { y };
            }
        }
    }

    /// How much of its power the noise has `since` samples after the first frame's start.
    pub fn power(&self, since: u64) -> f32 {
        let hop = self.hop() as u64;
        let weight = |back: u64| {
            let place = since.checked_sub(back * hop)?;
            self.window.get(place as usize).map(|w| w * w * self.frame.len() as f32)
        };
        (0..4).filter_map(weight).sum()
    }

    /// Adds the sound from `since` samples after the first frame's start on.
    pub fn sound(&self, since: u64, out: &mut [f32]) {
        let mask = self.sum.len() - 1;
        for (out, at) in out.iter_mut().zip(since as usize..) {
            *out += self.sum.get(at & mask).copied().unwrap_or(0.0);
        }
    }
}

/// The one table of all voices: made, and looked up, when the first of them is made, never on the audio thread.
static NORMALS: LazyLock<Vec<f32>> = LazyLock::new(normal);

/// Equally likely values of a normal variable with variance 1/2, in no order that matters: a complex number of two of
/// them has variance 1.
fn normal() -> Vec<f32> {
    let quantile = |p: f64| {
        // By bisection of the distribution function, summed finely from the middle: off the audio thread, once.
        let (mut low, mut high) = (-6.0f64, 6.0f64);
        for _ in 0..48 {
            let middle = 0.5 * (low + high);
            if distribution(middle) < p { low = middle } else { high = middle }
        }
        0.5 * (low + high)
    };
    let values: Vec<f64> = (0..NORMAL).map(|i| quantile((i as f64 + 0.5) / NORMAL as f64)).collect();
    let variance = values.iter().map(|x| x * x).sum::<f64>() / NORMAL as f64;
    values.iter().map(|x| (x / (2.0 * variance).sqrt()) as f32).collect()
}

/// The normal distribution function, by its series (Abramowitz and Stegun 26.2.11).
fn distribution(x: f64) -> f64 {
    let (mut term, mut sum) = (x, x);
    for n in 1..120 {
        term *= x * x / f64::from(2 * n + 1);
        sum += term;
    }
    0.5 + sum * (-0.5 * x * x).exp() / std::f64::consts::TAU.sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_even_envelope_makes_white_noise_of_its_level() {
        let mut noise_synth = NoiseSynth::new(48_000);
        noise_synth.begin(3);
        let hop = noise_synth.hop() as u64;
        let mut sum = 0.0f64;
        for number in 0..400 {
            noise_synth.envelope().fill(0.5);
            STEPS.into_iter().for_each(|step| noise_synth.step(step, number * hop, 7 + number * hop));
            let mut sound = vec![0.0; hop as usize];
            noise_synth.sound(number * hop, &mut sound);
            if number >= 4 {
                sum += sound.iter().map(|&x| f64::from(x).powi(2)).sum::<f64>();
            }
        }
        let level = 10.0 * (sum / (396 * hop) as f64 / 0.25).log10();
        assert!(level.abs() < 0.05, "{level} dB");
    }
}

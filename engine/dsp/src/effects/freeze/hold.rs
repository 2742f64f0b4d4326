//! A sound of steady partials and noise that goes on for ever.
//!
//! It is made of frames, each by one inverse transform: a partial adds its window's main lobe to the spectrum around its
//! frequency, in the phase that it has reached there (Rodet and Depalle, "Spectral envelopes and inverse FFT synthesis",
//! AES 93rd Convention, 1992), noise has random phases that never come again. The window of the partials is
//! Blackman-Harris, whose copies a quarter of a frame apart add up to a constant, that of the noise Hann, of which the
//! squares do: so a partial that stands still has no trace of the frames, and noise no rhythm.
//!
//! One call does one step. None allocates; which steps are due when is the caller's business.

use super::spectrum::BLACKMAN_HARRIS;
use crate::bytes::{many, plan_bytes};
use crate::prefault::prefaulted;
use crate::random;
use crate::transform;
use realfft::num_complex::Complex32;
use realfft::{ComplexToReal, RealFftPlanner};
use std::f64::consts::TAU;
use std::sync::Arc;

/// The most partials.
pub(crate) const PARTIALS: usize = 192;

/// The steps of a frame, one at a grid line.
pub(crate) const STEPS: [HoldStep; 6] = [
    HoldStep::LowNoise,
    HoldStep::HighNoise,
    HoldStep::ShapeNoise,
    HoldStep::AddPartials,
    HoldStep::Transform,
    HoldStep::Add,
];

/// What is done of a frame at one grid line.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum HoldStep {
    /// The lower half of the noise's bins.
    LowNoise,
    HighNoise,
    ShapeNoise,
    AddPartials,
    Transform,
    Add,
}

const OVERLAP: usize = 4;

/// Random phases are taken from this many directions, so many bits each.
const BITS: u32 = 10;

/// Bins of a partial's lobe, and places between two bins at which it is tabled.
const TAPS: usize = 10;
const PLACES: usize = 256;

/// What is smaller than this in a frame or a spectrum is exactly 0.
const TINY: f32 = 1e-12;

/// A steady partial.
#[derive(Clone, Copy, Default, Debug)]
pub(crate) struct HeldPartial {
    /// Cycles a sample.
    pub frequency: f64,
    pub amplitude: f32,
    /// Its direction at the beginning.
    pub direction: Complex32,
}

/// How a frame is to be.
#[derive(Clone, Copy)]
pub(crate) struct HoldFrame {
    /// Samples that have gone by at its middle since all partials had their own directions, as turned by the speed.
    pub turned: f64,
    /// How much faster than they should the partials turn.
    pub speed: f64,
    /// Gains.
    pub partials: f32,
    pub noise: f32,
}

/// See the module.
pub(crate) struct Hold {
    pub partials: Box<[HeldPartial]>,
    pub count: usize,
    /// The amplitude of each bin of noise.
    pub noise: Box<[f32]>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    scratch: Box<[Complex32]>,
    /// Noise before its window, with a bin of nothing at both ends.
    loose: Box<[Complex32]>,
    spectrum: Box<[Complex32]>,
    frame: Box<[f32]>,
    sum: Box<[f32]>,
    directions: Box<[Complex32]>,
    lobe: Box<[[f32; TAPS]]>,
    built: Box<[f32]>,
}

impl Hold {
    /// Frames of `size` samples, a power of two from 128 on.
    pub fn new(size: usize) -> Self {
        let inverse = RealFftPlanner::new().plan_fft_inverse(size);
        let direction = |i| {
            let (im, re) = (TAU * f64::from(i) / f64::from(1 << BITS)).sin_cos();
            Complex32::new(re as f32, im as f32)
        };
        let [a, b, c, d] = BLACKMAN_HARRIS;
        let sinc = |x: f64| if x == 0.0 { 1.0 } else { (TAU / 2.0 * x).sin() / (TAU / 2.0 * x) };
        let around = |x: f64, n: f64| (sinc(x - n) + sinc(x + n)) / 2.0;
        let lobe = |x: f64| (a * sinc(x) + b * around(x, 1.0) + c * around(x, 2.0) + d * around(x, 3.0)) / (8.0 * a);
        // A frame's middle is where its partials have their phases: half a turn from bin to bin.
        let tap = |place: usize, tap: usize| {
            let sign = if tap.is_multiple_of(2) { 1.0 } else { -1.0 };
            (sign * lobe(tap as f64 - 4.0 - place as f64 / PLACES as f64)) as f32
        };
        let window = |i: usize| {
            let t = TAU * i as f64 / size as f64;
            (a - b * t.cos() + c * (2.0 * t).cos() - d * (3.0 * t).cos()) / (4.0 * a)
        };
        let hop = size / OVERLAP;
        let built = |i: usize| (0..=i / hop).map(|frame| window(i - frame * hop)).sum::<f64>() as f32;
        Self {
            partials: prefaulted(HeldPartial::default(), PARTIALS),
            count: 0,
            noise: prefaulted(0.0, size / 2 + 1),
            scratch: prefaulted(Complex32::ZERO, inverse.get_scratch_len()),
            loose: prefaulted(Complex32::ZERO, size / 2 + 3),
            spectrum: prefaulted(Complex32::ZERO, size / 2 + 1),
            frame: prefaulted(0.0, size),
            sum: prefaulted(0.0, 2 * size),
            directions: (0..1 << BITS).map(direction).collect(),
            lobe: (0..=PLACES).map(|place| std::array::from_fn(|i| tap(place, i))).collect(),
            built: (0..size - hop).map(built).collect(),
            inverse,
        }
    }

    /// Bytes that one takes beside itself.
    pub fn bytes(size: usize) -> usize {
        let spectrum = size / 2 + 1;
        many::<HeldPartial>(PARTIALS)
            + many::<f32>(spectrum + size + 2 * size + (size - size / OVERLAP))
            + many::<Complex32>(2 * spectrum + 2 + (1 << BITS))
            + many::<[f32; TAPS]>(PLACES + 1)
            + plan_bytes(size)
    }

    /// Samples per frame.
    pub fn size(&self) -> usize {
        self.frame.len()
    }

    /// Samples from one frame to the next.
    pub fn hop(&self) -> usize {
        self.size() / OVERLAP
    }

    /// How much of the partials is there `since` samples after the first frame's start: from 0 to 1.
    pub fn built(&self, since: u64) -> f32 {
        usize::try_from(since).ok().and_then(|i| self.built.get(i)).copied().unwrap_or(1.0)
    }

    /// The sound `since` samples after the first frame's start.
    pub fn sound(&self, since: u64) -> f32 {
        let place = since as usize & (self.sum.len() - 1);
        self.sum.get(place).copied().unwrap_or(0.0)
    }

    /// One of the [`STEPS`] of frame `number`; `seed` and `sample` are what its random numbers come from.
    pub fn step(&mut self, step: HoldStep, number: u64, frame: HoldFrame, seed: u64, sample: u64) {
        let half = self.noise.len() / 2;
        match step {
            HoldStep::LowNoise => self.make_noise(0, half, frame.noise, random::frame(seed, sample)),
            HoldStep::HighNoise => self.make_noise(half, self.noise.len(), frame.noise, random::frame(seed, sample)),
            HoldStep::ShapeNoise => self.shape_noise(),
            HoldStep::AddPartials => self.add_partials(frame),
            HoldStep::Transform => self.transform(),
            HoldStep::Add => self.add(number * self.hop() as u64),
        }
    }

    fn make_noise(&mut self, from: usize, to: usize, gain: f32, random: u64) {
        let (Some(loose), Some(noise)) = (self.loose.get_mut(from + 1..to + 1), self.noise.get(from..to)) else {
            return;
        };
        const EACH: usize = (64 / BITS) as usize;
        for ((bins, amplitudes), i) in loose.chunks_mut(EACH).zip(noise.chunks(EACH)).zip(from as u64..) {
            let mut bits = random::grain(random, i);
            for (bin, amplitude) in bins.iter_mut().zip(amplitudes) {
                let direction = self.directions.get(bits as usize & ((1 << BITS) - 1));
                *bin = direction.copied().unwrap_or_default() * (amplitude * gain);
                bits >>= BITS;
            }
        }
    }

    /// The Hann window, as the three bins that it is.
    fn shape_noise(&mut self) {
        for (bin, around) in self.spectrum.iter_mut().zip(self.loose.windows(3)) {
            let &[before, here, after] = around else { break };
            *bin = here * 0.5 - (before + after) * 0.25;
        }
    }

    fn add_partials(&mut self, frame: HoldFrame) {
        let size = self.size() as f64;
        let last = self.spectrum.len() - 1;
        for partial in self.partials.iter().take(self.count) {
            let cycles = (partial.frequency * frame.turned).fract();
            let (im, re) = (TAU as f32 * cycles as f32).sin_cos();
            let place = partial.frequency * frame.speed * size;
            let bin = place as usize;
            let between = (place - bin as f64) as f32 * PLACES as f32;
            let row = between as usize;
            let (Some(a), Some(b)) = (self.lobe.get(row), self.lobe.get(row + 1)) else { continue };
            let t = between - row as f32;
            let sign = if bin.is_multiple_of(2) { 1.0 } else { -1.0 };
            let z = partial.direction * Complex32::new(re, im) * (partial.amplitude * frame.partials * sign);
            if bin >= 4 && bin + 5 < last {
                if let Some(bins) = self.spectrum.get_mut(bin - 4..bin - 4 + TAPS) {
                    for ((bin, a), b) in bins.iter_mut().zip(a).zip(b) {
                        *bin += z * (a + (b - a) * t);
                    }
                }
                continue;
            }
            // Near 0 Hz the lobe comes back from below, mirrored.
            for ((at, a), b) in (bin as i64 - 4..).zip(a).zip(b) {
                let z = z * (a + (b - a) * t);
                if let Some(bin) = self.spectrum.get_mut(at.unsigned_abs() as usize) {
                    *bin += if at < 0 { z.conj() } else { z };
                    if at == 0 {
                        *bin += z.conj();
                    }
                }
            }
        }
    }

    fn transform(&mut self) {
        if let Some(first) = self.spectrum.first_mut() {
            first.im = 0.0;
        }
        if let Some(last) = self.spectrum.last_mut() {
            last.im = 0.0;
        }
        for z in &mut self.spectrum {
            let flush = |x: f32| if x.abs() < TINY { 0.0 } else { x };
            *z = Complex32::new(flush(z.re), flush(z.im));
        }
        transform::inverse(&*self.inverse, &mut self.spectrum, &mut self.frame, &mut self.scratch);
    }

    fn add(&mut self, since: u64) {
        let size = self.size();
        let fresh = if since == 0 { 0 } else { size - self.hop() };
        let flush = |y: f32| if y.abs() < TINY { 0.0 } else { y };
        let mask = self.sum.len() - 1;
        let hop = self.hop();
        for (place, piece) in (0..).step_by(hop).zip(self.frame.chunks(hop)) {
            // Frames start at hops, so that no hop's piece goes over the ring's end.
            let start = (since as usize).wrapping_add(place) & mask;
            let Some(sum) = self.sum.get_mut(start..start + hop) else { continue };
            if place < fresh {
                sum.iter_mut().zip(piece).for_each(|(sum, &y)| *sum += flush(y));
            } else {
                sum.iter_mut().zip(piece).for_each(|(sum, &y)| *sum = flush(y));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(hold: &mut Hold, frames: u64) -> Vec<f32> {
        let hop = hold.hop() as u64;
        let mut out = Vec::new();
        for number in 0..frames {
            let turned = (number * hop) as f64 + hold.size() as f64 / 2.0;
            for step in STEPS {
                hold.step(step, number, HoldFrame { turned, speed: 1.0, partials: 1.0, noise: 1.0 }, 3, number * hop);
            }
            out.extend((0..hop).map(|i| hold.sound(number * hop + i)));
        }
        out
    }

    #[test]
    fn a_partial_is_a_cosine_from_its_direction_on() {
        // At 0.001 the lobe reaches below 0 Hz.
        for frequency in [0.001, 0.01234, 0.0531, 0.4] {
            let mut hold = Hold::new(2048);
            hold.partials[0] = HeldPartial { frequency, amplitude: 0.5, direction: Complex32::new(0.6, 0.8) };
            hold.count = 1;
            let out = run(&mut hold, 300);
            let phase = 0.8f64.atan2(0.6);
            let expected = |i: usize| 0.5 * (TAU * frequency * i as f64 + phase).cos();
            let worst = (1536..out.len()).map(|i| (f64::from(out[i]) - expected(i)).abs()).fold(0.0, f64::max);
            // −80 dB of it: what the window's side lobes hold.
            assert!(worst < 0.5e-4, "{frequency}: {worst}");
            let start = (0..1536).map(|i| (f64::from(out[i]) - expected(i) * f64::from(hold.built(i as u64))).abs());
            assert!(start.fold(0.0, f64::max) < 1e-4, "{frequency}: it comes in as told");
        }
    }

    #[test]
    fn noise_has_the_power_that_it_should_and_never_comes_again() {
        let mut hold = Hold::new(2048);
        // White noise of variance 1: 2/3 of a frame's length to its power, see `Separation::finish`.
        hold.noise.fill((2.0f32 / (3.0 * 2048.0)).sqrt());
        let out = &run(&mut hold, 400)[2048..];
        let power = |x: &[f32]| x.iter().map(|&x| f64::from(x).powi(2)).sum::<f64>() / x.len() as f64;
        assert!((power(out) - 1.0).abs() < 0.02, "{}", power(out));
        for lag in [512, 1024, 2048, 100 * 512] {
            let product = out.iter().zip(&out[lag..]).map(|(&a, &b)| f64::from(a * b)).sum::<f64>();
            let likeness = product / (out.len() - lag) as f64;
            assert!(likeness.abs() < 0.02, "{lag}: {likeness}");
        }
    }

    #[test]
    fn nothing_is_exact_silence() {
        assert!(run(&mut Hold::new(512), 20).iter().all(|&y| y == 0.0));
    }
}

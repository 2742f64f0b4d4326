//! A phase-locked vocoder in small steps: stretch is made of it.
//!
//! Each frame is analysed twice, one hop apart: the later of the two is what is heard, the advance of phase from the
//! earlier one tells how fast each of its peaks turns. So a peak keeps its frequency exactly wherever the next frame is
//! read, even if it is read at the same place for ever. All bins that belong to a peak turn with it, which keeps the
//! shape of the sound (Puckette, "Phase-locked vocoder", IEEE WASPAA 1995; Laroche and Dolson, "Improved phase vocoder
//! time-scale modification of audio", IEEE Trans. Speech Audio Process. 7, 1999). The first frame is not turned at all:
//! it is in phase with its source, so that a plain reading can be cross-faded into it.
//!
//! One call does one step. None allocates; which steps are due when is the caller's business.

use crate::windows::hann;
use realfft::num_complex::Complex32;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use std::sync::Arc;

/// Frames that overlap at any moment.
const OVERLAP: usize = 4;

/// What is smaller than this in a frame or a spectrum becomes exactly 0, see [`settle`](crate::guard::settle).
const TINY: f32 = 1e-9;

/// A peak is higher than so many bins to each side.
const EDGE: usize = 2;

/// See the module.
pub(crate) struct Vocoder {
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    scratch: Box<[Complex32]>,
    window: Box<[f32]>,
    /// One frame in time.
    frame: Box<[f32]>,
    /// The source one hop before the place that is read, and at it.
    before: Box<[Complex32]>,
    here: Box<[Complex32]>,
    /// What is heard: the last frame's until it is turned.
    turned: Box<[Complex32]>,
    /// The inverse transform's input, which it spoils.
    spoilt: Box<[Complex32]>,
    /// The power of each bin, between [`EDGE`] zeros at both ends.
    power: Box<[f32]>,
    regions: Box<[Region]>,
    count: usize,
    sum: Box<[f32]>,
    built: Box<[f32]>,
}

/// A peak and the bins that turn with it.
#[derive(Clone, Copy, Default)]
struct Region {
    start: usize,
    peak: usize,
    end: usize,
}

impl Vocoder {
    /// A vocoder with frames of `size` samples, a power of two from 128 on.
    pub fn new(size: usize) -> Self {
        let mut planner = RealFftPlanner::new();
        let (forward, inverse) = (planner.plan_fft_forward(size), planner.plan_fft_inverse(size));
        let scratch = forward.get_scratch_len().max(inverse.get_scratch_len());
        let (bins, hop) = (size / 2 + 1, size / OVERLAP);
        let window = hann(size);
        let built = (0..size - hop)
            .map(|i| (0..=i / hop).map(|frame| window[i - frame * hop].powi(2)).sum::<f32>() / 1.5)
            .collect();
        let none = Complex32::new(0.0, 0.0);
        Self {
            forward,
            inverse,
            scratch: vec![none; scratch].into(),
            window: window.into(),
            frame: vec![0.0; size].into(),
            before: vec![none; bins].into(),
            here: vec![none; bins].into(),
            turned: vec![none; bins].into(),
            spoilt: vec![none; bins].into(),
            power: vec![0.0; bins + 2 * EDGE].into(),
            regions: vec![Region::default(); bins].into(),
            count: 0,
            sum: vec![0.0; 2 * size].into(),
            built,
        }
    }

    /// Samples per frame.
    pub fn size(&self) -> usize {
        self.window.len()
    }

    /// Samples from one frame to the next.
    pub fn hop(&self) -> usize {
        self.size() / OVERLAP
    }

    /// How much of the sum of frames is there `since` samples after the first frame's start: from 0 to 1. What is read
    /// plainly keeps the rest.
    pub fn built(&self, since: u64) -> f32 {
        usize::try_from(since).ok().and_then(|i| self.built.get(i)).copied().unwrap_or(1.0)
    }

    /// The sound `since` samples after the first frame's start.
    pub fn sound(&self, since: u64) -> f32 {
        let place = since as usize & (self.sum.len() - 1);
        self.sum.get(place).copied().unwrap_or(0.0)
    }

    /// Step: takes in a frame of the source, given by `read`, as the one that is heard or as the one a hop before it.
    pub fn load(&mut self, read: impl FnOnce(&mut [f32])) {
        read(&mut self.frame);
        for (x, w) in self.frame.iter_mut().zip(&self.window) {
            let y = *x * w;
            *x = if y.abs() < TINY * 1e-3 { 0.0 } else { y };
        }
    }

    /// Step: transforms the frame taken in as the one before.
    pub fn transform_before(&mut self) {
        transform(&*self.forward, &mut self.frame, &mut self.before, &mut self.scratch);
    }

    /// Step: transforms the frame taken in as the one that is heard.
    pub fn transform_here(&mut self) {
        transform(&*self.forward, &mut self.frame, &mut self.here, &mut self.scratch);
    }

    /// Step: finds the peaks, local maxima over two bins to each side, and shares all bins out between them, cut where
    /// the power is least.
    pub fn find_peaks(&mut self) {
        for (p, z) in self.power.iter_mut().skip(EDGE).zip(&self.here) {
            *p = z.norm_sqr();
        }
        self.count = 0;
        // Every bin is written down and only peaks are kept: a branch here would be guessed wrong all the time.
        for (k, around) in self.power.windows(2 * EDGE + 1).enumerate() {
            let &[a, b, p, c, d] = around else { break };
            if let Some(region) = self.regions.get_mut(self.count) {
                region.peak = k;
            }
            self.count += usize::from((p > a) & (p > b) & (p >= c) & (p >= d));
        }
        let mut start = 0;
        let mut peaks = self.regions.iter_mut().take(self.count).peekable();
        while let Some(region) = peaks.next() {
            region.start = start;
            region.end = self.here.len();
            if let Some(next) = peaks.peek() {
                let between = self.power.get(region.peak + EDGE..next.peak + EDGE).unwrap_or_default();
                let mut least = (f32::MAX, 0);
                for (i, &p) in between.iter().enumerate() {
                    least = if p < least.0 { (p, i) } else { least };
                }
                region.end = region.peak + least.1.max(1);
            }
            start = region.end;
        }
    }

    /// Step: turns the peaks. The `first` frame is not turned.
    pub fn turn(&mut self, first: bool) {
        if self.count == 0 {
            self.turned.fill(Complex32::new(0.0, 0.0));
        }
        for &Region { start, peak, end } in self.regions.iter().take(self.count) {
            let turn = if first {
                Complex32::new(1.0, 0.0)
            } else {
                unit(self.turned.get(peak)) * unit(self.before.get(peak)).conj()
            };
            let bins = start..end;
            for (y, &x) in iter_mut(&mut self.turned, bins.clone()).zip(iter(&self.here, bins)) {
                *y = flush(x * turn);
            }
        }
    }

    /// Step: makes a frame of sound of the turned spectrum.
    pub fn transform_back(&mut self) {
        self.spoilt.copy_from_slice(&self.turned);
        // The two bins that have no phase.
        if let Some(z) = self.spoilt.first_mut() {
            z.im = 0.0;
        }
        if let Some(z) = self.spoilt.last_mut() {
            z.im = 0.0;
        }
        let scratch = self.scratch.get_mut(..self.inverse.get_scratch_len()).unwrap_or_default();
        // All lengths were fixed when it was made.
        let _ = self.inverse.process_with_scratch(&mut self.spoilt, &mut self.frame, scratch);
    }

    /// Step: adds the frame, which starts `since` samples after the first frame's start, to the sound.
    pub fn add(&mut self, since: u64) {
        let gain = 1.0 / (1.5 * self.size() as f32);
        let mask = self.sum.len() - 1;
        let fresh = if since == 0 { 0 } else { self.size() - self.hop() };
        for (i, (x, w)) in self.frame.iter().zip(&self.window).enumerate() {
            let y = x * w * gain;
            let y = if y.abs() < TINY * 1e-3 { 0.0 } else { y };
            if let Some(sum) = self.sum.get_mut((since as usize).wrapping_add(i) & mask) {
                *sum = if i < fresh { *sum + y } else { y };
            }
        }
    }
}

fn transform(plan: &dyn RealToComplex<f32>, frame: &mut [f32], out: &mut [Complex32], scratch: &mut [Complex32]) {
    let scratch = scratch.get_mut(..plan.get_scratch_len()).unwrap_or_default();
    // All lengths were fixed when it was made.
    let _ = plan.process_with_scratch(frame, out, scratch);
    for z in out {
        *z = flush(*z);
    }
}

fn flush(z: Complex32) -> Complex32 {
    let part = |x: f32| if x.abs() < TINY { 0.0 } else { x };
    Complex32::new(part(z.re), part(z.im))
}

/// The direction of a number; 1 if it is as good as 0.
fn unit(z: Option<&Complex32>) -> Complex32 {
    match z {
        Some(z) if z.norm_sqr() > 1e-17 => z / z.norm(),
        _ => Complex32::new(1.0, 0.0),
    }
}

fn iter<T>(values: &[T], range: std::ops::Range<usize>) -> std::slice::Iter<'_, T> {
    values.get(range).unwrap_or_default().iter()
}

fn iter_mut<T>(values: &mut [T], range: std::ops::Range<usize>) -> std::slice::IterMut<'_, T> {
    values.get_mut(range).unwrap_or_default().iter_mut()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::random;
    use std::f64::consts::TAU;

    /// Runs frames read at `place(frame)` and gives the sound.
    fn run(source: &[f32], size: usize, frames: u64, place: impl Fn(u64) -> usize) -> Vec<f32> {
        let mut vocoder = Vocoder::new(size);
        let hop = vocoder.hop();
        let mut out = Vec::new();
        for frame in 0..frames {
            let start = place(frame);
            vocoder.load(|x| x.copy_from_slice(&source[start - hop..start - hop + size]));
            vocoder.transform_before();
            vocoder.load(|x| x.copy_from_slice(&source[start..start + size]));
            vocoder.transform_here();
            vocoder.find_peaks();
            vocoder.turn(frame == 0);
            vocoder.transform_back();
            vocoder.add(frame * hop as u64);
            out.extend((0..hop as u64).map(|i| vocoder.sound(frame * hop as u64 + i)));
        }
        out
    }

    fn noise(count: u64) -> Vec<f32> {
        (0..count).map(|i| random::even(5, i, 0) as f32 - 0.5).collect()
    }

    #[test]
    fn at_full_speed_the_sound_is_its_source() {
        let source = noise(30_000);
        let out = run(&source, 2048, 40, |frame| 1000 + frame as usize * 512);
        for i in 1536..out.len() {
            // Single precision over some forty frames of turning.
            assert!((out[i] - source[1000 + i]).abs() < 2e-4, "{i}: {} {}", out[i], source[1000 + i]);
        }
    }

    #[test]
    fn what_is_built_and_what_is_kept_make_one() {
        let source = noise(30_000);
        let vocoder = Vocoder::new(2048);
        let out = run(&source, 2048, 8, |frame| 1000 + frame as usize * 512);
        for i in 0..1536 {
            let plain = source[1000 + i] * (1.0 - vocoder.built(i as u64));
            assert!((out[i] + plain - source[1000 + i]).abs() < 2e-5, "{i}");
        }
        assert_eq!(vocoder.built(0), 0.0);
        assert_eq!(vocoder.built(u64::MAX), 1.0);
    }

    #[test]
    fn a_held_sine_keeps_its_frequency_and_level() {
        // 1234.5 Hz at 44.1 kHz, held at one place for two seconds.
        let step = TAU * 1234.5 / 44_100.0;
        let source: Vec<f32> = (0..8000).map(|i| (step * f64::from(i)).sin() as f32).collect();
        let out = run(&source, 4096, 86, |_| 2000);
        let out = &out[3072..];
        let expected = |i: usize| (step * (2000 + 3072 + i) as f64).sin();
        let worst = out.iter().enumerate().map(|(i, &y)| (f64::from(y) - expected(i)).abs()).fold(0.0, f64::max);
        // 0.01 in amplitude is 0.09 dB; a drift of 0.01 rad over two seconds is 0.001 cents.
        assert!(worst < 0.01, "{worst}");
    }

    #[test]
    fn silence_stays_exact() {
        assert!(run(&vec![0.0; 20_000], 1024, 20, |frame| 1000 + 100 * frame as usize).iter().all(|&y| y == 0.0));
    }
}

//! What the measures share: windows, frames, power spectra, decibels.

use std::cell::RefCell;
use std::f64::consts::TAU;
use std::sync::Arc;

use realfft::num_complex::Complex64;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use crate::RATE;

/// Below this a power counts as nothing.
pub const TINY: f64 = 1e-30;

thread_local! {
    static PLANNER: RefCell<RealFftPlanner<f64>> = RefCell::new(RealFftPlanner::new());
}

/// The transform of `size` real values.
pub fn forward(size: usize) -> Arc<dyn RealToComplex<f64>> {
    PLANNER.with_borrow_mut(|planner| planner.plan_fft_forward(size))
}

/// The inverse of [`forward`], without its factor 1/`size`.
pub fn inverse(size: usize) -> Arc<dyn ComplexToReal<f64>> {
    PLANNER.with_borrow_mut(|planner| planner.plan_fft_inverse(size))
}

/// The spectrum of `x`, zero-padded or cut to `size`.
pub fn spectrum(x: &[f64], size: usize) -> Vec<Complex64> {
    let plan = forward(size);
    let mut frame = vec![0.0; size];
    let length = x.len().min(size);
    frame[..length].copy_from_slice(&x[..length]);
    let mut out = plan.make_output_vec();
    plan.process(&mut frame, &mut out).expect("the lengths are the plan's");
    out
}

/// The `size` real values of a spectrum, with the factor 1/`size`.
pub fn waveform(mut spectrum: Vec<Complex64>, size: usize) -> Vec<f64> {
    if let Some(z) = spectrum.first_mut() {
        z.im = 0.0;
    }
    if size.is_multiple_of(2)
        && let Some(z) = spectrum.last_mut()
    {
        z.im = 0.0;
    }
    let plan = inverse(size);
    let mut out = plan.make_output_vec();
    plan.process(&mut spectrum, &mut out).expect("the lengths are the plan's");
    out.iter_mut().for_each(|x| *x /= size as f64);
    out
}

/// A power in dB.
pub fn db(power: f64) -> f64 {
    10.0 * power.max(TINY).log10()
}

/// The mean; 0 of nothing.
pub fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

/// The standard deviation of the whole population.
pub fn deviation(values: &[f64]) -> f64 {
    let middle = mean(values);
    (values.iter().map(|x| (x - middle).powi(2)).sum::<f64>() / values.len().max(1) as f64).sqrt()
}

/// The median: of an even count the mean of the middle two; 0 of nothing.
pub fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    match sorted.len() {
        0 => 0.0,
        n if n.is_multiple_of(2) => (sorted[n / 2 - 1] + sorted[n / 2]) / 2.0,
        n => sorted[n / 2],
    }
}

/// The mean square.
pub fn power(x: &[f64]) -> f64 {
    x.iter().map(|x| x * x).sum::<f64>() / x.len().max(1) as f64
}

/// The highest value.
pub fn highest(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::MIN, f64::max)
}

/// Without `skip` of the length at either end.
pub fn middle_but(x: &[f64], skip: f64) -> &[f64] {
    let cut = (x.len() as f64 * skip) as usize;
    &x[cut..x.len() - cut]
}

/// Without 15 % of the length at either end.
pub fn middle(x: &[f64]) -> &[f64] {
    middle_but(x, 0.15)
}

/// So many seconds in samples, rounded down.
pub fn samples(seconds: f64) -> usize {
    // A hair more, so that 0.29 s of 100 Hz is 29 samples.
    (seconds * RATE + 1e-9) as usize
}

/// A periodic cosine-sum window.
fn cosines(size: usize, terms: &[f64]) -> Vec<f64> {
    let at =
        |i: usize| terms.iter().enumerate().map(|(k, a)| a * (TAU * (k * i) as f64 / size as f64).cos()).sum::<f64>();
    (0..size).map(at).collect()
}

/// The periodic Hann window.
pub fn hann(size: usize) -> Vec<f64> {
    cosines(size, &[0.5, -0.5])
}

/// The periodic 4-term Blackman-Harris window, −92 dB (Harris, "On the use of windows for harmonic analysis with the
/// discrete Fourier transform", Proc. IEEE 66, 1978).
pub fn blackman_harris(size: usize) -> Vec<f64> {
    cosines(size, &[0.35875, -0.48829, 0.14128, -0.01168])
}

/// The starts of the frames of `size` every `hop` that lie wholly within `length`; one if it is shorter than a frame.
pub fn starts(length: usize, size: usize, hop: usize) -> impl Iterator<Item = usize> {
    (0..length.saturating_sub(size) + 1).step_by(hop)
}

/// Calls `each` with the power spectrum of each windowed frame; a sound shorter than a frame is padded with silence.
pub fn each_spectrum(x: &[f64], window: &[f64], hop: usize, mut each: impl FnMut(&[f64])) {
    let size = window.len();
    let plan = forward(size);
    let (mut frame, mut out, mut scratch) = (plan.make_input_vec(), plan.make_output_vec(), plan.make_scratch_vec());
    let mut power = vec![0.0; out.len()];
    for start in starts(x.len(), size, hop) {
        frame.fill(0.0);
        for ((y, x), w) in frame.iter_mut().zip(&x[start..]).zip(window) {
            *y = x * w;
        }
        plan.process_with_scratch(&mut frame, &mut out, &mut scratch).expect("the lengths are the plan's");
        power.iter_mut().zip(&out).for_each(|(p, z)| *p = z.norm_sqr());
        each(&power);
    }
}

/// Power spectra, one a row.
pub struct Spectra {
    /// Bins of a row.
    pub bins: usize,
    /// Row after row.
    pub powers: Vec<f64>,
}

impl Spectra {
    /// Of Hann-windowed frames.
    pub fn of(x: &[f64], size: usize, hop: usize) -> Self {
        let mut powers = Vec::new();
        each_spectrum(x, &hann(size), hop, |row| powers.extend_from_slice(row));
        Self { bins: size / 2 + 1, powers }
    }

    /// The rows in order.
    pub fn rows(&self) -> impl Iterator<Item = &[f64]> {
        self.powers.chunks_exact(self.bins)
    }
}

/// The mean power spectrum of Blackman-Harris frames, a quarter apart, in which a sine of amplitude 1 peaks at 1.
pub fn mean_spectrum(x: &[f64], size: usize) -> Vec<f64> {
    let window = blackman_harris(size);
    let mut sum = vec![0.0; size / 2 + 1];
    let mut frames = 0.0;
    each_spectrum(x, &window, size / 4, |row| {
        sum.iter_mut().zip(row).for_each(|(sum, p)| *sum += p);
        frames += 1.0;
    });
    let scale = 4.0 / window.iter().sum::<f64>().powi(2) / frames;
    sum.iter_mut().for_each(|p| *p *= scale);
    sum
}

/// The one-sided power spectral density (power per Hz) of Hann frames half overlapping, and the Hz between two bins
/// (Welch, "The use of fast Fourier transform for the estimation of power spectra", IEEE Trans. AU 15, 1967).
/// `rate`: values a second; `level`: whether each frame's mean is taken away first. A shorter sound is one frame.
pub fn welch(x: &[f64], rate: f64, size: usize, level: bool) -> (Vec<f64>, f64) {
    let size = size.min(x.len());
    let window = hann(size);
    let plan = forward(size);
    let (mut frame, mut out) = (plan.make_input_vec(), plan.make_output_vec());
    let mut sum = vec![0.0; out.len()];
    let mut frames = 0.0;
    for start in starts(x.len(), size, size - size / 2) {
        let piece = &x[start..start + size];
        let offset = if level { mean(piece) } else { 0.0 };
        frame.iter_mut().zip(piece).zip(&window).for_each(|((y, x), w)| *y = (x - offset) * w);
        plan.process(&mut frame, &mut out).expect("the lengths are the plan's");
        sum.iter_mut().zip(&out).for_each(|(sum, z)| *sum += z.norm_sqr());
        frames += 1.0;
    }
    let scale = 1.0 / (rate * window.iter().map(|w| w * w).sum::<f64>() * frames);
    let last = sum.len() - 1;
    for (k, p) in sum.iter_mut().enumerate() {
        let both = if k == 0 || (k == last && size.is_multiple_of(2)) { 1.0 } else { 2.0 };
        *p *= scale * both;
    }
    (sum, rate / size as f64)
}

/// The level (dB) in Hann-weighted windows of `seconds`, half overlapping: the weighting keeps a steady tone steady.
pub fn level_track(x: &[f64], seconds: f64) -> Vec<f64> {
    let size = samples(seconds);
    let window = hann(size);
    let total: f64 = window.iter().sum();
    let level = |start: usize| x[start..].iter().zip(&window).map(|(x, w)| x * x * w).sum::<f64>() / total;
    starts(x.len(), size, size / 2).map(|start| db(level(start))).collect()
}

/// The sum of a spectrum in a band that falls off in a triangle of log frequency, to nothing `octaves` away from its
/// centre: no partial sits on a hard edge. `step`: Hz between two bins.
pub fn triangle(spectrum: &[f64], step: f64, centre: f64, octaves: f64) -> f64 {
    let weight = |k: usize| 1.0 - ((k as f64 * step).max(1.0) / centre).log2().abs() / octaves;
    let (low, high) = (centre * (-octaves).exp2() / step, centre * octaves.exp2() / step);
    let bins = low.floor() as usize..(high.ceil() as usize + 1).min(spectrum.len());
    bins.map(|k| weight(k).max(0.0) * spectrum[k]).sum()
}

/// The long-term level (dB) in overlapping third-octave triangles at base-2 centres from 100 Hz to `high` Hz.
pub fn third_octaves(x: &[f64], high: f64) -> Vec<f64> {
    let (density, step) = welch(x, RATE, 8192, false);
    let third = |hz: f64| 3.0 * (hz / 1000.0).log2();
    let bands = third(100.0).ceil() as i32..=third(high).floor() as i32;
    bands.map(|n| db(triangle(&density, step, 1000.0 * (f64::from(n) / 3.0).exp2(), 1.0 / 3.0))).collect()
}

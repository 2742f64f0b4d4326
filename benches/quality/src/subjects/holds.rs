//! Textbook ways to hold a sound: they get what was heard up to the gesture and return so many seconds.

use std::f64::consts::{PI, TAU};

use realfft::num_complex::Complex64;

use crate::RATE;
use crate::metrics::spectra::{hann, power, samples, spectrum, starts, waveform};
use crate::signals::Random;

/// What may be held ends so long before the stop, so as not to hold the stop, in seconds.
pub const GUARD: f64 = 0.06;

/// A way to hold: what was heard, and how many samples to sound.
pub type Hold = fn(&[f64], usize) -> Vec<f64>;

/// All of them.
pub const HOLDS: [(&str, Hold); 4] =
    [("loop", looped), ("grains", grains), ("random phase", random_phase), ("phase advance", phase_advance)];

/// The last `seconds` but [`GUARD`].
fn span(heard: &[f64], seconds: f64) -> &[f64] {
    let end = heard.len() - samples(GUARD);
    &heard[end - samples(seconds)..end]
}

/// 200 ms over and over, joined by fades of 20 ms of equal power.
fn looped(heard: &[f64], length: usize) -> Vec<f64> {
    let cross = samples(0.02);
    let mut piece = span(heard, 0.2).to_vec();
    let last = piece.len() - 1;
    for i in 0..cross {
        let gain = (PI / 2.0 * (i as f64 + 0.5) / cross as f64).sin();
        piece[i] *= gain;
        piece[last - i] *= gain;
    }
    let mut out = vec![0.0; length + piece.len()];
    for start in (0..length).step_by(piece.len() - cross) {
        out[start..].iter_mut().zip(&piece).for_each(|(out, x)| *out += x);
    }
    out.truncate(length);
    out
}

/// Hann grains of 60 ms from random places of the last 250 ms, four at any time.
fn grains(heard: &[f64], length: usize) -> Vec<f64> {
    let size = samples(0.06);
    let (source, window) = (span(heard, 0.25), hann(size));
    let mut random = Random::new("grains", 7);
    let mut out = vec![0.0; length + 2 * size];
    for start in (0..length + size).step_by(size / 4) {
        let from = random.between(0.0, (source.len() - size) as f64) as usize;
        for ((out, x), w) in out[start..].iter_mut().zip(&source[from..from + size]).zip(&window) {
            // Four strangers add up by their power.
            *out += x * w / 1.5f64.sqrt();
        }
    }
    out[size..size + length].to_vec()
}

/// The size of the two spectral holds, and their hop.
const SIZE: usize = 4096;
const HOP: usize = SIZE / 4;

fn windowed(source: &[f64]) -> Vec<Complex64> {
    let frame: Vec<f64> = source.iter().zip(hann(SIZE)).map(|(x, w)| x * w).collect();
    spectrum(&frame, SIZE)
}

/// The root mean square magnitude of each bin over a span.
fn magnitudes(source: &[f64]) -> Vec<f64> {
    let mut sum = vec![0.0; SIZE / 2 + 1];
    let mut frames = 0.0;
    for start in starts(source.len(), SIZE, SIZE / 8) {
        sum.iter_mut().zip(windowed(&source[start..])).for_each(|(sum, z)| *sum += z.norm_sqr());
        frames += 1.0;
    }
    sum.into_iter().map(|sum| (sum / frames).sqrt()).collect()
}

/// Frames of these phases overlapped, at the source's level.
fn overlapped(source: &[f64], length: usize, mut phase: impl FnMut(usize, usize) -> f64) -> Vec<f64> {
    let (magnitudes, window) = (magnitudes(source), hann(SIZE));
    let mut out = vec![0.0; length + 3 * SIZE];
    for (frame, start) in (0..length + 2 * SIZE).step_by(HOP).enumerate() {
        let bins = magnitudes.iter().enumerate().map(|(k, &m)| Complex64::from_polar(m, phase(frame, k))).collect();
        for ((out, x), w) in out[start..].iter_mut().zip(waveform(bins, SIZE)).zip(&window) {
            *out += x * w;
        }
    }
    let mut out = out[SIZE..SIZE + length].to_vec();
    let gain = (power(source) / power(&out).max(1e-30)).sqrt();
    out.iter_mut().for_each(|x| *x *= gain);
    out
}

/// The mean magnitudes of the last 250 ms with new random phases in every frame.
fn random_phase(heard: &[f64], length: usize) -> Vec<f64> {
    let mut random = Random::new("random phase", 7);
    overlapped(span(heard, 0.25), length, |_, _| random.between(0.0, TAU))
}

/// The same with each bin's phase going on at the frequency it had: a phase vocoder that stands still (Dolson, "The phase
/// vocoder: a tutorial", Computer Music Journal 10, 1986).
fn phase_advance(heard: &[f64], length: usize) -> Vec<f64> {
    let source = span(heard, 0.25);
    let last = source.len() - SIZE;
    let (before, here) = (windowed(&source[last - HOP..]), windowed(&source[last..]));
    let start: Vec<(f64, f64)> =
        before.iter().zip(&here).map(|(before, here)| (here.arg(), (here * before.conj()).arg())).collect();
    overlapped(source, length, |frame, k| start[k].0 + frame as f64 * start[k].1)
}

/// The seconds that a hold is judged by: from 0.4 s after the gesture.
pub const JUDGED: (f64, f64) = (0.4, 10.4);

/// That part of a hold from the gesture on.
pub fn judged(hold: &[f64]) -> &[f64] {
    &hold[(JUDGED.0 * RATE) as usize..(JUDGED.1 * RATE) as usize]
}

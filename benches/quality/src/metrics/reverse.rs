//! Measures of sound played backwards.

use crate::RATE;

use super::spectra::{highest, level_track, median, samples, spectrum, waveform};

/// The highest normalised correlation with `heard` turned round, within 50 ms of it; 1 is perfect.
pub fn correlation(x: &[f64], heard: &[f64]) -> f64 {
    let target: Vec<f64> = heard.iter().rev().copied().collect();
    let slack = samples(0.05);
    let size = (x.len() + target.len()).next_power_of_two();
    let product = spectrum(x, size).iter().zip(spectrum(&target, size)).map(|(x, t)| x * t.conj()).collect();
    let full = waveform(product, size);
    let best = full[..=slack].iter().chain(&full[size - slack..]).fold(0.0f64, |most, r| most.max(r.abs()));
    let length = x.len().min(target.len());
    let energy = |x: &[f64]| x[..length].iter().map(|x| x * x).sum::<f64>();
    best / (energy(x) * energy(&target) + super::spectra::TINY).sqrt()
}

/// How far the level in 10 ms falls within 60 ms of a seam below the median of four times as much around, dB: the
/// deepest of all seams, in seconds.
pub fn seam_dip(x: &[f64], seams: &[f64]) -> f64 {
    let around = 0.06;
    let part = |from: f64, to: f64| &x[((from * RATE) as usize).min(x.len())..((to * RATE) as usize).min(x.len())];
    let dip = |&seam: &f64| {
        let level = level_track(part(seam - 4.0 * around, seam + 4.0 * around), 0.01);
        let inner = level_track(part(seam - around, seam + around), 0.01);
        median(&level) + highest(&inner.iter().map(|x| -x).collect::<Vec<_>>())
    };
    highest(&seams.iter().map(dip).collect::<Vec<_>>())
}

/// The highest normalised correlation of `x` with any part of `long` that has its length. Parts more than 20 dB quieter
/// count as if they were just that.
pub fn likeness(x: &[f64], long: &[f64]) -> f64 {
    if long.len() < x.len() || x.is_empty() {
        return 0.0;
    }
    let size = (x.len() + long.len()).next_power_of_two();
    let product = spectrum(long, size).iter().zip(spectrum(x, size)).map(|(l, x)| l * x.conj()).collect();
    let full = waveform(product, size);
    let own: f64 = x.iter().map(|x| x * x).sum();
    let mut part: f64 = long[..x.len()].iter().map(|x| x * x).sum();
    let mut best = 0.0f64;
    for (lag, r) in full[..=long.len() - x.len()].iter().enumerate() {
        best = best.max(r / (part.max(0.01 * own) * own + super::spectra::TINY).sqrt());
        let next = long.get(lag + x.len()).map_or(0.0, |x| x * x);
        part += next - long[lag] * long[lag];
    }
    best
}

//! Measures of sound played backwards.

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
    let part = |from: f64, to: f64| &x[samples(from.max(0.0)).min(x.len())..samples(to.max(0.0)).min(x.len())];
    let dip = |&seam: &f64| {
        let level = level_track(part(seam - 4.0 * around, seam + 4.0 * around), 0.01);
        let inner = level_track(part(seam - around, seam + around), 0.01);
        median(&level) + highest(&inner.iter().map(|x| -x).collect::<Vec<_>>())
    };
    highest(&seams.iter().map(dip).collect::<Vec<_>>())
}

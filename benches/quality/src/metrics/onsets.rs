//! Measures of attacks.

use super::spectra::{Spectra, TINY, db, hann, highest, mean, median, samples};
use crate::RATE;

/// How far from an onset its attack is looked for, in seconds.
const AROUND: f64 = 0.1;

/// The energy in the 50 ms before each onset over that in the 50 ms after, dB, of the mean over onsets, each between
/// −60 and 60. The exact answer's is not minus infinity where notes overlap. Onsets in seconds.
pub fn pre_echo(x: &[f64], onsets: &[f64]) -> f64 {
    let span = samples(0.05);
    let energy = |piece: &[f64]| piece.iter().map(|x| x * x).sum::<f64>();
    let ratio = |&onset: &f64| {
        let at = (onset * RATE).round().max(0.0) as usize;
        let (before, after) = (x.get(at.checked_sub(span)?..at)?, x.get(at..at + span)?);
        let (before, after) = (energy(before), energy(after));
        Some(if before + after > TINY { (before / after.max(TINY)).clamp(1e-6, 1e6) } else { 1.0 })
    };
    db(mean(&onsets.iter().filter_map(ratio).collect::<Vec<_>>()))
}

/// The times in seconds from `onset` at which the running maximum of the envelope (1 ms) within 0.1 s of it passes 10, 50
/// and 90 % of its peak, the level at the beginning taken away.
pub fn rise(x: &[f64], onset: f64) -> [f64; 3] {
    let (at, around) = ((onset * RATE).round().max(0.0) as usize, samples(AROUND));
    let start = at.saturating_sub(around).min(x.len());
    let squares: Vec<f64> = x[start..(at + around).min(x.len())].iter().map(|x| x * x).collect();
    let window = hann(samples(0.002));
    let (total, half) = (window.iter().sum::<f64>(), window.len() / 2);
    let smooth = |i: usize| {
        // Centred on i: the window is symmetric about its tap `half`, and its first is 0.
        let sum: f64 =
            (0..window.len()).filter_map(|k| Some(squares.get((i + half).checked_sub(k)?)? * window[k])).sum();
        (sum / total).max(0.0).sqrt()
    };
    let envelope: Vec<f64> = (0..squares.len()).map(smooth).collect();
    let floor = median(&envelope[..(around / 4).min(envelope.len())]);
    let mut top = 0.0f64;
    let running: Vec<f64> = envelope
        .iter()
        .map(|e| {
            top = top.max((e - floor).max(0.0));
            top
        })
        .collect();
    [0.1, 0.5, 0.9].map(|part| {
        let passed = running.iter().position(|&level| level >= part * top).unwrap_or(0);
        (passed as f64 - at.min(around) as f64) / RATE
    })
}

/// How late all attacks are, in seconds: the median; no more than 0.1 s can be seen.
pub fn shift(x: &[f64], exact: &[f64], onsets: &[f64]) -> f64 {
    median(&onsets.iter().map(|&onset| rise(x, onset)[1] - rise(exact, onset)[1]).collect::<Vec<_>>())
}

/// The 10 to 90 % attack time over that of `exact`, median over onsets; 1 is perfect.
pub fn attack_ratio(x: &[f64], exact: &[f64], onsets: &[f64]) -> f64 {
    let length = |x: &[f64], onset: f64| {
        let [start, _, end] = rise(x, onset);
        (end - start).max(1.0 / RATE)
    };
    median(&onsets.iter().map(|&onset| length(x, onset) / length(exact, onset)).collect::<Vec<_>>())
}

/// How far the attacks' half heights are from those of `exact`, mean, ms.
pub fn onset_error(x: &[f64], exact: &[f64], onsets: &[f64]) -> f64 {
    1000.0 * mean(&onsets.iter().map(|&onset| (rise(x, onset)[1] - rise(exact, onset)[1]).abs()).collect::<Vec<_>>())
}

/// Onsets found per onset due; 1 is perfect, more is a stutter.
///
/// The half-wave rectified flux of the log energy above 2 kHz, every 5 ms (Bello et al., "A tutorial on onset detection
/// in music signals", IEEE Trans. SAP 13, 2005): its peaks over a third of the median of those of `exact`, 20 ms apart.
pub fn onset_count(x: &[f64], exact: &[f64], onsets: &[f64]) -> f64 {
    let hop = samples(0.005);
    let flux = |x: &[f64]| {
        let low = (2000.0 * 512.0 / RATE) as usize;
        let powers: Vec<f64> = Spectra::of(x, 512, hop).rows().map(|row| row[low..].iter().sum()).collect();
        let floor = 1e-5 * highest(&powers);
        let level: Vec<f64> = powers.iter().map(|p| (p + floor).log10()).collect();
        let steps = level.windows(2).map(|pair| (pair[1] - pair[0]).max(0.0));
        std::iter::once(0.0).chain(steps).collect::<Vec<_>>()
    };
    let (want, got) = (flux(exact), flux(x));
    let near = |onset: &f64| {
        let at = (onset * RATE / hop as f64) as usize;
        highest(&want[at.saturating_sub(5).min(want.len() - 1)..(at + 5).min(want.len())])
    };
    let limit = median(&onsets.iter().map(near).collect::<Vec<_>>()) / 3.0;
    let (mut count, mut last) = (0.0, None);
    for (i, around) in got.windows(3).enumerate() {
        let far = last.is_none_or(|last| i - last > 4);
        if around[1] > limit && around[1] >= around[0] && around[1] > around[2] && far {
            (count, last) = (count + 1.0, Some(i));
        }
    }
    count / onsets.len() as f64
}

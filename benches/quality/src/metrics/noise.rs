//! Measures of noise.

use super::spectra::{
    Spectra, TINY, db, deviation, each_spectrum, hann, highest, mean, middle, samples, spectrum, third_octaves,
    waveform, welch,
};
use crate::RATE;

/// The difference of the long-term spectra in third octaves from 100 Hz to 16 kHz, dB, standard deviation over bands, so
/// without the mean difference. Bands 60 dB or more below the strongest of `exact` are left out.
pub fn spectrum_error(x: &[f64], exact: &[f64]) -> f64 {
    band_error(middle(x), middle(exact), 16_000.0, 60.0)
}

/// The same of whole sounds up to `high` Hz, bands `range` dB below the strongest left out.
pub(super) fn band_error(x: &[f64], exact: &[f64], high: f64, range: f64) -> f64 {
    let (got, want) = (third_octaves(x, high), third_octaves(exact, high));
    let least = highest(&want) - range;
    let heard = got.iter().zip(&want).filter(|(_, want)| **want > least);
    deviation(&heard.map(|(got, want)| got - want).collect::<Vec<_>>())
}

/// The spectral flatness of frames of 2048 from 200 Hz to 16 kHz, mean, dB: the geometric over the arithmetic mean of
/// power. White noise has −2.5 dB, what is more tonal ("musical noise") less (Gray and Markel, "A spectral-flatness
/// measure for studying the autocorrelation method", IEEE Trans. ASSP 22, 1974).
pub fn flatness(x: &[f64]) -> f64 {
    const SIZE: usize = 2048;
    let spectra = Spectra::of(middle(x), SIZE, SIZE / 2);
    let bins = (200.0 * SIZE as f64 / RATE) as usize..(16_000.0 * SIZE as f64 / RATE) as usize;
    let most = spectra.rows().map(|row| highest(&row[bins.clone()])).fold(0.0, f64::max);
    let flat = |row: &[f64]| {
        let floored: Vec<f64> = row[bins.clone()].iter().map(|p| p.max(1e-12 * most).max(TINY)).collect();
        let logs: Vec<f64> = floored.iter().map(|p| p.ln()).collect();
        db(mean(&logs).exp()) - db(mean(&floored))
    };
    mean(&spectra.rows().map(flat).collect::<Vec<_>>())
}

/// [`flatness`] less that of `exact`, dB; negative is more tonal.
pub fn flatness_error(x: &[f64], exact: &[f64]) -> f64 {
    flatness(x) - flatness(exact)
}

/// How the envelopes of twelve bands from 125 Hz to 12 kHz move: power in eight octaves of modulation from 1 to 256 Hz,
/// dB per Hz over the band's squared mean, −60 at least.
fn modulation(x: &[f64]) -> Vec<f64> {
    const SIZE: usize = 512;
    let hop = RATE as usize / 600;
    let edge = |n: usize| 125.0 * (12_000.0f64 / 125.0).powf(n as f64 / 12.0);
    let bin = |n: usize| (edge(n) * SIZE as f64 / RATE).ceil() as usize;
    let bands: Vec<_> = (0..12)
        .map(|n| match bin(n)..bin(n + 1) {
            // Narrower than a bin: the nearest.
            none if none.is_empty() => {
                let nearest = (edge(n) * SIZE as f64 / RATE).round() as usize;
                nearest..nearest + 1
            }
            some => some,
        })
        .collect();
    let mut envelopes = vec![Vec::new(); bands.len()];
    each_spectrum(x, &hann(SIZE), hop, |row| {
        for (envelope, band) in envelopes.iter_mut().zip(&bands) {
            envelope.push(row[band.clone()].iter().sum::<f64>());
        }
    });
    let mut out = Vec::new();
    for envelope in envelopes {
        let level = mean(&envelope).max(TINY);
        let moving: Vec<f64> = envelope.iter().map(|e| e / level - 1.0).collect();
        let (density, step) = welch(&moving, RATE / hop as f64, 1024, false);
        for octave in 0..8 {
            let low = f64::from(1 << octave);
            let inside = density.iter().enumerate().filter(|&(k, _)| (low..2.0 * low).contains(&(k as f64 * step)));
            out.push(db(mean(&inside.map(|(_, p)| *p).collect::<Vec<_>>())).max(-60.0));
        }
    }
    out
}

/// The difference of the modulation spectra to that of true noise, dB, root mean square over bands and octaves. After
/// the statistics of McDermott and Simoncelli, "Sound texture perception via statistics of the auditory periphery",
/// Neuron 71 (2011).
pub fn modulation_error(x: &[f64], exact: &[f64]) -> f64 {
    let (one, two) = (modulation(middle(x)), modulation(middle(exact)));
    mean(&one.iter().zip(&two).map(|(one, two)| (one - two).powi(2)).collect::<Vec<_>>()).sqrt()
}

/// How much of a noise repeats what was just heard, 0…1: of frames of 20 ms the highest normalised correlation with the
/// 20 to 250 ms before, mean. True white noise has about 0.13, a repeated segment nearly 1.
pub fn copied(x: &[f64]) -> f64 {
    let (length, back) = (samples(0.02), samples(0.25));
    let size = (back + length).next_power_of_two();
    let of = |at: usize| {
        let (frame, past) = (&x[at..at + length], &x[at - back..at]);
        let product = spectrum(past, size).iter().zip(spectrum(frame, size)).map(|(p, f)| p * f.conj()).collect();
        let correlation = waveform(product, size);
        let mut energy: f64 = past[..length].iter().map(|x| x * x).sum();
        let own: f64 = frame.iter().map(|x| x * x).sum();
        let mut best = 0.0f64;
        for lag in 0..=back - length {
            best = best.max(correlation[lag].abs() / (energy.max(0.0) * own + TINY).sqrt());
            if let (Some(new), old) = (past.get(lag + length), past[lag]) {
                energy += new * new - old * old;
            }
        }
        best
    };
    mean(&(back..x.len().saturating_sub(length)).step_by(5 * length).map(of).collect::<Vec<_>>())
}

//! Measures of a held sound.

use rustfft::FftPlanner;
use rustfft::num_complex::Complex64;

use super::filters::{Pass, butterworth, filter};
use super::noise::band_error;
use super::spectra::{
    TINY, db, deviation, each_spectrum, hann, highest, level_track, mean, median, middle, middle_but, power, samples,
    spectrum, triangle, waveform, welch,
};
use super::tones::pitch_track;
use crate::RATE;

/// The straight line of least squares through values at 0, 1, 2, …: its start and its step.
fn line(values: &[f64]) -> (f64, f64) {
    let centre = (values.len().max(1) - 1) as f64 / 2.0;
    let (mut top, mut bottom) = (0.0, 0.0);
    for (i, value) in values.iter().enumerate() {
        top += (i as f64 - centre) * value;
        bottom += (i as f64 - centre).powi(2);
    }
    let step = if bottom > 0.0 { top / bottom } else { 0.0 };
    (mean(values) - step * centre, step)
}

/// How much louder it grows, dB in 10 s: the least-squares slope of the level in 50 ms windows.
pub fn level_drift(x: &[f64]) -> f64 {
    line(&level_track(x, 0.05)).1 / 0.025 * 10.0
}

/// How much the level in windows of `seconds` fluctuates about its straight line, dB, standard deviation.
pub fn level_ripple(x: &[f64], seconds: f64) -> f64 {
    let track = level_track(x, seconds);
    let (start, step) = line(&track);
    deviation(&track.iter().enumerate().map(|(i, level)| level - start - step * i as f64).collect::<Vec<_>>())
}

/// The median F0 less that of `source`, cents (the fundamental, bandwidth 30 Hz).
pub fn pitch_error(x: &[f64], source: &[f64], f0: f64) -> f64 {
    median(middle(&pitch_track(x, f0, 30.0).0)) - median(middle(&pitch_track(source, f0, 30.0).0))
}

/// How much F0 fluctuates, cents, standard deviation (the fundamental, bandwidth 30 Hz).
pub fn wobble(x: &[f64], f0: f64) -> f64 {
    deviation(middle_but(&pitch_track(x, f0, 30.0).0, 0.05))
}

/// The difference of the third-octave spectra from 100 Hz to 12 kHz to that of `source`, dB, standard deviation over the
/// bands within 50 dB of the strongest: the level itself is loudness's matter.
pub fn envelope_error(x: &[f64], source: &[f64]) -> f64 {
    band_error(x, source, 12_000.0, 50.0)
}

/// How plainly it repeats, 0…1, and after how many seconds: the highest local peak, at lags from 30 ms to 3 s, of the
/// autocorrelation of its levels in half-octave bands. 0 never repeats or does not fluctuate at all, 1 is a loop.
///
/// Levels (dB) in Hann windows of 50 ms every 5 ms, each less its mean, of the bands within 40 dB of the strongest. The
/// autocorrelation, unbiased, is over the variance and 0.25 dB² a band, so that less than 0.5 dB, which nobody hears,
/// does not count: of the order of the just noticeable difference of level (Zwicker and Fastl, "Psychoacoustics").
pub fn repetition(x: &[f64]) -> (f64, f64) {
    let (hop, size) = (samples(0.005), samples(0.05));
    let mut bands = vec![Vec::new(); 14];
    each_spectrum(x, &hann(size), hop, |row| {
        for (n, band) in bands.iter_mut().enumerate() {
            band.push(triangle(row, RATE / size as f64, 100.0 * (n as f64 / 2.0).exp2(), 0.5));
        }
    });
    let loudest = bands.iter().map(|band| mean(band)).fold(0.0, f64::max);
    bands.retain(|band| mean(band) > loudest * 1e-4);
    let floor = 1e-7 * bands.iter().map(|band| highest(band)).fold(0.0, f64::max);
    let count = bands.first().map_or(0, Vec::len);
    let length = (2 * count).next_power_of_two();
    let mut sum = vec![0.0; count];
    for band in &bands {
        let level: Vec<f64> = band.iter().map(|p| db(p + floor)).collect();
        let offset = mean(&level);
        let moving: Vec<f64> = level.iter().map(|level| level - offset).collect();
        let powers = spectrum(&moving, length).iter().map(|z| Complex64::new(z.norm_sqr(), 0.0)).collect();
        sum.iter_mut().zip(waveform(powers, length)).for_each(|(sum, r)| *sum += r);
    }
    sum.iter_mut().enumerate().for_each(|(lag, r)| *r /= (count - lag) as f64);
    let whole = sum.first().copied().unwrap_or(0.0) + 0.25 * bands.len() as f64;
    let lags = samples(0.03) / hop..(samples(3.0) / hop).min(count / 2);
    let peaks = lags.filter(|&lag| sum[lag] >= sum[lag - 1] && sum[lag] > sum[lag + 1]);
    // Of equals the first: a loop's own period.
    let best = peaks.reduce(|best, lag| if sum[lag] > sum[best] { lag } else { best });
    best.map_or((0.0, 0.0), |lag| ((sum[lag] / whole).clamp(0.0, 1.0), (lag * hop) as f64 / RATE))
}

/// The energy of the envelopes' modulation from `low` to `high` Hz over all their energy, summed over bands one ERB wide
/// (Glasberg and Moore, "Derivation of auditory filter shapes from notched-noise data", Hear. Res. 47, 1990), two ERB
/// apart from 150 Hz to 10 kHz. Within 12 Hz of a multiple of `f0` (0: none) it is left out: there unresolved harmonics
/// beat by nature.
fn modulation(x: &[f64], low: f64, high: f64, f0: f64) -> f64 {
    let mut planner = FftPlanner::new();
    let (forth, back) = (planner.plan_fft_forward(x.len()), planner.plan_fft_inverse(x.len()));
    let edge = samples(0.05).min(x.len() / 4);
    let (mut moving, mut all) = (0.0, 0.0);
    for erb in (4..33).step_by(2) {
        let centre = (10f64.powf(f64::from(erb) / 21.4) - 1.0) / 0.00437;
        let width = 24.7 * (0.00437 * centre + 1.0);
        let band = filter(&butterworth(2, Pass::Band(centre - width / 2.0, centre + width / 2.0)), x);
        // The analytic signal: nothing at negative frequencies.
        let mut analytic: Vec<_> = band.into_iter().map(|x| Complex64::new(x, 0.0)).collect();
        forth.process(&mut analytic);
        let length = analytic.len();
        for (k, z) in analytic.iter_mut().enumerate() {
            *z *= if k == 0 || 2 * k == length {
                1.0
            } else if 2 * k < length {
                2.0
            } else {
                0.0
            } / length as f64;
        }
        back.process(&mut analytic);
        let envelope: Vec<f64> = analytic[edge..length - edge].iter().map(|z| z.norm()).collect();
        let (density, step) = welch(&envelope, RATE, 16_384, true);
        let natural = |hz: f64| f0 > 0.0 && (hz - f0 * (hz / f0).round()).abs() <= 12.0;
        let heard = density.iter().enumerate().map(|(k, p)| (k as f64 * step, p));
        let heard = heard.filter(|&(hz, _)| hz >= low && hz <= high && !natural(hz));
        moving += heard.map(|(_, p)| p).sum::<f64>() * step;
        all += power(&envelope);
    }
    moving / all.max(TINY)
}

/// The energy of modulation from 20 to 150 Hz, which is heard as roughness (Zwicker and Fastl, "Psychoacoustics", ch.
/// 11), over that of `source`, dB; positive is rougher. Both are at least −40 dB of the envelopes' energy: 1.4 % of
/// modulation, about where it begins to be heard.
pub fn roughness(x: &[f64], source: &[f64], f0: f64) -> f64 {
    let [x, source] = [x, source].map(|x| db(modulation(x, 20.0, 150.0, f0).max(1e-4)));
    x - source
}

/// The second difference above 4 kHz, as a magnitude: where a click stands out.
fn edges(x: &[f64]) -> Vec<f64> {
    let bends: Vec<f64> = x.windows(3).map(|three| three[2] - 2.0 * three[1] + three[0]).collect();
    filter(&butterworth(4, Pass::High(4000.0)), &bends).into_iter().map(f64::abs).collect()
}

/// The highest over the median peak, in blocks of 2 ms, of the second difference above 4 kHz, dB; the median is at least
/// −70 dB of the level. Noise has 5 to 8 dB, a splice 20 and more. Its maximum grows with the length: compare only
/// sounds of one length.
pub fn click(x: &[f64]) -> f64 {
    let edges = edges(x);
    let peaks: Vec<f64> = edges.get(240..).unwrap_or_default().chunks_exact(samples(0.002)).map(highest).collect();
    let floor = power(x).sqrt() * 10f64.powf(-70.0 / 20.0);
    20.0 * ((highest(&peaks) + floor) / (median(&peaks) + floor)).log10()
}

/// The click of a gesture `at` so many seconds: the highest within 20 ms of it over the highest in the 0.5 s to both
/// sides beyond, dB; at 0 or below nothing stands out.
pub fn click_at(x: &[f64], at: f64) -> f64 {
    let edges = edges(x);
    let (centre, near, far) = (samples(at), samples(0.02), samples(0.5));
    let part = |from: usize, to: usize| edges.get(from.min(edges.len())..to.clamp(from.min(edges.len()), edges.len()));
    let top = |part: Option<&[f64]>| part.unwrap_or_default().iter().copied().fold(0.0, f64::max);
    let before = part(centre.saturating_sub(far).max(240), centre.saturating_sub(near).max(240));
    let outside = top(before).max(top(part(centre + near, centre + far)));
    let inside = top(part(centre.saturating_sub(near), centre + near));
    let floor = power(x).sqrt() * 10f64.powf(-70.0 / 20.0);
    20.0 * ((inside + floor) / (outside + floor)).log10()
}

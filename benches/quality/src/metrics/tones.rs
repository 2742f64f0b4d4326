//! Measures of steady and moving tones.

use std::f64::consts::{PI, TAU};

use rustfft::num_complex::Complex64;

use super::filters::{Pass, both_ways, butterworth};
use super::spectra::{db, deviation, each_spectrum, hann, highest, level_track, mean, mean_spectrum, middle, samples};
use crate::RATE;

/// (Hz, dB) of the highest spectral peak within a quarter tone of each frequency: a parabola through three bins of the
/// log spectrum (Smith and Serra, "PARSHL", ICMC 1987) of a Blackman-Harris window, whose bias is below 0.001 bin.
pub fn partials(x: &[f64], hz: &[f64]) -> Vec<(f64, f64)> {
    let size = 16_384;
    let level: Vec<f64> = mean_spectrum(x, size).into_iter().map(db).collect();
    let bin = |hz: f64| hz * size as f64 / RATE;
    let find = |&hz: &f64| {
        let quarter = (50.0f64 / 1200.0).exp2();
        let (low, high) = (bin(hz / quarter) as usize, bin(hz * quarter).ceil() as usize);
        let mut top = low;
        for k in low..=high {
            top = if level[k] > level[top] { k } else { top };
        }
        let (a, b, c) = (level[top - 1], level[top], level[top + 1]);
        let shift = (0.5 * (a - c) / (a - 2.0 * b + c)).clamp(-0.5, 0.5);
        ((top as f64 + shift) * RATE / size as f64, b - 0.25 * (a - c) * shift)
    };
    hz.iter().map(find).collect()
}

fn rms(values: impl Iterator<Item = f64>) -> f64 {
    let squares: Vec<f64> = values.map(|x| x * x).collect();
    mean(&squares).sqrt()
}

/// The error of the partials' frequencies, cents, root mean square over partials: [`partials`].
pub fn frequency_error(x: &[f64], hz: &[f64]) -> f64 {
    rms(partials(middle(x), hz).iter().zip(hz).map(|(&(found, _), hz)| 1200.0 * (found / hz).log2()))
}

/// The difference of the partials' levels to those of `exact`, dB, root mean square over partials. What has left a
/// partial's peak is lost.
pub fn level_error(x: &[f64], exact: &[f64], hz: &[f64]) -> f64 {
    let (got, want) = (partials(middle(x), hz), partials(middle(exact), hz));
    rms(got.iter().zip(&want).map(|(got, want)| got.1 - want.1))
}

/// The power from 20 Hz to 20 kHz that lies more than 11.7 Hz from every partial over the power nearer, dB; lower is
/// better. In the manner of SINAD (IEEE Std 1241) with several tones.
pub fn spurious(x: &[f64], hz: &[f64]) -> f64 {
    let (size, bins) = (32_768, 8.0);
    let step = RATE / size as f64;
    let (mut near, mut far) = (0.0, 0.0);
    for (k, p) in mean_spectrum(middle(x), size).into_iter().enumerate() {
        let at = k as f64 * step;
        if hz.iter().any(|hz| (at - hz).abs() <= bins * step) {
            near += p;
        } else if at > 20.0 && at < 20_000.0 {
            far += p;
        }
    }
    db(far) - db(near)
}

/// How much the level of a steady sound fluctuates in windows of 20 ms: standard deviation, dB.
pub fn ripple(x: &[f64]) -> f64 {
    deviation(&level_track(middle(x), 0.02))
}

/// The same from the lowest to the highest, dB.
pub fn ripple_range(x: &[f64]) -> f64 {
    let track = level_track(middle(x), 0.02);
    highest(&track) + highest(&track.iter().map(|x| -x).collect::<Vec<_>>())
}

/// The course of F0 in cents over `f0`, from the phase of the fundamental, brought down to 0 Hz and low-passed at
/// `bandwidth` Hz; and how many values it has a second.
pub fn pitch_track(x: &[f64], f0: f64, bandwidth: f64) -> (Vec<f64>, f64) {
    let step = ((RATE / (bandwidth * 8.0)) as usize).max(1);
    let down = |(i, x): (usize, &f64)| Complex64::from_polar(*x, -TAU * f0 * i as f64 / RATE);
    let base: Vec<_> = x.iter().enumerate().map(down).collect();
    let base: Vec<_> = both_ways(&butterworth(3, Pass::Low(bandwidth)), &base, samples(6.0 / bandwidth))
        .into_iter()
        .step_by(step)
        .collect();
    let hz = |pair: &[Complex64]| (pair[1] * pair[0].conj()).arg() * RATE / step as f64 / TAU;
    let cents = base.windows(2).map(|pair| 1200.0 * (1.0 + hz(pair) / f0).max(0.5).log2()).collect();
    (cents, RATE / step as f64)
}

/// The difference of the courses of F0, cents, root mean square (bandwidth 30 Hz).
pub fn pitch_error(x: &[f64], exact: &[f64], f0: f64) -> f64 {
    let (one, two) = (pitch_track(x, f0, 30.0).0, pitch_track(exact, f0, 30.0).0);
    let length = one.len().min(two.len());
    rms(middle(&one[..length]).iter().zip(middle(&two[..length])).map(|(one, two)| one - two))
}

/// (Hz, cents) of a vibrato: the strongest component of the course of F0 within a factor 3 of `rate` Hz.
pub fn vibrato(x: &[f64], f0: f64, rate: f64) -> (f64, f64) {
    let (track, values) = pitch_track(x, f0, (4.0 * rate).max(30.0));
    let track = middle(&track);
    let offset = mean(track);
    let window = hann(track.len());
    let size = (track.len() * 8).next_power_of_two();
    let mut padded: Vec<f64> = track.iter().zip(&window).map(|(x, w)| (x - offset) * w).collect();
    padded.resize(size, 0.0);
    let (step, scale) = (values / size as f64, 2.0 / window.iter().sum::<f64>());
    let mut best = (0.0, 0.0);
    each_spectrum(&padded, &vec![1.0; size], size, |row| {
        for (k, p) in row.iter().enumerate() {
            let (hz, height) = (k as f64 * step, p.sqrt() * scale);
            if hz > rate / 3.0 && hz < rate * 3.0 && height > best.1 {
                best = (hz, height);
            }
        }
    });
    best
}

/// How far the vibrato's rate is from `rate` Hz (the source's over the ratio), per cent.
pub fn vibrato_rate_error(x: &[f64], f0: f64, rate: f64) -> f64 {
    100.0 * (vibrato(x, f0, rate).0 / rate - 1.0).abs()
}

/// How far the vibrato's extent to one side is from `cents`, per cent.
pub fn vibrato_extent_error(x: &[f64], f0: f64, rate: f64, cents: f64) -> f64 {
    100.0 * (vibrato(x, f0, rate).1 / cents - 1.0).abs()
}

/// How much of the glottal pulses is lost ("phasiness"): the mean crest factor of 20 ms of `exact` less that of `x`,
/// dB; positive when pulses are smeared. On the loss of vertical phase coherence: Laroche and Dolson, "Improved phase
/// vocoder time-scale modification of audio", IEEE Trans. SAP 7 (1999).
pub fn crest_error(x: &[f64], exact: &[f64]) -> f64 {
    let crest = |x: &[f64]| {
        let of = |piece: &[f64]| {
            let most = piece.iter().fold(0.0f64, |most, x| most.max(x * x));
            db(most) - db(super::spectra::power(piece))
        };
        mean(&middle(x).chunks_exact(samples(0.02)).map(of).collect::<Vec<_>>())
    };
    crest(exact) - crest(x)
}

/// The spectral envelope's resonances, Hz, the lowest `count` of them: linear prediction of order 12 at 12 kHz by the
/// autocorrelation method (Markel and Gray, "Linear Prediction of Speech", 1976) with pre-emphasis; poles above 150 Hz
/// with a bandwidth below 400 Hz.
pub fn formants(x: &[f64], count: usize) -> Vec<f64> {
    const ORDER: usize = 12;
    const DOWN: usize = 4;
    let low = decimate(x, DOWN);
    let rate = RATE / DOWN as f64;
    let emphasised: Vec<f64> =
        low.iter().take(1).copied().chain(low.windows(2).map(|pair| pair[1] - 0.97 * pair[0])).collect();
    let size = emphasised.len().min(4096);
    let mut window = hann(size);
    window.resize(2 * size, 0.0);
    // The autocorrelation is the inverse transform of the power spectrum, padded to twice the length.
    let mut sum = vec![0.0; size + 1];
    for start in super::spectra::starts(emphasised.len(), size, (size / 2).max(1)) {
        let frame = &emphasised[start..(start + size).min(emphasised.len())];
        let mut padded = frame.to_vec();
        padded.resize(2 * size, 0.0);
        each_spectrum(&padded, &window, 2 * size, |row| sum.iter_mut().zip(row).for_each(|(s, p)| *s += p));
    }
    let powers = sum.iter().map(|&p| Complex64::new(p, 0.0)).collect();
    let mut r = super::spectra::waveform(powers, 2 * size)[..=ORDER].to_vec();
    r[0] *= 1.0 + 1e-6;
    let mut found: Vec<f64> = roots(&predictor(&r))
        .into_iter()
        .filter(|root| root.im > 0.0)
        .map(|root| (root.arg() * rate / TAU, -root.norm().ln() * rate / PI))
        .filter(|&(hz, width)| hz > 150.0 && width < 400.0)
        .map(|(hz, _)| hz)
        .collect();
    found.sort_by(f64::total_cmp);
    found.truncate(count);
    found
}

/// How far the first three formants are from the nearest found, mean, Hz; infinite if none is.
pub fn formant_error(x: &[f64], exact: &[f64]) -> f64 {
    let got = formants(x, usize::MAX);
    let away = |want: &f64| got.iter().map(|got| (got - want).abs()).fold(f64::INFINITY, f64::min);
    mean(&formants(exact, 3).iter().map(away).collect::<Vec<_>>())
}

/// Every `down`-th sample behind a windowed-sinc low-pass at the new half rate (Kaiser window, β = 5, ten lobes to each
/// side).
fn decimate(x: &[f64], down: usize) -> Vec<f64> {
    let half = 10 * down as i64;
    let bessel = |x: f64| {
        // Of order 0, by its power series.
        let mut term = 1.0;
        (1..40).fold(1.0, |sum, k| {
            term *= (x / (2.0 * f64::from(k))).powi(2);
            sum + term
        })
    };
    let tap = |k: i64| {
        let place = k as f64 / down as f64;
        let sinc = if k == 0 { 1.0 } else { (PI * place).sin() / (PI * place) };
        sinc * bessel(5.0 * (1.0 - (k as f64 / half as f64).powi(2)).max(0.0).sqrt())
    };
    let taps: Vec<f64> = (-half..=half).map(tap).collect();
    let total: f64 = taps.iter().sum();
    let at = |centre: usize| {
        let reach =
            (0..taps.len()).filter_map(|k| x.get((centre + k).checked_sub(half as usize)?).map(|x| x * taps[k]));
        reach.sum::<f64>() / total
    };
    (0..x.len()).step_by(down).map(at).collect()
}

/// The prediction error filter of an autocorrelation: Levinson and Durbin's recursion (Makhoul, "Linear prediction: a
/// tutorial review", Proc. IEEE 63, 1975).
fn predictor(r: &[f64]) -> Vec<f64> {
    let mut a = vec![1.0];
    let mut error = r[0];
    for order in 1..r.len() {
        let reflection = -(0..order).map(|i| a[i] * r[order - i]).sum::<f64>() / error;
        a.push(0.0);
        let mirrored: Vec<f64> = a.iter().rev().copied().collect();
        a.iter_mut().zip(mirrored).for_each(|(a, b)| *a += reflection * b);
        error *= 1.0 - reflection * reflection;
    }
    a
}

/// The roots of a polynomial, highest power first, its first coefficient 1: all at once (Aberth, "Iteration methods for
/// finding all zeros of a polynomial simultaneously", Math. Comp. 27, 1973).
fn roots(polynomial: &[f64]) -> Vec<Complex64> {
    let degree = polynomial.len() - 1;
    let mut roots: Vec<_> =
        (0..degree).map(|k| Complex64::from_polar(0.9, TAU * (k as f64 + 0.3) / degree as f64)).collect();
    for _ in 0..200 {
        let before = roots.clone();
        for (i, &z) in before.iter().enumerate() {
            let (mut value, mut slope) = (Complex64::ZERO, Complex64::ZERO);
            for &c in polynomial {
                slope = slope * z + value;
                value = value * z + c;
            }
            if value == Complex64::ZERO {
                continue;
            }
            let newton = value / slope;
            let pull: Complex64 =
                roots.iter().enumerate().filter(|&(j, _)| j != i).map(|(_, &other)| 1.0 / (z - other)).sum();
            roots[i] = z - newton / (1.0 - newton * pull);
        }
        if roots.iter().zip(&before).all(|(a, b)| (a - b).norm() < 1e-13) {
            break;
        }
    }
    roots
}

//! Measures of a whole sound, whatever it is.

use super::filters::{Section, filter};
use super::spectra::{Spectra, db, forward, hann, highest, level_track, mean, middle_but, power, samples};

/// The distance of the log spectra to the exact answer's at the same time, dB: the root mean square over bins, mean over
/// frames, mean of the sizes 512, 2048 and 8192. Both are floored 70 dB below the peak of `exact`. Two noises differ by
/// about 7.7 dB (Gray and Markel, "Distance measures for speech processing", IEEE Trans. ASSP 24, 1976).
pub fn log_spectral_distance(x: &[f64], exact: &[f64]) -> f64 {
    let length = x.len().min(exact.len());
    let at = |size: usize| {
        let (got, want) = (Spectra::of(&x[..length], size, size / 2), Spectra::of(&exact[..length], size, size / 2));
        let floor = highest(&want.powers) * 1e-7;
        let far = |(got, want): (&[f64], &[f64])| {
            let square = |(got, want): (&f64, &f64)| (db(got.max(floor)) - db(want.max(floor))).powi(2);
            mean(&got.iter().zip(want).map(square).collect::<Vec<_>>()).sqrt()
        };
        mean(&got.rows().zip(want.rows()).map(far).collect::<Vec<_>>())
    };
    mean(&[512, 2048, 8192].map(at))
}

/// The K-weighted level without gates, LKFS: ITU-R BS.1770-4, whose coefficients are for 48 kHz.
pub fn loudness(x: &[f64]) -> f64 {
    const SHELF: Section = Section {
        b: [1.535_124_859_586_97, -2.691_696_189_406_38, 1.198_392_810_852_85],
        a: [-1.690_659_293_182_41, 0.732_480_774_215_85],
    };
    const HIGH: Section = Section { b: [1.0, -2.0, 1.0], a: [-1.990_047_454_833_98, 0.990_072_250_366_21] };
    db(power(&filter(&[SHELF, HIGH], x))) - 0.691
}

/// [`loudness`] less that of `exact`, dB, 5 % at both ends left out.
pub fn loudness_error(x: &[f64], exact: &[f64]) -> f64 {
    loudness(middle_but(x, 0.05)) - loudness(middle_but(exact, 0.05))
}

/// How much longer than `exact` it sounds, ms: from the first to the last window of 10 ms above −40 dB of the loudest.
pub fn duration_error(x: &[f64], exact: &[f64]) -> f64 {
    let length = |x: &[f64]| {
        let track = level_track(x, 0.01);
        let least = highest(&track) - 40.0;
        let first = track.iter().position(|&level| level > least).unwrap_or(0);
        let last = track.iter().rposition(|&level| level > least).unwrap_or(0);
        ((last - first) * (samples(0.01) / 2)) as f64 / crate::RATE * 1000.0
    };
    length(x) - length(exact)
}

/// How consistent the short-time spectra are with the source's at the matching times, dB, lower is better: the energy of
/// the difference of magnitudes over that of the source's. After D_M of Laroche and Dolson (IEEE Trans. SAP 7, 1999),
/// here with one Hann window of 2048 every 512 samples for all methods; it needs no exact answer. `place` says at which
/// sample of the source a sample of the output is.
pub fn consistency(x: &[f64], source: &[f64], place: impl Fn(f64) -> f64) -> f64 {
    const SIZE: usize = 2048;
    let (window, plan) = (hann(SIZE), forward(SIZE));
    let (mut frame, mut scratch) = (plan.make_input_vec(), plan.make_scratch_vec());
    let (mut got, mut want) = (plan.make_output_vec(), plan.make_output_vec());
    let (mut error, mut energy) = (0.0, 0.0);
    let mut start = (0.1 * x.len() as f64) as usize;
    while start + SIZE < (0.9 * x.len() as f64) as usize {
        let half = SIZE as f64 / 2.0;
        let origin = (place(start as f64 + half) - half).round_ties_even();
        if origin >= 0.0
            && let Some(before) = source.get(origin as usize..origin as usize + SIZE)
        {
            for (sound, out) in [(&x[start..start + SIZE], &mut got), (before, &mut want)] {
                frame.iter_mut().zip(sound).zip(&window).for_each(|((y, x), w)| *y = x * w);
                plan.process_with_scratch(&mut frame, out, &mut scratch).expect("the lengths are the plan's");
            }
            for (got, want) in got.iter().zip(&want) {
                error += (got.norm() - want.norm()).powi(2);
                energy += want.norm_sqr();
            }
        }
        start += 512;
    }
    db(error / energy.max(super::spectra::TINY))
}

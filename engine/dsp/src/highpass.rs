//! A mic's highpass.

use crate::guard::LEAST;
use std::f64::consts::{FRAC_1_SQRT_2, TAU};

/// Second-order Butterworth highpass: −3.01 dB at its corner, 12 dB an octave below it.
///
/// Coefficients by the bilinear transform with the corner kept in place, in double precision, after Robert
/// Bristow-Johnson's "Cookbook formulae for audio EQ biquad filter coefficients".
#[derive(Clone, Copy, Debug)]
pub struct Highpass {
    b0: f64,
    b1: f64,
    b2: f64,
    a1: f64,
    a2: f64,
    s1: f64,
    s2: f64,
}

impl Highpass {
    /// A highpass at `corner` Hz for `rate` samples a second. The corner is kept between 1 Hz and 0.49 of the rate.
    pub fn new(corner: f64, rate: u32) -> Self {
        let rate = f64::from(rate.max(8));
        // `max` and `min` rather than `clamp`, which would hand a NaN on.
        let w0 = TAU * corner.max(1.0).min(0.49 * rate) / rate;
        let (sin, cos) = w0.sin_cos();
        let alpha = sin / (2.0 * FRAC_1_SQRT_2);
        let a0 = 1.0 + alpha;
        Self {
            b0: (1.0 + cos) / 2.0 / a0,
            b1: -(1.0 + cos) / a0,
            b2: (1.0 + cos) / 2.0 / a0,
            a1: -2.0 * cos / a0,
            a2: (1.0 - alpha) / a0,
            s1: 0.0,
            s2: 0.0,
        }
    }

    /// Filters the samples in place. After sound has ended the output becomes exactly 0.
    pub fn process(&mut self, samples: &mut [f32]) {
        for sample in samples {
            let x = f64::from(*sample);
            // Transposed direct form II.
            let y = self.b0 * x + self.s1;
            self.s1 = flush(self.b1 * x - self.a1 * y + self.s2);
            self.s2 = flush(self.b2 * x - self.a2 * y);
            let y = y as f32;
            *sample = if y.abs() < LEAST { 0.0 } else { y };
        }
    }
}

/// Far below what is heard, far above the denormal numbers.
fn flush(state: f64) -> f64 {
    if state.abs() < 1e-15 { 0.0 } else { state }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Output level over input level of a steady sine, in dB.
    fn response(filter: Highpass, hertz: f64) -> f64 {
        let mut filter = filter;
        let sine: Vec<f32> = (0..96_000).map(|i| (TAU * hertz * f64::from(i) / 48_000.0).sin() as f32).collect();
        let mut out = sine.clone();
        filter.process(&mut out);
        let energy = |x: &[f32]| x[48_000..].iter().map(|&x| f64::from(x).powi(2)).sum::<f64>();
        10.0 * (energy(&out) / energy(&sine)).log10()
    }

    // The cookbook's formulas computed elsewhere, 48 kHz, Q 0.7071.
    #[test]
    fn coefficients_agree_with_the_cookbook() {
        for (corner, expected) in [
            (60.0, [0.994461788958, -1.988923577916, 0.994461788958, -1.988892905900, 0.988954249933]),
            (80.0, [0.992622542756, -1.985245085512, 0.992622542756, -1.985190657896, 0.985299513128]),
        ] {
            let f = Highpass::new(corner, 48_000);
            for (ours, theirs) in [f.b0, f.b1, f.b2, f.a1, f.a2].iter().zip(expected) {
                // The table's Q has four digits.
                assert!((ours - theirs).abs() < 1e-7, "{corner} Hz: {ours} {theirs}");
            }
        }
    }

    // Butterworth: |H|² = 1 / (1 + (corner/f)^4), the bilinear warp being below 0.01 dB here.
    #[test]
    fn response_is_butterworth() {
        for octaves in [-3, -2, -1, 0, 1, 2, 4] {
            let hertz = 60.0 * 2f64.powi(octaves);
            let expected = -10.0 * (1.0 + 2f64.powi(-4 * octaves)).log10();
            let ours = response(Highpass::new(60.0, 48_000), hertz);
            assert!((ours - expected).abs() < 0.02, "{hertz} Hz: {ours} dB, expected {expected}");
        }
    }

    #[test]
    fn ends_in_exact_silence_and_does_not_depend_on_the_cut() {
        let sound: Vec<f32> =
            (0..40_000).map(|i| if i < 500 { ((i * 7919) % 997) as f32 / 500.0 - 1.0 } else { 0.0 }).collect();
        let (mut whole, mut cut) = (sound.clone(), sound);
        Highpass::new(60.0, 48_000).process(&mut whole);
        let mut filter = Highpass::new(60.0, 48_000);
        cut.chunks_mut(37).for_each(|piece| filter.process(piece));
        assert_eq!(whole, cut);
        assert!(whole[600].abs() > 0.0);
        assert!(whole[39_000..].iter().all(|&y| y == 0.0));
    }
}

//! Windows, as defined by Harris, "On the use of windows for harmonic analysis with the discrete Fourier transform",
//! Proc. IEEE 66 (1978) 51–83.

use std::f64::consts::TAU;

/// The periodic Hann window of `size` samples, from 0 at its start to 1 at its middle.
///
/// Periodic (divided by `size`, not `size - 1`), so that copies a half, a quarter or an eighth of it apart add up to a
/// constant, and so do their squares from a quarter on.
pub fn hann(size: usize) -> Vec<f32> {
    (0..size).map(|i| (0.5 - 0.5 * (TAU * i as f64 / size as f64).cos()) as f32).collect()
}

/// The power of two nearest (in octaves) to `size` samples at 46 kHz for this `rate`: the same at 44.1 and 48 kHz, twice
/// that at 88.2 and 96 kHz.
pub(crate) fn scaled(size: usize, rate: u32) -> usize {
    let octaves = (f64::from(rate.max(1)) * size as f64 / 46_000.0).log2().round().clamp(7.0, 20.0);
    1 << octaves as u32
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The window's transform at a frequency in bins, over that at 0.
    fn response(window: &[f32], bins: f64) -> f64 {
        let (mut re, mut im, mut sum) = (0.0, 0.0, 0.0);
        for (i, &w) in window.iter().enumerate() {
            let angle = TAU * bins * i as f64 / window.len() as f64;
            re += f64::from(w) * angle.cos();
            im += f64::from(w) * angle.sin();
            sum += f64::from(w);
        }
        re.hypot(im) / sum
    }

    fn decibels(amplitude: f64) -> f64 {
        20.0 * amplitude.log10()
    }

    // The figures are Harris's definitions computed for N = 4096, periodic.
    #[test]
    fn hann_has_the_figures_of_harris() {
        let window = hann(4096);
        let n = window.len() as f64;
        let sum: f64 = window.iter().map(|&w| f64::from(w)).sum();
        let squares: f64 = window.iter().map(|&w| f64::from(w).powi(2)).sum();
        assert!((sum / n - 0.5).abs() < 0.001, "coherent gain");
        assert!((n * squares / (sum * sum) - 1.5).abs() < 0.001, "equivalent noise bandwidth");
        assert!((-decibels(response(&window, 0.5)) - 1.424).abs() < 0.001, "scallop loss");
        let side_lobe = (200..=400).map(|i| response(&window, f64::from(i) / 100.0)).fold(0.0, f64::max);
        assert!((decibels(side_lobe) + 31.47).abs() < 0.01, "highest side lobe {}", decibels(side_lobe));
        assert!((response(&window, 1.441 / 2.0).powi(2) - 0.5).abs() < 0.001, "3 dB width");
        assert!((response(&window, 1.0) - 0.5).abs() < 0.001, "6 dB width");
        let correlation = |shift: usize| -> f64 {
            window.iter().zip(&window[shift..]).map(|(&a, &b)| f64::from(a) * f64::from(b)).sum::<f64>() / squares
        };
        assert!((100.0 * correlation(1024) - 65.9).abs() < 0.06, "correlation at 75 %");
        assert!((100.0 * correlation(2048) - 16.7).abs() < 0.06, "correlation at 50 %");
    }

    // The sums agree with check_COLA of scipy 1.17: Hann 1, 2, 4; its square 1.5 at 75 % and 3 at 87.5 %.
    #[test]
    fn copies_of_hann_add_up_to_a_constant() {
        let window = hann(1024);
        for (copies, power, expected) in [(2, 1, 1.0), (4, 1, 2.0), (8, 1, 4.0), (4, 2, 1.5), (8, 2, 3.0)] {
            let hop = window.len() / copies;
            for i in 0..hop {
                let sum: f64 = (0..copies).map(|c| f64::from(window[i + c * hop]).powi(power)).sum();
                assert!((sum - expected).abs() < 1e-6, "{copies} copies to the {power} at {i}: {sum}");
            }
        }
    }

    #[test]
    fn the_usual_mistake_would_be_seen() {
        // Symmetric Hann at 50 %, N = 1024: 0.998465 … 0.999998, scipy 1.17 check_COLA.
        let least = (0..512)
            .map(|i| [i, i + 512].iter().map(|&j| 0.5 - 0.5 * (TAU * f64::from(j) / 1023.0).cos()).sum::<f64>())
            .fold(f64::MAX, f64::min);
        assert!((least - 0.998465).abs() < 1e-6, "{least}");
    }

    #[test]
    fn sizes_follow_the_rate_in_octaves() {
        for (rate, size) in [(22_050, 1024), (44_100, 2048), (48_000, 2048), (96_000, 4096), (192_000, 8192)] {
            assert_eq!(scaled(2048, rate), size, "{rate}");
        }
    }
}

//! Short spectra of a sound, through windows of several lengths.

use std::f64::consts::TAU;
use std::sync::Arc;

use realfft::num_complex::Complex32;
use realfft::{RealFftPlanner, RealToComplex};

use crate::rates::RatedSound;

/// The four-term Blackman–Harris window: 92 dB to its highest side lobe, so that no strong partial makes others up (Harris,
/// Proceedings of the IEEE 66, 1978).
const WINDOW: [f64; 4] = [0.35875, 0.48829, 0.14128, 0.01168];
/// The share of a window that must lie in the sound for a level to be made up for what lies outside.
const LEAST_COVER: f64 = 0.3;

/// Takes spectra through a window of one length.
pub struct Frames {
    /// The window's length in seconds.
    pub seconds: f64,
    /// From one bin to the next.
    pub bin_hz: f64,
    /// The last spectrum, its phases those at the window's middle, its magnitudes the amplitudes of sines.
    pub spectrum: Vec<Complex32>,
    /// Its magnitudes' squares.
    pub powers: Vec<f32>,
    window: Vec<f32>,
    /// The second difference, from bin to bin, of the logarithm of a steady sine's lobe at its top.
    pub lobe: f64,
    /// Sums of the window up to each place, of 1.
    cover: Vec<f64>,
    transform: Arc<dyn RealToComplex<f32>>,
    input: Vec<f32>,
    scratch: Vec<Complex32>,
    rate: f64,
}

impl Frames {
    /// Frames of so many seconds at `rate` samples a second.
    pub fn new(planner: &mut RealFftPlanner<f32>, rate: f64, seconds: f64) -> Self {
        let half = ((seconds * rate / 2.0).round() as usize).max(4);
        let length = 2 * half + 1;
        let size = (2 * length).next_power_of_two();
        let window: Vec<f64> = (0..length)
            .map(|i| {
                let x = (i as f64 - half as f64) / (2 * half) as f64;
                WINDOW.iter().enumerate().map(|(k, a)| a * (TAU * k as f64 * x).cos()).sum()
            })
            .collect();
        let sum: f64 = window.iter().sum();
        let beside: f64 =
            (0..length).map(|i| window[i] * (TAU * (i as f64 - half as f64) / size as f64).cos()).sum::<f64>() / sum;
        let mut so_far = 0.0;
        let cover = std::iter::once(0.0)
            .chain(window.iter().map(|w| {
                so_far += w / sum;
                so_far
            }))
            .collect();
        let transform = planner.plan_fft_forward(size);
        let spectrum = transform.make_output_vec();
        Self {
            seconds,
            bin_hz: rate / size as f64,
            powers: vec![0.0; spectrum.len()],
            spectrum,
            // Twice, since half of a real sine's amplitude lies at the negative frequency.
            window: window.iter().map(|w| (2.0 * w / sum) as f32).collect(),
            lobe: 2.0 * beside.ln(),
            cover,
            input: transform.make_input_vec(),
            scratch: transform.make_scratch_vec(),
            transform,
            rate,
        }
    }

    /// Takes the spectrum around `seconds`, and says by how much its middle lies before that.
    pub fn take(&mut self, sound: &RatedSound, seconds: f64) -> f64 {
        let half = self.window.len() / 2;
        let middle = (seconds * self.rate).round() as usize;
        let first = middle.saturating_sub(half);
        let last = (middle + half + 1).min(sound.samples.len());
        self.input.fill(0.0);
        if first < last {
            // The place in the window at which the sound's first sample stands.
            let skip = half.saturating_sub(middle);
            let covered = self.cover[skip + last - first] - self.cover[skip];
            let gain = (1.0 / covered.max(LEAST_COVER)) as f32;
            // The window's middle stands at the transform's beginning, so that phases are those of the middle.
            let (samples, window) = (&sound.samples[first..last], &self.window[skip..]);
            let split = half.saturating_sub(skip).min(samples.len());
            let size = self.input.len();
            let weigh = |to: &mut [f32], samples: &[f32], window: &[f32]| {
                for ((y, x), w) in to.iter_mut().zip(samples).zip(window) {
                    *y = x * w * gain;
                }
            };
            weigh(&mut self.input[size - half + skip.min(half)..], &samples[..split], window);
            weigh(&mut self.input[skip.saturating_sub(half)..], &samples[split..], &window[split..]);
        }
        self.transform
            .process_with_scratch(&mut self.input, &mut self.spectrum, &mut self.scratch)
            .expect("the buffers are the transform's own");
        for (power, value) in self.powers.iter_mut().zip(&self.spectrum) {
            *power = value.norm_sqr();
        }
        seconds - middle as f64 / self.rate
    }
}

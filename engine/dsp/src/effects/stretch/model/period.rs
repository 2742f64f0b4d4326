//! How long a window must be to tell the partials of a low voice apart: from the period of the sound.
//!
//! By the autocorrelation of a windowed frame over that of its window (Boersma, "Accurate short-term analysis of the
//! fundamental frequency", Proc. Institute of Phonetic Sciences Amsterdam 17, 1993), at about 12 kHz.

use super::peaks::{LENGTHS, USUAL};
use crate::CELL;
use crate::bytes::{many, plan_bytes};
use crate::prefault::prefaulted;
use crate::transform;
use crate::windows::{hann, scaled};
use realfft::num_complex::Complex32;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use std::f64::consts::PI;
use std::sync::Arc;

/// Samples of a frame at 12 kHz.
const FRAME: usize = 1024;
/// Lags looked at, in seconds.
const LAGS: (f64, f64) = (0.0015, 0.02);
/// A lag is taken before a longer one that is not much better; none is if the best is weak.
const AS_GOOD: f32 = 0.93;
const WEAK: f32 = 0.4;

/// What is done of a frame at one grid line.
#[derive(Clone, Copy)]
pub(super) enum PeriodStep {
    Load,
    Transform,
    Correlate,
    Choose,
}

/// See the module.
pub(super) struct Period {
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    scratch: Box<[Complex32]>,
    /// Every how many samples one is kept, and the filter before that.
    apart: usize,
    filter: Box<[f32]>,
    /// As many samples as the filter is long, and behind them room for a cell more.
    past: Box<[f32]>,
    /// A ring of kept samples.
    kept: Box<[f32]>,
    window: Box<[f32]>,
    own: Box<[f32]>,
    first: usize,
    frame: Box<[f32]>,
    spectrum: Box<[Complex32]>,
    width: usize,
}

impl Period {
    /// Bytes that one takes beside itself.
    pub fn bytes(rate: u32) -> usize {
        let apart = (scaled(2048, rate) / 512).max(1);
        let kept_rate = f64::from(rate) / apart as f64;
        let lags = (LAGS.1 * kept_rate) as usize + 1 - (LAGS.0 * kept_rate) as usize;
        many::<f32>(16 * apart + CELL as usize + 4 * FRAME + lags + FRAME + 2 * FRAME)
            + many::<Complex32>(FRAME + 1)
            + 2 * plan_bytes(2 * FRAME)
    }

    /// For `rate` samples a second; allocates all that it needs.
    pub fn new(rate: u32) -> Self {
        let apart = (scaled(2048, rate) / 512).max(1);
        let kept_rate = f64::from(rate) / apart as f64;
        let taps = 8 * apart;
        let middle = (taps - 1) as f64 / 2.0;
        let tap = |i: usize| {
            let t = (i as f64 - middle) / apart as f64;
            let sinc = if t.abs() < 1e-9 { 1.0 } else { (PI * 0.8 * t).sin() / (PI * 0.8 * t) };
            sinc * (0.5 + 0.5 * (PI * (i as f64 - middle) / (middle + 1.0)).cos())
        };
        let sum: f64 = (0..taps).map(tap).sum();
        let mut planner = RealFftPlanner::new();
        let (forward, inverse) = (planner.plan_fft_forward(2 * FRAME), planner.plan_fft_inverse(2 * FRAME));
        let scratch = forward.get_scratch_len().max(inverse.get_scratch_len());
        let window = hann(FRAME);
        let mut frame = vec![0.0; 2 * FRAME];
        frame.iter_mut().zip(&window).for_each(|(x, w)| *x = *w);
        let mut spectrum = forward.make_output_vec();
        // The window's own likeness to itself, by the same way.
        let mut scratch = prefaulted(Complex32::ZERO, scratch);
        transform::forward(&*forward, &mut frame, &mut spectrum, part(&mut scratch, forward.get_scratch_len()));
        flatten(&mut spectrum);
        transform::inverse(&*inverse, &mut spectrum, &mut frame, part(&mut scratch, inverse.get_scratch_len()));
        let own = |lag: usize| frame.get(lag).copied().unwrap_or(0.0);
        let lag = |seconds: f64| (seconds * kept_rate) as usize;
        let first = lag(LAGS.0);
        Self {
            scratch,
            apart,
            filter: (0..taps).map(|i| (tap(i) / sum) as f32).collect(),
            past: prefaulted(0.0, taps + CELL as usize),
            kept: prefaulted(0.0, 4 * FRAME),
            own: (first..=lag(LAGS.1)).map(|lag| own(lag) / own(0)).collect(),
            window: window.into(),
            first,
            frame: prefaulted(0.0, 2 * FRAME),
            spectrum: prefaulted(Complex32::ZERO, FRAME + 1),
            width: USUAL,
            forward,
            inverse,
        }
    }

    /// The place among [`LENGTHS`] of the window that tells this sound's partials apart.
    pub fn width(&self) -> usize {
        self.width
    }

    /// Takes in the sound, a cell at most, from sample `from` on.
    pub fn feed(&mut self, from: u64, samples: &[f32]) {
        let (taps, apart) = (self.filter.len(), self.apart as u64);
        let samples = samples.get(..CELL as usize).unwrap_or(samples);
        if let Some(past) = self.past.get_mut(taps..taps + samples.len()) {
            past.copy_from_slice(samples);
        }
        for count in from / apart + 1..=(from + samples.len() as u64) / apart {
            // The last sample that it is made of is the one before.
            let end = taps + (count * apart - from) as usize;
            let past = self.past.get(end - taps..end).unwrap_or_default();
            // Eight sums side by side, which the compiler makes vectors of.
            let mut sums = [0.0f32; 8];
            for (x, w) in past.chunks_exact(8).zip(self.filter.chunks_exact(8)) {
                sums.iter_mut().zip(x.iter().zip(w)).for_each(|(sum, (x, w))| *sum += x * w);
            }
            if let Some(kept) = self.kept.get_mut(count as usize % (4 * FRAME)) {
                *kept = sums.iter().sum();
            }
        }
        self.past.copy_within(samples.len().., 0);
    }

    /// Does a step of the frame around the sample `middle`.
    pub fn step(&mut self, step: PeriodStep, middle: u64) {
        match step {
            PeriodStep::Load => {
                let start = (middle / self.apart as u64).wrapping_sub(FRAME as u64 / 2);
                let (frame, rest) = self.frame.split_at_mut(FRAME);
                rest.fill(0.0);
                for (i, (x, w)) in frame.iter_mut().zip(&self.window).enumerate() {
                    let place = start.wrapping_add(i as u64) as usize % (4 * FRAME);
                    let y = self.kept.get(place).copied().unwrap_or(0.0) * w;
                    *x = if y.abs() < 1e-12 { 0.0 } else { y };
                }
            }
            PeriodStep::Transform => {
                let scratch = part(&mut self.scratch, self.forward.get_scratch_len());
                transform::forward(&*self.forward, &mut self.frame, &mut self.spectrum, scratch);
            }
            PeriodStep::Correlate => {
                flatten(&mut self.spectrum);
                let scratch = part(&mut self.scratch, self.inverse.get_scratch_len());
                transform::inverse(&*self.inverse, &mut self.spectrum, &mut self.frame, scratch);
            }
            PeriodStep::Choose => self.choose(),
        }
    }

    fn choose(&mut self) {
        let energy = self.frame.first().copied().unwrap_or(0.0);
        if energy < 1e-12 {
            return;
        }
        let likeness = self.frame.get_mut(self.first..).unwrap_or_default();
        let mut best = 0.0f32;
        for (x, own) in likeness.iter_mut().zip(&self.own) {
            *x /= own * energy;
            best = best.max(*x);
        }
        if best < WEAK {
            return;
        }
        let likeness = likeness.get(..self.own.len()).unwrap_or_default();
        let found = likeness.windows(3).position(|near| match near {
            &[a, b, c] => b >= a && b >= c && b >= AS_GOOD * best,
            _ => false,
        });
        let Some(found) = found else { return };
        // In samples at 44.1 and 48 kHz, for which the lengths are given.
        let period = ((self.first + found + 1) * 4) as f32;
        self.width = if 4.6 * period > LENGTHS[USUAL] as f32 {
            LENGTHS.iter().position(|&length| length as f32 > 7.0 * period).unwrap_or(LENGTHS.len() - 1)
        } else {
            USUAL
        };
    }
}

/// The first so many of what both transforms share.
fn part(scratch: &mut [Complex32], length: usize) -> &mut [Complex32] {
    scratch.get_mut(..length).unwrap_or_default()
}

/// Magnitudes in the place of powers: formants count less, so that a harmonic under one is not taken for the note.
fn flatten(spectrum: &mut [Complex32]) {
    for z in spectrum {
        *z = Complex32::new((z.re * z.re + z.im * z.im).sqrt(), 0.0);
    }
}

//! The fundamental and how harmonic a sound is, frame by frame.
//!
//! A window's autocorrelation, divided by that of the window itself, is at a lag of one period the share of power that
//! repeats (Boersma, Proceedings of the Institute of Phonetic Sciences 17, 1993). Lags at which it peaks are candidates;
//! of these the cheapest way through all frames is taken.

use std::f64::consts::{PI, TAU};
use std::sync::Arc;

use realfft::num_complex::Complex32;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use crate::Pitch;
use crate::rates::RatedSound;

/// The lowest fundamental that is looked for.
pub const LOWEST_HZ: f64 = 40.0;
/// The highest.
pub const HIGHEST_HZ: f64 = 4200.0;
/// Three periods of the lowest fundamental.
const WINDOW_SECONDS: f64 = 0.075;
/// Candidates kept in a frame.
const CANDIDATES: usize = 9;
/// What an octave lower costs: all multiples of a period repeat as well.
const OCTAVE_COST: f64 = 0.02;
/// Less than this share of power that repeats is no pitch.
const LEAST: f64 = 0.33;
/// What a leap of an octave from frame to frame costs, what beginning or ending does. At 10 ms a frame (Boersma 1993).
const LEAP_COST: f64 = 0.35;
const TURN_COST: f64 = 0.14;
/// Frames so much quieter than the loudest have no pitch, as a ratio of amplitudes.
const QUIET: f64 = 0.001;
/// Lags on each side from which the autocorrelation between lags is made.
const SINC: isize = 16;

/// A fundamental that may be.
#[derive(Clone, Copy, Debug)]
struct Candidate {
    hz: f32,
    /// The share of power that repeats.
    repeats: f32,
}

/// Looks for candidates, frame by frame.
pub struct PitchListener {
    window: Vec<f32>,
    /// 1 over the window's own autocorrelation.
    own: Vec<f32>,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    buffer: Vec<f32>,
    spectrum: Vec<Complex32>,
    scratch: Vec<Complex32>,
    rate: f64,
    heard: Vec<HeardPitch>,
}

struct HeardPitch {
    loudness: f32,
    candidates: Vec<Candidate>,
}

impl PitchListener {
    /// For `rate` samples a second.
    pub fn new(planner: &mut RealFftPlanner<f32>, rate: f64) -> Self {
        let length = ((WINDOW_SECONDS * rate).round() as usize).max(8);
        let lags = (rate / LOWEST_HZ).ceil() as usize + SINC as usize + 2;
        let size = (length + lags).next_power_of_two();
        let (forward, inverse) = (planner.plan_fft_forward(size), planner.plan_fft_inverse(size));
        let window: Vec<f32> =
            (0..length).map(|i| (0.5 - 0.5 * (TAU * (i as f64 + 0.5) / length as f64).cos()) as f32).collect();
        let scratch = forward.get_scratch_len().max(inverse.get_scratch_len());
        let mut listener = Self {
            buffer: forward.make_input_vec(),
            spectrum: forward.make_output_vec(),
            scratch: vec![Complex32::default(); scratch],
            own: vec![1.0; lags],
            forward,
            inverse,
            rate,
            heard: Vec::new(),
            window,
        };
        listener.buffer.fill(0.0);
        listener.buffer[..length].copy_from_slice(&listener.window);
        listener.correlate();
        listener.own = listener.buffer[..lags].iter().map(|r| listener.buffer[0] / r).collect();
        listener
    }

    /// The autocorrelation of what is in the buffer.
    fn correlate(&mut self) {
        let fits = "the buffers are the transform's own";
        self.forward.process_with_scratch(&mut self.buffer, &mut self.spectrum, &mut self.scratch).expect(fits);
        for bin in &mut self.spectrum {
            *bin = Complex32::new(bin.norm_sqr(), 0.0);
        }
        self.inverse.process_with_scratch(&mut self.spectrum, &mut self.buffer, &mut self.scratch).expect(fits);
    }

    /// Listens around `seconds`.
    pub fn take(&mut self, sound: &RatedSound, seconds: f64) {
        let length = self.window.len();
        let first = (seconds * self.rate).round() as isize - length as isize / 2;
        self.buffer.fill(0.0);
        let skip = (-first).max(0) as usize;
        let from = first.max(0) as usize;
        let to = ((first + length as isize).max(0) as usize).min(sound.samples.len());
        let inside = sound.samples.get(from..to).unwrap_or_default();
        let mean = inside.iter().map(|&x| f64::from(x)).sum::<f64>() / inside.len().max(1) as f64;
        for ((y, x), w) in self.buffer[skip.min(length)..].iter_mut().zip(inside).zip(&self.window[skip.min(length)..])
        {
            *y = (x - mean as f32) * w;
        }
        let power: f64 = self.buffer[..length].iter().map(|&y| f64::from(y * y)).sum();
        let loudness = (power / length as f64).sqrt() as f32;
        let candidates = if power > 1e-12 { self.candidates() } else { Vec::new() };
        self.heard.push(HeardPitch { loudness, candidates });
    }

    fn candidates(&mut self) -> Vec<Candidate> {
        self.correlate();
        let scale = 1.0 / self.buffer[0];
        let lags = self.own.len();
        for (r, own) in self.buffer[..lags].iter_mut().zip(&self.own) {
            *r *= own * scale;
        }
        let r = &self.buffer[..lags];
        let least = ((self.rate / HIGHEST_HZ).floor() as usize).max(2);
        let most = (self.rate / LOWEST_HZ).ceil() as usize;
        let mut tops: Vec<(usize, f64)> = (least..most.min(lags - 1))
            .filter(|&k| r[k] > 0.15 && r[k] > r[k - 1] && r[k] >= r[k + 1])
            .map(|k| {
                let (a, b, c) = (f64::from(r[k - 1]), f64::from(r[k]), f64::from(r[k + 1]));
                let height = b + 0.125 * (a - c).powi(2) / (2.0 * b - a - c).max(1e-9);
                (k, height - self.dear(k as f64))
            })
            .collect();
        tops.sort_by(|a, b| b.1.total_cmp(&a.1));
        tops.truncate(CANDIDATES);
        let mut found: Vec<Candidate> = tops
            .into_iter()
            .map(|(k, _)| {
                let (lag, height) = top(r, k);
                // Heights above 1 come from windows that reach over a beginning: folded back (Boersma 1993).
                let height = if height > 1.0 { 1.0 / height } else { height };
                Candidate { hz: (self.rate / lag) as f32, repeats: height as f32 }
            })
            .filter(|c| (LOWEST_HZ..=HIGHEST_HZ).contains(&f64::from(c.hz)))
            .collect();
        found.shrink_to_fit();
        found
    }

    /// What a lag costs.
    fn dear(&self, lag: f64) -> f64 {
        OCTAVE_COST * (HIGHEST_HZ * lag / self.rate).log2()
    }

    /// The cheapest way through all that was heard.
    pub fn finish(self, hop: f64) -> Vec<Pitch> {
        let loudest = f64::from(self.heard.iter().map(|h| h.loudness).fold(0.0, f32::max));
        let pace = 0.01 / hop;
        // State 0 is no pitch; state k is candidate k - 1.
        let mut worth: Vec<f64> = Vec::new();
        let mut ways: Vec<Vec<u8>> = Vec::with_capacity(self.heard.len());
        let mut before: Option<&HeardPitch> = None;
        for heard in &self.heard {
            let quiet = (QUIET * loudest - f64::from(heard.loudness)) / (QUIET * loudest).max(1e-12);
            let none = LEAST + quiet.max(0.0) * 2.0;
            let own = std::iter::once(none)
                .chain(heard.candidates.iter().map(|c| f64::from(c.repeats) - self.dear(self.rate / f64::from(c.hz))));
            let mut way = Vec::with_capacity(heard.candidates.len() + 1);
            let next = own
                .enumerate()
                .map(|(state, own)| {
                    let best = worth
                        .iter()
                        .enumerate()
                        .map(|(from, worth)| (from, worth - pace * turn(before, from, heard, state)))
                        .max_by(|a, b| a.1.total_cmp(&b.1));
                    way.push(best.map_or(0, |b| b.0 as u8));
                    own + best.map_or(0.0, |b| b.1)
                })
                .collect();
            ways.push(way);
            worth = next;
            before = Some(heard);
        }
        let mut state = (0..worth.len()).max_by(|&a, &b| worth[a].total_cmp(&worth[b])).unwrap_or(0);
        let mut pitch: Vec<Pitch> = Vec::with_capacity(self.heard.len());
        for (frame, heard) in self.heard.iter().enumerate().rev() {
            let chosen = state.checked_sub(1).map(|k| heard.candidates[k]);
            pitch.push(Pitch {
                seconds: frame as f64 * hop,
                hz: chosen.map(|c| f64::from(c.hz)),
                harmonicity: chosen.map_or(0.0, |c| f64::from(c.repeats).clamp(0.0, 1.0)),
            });
            state = usize::from(ways[frame][state]);
        }
        pitch.reverse();
        pitch
    }
}

/// What it costs to go from a state of one frame to a state of the next.
fn turn(before: Option<&HeardPitch>, from: usize, heard: &HeardPitch, to: usize) -> f64 {
    let old = before.and_then(|h| from.checked_sub(1).map(|k| h.candidates[k].hz));
    let new = to.checked_sub(1).map(|k| heard.candidates[k].hz);
    match (old, new) {
        (Some(a), Some(b)) => LEAP_COST * f64::from((b / a).log2().abs()),
        (None, None) => 0.0,
        _ => TURN_COST,
    }
}

/// Where between the lags a peak of the autocorrelation is, and how high: it is band-limited, so that a windowed sinc tells
/// its values between the lags.
fn top(r: &[f32], k: usize) -> (f64, f64) {
    let value = |lag: f64| -> f64 {
        let middle = lag.round() as isize;
        let off = lag - middle as f64;
        let sine = (PI * off).sin() / PI;
        (-SINC..=SINC)
            .filter_map(|i| {
                // The autocorrelation is even.
                let sample = f64::from(*r.get((middle + i).unsigned_abs())?);
                let x = off - i as f64;
                let share = x / (SINC as f64 + 1.0);
                let window = (1.0 - share * share).powi(2);
                let sign = if i % 2 == 0 { 1.0 } else { -1.0 };
                Some(sample * window * if x.abs() < 1e-9 { 1.0 } else { sign * sine / x })
            })
            .sum()
    };
    let (mut low, mut high) = (k as f64 - 1.0, k as f64 + 1.0);
    // Golden section: the peak lies between the neighbours.
    let golden = (5f64.sqrt() - 1.0) / 2.0;
    let (mut a, mut b) = (high - golden * (high - low), low + golden * (high - low));
    let (mut at_a, mut at_b) = (value(a), value(b));
    for _ in 0..12 {
        if at_a > at_b {
            (high, b, at_b) = (b, a, at_a);
            a = high - golden * (high - low);
            at_a = value(a);
        } else {
            (low, a, at_a) = (a, b, at_b);
            b = low + golden * (high - low);
            at_b = value(b);
        }
    }
    if at_a > at_b { (a, at_a) } else { (b, at_b) }
}

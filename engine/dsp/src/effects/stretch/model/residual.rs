//! What is left of a source without its partials and attacks, and the partials alone: the model's own sound at full
//! pace, and the spectra of both.

use super::super::bank::{Bank, Between};
use super::strength::StrengthMeter;
use super::{Attack, Breakpoint, ModelTold, Strength};
use crate::CELL;
use crate::bytes::{many, plan_bytes};
use crate::prefault::prefaulted;
use crate::transform;
use crate::windows::{hann, scaled};
use realfft::num_complex::Complex32;
use realfft::{RealFftPlanner, RealToComplex};
use std::sync::Arc;

/// See the module.
pub(super) struct Residual {
    forward: Arc<dyn RealToComplex<f32>>,
    scratch: Box<[Complex32]>,
    window: Box<[f32]>,
    /// Rings of two frames.
    rest: Box<[f32]>,
    partials: Box<[f32]>,
    frame: Box<[f32]>,
    spectra: [Box<[Complex32]>; 2],
    bank: Bank,
    meter: StrengthMeter,
    /// Where it has come to.
    at: u64,
    /// The breakpoint on the left, by its number, and whether the onset behind it is past; `None` before the first.
    left: Option<(u64, bool)>,
    start: u64,
    end: u64,
    /// The last onset that was passed, or lies at the end.
    onset: Option<u64>,
    /// The sample after the frame in work, if there is one, and after the last.
    due: bool,
    framed: u64,
}

impl Residual {
    /// Bytes that one takes beside itself.
    pub fn bytes(rate: u32) -> usize {
        let size = scaled(2048, rate);
        many::<f32>(6 * size) + many::<Complex32>(2 * (size / 2 + 1)) + Bank::bytes() + plan_bytes(size)
    }

    /// For `rate` samples a second; allocates all that it needs.
    pub fn new(rate: u32) -> Self {
        let size = scaled(2048, rate);
        let forward = RealFftPlanner::new().plan_fft_forward(size);
        let window = hann(size);
        // A frame of noise reads its variance per sample in every bin.
        let gain = 1.0 / window.iter().map(|w| w * w).sum::<f32>().sqrt();
        Self {
            scratch: prefaulted(Complex32::ZERO, forward.get_scratch_len()),
            window: window.iter().map(|w| w * gain).collect(),
            rest: prefaulted(0.0, 2 * size),
            partials: prefaulted(0.0, 2 * size),
            frame: prefaulted(0.0, size),
            spectra: std::array::from_fn(|_| prefaulted(Complex32::ZERO, size / 2 + 1)),
            bank: Bank::new(),
            meter: StrengthMeter::default(),
            at: 0,
            left: None,
            start: 0,
            end: 0,
            onset: None,
            due: false,
            framed: 0,
            forward,
        }
    }

    /// Makes up to a cell more of both sounds, as far as there are breakpoints, and tells how strong the source is beside them.
    pub fn go_on(
        &mut self,
        attack: Attack,
        breakpoints: &ModelTold<Breakpoint>,
        read: &impl Fn(i64, &mut [f32]),
        mut tell: impl FnMut(Strength),
    ) {
        if self.at >= self.end && !self.enter(breakpoints) {
            return;
        }
        let samples = (self.end - self.at).min(CELL) as usize;
        let mut partials = [0.0; CELL as usize];
        let mut sound = [0.0; CELL as usize];
        self.bank.sound((self.at - self.start) as f64, 1.0, samples, &mut partials);
        let Some(sound) = sound.get_mut(..samples) else { return };
        read(self.at as i64, sound);
        let mask = self.rest.len() - 1;
        for ((&sound, &partial), at) in sound.iter().zip(&partials).zip(self.at..) {
            let gain = match self.onset {
                Some(onset) => 1.0 - attack.at(at as i64 - onset as i64),
                None => 1.0,
            };
            let left = (sound - partial) * gain;
            if let Some(strength) = self.meter.take_in(at, sound, partial, left) {
                tell(strength);
            }
            let place = at as usize & mask;
            if let (Some(rest), Some(partials)) = (self.rest.get_mut(place), self.partials.get_mut(place)) {
                *rest = left;
                *partials = partial * gain;
            }
        }
        self.at += samples as u64;
    }

    /// Goes on to the next stretch between breakpoints, if there is one.
    fn enter(&mut self, breakpoints: &ModelTold<Breakpoint>) -> bool {
        let (number, past) = match self.left {
            None => {
                let Some(first) = breakpoints.count().checked_sub(2) else { return false };
                let Some(first_breakpoint) = breakpoints.get(first) else { return false };
                self.at = first_breakpoint.middle;
                self.framed = self.at;
                (first, false)
            }
            Some((number, true)) => (number + 1, false),
            // The onset is next.
            Some((number, false)) => match breakpoints.get(number + 1) {
                Some(next) if self.end < next.middle => (number, true),
                _ => (number + 1, false),
            },
        };
        let (Some(left), Some(right)) = (breakpoints.get(number), breakpoints.get(number + 1)) else {
            return false;
        };
        let (start, end, between) = match (right.onset, past) {
            (Some(onset), true) => (onset, right.middle, Between::OnsetAndBreakpoint),
            (Some(onset), false) if onset > left.middle => (left.middle, onset, Between::BreakpointAndOnset),
            _ => (left.middle, right.middle, Between::Breakpoints),
        };
        if right.onset.is_some() {
            self.onset = right.onset;
        }
        (self.start, self.end, self.at) = (start, end, start);
        self.left = Some((number, past));
        self.bank.change(between, left.partials(), right.partials(), (end - start) as f64, 0.0, None);
        true
    }

    /// Step: whether a frame is due.
    pub fn frame(&mut self) {
        let size = self.window.len() as u64;
        let hop = size / 2;
        self.due = self.left.is_some() && self.at >= self.framed + hop;
        if self.due {
            self.framed += hop;
            if self.at >= self.framed + hop {
                // Breakpoints came late: what was left out is not made up for.
                self.framed = self.at;
            }
        }
    }

    /// The middle of the frame in work.
    pub fn middle(&self) -> Option<u64> {
        self.due.then(|| self.framed.checked_sub(self.window.len() as u64 / 2)).flatten()
    }

    /// Step.
    pub fn transform_rest(&mut self) {
        if self.due {
            transform(
                &*self.forward,
                &self.rest,
                self.framed,
                &self.window,
                &mut self.frame,
                &mut self.spectra[0],
                &mut self.scratch,
            );
        }
    }

    /// Step.
    pub fn transform_partials(&mut self) {
        if self.due {
            transform(
                &*self.forward,
                &self.partials,
                self.framed,
                &self.window,
                &mut self.frame,
                &mut self.spectra[1],
                &mut self.scratch,
            );
        }
    }

    /// What is left, and the partials.
    pub fn spectra(&self) -> Option<(&[Complex32], &[Complex32])> {
        let [rest, partials] = &self.spectra;
        self.due.then_some((rest, partials))
    }
}

fn transform(
    plan: &dyn RealToComplex<f32>,
    ring: &[f32],
    end: u64,
    window: &[f32],
    frame: &mut [f32],
    spectrum: &mut [Complex32],
    scratch: &mut [Complex32],
) {
    let mask = ring.len() - 1;
    let start = (end as usize).wrapping_sub(window.len());
    for (i, (x, w)) in frame.iter_mut().zip(window).enumerate() {
        let y = ring.get(start.wrapping_add(i) & mask).copied().unwrap_or(0.0) * w;
        *x = if y.abs() < 1e-15 { 0.0 } else { y };
    }
    transform::forward(plan, frame, spectrum, scratch);
}

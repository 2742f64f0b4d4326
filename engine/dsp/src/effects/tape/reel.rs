//! The recording at a speed, round and round.

use super::interpolation::Kernel;
use super::{STILL, follow, ratio, smooth};
use crate::cross_fade;
use tenterhook_plan::Recording;

/// In these many seconds the reel comes to 63 % of another speed.
const REEL: f64 = 0.1;

/// Seconds of the recording over which its end and its beginning sound together, and within which its end is chosen.
const SPLICE: f64 = 0.02;
const RANGE: f64 = 0.04;

/// The recording at a speed, round and round.
#[derive(Clone, Copy)]
pub(super) struct Reel {
    /// Samples of the recording for each of ours at the recorded speed.
    ratio: f64,
    inertia: f64,
    splice: Splice,
    place: f64,
    speed: f64,
}

impl Reel {
    pub fn new(recording: &Recording, rate: u32) -> Self {
        let inertia = 1.0 - (-1.0 / (REEL * f64::from(rate.max(1)))).exp();
        Self {
            ratio: recording.tuned * ratio(recording, rate),
            inertia,
            splice: Splice::find(recording),
            place: 0.0,
            speed: 0.0,
        }
    }

    pub fn play(&mut self, x: f64, kernel: &Kernel, sound: &[f32]) -> f32 {
        follow(&mut self.speed, x, self.inertia);
        let gain = smooth(self.speed / STILL) as f32;
        if gain == 0.0 || self.splice.round <= 0.0 {
            return 0.0;
        }
        let pace = self.speed * self.ratio;
        let (end, length, round) = (self.splice.end, self.splice.length, self.splice.round);
        let mut heard = kernel.read(sound, self.place, pace);
        let into = self.place - (end - length);
        if into > 0.0 {
            let new = ((into / length) as f32).min(1.0);
            let both = heard * (1.0 - new) + kernel.read(sound, self.place - round, pace) * new;
            heard = both / cross_fade::loudness(new, self.splice.likeness);
        }
        self.place += pace;
        if self.place >= end {
            self.place = (self.place - round).clamp(0.0, end);
        }
        gain * heard
    }
}

/// Where a recording's end goes over into its beginning, in its samples.
#[derive(Clone, Copy, Debug)]
struct Splice {
    /// Where the end has faded out.
    end: f64,
    /// How long both sound.
    length: f64,
    /// From one time round to the next.
    round: f64,
    /// How alike both are, −1…1.
    likeness: f32,
}

impl Splice {
    /// The end within the last 40 ms that goes over best. Not for the audio thread: some million products.
    fn find(recording: &Recording) -> Self {
        let samples = |seconds: f64| (seconds * f64::from(recording.rate)) as usize;
        let sound = &recording.samples;
        let length = samples(SPLICE).min(sound.len() / 4);
        let beginning = sound.get(..length).unwrap_or_default();
        let product = |one: &[f32], other: &[f32]| -> f64 {
            one.iter().zip(other).map(|(a, b)| f64::from(*a) * f64::from(*b)).sum()
        };
        let likeness = |end: usize| {
            let last = sound.get(end - length..end).unwrap_or_default();
            let energy = product(last, last) * product(beginning, beginning);
            if energy > 1e-24 { (product(last, beginning) / energy.sqrt()) as f32 } else { 0.0 }
        };
        // Of equally good ends the last.
        let ends = (0..=samples(RANGE).min(sound.len() / 4)).map(|back| sound.len() - back);
        let (end, likeness) = ends
            .map(|end| (end, likeness(end)))
            .fold((sound.len(), f32::MIN), |best, one| if one.1 > best.1 + 1e-6 { one } else { best });
        Self { end: end as f64, length: length as f64, round: (end - length) as f64, likeness }
    }
}

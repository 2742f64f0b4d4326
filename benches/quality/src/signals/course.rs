//! How the source's time goes while the output's does.

use std::f64::consts::PI;

use crate::RATE;

/// At each sample of the output: where in the source's time it is, in seconds.
///
/// Controls (vibrato, decay, onsets) are read at that time; oscillators keep running in the output's time, so that their
/// phase is the integral of the frequency that the source has there.
#[derive(Clone, Debug)]
pub struct Course {
    /// The source's time, in seconds, never falling.
    pub place: Vec<f64>,
    /// What names it apart from others: noise is made afresh for each course.
    pub name: u64,
}

impl Course {
    /// Read `ratio` times slower.
    pub fn steady(seconds: f64, ratio: f64) -> Self {
        let length = (seconds * ratio * RATE).round() as usize;
        Self { place: (0..length).map(|i| i as f64 / RATE / ratio).collect(), name: ratio.to_bits() }
    }

    /// Read at a rate that moves: `slowness` at each sample of the output, until the source's end or that of `slowness`.
    /// The place is du/dt = 1/slowness, summed sample by sample.
    pub fn moving(seconds: f64, slowness: impl IntoIterator<Item = f64>) -> Self {
        let mut place = vec![];
        let mut now = 0.0;
        let mut name = 0u64;
        for ratio in slowness {
            if now >= seconds {
                break;
            }
            place.push(now);
            now += 1.0 / (ratio * RATE);
            name = name.rotate_left(5) ^ ratio.to_bits();
        }
        Self { place, name }
    }

    /// Samples of the output.
    pub fn len(&self) -> usize {
        self.place.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.place.is_empty()
    }

    /// The output's time at each sample.
    pub fn times(&self) -> impl Iterator<Item = f64> {
        (0..self.len()).map(|i| i as f64 / RATE)
    }

    /// The phase, in turns, of an oscillator whose frequency is a function of the source's time: trapezoid sums.
    pub fn turns(&self, hz: impl Fn(f64) -> f64) -> Vec<f64> {
        let mut turns = 0.0;
        let mut before = None;
        let phase = |&place: &f64| {
            let now = hz(place);
            turns += before.map_or(0.0, |before: f64| (before + now) / 2.0 / RATE);
            before = Some(now);
            turns
        };
        self.place.iter().map(phase).collect()
    }

    /// The first sample at or after a moment of the source, to the nearest; its end if it does not come to it.
    pub fn sample(&self, moment: f64) -> usize {
        let after = self.place.partition_point(|&place| place < moment);
        match (after.checked_sub(1).map(|before| self.place[before]), self.place.get(after)) {
            (Some(before), Some(&next)) if moment - before < next - moment => after - 1,
            _ => after,
        }
    }

    /// A raised cosine in and out of `length` seconds of the source, of a sound of `seconds`.
    pub fn fade(&self, seconds: f64, length: f64) -> impl Iterator<Item = f64> {
        self.place.iter().map(move |&u| 0.5 - 0.5 * (PI * (u.min(seconds - u) / length).clamp(0.0, 1.0)).cos())
    }
}

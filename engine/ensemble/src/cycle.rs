//! One cycle of a tone, as a table of exactly the harmonics that it may have, so that nothing folds back.

use std::f64::consts::TAU;

const POINTS: usize = 2048;

/// One cycle of a tone.
pub struct Cycle(Vec<f32>);

impl Cycle {
    /// A cycle from the cosine and sine amplitudes of harmonics 1, 2, 3, …
    pub fn new(harmonics: &[(f64, f64)]) -> Self {
        let sine: Vec<f64> = (0..POINTS).map(|i| (TAU * i as f64 / POINTS as f64).sin()).collect();
        let point = |i: usize| {
            let sum: f64 = harmonics
                .iter()
                .zip(1..)
                .map(|((cos, sin), k)| {
                    let place = i * k;
                    cos * sine[(place + POINTS / 4) % POINTS] + sin * sine[place % POINTS]
                })
                .sum();
            sum as f32
        };
        Self((0..POINTS).map(point).collect())
    }

    /// How many harmonics of `hz` lie below a limit, and below 45 % of the rate.
    pub fn harmonics_below(limit_hz: f64, hz: f64, rate: u32) -> usize {
        ((limit_hz.min(0.45 * f64::from(rate)) / hz) as usize).max(1)
    }

    /// The tone at a phase of 0…1, by a cubic through the four points around it (Catmull and Rom).
    pub fn at(&self, phase: f64) -> f64 {
        let place = phase * POINTS as f64;
        let whole = place as usize;
        let t = place - whole as f64;
        let p = |i: usize| f64::from(self.0[(whole + i + POINTS - 1) % POINTS]);
        let (a, b, c, d) = (p(0), p(1), p(2), p(3));
        b + 0.5 * t * (c - a + t * (2.0 * a - 5.0 * b + 4.0 * c - d + t * (3.0 * (b - c) + d - a)))
    }
}

/// A phase of 0…1 that goes round.
#[derive(Default)]
pub struct Phase(f64);

impl Phase {
    /// The phase now; then it moves on by `step` cycles.
    pub fn next(&mut self, step: f64) -> f64 {
        let now = self.0;
        self.0 += step;
        self.0 -= self.0.floor();
        now
    }
}

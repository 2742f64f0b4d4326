//! Second-order filters.

use std::f64::consts::{FRAC_1_SQRT_2, PI, TAU};

/// What is fainter than this in a filter's past becomes exactly 0, before it is a denormal number and slow.
const FAINT: f64 = 1e-20;

/// A second-order filter: y = b0 x + b1 x′ + b2 x″ − a1 y′ − a2 y″.
#[derive(Clone, Copy)]
pub struct Filter {
    b: [f64; 3],
    a: [f64; 2],
    s: [f64; 2],
}

impl Filter {
    fn normalised(b: [f64; 3], a: [f64; 3]) -> Self {
        Self { b: b.map(|b| b / a[0]), a: [a[1] / a[0], a[2] / a[0]], s: [0.0; 2] }
    }

    /// R. Bristow-Johnson's cookbook for audio biquads: cosine and alpha, the frequency kept below 45 % of the rate.
    fn cookbook(hz: f64, q: f64, rate: u32) -> (f64, f64) {
        let w = TAU * (hz / f64::from(rate)).min(0.45);
        (w.cos(), w.sin() / (2.0 * q))
    }

    /// Lets the high through; second-order Butterworth.
    pub fn highpass(hz: f64, rate: u32) -> Self {
        let (c, alpha) = Self::cookbook(hz, FRAC_1_SQRT_2, rate);
        let b = (1.0 + c) / 2.0;
        Self::normalised([b, -2.0 * b, b], [1.0 + alpha, -2.0 * c, 1.0 - alpha])
    }

    /// Lets the low through; second-order Butterworth.
    pub fn lowpass(hz: f64, rate: u32) -> Self {
        let (c, alpha) = Self::cookbook(hz, FRAC_1_SQRT_2, rate);
        let b = (1.0 - c) / 2.0;
        Self::normalised([b, 2.0 * b, b], [1.0 + alpha, -2.0 * c, 1.0 - alpha])
    }

    /// Lets a band through, unchanged at its centre.
    pub fn bandpass(hz: f64, q: f64, rate: u32) -> Self {
        let (c, alpha) = Self::cookbook(hz, q, rate);
        Self::normalised([alpha, 0.0, -alpha], [1.0 + alpha, -2.0 * c, 1.0 - alpha])
    }

    /// Raises a band by `db` at its centre.
    pub fn peak(hz: f64, q: f64, db: f64, rate: u32) -> Self {
        let (c, alpha) = Self::cookbook(hz, q, rate);
        let a = 10f64.powf(db / 40.0);
        Self::normalised([1.0 + alpha * a, -2.0 * c, 1.0 - alpha * a], [1.0 + alpha / a, -2.0 * c, 1.0 - alpha / a])
    }

    /// A resonance of the vocal tract, 1 at 0 Hz (Klatt 1980, JASA 67, 971, the digital resonator); lets everything
    /// through if it lies above what the rate can hold.
    pub fn formant(hz: f64, bandwidth_hz: f64, rate: u32) -> Self {
        let rate = f64::from(rate);
        if hz > 0.45 * rate {
            return Self { b: [1.0, 0.0, 0.0], a: [0.0; 2], s: [0.0; 2] };
        }
        let r = (-PI * bandwidth_hz / rate).exp();
        let (a1, a2) = (-2.0 * r * (TAU * hz / rate).cos(), r * r);
        Self { b: [1.0 + a1 + a2, 0.0, 0.0], a: [a1, a2], s: [0.0; 2] }
    }

    /// Takes another filter's response and keeps its own past.
    pub fn become_like(&mut self, other: &Self) {
        self.b = other.b;
        self.a = other.a;
    }

    /// The power response at a frequency.
    pub fn power(&self, hz: f64, rate: u32) -> f64 {
        let (sin, cos) = (TAU * hz / f64::from(rate)).sin_cos();
        let (sin2, cos2) = (2.0 * sin * cos, cos * cos - sin * sin);
        let square = |c0: f64, c1: f64, c2: f64| {
            let (re, im) = (c0 + c1 * cos + c2 * cos2, c1 * sin + c2 * sin2);
            re * re + im * im
        };
        square(self.b[0], self.b[1], self.b[2]) / square(1.0, self.a[0], self.a[1])
    }

    /// The next sample (transposed direct form II).
    pub fn next(&mut self, x: f64) -> f64 {
        let y = self.b[0] * x + self.s[0];
        self.s[0] = self.b[1] * x - self.a[0] * y + self.s[1];
        self.s[1] = self.b[2] * x - self.a[1] * y;
        if self.s[0].abs() + self.s[1].abs() < FAINT {
            self.s = [0.0; 2];
        }
        y
    }
}

/// From 0 at 0 to 1 at 1, level at both ends; 0 before and 1 after.
pub fn smooth(t: f64) -> f64 {
    let t = t.clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

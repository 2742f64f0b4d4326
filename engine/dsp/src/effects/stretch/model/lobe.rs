//! What a Blackman window makes of a sinusoid: its answer to a glide within the window.
//!
//! The window is that of Harris, "On the use of windows for harmonic analysis with the discrete Fourier transform",
//! Proc. IEEE 66 (1978), 0.42 + 0.5 cos + 0.08 cos, centred on its middle.

use crate::bytes::many;
use std::f64::consts::TAU;

/// The table's places: in steps of an eighth up to 16.
const GLIDES: usize = 129;
const STEP: f32 = 0.125;

/// The window's variance in half windows squared: what a curve of the amplitude adds to the middle's, twice.
pub(super) const VARIANCE: f32 = 0.101_74;

/// The window at `t`, −1/2…1/2 of its length.
fn blackman(t: f64) -> f64 {
    0.42 + 0.5 * (TAU * t).cos() + 0.08 * (2.0 * TAU * t).cos()
}

/// A window's second half and its first.
pub(super) type Halves = (Box<[f32]>, Box<[f32]>);

/// The window's samples, from its middle on and up to its middle, as they lie at the start and at the end of a frame
/// that begins with the middle; scaled so that a sinusoid's peak reads its amplitude.
pub(super) fn halves(size: usize) -> Halves {
    let at = |i: i64| blackman(i as f64 / size as f64);
    let half = size as i64 / 2;
    let gain = 2.0 / (-half..half).map(at).sum::<f64>();
    let slice = |from: i64| (from..from + half).map(|i| (at(i) * gain) as f32).collect();
    (slice(0), slice(-half))
}

/// See the module.
pub(super) struct Lobe {
    bend: Box<[(f32, f32)]>,
}

impl Lobe {
    /// Works out the table.
    pub fn new() -> Self {
        let bend = |glide: f64| {
            let (mut re, mut im, mut sum) = (0.0, 0.0, 0.0);
            for i in 0..400 {
                let t = (i as f64 + 0.5) / 200.0 - 1.0;
                let weight = blackman(t / 2.0);
                re += weight * (glide * t * t).cos();
                im += weight * (glide * t * t).sin();
                sum += weight;
            }
            ((re.hypot(im) / sum) as f32, (im.atan2(re) / TAU) as f32)
        };
        let step = f64::from(STEP);
        Self { bend: (0..GLIDES).map(|i| bend(i as f64 * step)).collect() }
    }

    /// Bytes that one takes beside itself.
    pub const fn bytes() -> usize {
        many::<(f32, f32)>(GLIDES)
    }

    /// What the transform's peak is over that of a steady sinusoid: part of its magnitude, and turns of phase added.
    /// `glide` is the phase in radians by which the curve of the frequency has left its tangent at the window's end.
    pub fn bend(&self, glide: f32) -> (f32, f32) {
        let place = (glide.abs() / STEP).min(GLIDES as f32 - 1.001);
        let (low, part) = (place as usize, place.fract());
        match self.bend.get(low..low + 2) {
            Some(&[a, b]) => {
                let turns = a.1 + (b.1 - a.1) * part;
                (a.0 + (b.0 - a.0) * part, if glide < 0.0 { -turns } else { turns })
            }
            _ => (1.0, 0.0),
        }
    }
}

//! What a Blackman window makes of a sinusoid: its main lobe and its answer to a glide or a decay within the window.
//!
//! The window is that of Harris, "On the use of windows for harmonic analysis with the discrete Fourier transform",
//! Proc. IEEE 66 (1978), 0.42 + 0.5 cos + 0.08 cos, centred on its middle.

use std::f64::consts::{PI, TAU};

/// How far from its frequency a sinusoid's lobe is known, in periods per window.
pub(super) const REACH: f32 = 6.0;

/// Places of the lobe's table per period per window.
const FINE: f32 = 64.0;

/// The places of the other table: decay in steps of a quarter up to 3, glide in steps of a quarter up to 16.
const DECAYS: usize = 13;
const GLIDES: usize = 65;
const STEP: f32 = 0.25;

/// The window at `t`, −1/2…1/2 of its length.
fn blackman(t: f64) -> f64 {
    0.42 + 0.5 * (TAU * t).cos() + 0.08 * (2.0 * TAU * t).cos()
}

/// The window's samples, from its middle on and up to its middle, as they lie at the start and at the end of a frame
/// that begins with the middle; scaled so that a sinusoid's peak reads its amplitude.
pub(super) fn halves(size: usize) -> (Box<[f32]>, Box<[f32]>) {
    let at = |i: i64| blackman(i as f64 / size as f64);
    let half = size as i64 / 2;
    let gain = 2.0 / (-half..half).map(at).sum::<f64>();
    let slice = |from: i64| (from..from + half).map(|i| (at(i) * gain) as f32).collect();
    (slice(0), slice(-half))
}

/// See the module.
pub(super) struct Lobe {
    shape: Box<[f32]>,
    bend: Box<[(f32, f32)]>,
}

impl Lobe {
    pub fn new() -> Self {
        let sinc = |q: f64| if q.abs() < 1e-9 { 1.0 } else { (PI * q).sin() / (PI * q) };
        let shape = |q: f64| {
            sinc(q) + (0.25 * (sinc(q - 1.0) + sinc(q + 1.0)) + 0.04 * (sinc(q - 2.0) + sinc(q + 2.0))) / 0.42
        };
        let places = (REACH * FINE) as usize + 2;
        let bend = |decay: f64, glide: f64| {
            let (mut re, mut im, mut sum) = (0.0, 0.0, 0.0);
            for i in 0..2000 {
                let t = (i as f64 + 0.5) / 1000.0 - 1.0;
                let weight = blackman(t / 2.0);
                let grown = weight * (decay * t).exp();
                re += grown * (glide * t * t).cos();
                im += grown * (glide * t * t).sin();
                sum += weight;
            }
            ((re.hypot(im) / sum).log2() as f32, (im.atan2(re) / TAU) as f32)
        };
        let step = f64::from(STEP);
        Self {
            shape: (0..places).map(|i| shape(i as f64 / f64::from(FINE)) as f32).collect(),
            bend: (0..DECAYS * GLIDES)
                .map(|i| bend((i / GLIDES) as f64 * step, (i % GLIDES) as f64 * step))
                .collect(),
        }
    }

    /// The transform at `q` periods per window beside a steady sinusoid's frequency, over that at it; 0 beyond [`REACH`].
    pub fn shape(&self, q: f32) -> f32 {
        let place = q.abs() * FINE;
        let low = place as usize;
        match self.shape.get(low..low + 2) {
            Some(&[a, b]) if place < REACH * FINE => a + (b - a) * (place - low as f32),
            _ => 0.0,
        }
    }

    /// What the transform's peak is over that of the steady sinusoid that the middle of the window alone would promise:
    /// octaves of magnitude and turns of phase. `decay` is the change of log amplitude over half a window, `glide` the
    /// phase in radians by which the curve of the frequency has left its tangent at the window's end.
    pub fn bend(&self, decay: f32, glide: f32) -> (f32, f32) {
        let place = |x: f32, most: usize| {
            let x = (x.abs() / STEP).min(most as f32 - 1.001);
            (x as usize, x.fract())
        };
        let ((i, x), (j, y)) = (place(decay, DECAYS), place(glide, GLIDES));
        let at = |i: usize, j: usize| self.bend.get(i * GLIDES + j).copied().unwrap_or((0.0, 0.0));
        let mix = |a: (f32, f32), b: (f32, f32), t: f32| (a.0 + (b.0 - a.0) * t, a.1 + (b.1 - a.1) * t);
        let (octaves, turns) = mix(mix(at(i, j), at(i, j + 1), y), mix(at(i + 1, j), at(i + 1, j + 1), y), x);
        (octaves, if glide < 0.0 { -turns } else { turns })
    }
}

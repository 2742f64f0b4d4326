//! How sure it is that a course of peaks is a partial: noise has peaks too, and they are joined like others.
//!
//! A partial's amplitude and phase go on as its frequency says; at places half a window apart noise is another. What is
//! left of a point's complex amplitude when what is expected from both sides is taken away is 1 for noise, as a share of
//! its power, and for a partial the share of noise in it.

use std::f32::consts::TAU;

use realfft::num_complex::Complex32;

use crate::tracks::Course;

/// The share of noise at which it is even whether there is a partial.
const EVEN: f32 = 0.07;
/// A course must last so many windows before it can be as sure as it gets.
const LASTING: f32 = 2.0;

/// How sure each point of a course is, 0…1. `hop` is from point to point in seconds, `window` the window at a frequency.
pub fn of(course: &Course, hop: f32, window: impl Fn(f32) -> f32) -> Vec<f32> {
    let peaks = &course.peaks;
    let steady = unwound(course, hop);
    let reach = |i: usize| ((window(peaks[i].hz) / 2.0 / hop).round() as usize).max(1);
    let noise: Vec<f32> = (0..peaks.len())
        .map(|i| {
            let far = reach(i);
            let here = steady[i];
            let before = i.checked_sub(far).map(|j| steady[j]);
            let after = steady.get(i + far).copied();
            match (before, after) {
                (Some(a), Some(b)) => {
                    let power = (a.norm_sqr() + b.norm_sqr() + here.norm_sqr()) / 3.0;
                    (a + b - here * 2.0).norm_sqr() / (6.0 * power)
                }
                (Some(a), None) | (None, Some(a)) => (a - here).norm_sqr() / (a.norm_sqr() + here.norm_sqr()),
                (None, None) => 1.0,
            }
        })
        .collect();
    let mut sums = vec![0.0f64; noise.len() + 1];
    for (i, n) in noise.iter().enumerate() {
        sums[i + 1] = sums[i] + f64::from(if n.is_finite() { *n } else { 1.0 });
    }
    (0..peaks.len())
        .map(|i| {
            let far = reach(i);
            let (from, to) = (i.saturating_sub(3 * far), (i + 3 * far + 1).min(noise.len()));
            let share = ((sums[to] - sums[from]) / (to - from) as f64) as f32;
            let lasting = (peaks.len() as f32 * hop / (LASTING * window(peaks[i].hz))).min(1.0);
            lasting / (1.0 + (share / EVEN).powi(4))
        })
        .collect()
}

/// The complex amplitudes of a course, turned back by what its frequency adds up to: those of a steady sine stand still.
pub fn unwound(course: &Course, hop: f32) -> Vec<Complex32> {
    let mut turned = 0.0f32;
    let mut last = course.peaks.first().map_or(0.0, |p| p.hz);
    course
        .peaks
        .iter()
        .map(|peak| {
            turned = (turned + 0.5 * (last + peak.hz) * hop).fract();
            last = peak.hz;
            Complex32::from_polar(peak.amplitude, peak.phase - TAU * turned)
        })
        .collect()
}

//! How sure it is that a course of peaks is a partial: noise has peaks too, and they are joined like others.
//!
//! A partial's amplitude and phase go on as its frequency says; at places half a window apart noise is another. What is
//! left of a point's complex amplitude when what is expected from both sides is taken away is 1 for noise, as a share of
//! its power, and for a partial the share of noise in it.

use std::f32::consts::TAU;

use realfft::num_complex::Complex32;

use crate::tracks::TrackCourse;

/// The share of noise at which it is even whether there is a partial.
const EVEN: f32 = 0.05;
/// The same for the three tenths of a course that are best: noise may go on like a partial for a while, not for long.
const EVEN_BEST: f32 = 0.08;
/// A partial that is so much weaker half a window earlier or later than here and on the other side, as a ratio of powers,
/// begins or ends here.
const STEP: f32 = 0.1;
/// The standard deviation of the Gaussian curve that is most like the window, as a share of its length.
const WINDOW_SPREAD: f32 = 0.14;
/// A course must last so many windows before it can be as sure as it gets.
const LASTING: f32 = 2.0;

/// How sure each point of a course is, 0…1. `hop` is from point to point in seconds, `window` the window at a frequency.
pub fn of(course: &TrackCourse, hop: f32, window: impl Fn(f32) -> f32) -> Vec<f32> {
    let peaks = &course.peaks;
    let steady = unwound(course, hop, &window);
    let reach = |i: usize| ((window(peaks[i].hz) / 2.0 / hop).round() as usize).max(1);
    let noise: Vec<f32> = (0..peaks.len())
        .map(|i| {
            let far = reach(i);
            let here = steady[i];
            let before = i.checked_sub(far).map(|j| steady[j]);
            let after = steady.get(i + far).copied();
            let side = |other: Complex32| (other - here).norm_sqr() / (other.norm_sqr() + here.norm_sqr());
            match (before, after) {
                // Where a partial begins or ends, one side alone knows it.
                (Some(a), Some(b)) if a.norm_sqr() < STEP * here.norm_sqr().min(b.norm_sqr()) => side(b),
                (Some(a), Some(b)) if b.norm_sqr() < STEP * here.norm_sqr().min(a.norm_sqr()) => side(a),
                (Some(a), Some(b)) => {
                    let power = (a.norm_sqr() + b.norm_sqr() + here.norm_sqr()) / 3.0;
                    (a + b - here * 2.0).norm_sqr() / (6.0 * power)
                }
                (Some(other), None) | (None, Some(other)) => side(other),
                (None, None) => 1.0,
            }
        })
        .collect();
    let mut sorted: Vec<f32> = noise.iter().map(|n| if n.is_finite() { *n } else { 1.0 }).collect();
    sorted.sort_by(f32::total_cmp);
    let best = sorted[sorted.len() * 3 / 10];
    let whole = 1.0 / (1.0 + (best / EVEN_BEST).powi(4));
    let mut sums = vec![0.0f64; noise.len() + 1];
    for (i, n) in noise.iter().enumerate() {
        sums[i + 1] = sums[i] + f64::from(if n.is_finite() { *n } else { 1.0 });
    }
    (0..peaks.len())
        .map(|i| {
            let far = reach(i);
            let mean = |from: usize, to: usize| ((sums[to] - sums[from]) / (to - from) as f64) as f32;
            let (back, on) = (i.saturating_sub(2 * far), (i + 2 * far + 1).min(noise.len()));
            let share = mean(back, i + 1).min(mean(i, on));
            let lasting = (peaks.len() as f32 * hop / (LASTING * window(peaks[i].hz))).min(1.0);
            whole * lasting / (1.0 + (share / EVEN).powi(4))
        })
        .collect()
}

/// The complex amplitudes of a course, turned back by what its frequency adds up to: those of a steady sine stand still.
///
/// A window shows a frequency smoothed, and the phase of a glide turned; both are undone as they are for a Gaussian window.
fn unwound(course: &TrackCourse, hop: f32, window: impl Fn(f32) -> f32) -> Vec<Complex32> {
    let peaks = &course.peaks;
    let hz = |i: usize, off: isize| peaks[i.saturating_add_signed(off).min(peaks.len() - 1)].hz;
    let mut turned = 0.0f32;
    let mut before = None;
    (0..peaks.len())
        .map(|i| {
            let spread = (WINDOW_SPREAD * window(peaks[i].hz)).powi(2);
            let inner = i >= 3 && i + 3 < peaks.len();
            let (slope, bend) = if inner {
                ((hz(i, 2) - hz(i, -2)) / (4.0 * hop), (hz(i, 3) - 2.0 * hz(i, 0) + hz(i, -3)) / (9.0 * hop * hop))
            } else {
                (0.0, 0.0)
            };
            let now = peaks[i].hz - 0.25 * spread * bend;
            turned = (turned + 0.5 * (before.unwrap_or(now) + now) * hop).fract();
            before = Some(now);
            let glide = 0.5 * (TAU * slope * spread).atan();
            Complex32::from_polar(peaks[i].amplitude, peaks[i].phase - glide - TAU * turned)
        })
        .collect()
}

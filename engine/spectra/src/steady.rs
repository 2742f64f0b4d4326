//! Moments in which partials stand still.

use std::ops::Range;

use crate::Study;
use crate::study::Kept;

/// A moment stands still for at least this long.
const SHORTEST_SECONDS: f64 = 0.1;
/// Interruptions shorter than this do not end it.
const GAP_SECONDS: f64 = 0.035;
/// A course is smoothed so far to each side before its slope is taken: a vibrato stands still on the whole.
const SMOOTH_SECONDS: f64 = 0.15;
/// The same for levels, which have no need of it.
const LEVEL_SECONDS: f64 = 0.06;
/// Partials that move faster do not stand still.
const CENTS_A_SECOND: f64 = 600.0;
/// Nor do such as grow or fade faster.
const DB_A_SECOND: f64 = 70.0;
/// The share of the power that must lie in partials.
const SHARE: f64 = 0.5;
/// A partial counts when it is so sure.
const SURE: f32 = 0.4;

/// Finds the steady moments.
pub fn find(kept: &[Kept], powers: &[f32], hop: f64, seconds: f64) -> Vec<Range<f64>> {
    let mut sums = vec![SteadySum::default(); powers.len()];
    let (pitch_kernel, level_kernel) = (kernel(SMOOTH_SECONDS, hop), kernel(LEVEL_SECONDS, hop));
    for Kept { course, sure } in kept {
        let cents: Vec<f64> = course.peaks.iter().map(|p| 1200.0 * f64::from(p.hz).log2()).collect();
        let levels: Vec<f64> = course.peaks.iter().map(|p| 20.0 * f64::from(p.amplitude.max(1e-9)).log10()).collect();
        for (i, peak) in course.peaks.iter().enumerate().filter(|&(i, _)| sure[i] >= SURE) {
            let power = 0.5 * f64::from(peak.amplitude).powi(2);
            let sum = &mut sums[course.first + i];
            sum.power += power;
            sum.moving += power * slope(&cents, i, &pitch_kernel).abs();
            sum.stirring += power * slope(&cents, i, &level_kernel).abs();
            sum.fading += power * slope(&levels, i, &level_kernel).abs();
        }
    }
    let still = |frame: usize, moving: fn(&SteadySum) -> f64| {
        let sum = &sums[frame];
        sum.power > 1e-10
            && sum.power >= SHARE * f64::from(powers[frame])
            && moving(sum) <= CENTS_A_SECOND * sum.power
            && sum.fading <= DB_A_SECOND * sum.power
    };
    let mut spans: Vec<Range<usize>> = Vec::new();
    for frame in (0..powers.len()).filter(|&frame| still(frame, |sum| sum.moving)) {
        match spans.last_mut() {
            Some(last) if ((frame - last.end) as f64) * hop <= GAP_SECONDS => last.end = frame + 1,
            _ => spans.push(frame..frame + 1),
        }
    }
    // Smoothed over a vibrato, a glide reaches into the steady moment beside it: each begins as soon and ends as late as its
    // partials stand still within a shorter time.
    let reach = (SMOOTH_SECONDS / hop / 2.0) as usize;
    let stands = |frame: &usize| still(*frame, |sum| sum.stirring);
    let mut after = 0;
    for i in 0..spans.len() {
        let before = spans.get(i + 1).map_or(powers.len(), |next| next.start);
        let span = &mut spans[i];
        let earliest = span.start.saturating_sub(reach).max(after);
        span.start = (earliest..span.start).rev().take_while(stands).last().unwrap_or(span.start);
        let latest = (span.end + reach).min(before);
        span.end = (span.end..latest).take_while(stands).last().map_or(span.end, |last| last + 1);
        after = span.end;
    }
    spans
        .into_iter()
        .map(|span| span.start as f64 * hop..((span.end - 1) as f64 * hop).min(seconds))
        .filter(|span| span.end - span.start >= SHORTEST_SECONDS)
        .collect()
}

#[derive(Clone, Default)]
struct SteadySum {
    power: f64,
    moving: f64,
    /// The same within a shorter time, in which a vibrato moves.
    stirring: f64,
    fading: f64,
}

/// Weights that make the slope, a second, of a course smoothed by a Hann window that reaches so far to each side: those
/// after a point, of which the ones before it are the negatives.
fn kernel(reach: f64, hop: f64) -> Vec<f64> {
    let count = (reach / hop).round().max(2.0) as usize;
    let raw = (1..count).map(|k| (std::f64::consts::PI * k as f64 / count as f64).sin());
    let weights: Vec<f64> = raw.collect();
    let unit: f64 = weights.iter().enumerate().map(|(k, w)| 2.0 * w * (k + 1) as f64 * hop).sum();
    weights.iter().map(|w| w / unit).collect()
}

/// A course's slope. Beyond its ends it goes on as it ended.
fn slope(values: &[f64], at: usize, kernel: &[f64]) -> f64 {
    let last = values.len() - 1;
    kernel
        .iter()
        .enumerate()
        .map(|(k, w)| w * (values[(at + k + 1).min(last)] - values[at.saturating_sub(k + 1)]))
        .sum()
}

impl Study {
    /// The steady pitched moment that carries most energy: of a word the held vowel. Without any, the whole sound.
    pub fn most_telling(&self) -> Range<f64> {
        let hop = self.beneath.hop;
        let energy = |span: &Range<f64>| -> f64 {
            let inside = self.pitch.iter().zip(&self.beneath.powers).filter(|(p, _)| {
                p.seconds >= span.start - hop / 2.0 && p.seconds <= span.end + hop / 2.0 && p.hz.is_some()
            });
            inside.map(|(p, &power)| p.harmonicity * f64::from(power)).sum()
        };
        self.steady
            .iter()
            .map(|span| (span, energy(span)))
            .filter(|(_, energy)| *energy > 0.0)
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .map_or(0.0..self.seconds, |(span, _)| span.clone())
    }
}

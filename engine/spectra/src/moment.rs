//! What a sound is made of between two times, from its tracks.

use std::f64::consts::{PI, TAU};
use std::ops::Range;

use crate::study::window;
use crate::{Moment, Partial, Study, formants};

/// A partial counts as one when it is so sure.
pub const SURE: f64 = 0.5;
/// Tracks this near to each other, as a share of 1 / window, that do not sound together are parts of one partial.
const SAME: f64 = 0.4;
/// A harmonic lies this near to its place, as a share of the fundamental, …
const HARMONIC: f64 = 0.12;
/// … and, since strings are stiff, farther as it is higher, as a ratio of its frequency.
const STIFF: f64 = 0.015;
/// At most so many partials.
const MOST: usize = 200;

/// The part of one track that lies in a span.
struct MomentPart {
    frames: Range<usize>,
    /// In how many of them it sounds.
    count: f64,
    hz: f64,
    /// Mean power of the sine, and mean sureness.
    power: f64,
    sure: f64,
}

impl Study {
    /// What the sound is made of in a span, in seconds; of a span that reaches beyond the sound, in what lies in it. A span
    /// shorter than the distance of two frames tells of the frame that is nearest.
    pub fn moment(&self, span: Range<f64>) -> Moment {
        let start = span.start.max(0.0).min(self.seconds);
        let end = span.end.max(start).min(self.seconds).max(start);
        let frames = self.frames(start, end);
        let mut partials = self.parts(&frames);
        partials.sort_by(|a, b| b.power.total_cmp(&a.power));
        partials.truncate(MOST);
        let fundamental_hz = self.fundamental(&frames, &partials);
        let total: f64 = frames.clone().filter_map(|f| self.beneath.powers.get(f)).map(|&p| f64::from(p)).sum();
        let share = |which: &dyn Fn(&MomentPart) -> bool| -> f64 {
            let sum: f64 = partials.iter().filter(|p| p.sure >= SURE && which(p)).map(|p| p.power * p.count).sum();
            if total > 0.0 { (sum / total).clamp(0.0, 1.0) } else { 0.0 }
        };
        let harmonicity = fundamental_hz.map_or(0.0, |f0| share(&|p| harmonic(p.hz, f0).is_some()));
        let noise = if total > 0.0 { 1.0 - share(&|_| true) } else { 0.0 };
        let formants = fundamental_hz.map_or_else(Vec::new, |f0| formants::find(self, frames, f0));
        let partial =
            |p: &MomentPart| Partial { hz: p.hz, db: 10.0 * (2.0 * p.power).max(1e-18).log10(), confidence: p.sure };
        Moment {
            span: start..end,
            partials: partials.iter().map(partial).collect(),
            fundamental_hz,
            harmonicity,
            formants,
            noise,
        }
    }

    /// The frames of a span: at least one, if there are any.
    fn frames(&self, start: f64, end: f64) -> Range<usize> {
        let (hop, count) = (self.beneath.hop, self.beneath.powers.len());
        if count == 0 || hop <= 0.0 {
            return 0..0;
        }
        let first = (start / hop - 1e-6).ceil().max(0.0) as usize;
        let after = ((end / hop + 1e-6).floor() as usize + 1).min(count);
        if first < after {
            return first..after;
        }
        let nearest = ((0.5 * (start + end) / hop).round() as usize).min(count - 1);
        nearest..nearest + 1
    }

    /// The partials that sound in these frames; of tracks that are parts of one partial, one.
    fn parts(&self, frames: &Range<usize>) -> Vec<MomentPart> {
        let mut parts: Vec<MomentPart> = (0..self.tracks.len()).filter_map(|track| self.part(track, frames)).collect();
        parts.sort_by(|a, b| a.hz.total_cmp(&b.hz));
        let mut joined: Vec<MomentPart> = Vec::with_capacity(parts.len());
        for part in parts {
            let near = SAME / f64::from(window(part.hz as f32));
            let same = joined.iter_mut().rev().take_while(|other| part.hz - other.hz < near).find(|other| {
                let together =
                    part.frames.end.min(other.frames.end).saturating_sub(part.frames.start.max(other.frames.start));
                together <= 2 && part.sure >= SURE && other.sure >= SURE
            });
            match same {
                Some(other) => other.join(&part),
                None => joined.push(part),
            }
        }
        joined
    }

    /// What of a track lies in these frames.
    fn part(&self, track: usize, frames: &Range<usize>) -> Option<MomentPart> {
        let points = &self.tracks[track].points;
        let first = (points.first()?.seconds / self.beneath.hop).round() as usize;
        let (from, to) = (frames.start.max(first), frames.end.min(first + points.len()));
        if from >= to {
            return None;
        }
        let inside = &points[from - first..to - first];
        let powers: Vec<f64> = inside.iter().map(|p| 0.5 * 10f64.powf(p.db / 10.0)).collect();
        let sum: f64 = powers.iter().sum();
        let mean = |value: &dyn Fn(usize) -> f64| (0..inside.len()).map(|i| powers[i] * value(i)).sum::<f64>() / sum;
        let hz = mean(&|i| inside[i].hz);
        let phases = self.beneath.phases.get(track).and_then(|p| p.get(from - first..to - first)).unwrap_or_default();
        let rest = if phases.len() == inside.len() {
            let hz: Vec<f64> = inside.iter().map(|p| p.hz).collect();
            drift(&hz, phases, &powers, self.beneath.hop)
        } else {
            0.0
        };
        // What phases say beyond this, noise says.
        let limit = 0.25 / f64::from(window(hz as f32));
        Some(MomentPart {
            frames: from..to,
            count: (to - from) as f64,
            hz: hz + if rest.abs() <= limit { rest } else { 0.0 },
            power: sum / inside.len() as f64,
            sure: mean(&|i| inside[i].confidence),
        })
    }

    /// The fundamental of these frames, if at least half of their power has one.
    fn fundamental(&self, frames: &Range<usize>, parts: &[MomentPart]) -> Option<f64> {
        let mut pitched: Vec<(f64, f64)> = Vec::new();
        let mut total = 0.0;
        for frame in frames.clone() {
            let power = f64::from(*self.beneath.powers.get(frame)?);
            total += power;
            if let Some(hz) = self.pitch.get(frame).and_then(|p| p.hz) {
                pitched.push((hz, power));
            }
        }
        let sum: f64 = pitched.iter().map(|p| p.1).sum();
        if pitched.is_empty() || 2.0 * sum < total {
            return None;
        }
        pitched.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut so_far = 0.0;
        let median = pitched
            .iter()
            .find(|(_, power)| {
                so_far += power;
                2.0 * so_far >= sum
            })?
            .0;
        // Its harmonics know it better.
        let (mut weighted, mut weights) = (0.0, 0.0);
        for part in parts.iter().filter(|p| p.sure >= SURE) {
            if let Some(k) = harmonic(part.hz, median).filter(|&k| k <= 8.0) {
                let weight = part.power * part.count;
                weighted += weight * k * part.hz;
                weights += weight * k * k;
            }
        }
        let better = weighted / weights;
        Some(if weights > 0.0 && (1200.0 * (better / median).log2()).abs() < 50.0 { better } else { median })
    }
}

/// Which harmonic of a fundamental a frequency is.
pub fn harmonic(hz: f64, fundamental: f64) -> Option<f64> {
    let k = (hz / fundamental).round();
    let off = (hz - k * fundamental).abs();
    (k >= 1.0 && off <= (HARMONIC * fundamental).max(STIFF * hz).min(0.3 * fundamental)).then_some(k)
}

impl MomentPart {
    fn join(&mut self, other: &MomentPart) {
        let (a, b) = (self.count * self.power, other.count * other.power);
        let mean = |x: f64, y: f64| (a * x + b * y) / (a + b);
        (self.hz, self.sure) = (mean(self.hz, other.hz), mean(self.sure, other.sure));
        self.count += other.count;
        self.power = (a + b) / self.count;
        self.frames = self.frames.start.min(other.frames.start)..self.frames.end.max(other.frames.end);
    }
}

/// By how much, in Hz, phases go on faster than the frequencies say: the slope of their difference, by weighted least
/// squares.
fn drift(hz: &[f64], phases: &[f32], weights: &[f64], hop: f64) -> f64 {
    let (mut turned, mut unwrapped, mut before) = (0.0, 0.0, 0.0);
    let (mut s, mut sx, mut sy, mut sxx, mut sxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for i in 0..hz.len() {
        if i > 0 {
            turned += PI * (hz[i - 1] + hz[i]) * hop;
        }
        let rest = f64::from(phases[i]) - turned;
        unwrapped = if i == 0 { rest } else { unwrapped + (rest - before + PI).rem_euclid(TAU) - PI };
        before = rest;
        let (x, w) = (i as f64 * hop, weights[i]);
        s += w;
        sx += w * x;
        sy += w * unwrapped;
        sxx += w * x * x;
        sxy += w * x * unwrapped;
    }
    let spread = s * sxx - sx * sx;
    if hz.len() < 3 || spread <= 1e-12 * s * sxx { 0.0 } else { (s * sxy - sx * sy) / spread / TAU }
}

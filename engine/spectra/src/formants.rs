//! Formants: the resonances that shape the levels of harmonics.
//!
//! Harmonics show the envelope only where they stand, so no curve is drawn through them: a chain of resonances, as it is
//! known to make voices (Fant, Acoustic Theory of Speech Production, 1960), is fitted to their levels, each where it stood.
//! Where the voice moves they stand elsewhere from frame to frame, and tell more. How far the levels determine a resonance
//! comes with the fit; one that they do not is not told.

use std::ops::Range;

use crate::moment::harmonic;
use crate::resonances::{self, HarmonicLevel};
use crate::{Formant, Study};

/// A point counts as a harmonic when it is so sure.
const SURE: f64 = 0.3;
/// No voice's formants show between harmonics that lie so far apart.
const HIGHEST_FUNDAMENTAL_HZ: f64 = 700.0;
/// Frames are put together by their fundamental in at most so many groups, …
const GROUPS: usize = 6;
/// … each at least so wide, as a ratio.
const GROUP_WIDTH: f64 = 1.008;
/// A harmonic must be seen in so many of a group's frames.
const SEEN: f64 = 0.3;
/// Levels so far below the strongest harmonic's tell of noise rather than of resonances.
const DEPTH_DB: f64 = 70.0;
/// A formant is told when it is known this well: the standard deviation of the logarithm of its frequency.
const KNOWN: f64 = 0.1;
/// What is broader than this is no resonance.
const BROADEST_HZ: f64 = 600.0;

/// The formants in these frames.
pub fn find(study: &Study, frames: Range<usize>, fundamental: f64) -> Vec<Formant> {
    if fundamental > HIGHEST_FUNDAMENTAL_HZ {
        return Vec::new();
    }
    let top = resonances::top(fundamental).min(0.46 * f64::from(study.rate));
    let levels = levels(study, frames, fundamental, top);
    let Some(found) = resonances::fit(&levels, fundamental, top) else {
        return Vec::new();
    };
    let told = found.into_iter().filter(|r| r.spread < KNOWN && r.bandwidth_hz < BROADEST_HZ && r.hz < top);
    told.map(|r| Formant { hz: r.hz, bandwidth_hz: r.bandwidth_hz }).collect()
}

/// Sums over the points of one harmonic in one group.
#[derive(Clone, Copy, Default)]
struct FormantSum {
    count: f64,
    hz: f64,
    power: f64,
}

/// The harmonics' levels up to `top`, for each group of frames of about the same fundamental.
fn levels(study: &Study, frames: Range<usize>, fundamental: f64, top: f64) -> Vec<HarmonicLevel> {
    let near = |hz: &f64| (hz / fundamental).log2().abs() < 0.5;
    let pitch: Vec<Option<f64>> = frames.clone().map(|f| study.pitch.get(f).and_then(|p| p.hz).filter(near)).collect();
    let mut sorted: Vec<f64> = pitch.iter().flatten().copied().collect();
    if sorted.is_empty() {
        return Vec::new();
    }
    sorted.sort_by(f64::total_cmp);
    let (low, high) = (sorted[sorted.len() / 20], sorted[sorted.len() - 1 - sorted.len() / 20]);
    let groups = (((high / low).ln() / GROUP_WIDTH.ln()).floor() as usize).clamp(1, GROUPS);
    let group = |hz: f64| -> usize {
        if groups == 1 { 0 } else { (((hz / low).ln() / (high / low).ln() * groups as f64) as usize).min(groups - 1) }
    };
    let mut sizes = vec![0.0f64; groups];
    pitch.iter().flatten().for_each(|&hz| sizes[group(hz)] += 1.0);
    let count = (top / low) as usize + 2;
    let mut sums = vec![FormantSum::default(); groups * count];
    for track in &study.tracks {
        let Some(first) = track.points.first().map(|p| (p.seconds / study.beneath.hop).round() as usize) else {
            continue;
        };
        let (from, to) = (frames.start.max(first), frames.end.min(first + track.points.len()));
        for frame in from..to {
            let point = track.points[frame - first];
            let Some(hz) = pitch[frame - frames.start] else { continue };
            if point.confidence < SURE || point.hz > top {
                continue;
            }
            if let Some(k) = harmonic(point.hz, hz).map(|k| k as usize).filter(|&k| k < count) {
                let sum = &mut sums[group(hz) * count + k];
                sum.count += 1.0;
                sum.hz += point.hz;
                sum.power += 10f64.powf(point.db / 10.0);
            }
        }
    }
    let most = sizes.iter().copied().fold(0.0, f64::max);
    let mut levels: Vec<HarmonicLevel> = (0..groups * count)
        .filter(|i| sums[*i].count > 0.0 && sums[*i].count >= SEEN * sizes[i / count] && sizes[i / count] >= 0.1 * most)
        .map(|i| {
            let sum = sums[i];
            HarmonicLevel {
                hz: sum.hz / sum.count,
                db: 10.0 * (sum.power / sum.count).max(1e-18).log10(),
                harmonic: i % count,
            }
        })
        .collect();
    let strongest = levels.iter().map(|l| l.db).fold(f64::NEG_INFINITY, f64::max);
    levels.retain(|l| l.db > strongest - DEPTH_DB);
    levels
}

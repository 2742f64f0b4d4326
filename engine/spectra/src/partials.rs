//! The peaks of a spectrum.

use std::f64::consts::TAU;
use std::ops::Range;

use crate::frames::Frames;

/// Peaks that lie so far under the spectrum's highest are not looked at: the window's side lobes begin at 92 dB.
const DEPTH: f32 = 1e-8;
/// Nor are peaks below -120 dBFS.
const FLOOR: f32 = 1e-12;

/// A peak of a spectrum.
#[derive(Clone, Copy, Debug)]
pub struct Peak {
    pub hz: f32,
    /// The amplitude of a sine.
    pub amplitude: f32,
    /// In radians, that of a cosine.
    pub phase: f32,
    /// How much broader than a steady sine's it is: the ratio of the curvatures of their tops.
    pub broad: f32,
}

/// Finds the peaks between two frequencies. `late` is by how much the moment lies behind the window's middle.
pub fn find(frames: &Frames, range: Range<f64>, late: f64, loudest: f32, peaks: &mut Vec<Peak>) {
    let powers = &frames.powers;
    let bins = powers.len();
    let first = ((range.start / frames.bin_hz).floor() as usize).max(1);
    let last = ((range.end / frames.bin_hz).ceil() as usize).min(bins.saturating_sub(2));
    let least = (loudest * DEPTH).max(FLOOR);
    for bin in first..=last {
        let here = powers[bin];
        if here < least || here <= powers[bin - 1] || here < powers[bin + 1] {
            continue;
        }
        // A parabola through the logarithms: the window's lobe is one within 0.0004 bins of its own (check-values 5.3).
        let log = |bin: usize| 0.5 * f64::from(powers[bin].max(f32::MIN_POSITIVE)).ln();
        let (a, b, c) = (log(bin - 1), log(bin), log(bin + 1));
        let bend = a - 2.0 * b + c;
        if bend >= 0.0 {
            continue;
        }
        let shift = (0.5 * (a - c) / bend).clamp(-0.5, 0.5);
        let hz = (bin as f64 + shift) * frames.bin_hz;
        if !range.contains(&hz) {
            continue;
        }
        let height = b - 0.25 * (a - c) * shift;
        let beside = if shift < 0.0 { bin - 1 } else { bin + 1 };
        let value = frames.spectrum[bin] * (1.0 - shift.abs() as f32) + frames.spectrum[beside] * shift.abs() as f32;
        let phase = f64::from(value.arg()) + TAU * hz * late;
        peaks.push(Peak {
            hz: hz as f32,
            amplitude: height.exp() as f32,
            phase: phase.rem_euclid(TAU) as f32,
            broad: (frames.lobe / bend) as f32,
        });
    }
}

/// The highest power of a spectrum.
pub fn loudest(frames: &Frames) -> f32 {
    highest(&frames.powers)
}

/// The highest of some powers; eight at a time, so that the processor's vectors serve.
pub fn highest(powers: &[f32]) -> f32 {
    let mut most = [0.0f32; 8];
    let chunks = powers.chunks_exact(8);
    let rest = chunks.remainder().iter().copied().fold(0.0, f32::max);
    for chunk in chunks {
        for (most, &power) in most.iter_mut().zip(chunk) {
            *most = if power > *most { power } else { *most };
        }
    }
    most.iter().copied().fold(rest, f32::max)
}

//! The spectrum of one frame and its peaks.

use super::lobe::{self, Halves};
use crate::bytes::{many, plan_bytes};
use crate::prefault::prefaulted;
use crate::transform;
use crate::windows::scaled;
use realfft::num_complex::Complex32;
use realfft::{RealFftPlanner, RealToComplex};
use std::sync::Arc;

/// Peaks kept of a frame.
pub(super) const PEAKS: usize = 192;

/// The lengths that a frame's window may have, at 44.1 and 48 kHz.
pub(super) const LENGTHS: [usize; 8] = [256, 512, 1024, 2048, 2560, 3072, 3584, 4096];
/// The place of the usual one.
pub(super) const USUAL: usize = 3;

/// Bins of the cells whose least powers tell the floor.
const CELL: usize = 8;

/// A maximum of a spectrum.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct ModelPeak {
    /// Its bin, and its frequency in periods per sample.
    bin: u16,
    pub frequency: f32,
    /// Its amplitude, if it is a sinusoid.
    pub magnitude: f32,
    /// Its phase at the middle of the window, in turns.
    pub phase: f32,
    /// Octaves of power over the floor around it.
    pub prominence: f32,
}

/// See the module.
pub(super) struct Peaks {
    forward: Arc<dyn RealToComplex<f32>>,
    scratch: Box<[Complex32]>,
    windows: Vec<Halves>,
    frame: Box<[f32]>,
    power: Box<[f32]>,
    least: Box<[f32]>,
    floor: Box<[f32]>,
    /// The highest power around each bin, and room to find it.
    highest: Box<[f32]>,
    spare: Box<[f32]>,
    /// Bins looked at.
    bins: usize,
    found: Box<[ModelPeak]>,
    count: usize,
}

impl Peaks {
    /// For `rate` samples a second; allocates all that it needs.
    pub fn new(rate: u32) -> Self {
        let size = scaled(4096, rate);
        let forward = RealFftPlanner::new().plan_fft_forward(size);
        let bins = Self::bins(size, rate);
        let cells = bins / CELL;
        Self {
            scratch: prefaulted(Complex32::ZERO, forward.get_scratch_len()),
            windows: (0..LENGTHS.len()).map(|width| lobe::halves(Self::length(size, width))).collect(),
            frame: prefaulted(0.0, size),
            power: prefaulted(0.0, bins + CELL),
            least: prefaulted(0.0, cells + 8),
            floor: prefaulted(0.0, cells),
            highest: prefaulted(0.0, bins),
            spare: prefaulted(0.0, bins),
            bins,
            found: prefaulted(ModelPeak::default(), PEAKS),
            count: 0,
            forward,
        }
    }

    /// Bytes that one takes beside itself.
    pub fn bytes(rate: u32) -> usize {
        let size = scaled(4096, rate);
        let bins = Self::bins(size, rate);
        let cells = bins / CELL;
        let windows: usize = (0..LENGTHS.len()).map(|width| Self::length(size, width) / 2 * 2).sum();
        many::<f32>(windows + size + 3 * bins + CELL + 2 * cells + 8)
            + many::<Halves>(LENGTHS.len())
            + many::<ModelPeak>(PEAKS)
            + plan_bytes(size)
    }

    /// Bins of the spectrum at this rate.
    pub fn spectrum_of(rate: u32) -> usize {
        scaled(4096, rate) / 2 + 1
    }

    fn bins(size: usize, rate: u32) -> usize {
        ((20_000.0 / f64::from(rate) * size as f64) as usize).min(size / 2 - CELL) / CELL * CELL
    }

    fn length(size: usize, width: usize) -> usize {
        LENGTHS.get(width).copied().unwrap_or(2048) * size / 4096
    }

    /// Samples of the window of this width.
    pub fn window(&self, width: usize) -> usize {
        Self::length(self.size(), width)
    }

    /// The longest window's length: the transform's.
    pub fn size(&self) -> usize {
        self.frame.len()
    }

    /// A spectrum's length.
    pub fn spectrum(&self) -> usize {
        self.size() / 2 + 1
    }

    /// Step: the frame around the sample `middle` through the window of this width.
    pub fn load(&mut self, middle: u64, width: usize, read: &impl Fn(i64, &mut [f32])) {
        let Some((first, last)) = self.windows.get(width) else { return };
        let half = first.len();
        let end = self.frame.len() - half;
        self.frame.fill(0.0);
        let mut part = |at: usize, from: i64, window: &[f32]| {
            let Some(frame) = self.frame.get_mut(at..at + half) else { return };
            read(from, frame);
            for (x, w) in frame.iter_mut().zip(window) {
                let y = *x * w;
                *x = if y.abs() < 1e-15 { 0.0 } else { y };
            }
        };
        part(0, middle as i64, first);
        part(end, middle as i64 - half as i64, last);
    }

    /// Step: its spectrum.
    pub fn transform(&mut self, spectrum: &mut [Complex32]) {
        transform::forward(&*self.forward, &mut self.frame, spectrum, &mut self.scratch);
    }

    /// Step: the power of each bin and the floor under it.
    pub fn weigh(&mut self, spectrum: &[Complex32]) {
        for (power, z) in self.power.iter_mut().zip(spectrum) {
            *power = z.re * z.re + z.im * z.im + 1e-24;
        }
        let cells = self.floor.len();
        // Three cells more on either side repeat the outermost.
        for (least, cell) in self.least.iter_mut().skip(4).zip(self.power.chunks_exact(CELL)) {
            *least = cell.iter().copied().fold(f32::MAX, f32::min);
        }
        let (low, high) = (self.least.get(4).copied(), self.least.get(cells + 3).copied());
        self.least.iter_mut().take(4).for_each(|least| *least = low.unwrap_or(0.0));
        self.least.iter_mut().skip(cells + 4).for_each(|least| *least = high.unwrap_or(0.0));
        // The medians of the five cells that end here and that begin here: valleys, not partials.
        for (floor, near) in self.floor.iter_mut().zip(self.least.windows(9)) {
            if let &[a, b, c, d, e, f, g, h, i] = near {
                *floor = median(a, b, c, d, e).max(median(e, f, g, h, i)) * MEAN_OVER_MEDIAN;
            }
        }
    }

    /// Step: where the peaks are, strongest first.
    pub fn find(&mut self, width: usize) {
        // A window's main lobe has no other maximum within one and a half of its own bins.
        let apart = (self.size() * 3 / (2 * self.window(width).max(1))).clamp(1, 24);
        let Some(power) = self.power.get(..self.bins) else { return };
        let loudest = loudest(power);
        let least = (loudest * 1e-10).max(1e-12);
        highest(power, apart, &mut self.highest, &mut self.spare);
        self.count = 0;
        let mut by_level = [0u16; 64];
        let mut candidates = [(0u8, 0u16); 512];
        let mut count = 0;
        // Without branches, so that the compiler can take several bins at once; peaks are few.
        let cells = power.chunks_exact(CELL).zip(self.highest.chunks_exact(CELL)).zip(&self.floor);
        for (((power, highest), &floor), start) in cells.zip((0..).step_by(CELL)) {
            let limit = floor.max(least);
            let mut bits = 0u32;
            for (i, (&b, &high)) in power.iter().zip(highest).enumerate() {
                bits |= u32::from((b >= high) & (b >= limit)) << i;
            }
            while bits != 0 {
                let bin = start + bits.trailing_zeros() as usize;
                bits &= bits - 1;
                let Some(&[a, b]) = power_at(&self.power, bin) else { continue };
                if a >= b || bin <= apart {
                    continue;
                }
                // Buckets of a level: strongest first.
                let level = (exponent(loudest).saturating_sub(exponent(b)) as usize).min(63);
                if let (Some(place), Some(bucket)) = (candidates.get_mut(count), by_level.get_mut(level)) {
                    *place = (level as u8, bin as u16);
                    *bucket += 1;
                    count += 1;
                }
            }
        }
        let mut start = 0;
        for bucket in &mut by_level {
            (*bucket, start) = (start, start + *bucket);
        }
        for &(level, bin) in candidates.iter().take(count) {
            let Some(place) = by_level.get_mut(usize::from(level)) else { continue };
            if let Some(found) = self.found.get_mut(usize::from(*place)) {
                found.bin = bin;
            }
            *place += 1;
        }
        self.count = count.min(PEAKS);
    }

    /// Step: what they are.
    pub fn refine(&mut self, spectrum: &[Complex32]) {
        let size = self.size();
        for peak in self.found.iter_mut().take(self.count) {
            *peak = refine(usize::from(peak.bin), size, spectrum, &self.power, &self.floor);
        }
    }

    /// The peaks found.
    pub fn found(&self) -> &[ModelPeak] {
        self.found.get(..self.count).unwrap_or_default()
    }
}

/// The mean power of noise over the median of five cells' least (measured with white noise; see the tests).
const MEAN_OVER_MEDIAN: f32 = 4.0;

/// The power of a bin and of that before it.
fn power_at(power: &[f32], bin: usize) -> Option<&[f32; 2]> {
    power.get(bin.checked_sub(1)?..)?.first_chunk()
}

/// The highest of many, eight at a time.
fn loudest(power: &[f32]) -> f32 {
    let mut most = [0.0f32; 8];
    for eight in power.chunks_exact(8) {
        most.iter_mut().zip(eight).for_each(|(most, &x)| *most = if x > *most { x } else { *most });
    }
    most.into_iter().fold(0.0, f32::max)
}

/// The highest within `apart` places of each: by spans that double, so a few times over all places, many at once.
fn highest(power: &[f32], apart: usize, to: &mut [f32], spare: &mut [f32]) {
    let more = |from: &[f32], shift: usize, to: &mut [f32]| {
        let count = from.len().saturating_sub(shift);
        let later = from.get(shift..).unwrap_or_default();
        for ((to, &a), &b) in to.iter_mut().zip(from).zip(later) {
            *to = if b > a { b } else { a };
        }
        if let (Some(to), Some(rest)) = (to.get_mut(count..), from.get(count..)) {
            to.copy_from_slice(rest);
        }
    };
    // to[i]: the highest of the `span` places from i on.
    let (whole, mut span) = (2 * apart + 1, 1);
    to.copy_from_slice(power);
    while span < whole {
        let next = (2 * span).min(whole);
        more(to, next - span, spare);
        to.copy_from_slice(spare);
        span = next;
    }
    to.copy_within(..to.len().saturating_sub(apart), apart.min(to.len()));
}

/// The power of two that a number above 0 has.
fn exponent(x: f32) -> u32 {
    x.to_bits() >> 23
}

fn refine(bin: usize, size: usize, spectrum: &[Complex32], power: &[f32], floor: &[f32]) -> ModelPeak {
    let (Some(&[x, y, z]), Some(&[a, b, c])) = (spectrum.get(bin - 1..bin + 2), power.get(bin - 1..bin + 2)) else {
        return ModelPeak::default();
    };
    let (a, b, c) = (a.ln(), b.ln(), c.ln());
    let curve = a - 2.0 * b + c;
    let shift = if curve < -1e-6 { (0.5 * (a - c) / curve).clamp(-0.6, 0.6) } else { 0.0 };
    let at = between(x, y, z, shift);
    let floor = floor.get(bin / CELL).copied().unwrap_or(0.0);
    ModelPeak {
        bin: bin as u16,
        frequency: (bin as f32 + shift) / size as f32,
        magnitude: (0.5 * (b - 0.25 * (a - c) * shift)).exp(),
        phase: turns(at),
        prominence: b * std::f32::consts::LOG2_E - floor.max(1e-24).log2(),
    }
}

/// The spectrum at a frequency in periods per sample: the amplitude and phase that a sinusoid of that frequency would
/// have.
pub(super) fn at(spectrum: &[Complex32], frequency: f32) -> Option<(f32, f32)> {
    let place = frequency * (2 * (spectrum.len() - 1)) as f32;
    let bin = (place.round() as usize).max(1);
    let &[x, y, z] = spectrum.get(bin - 1..bin + 2)? else { return None };
    let at = between(x, y, z, place - bin as f32);
    Some((at.norm(), turns(at)))
}

/// The spectrum beside a bin. The window's transform is real and smooth there: it may be interpolated.
fn between(x: Complex32, y: Complex32, z: Complex32, shift: f32) -> Complex32 {
    y + (z - x) * (0.5 * shift) + (z - y * 2.0 + x) * (0.5 * shift * shift)
}

/// The direction of a number, in turns.
fn turns(z: Complex32) -> f32 {
    z.im.atan2(z.re) * (0.5 / std::f32::consts::PI)
}

fn median(a: f32, b: f32, c: f32, d: f32, e: f32) -> f32 {
    // The middle of five by the fewest comparisons that need no branch.
    let (a, b) = (a.min(b), a.max(b));
    let (d, e) = (d.min(e), d.max(e));
    let (a, d) = (a.max(d), b.min(e));
    let (low, high) = (a.min(d), a.max(d));
    low.max(high.min(c))
}

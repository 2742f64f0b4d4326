//! What is left of a source when its partials are taken away: how strong it is where, so that it can be made anew.

use crate::bytes::many;
use crate::prefault::prefaulted;
use crate::windows::scaled;
use realfft::num_complex::Complex32;

/// A bin tells of the noise where it holds so much more power than the partials' there: what a model of a partial
/// leaves behind is not noise.
const TRUST: f32 = 1e-3;

/// How fast that falls from bin to bin on either side of a partial.
const SKIRT: f32 = 0.0625;

/// A bin of which so many times less is left than its neighbours tell is a valley: by chance noise is not so far below
/// its mean over [`SLOW`] frames.
const VALLEY: f32 = 4.0;

/// Frames over which the envelope is averaged.
const SLOW: f32 = 10.0;
/// How many times less power than of late makes it another sound.
const LEAP: f32 = 4.0;
/// How fast a partial's power is forgotten, per frame.
const FORGET: f32 = 0.02;
/// How far the sound of the last frames may be from that before the envelope moves.
const SUDDEN: f32 = 1.8;

/// See the module.
pub(super) struct NoiseModel {
    /// Averages of the residual's and the partials' power over many frames, and of the residual's over few.
    slow: Box<[f32]>,
    partials: Box<[f32]>,
    fast: Box<[f32]>,
    /// How far each bin can be trusted, and the envelope in work.
    trust: Box<[f32]>,
    part: Box<[f32]>,
    rest: Box<[f32]>,
    /// Frames since the sound became another, and its power.
    frames: f32,
    total: f32,
    wide: Box<[f32]>,
    fill: Box<[f32]>,
}

impl NoiseModel {
    /// For `rate` samples a second; allocates all that it needs.
    pub fn new(rate: u32) -> Self {
        let bins = places(rate);
        let nothing = || prefaulted(0.0f32, bins);
        Self {
            slow: nothing(),
            partials: nothing(),
            fast: nothing(),
            trust: nothing(),
            part: nothing(),
            rest: nothing(),
            wide: nothing(),
            fill: nothing(),
            frames: 0.0,
            total: 0.0,
        }
    }

    /// Bytes that one takes beside itself.
    pub fn bytes(rate: u32) -> usize {
        many::<f32>(8 * places(rate))
    }

    /// Step: takes in a frame: the spectra of what is left and of the partials, as variance per sample.
    pub fn take_in(&mut self, rest: &[Complex32], partials: &[Complex32]) {
        let power = |z: &Complex32| z.re * z.re + z.im * z.im + 1e-24;
        // What suddenly falls silent is not averaged with what was before; what leaps up may be an accident.
        let total = rest.iter().map(power).sum::<f32>();
        if total < self.total / LEAP {
            self.frames = 0.0;
        }
        self.frames += 1.0;
        let (slow, fast) = (1.0 / self.frames.min(SLOW), 1.0 / self.frames.min(1.5));
        self.total += (total - self.total) * fast;
        let averages = self.slow.iter_mut().zip(&mut self.fast).zip(&mut self.partials);
        for (((average, recent), partial), (rest, taken)) in averages.zip(rest.chunks(2).zip(partials.chunks(2))) {
            let now = rest.iter().map(power).sum::<f32>() / rest.len() as f32;
            *average += (now - *average) * slow;
            *recent += (now - *recent) * fast;
            // A partial that was there a moment ago may be there again: beats and decays are no noise.
            let taken = taken.iter().map(power).sum::<f32>() / taken.len() as f32;
            *partial = taken.max(*partial + (taken - *partial) * FORGET);
        }
    }

    /// Step: how far each bin can be trusted.
    pub fn weigh(&mut self) {
        smooth(&self.slow, 1, &mut self.rest, &mut self.fill);
        self.part.copy_from_slice(&self.partials);
        // The skirts reach seven bins to either side.
        let mut fall = SKIRT;
        for reach in [1, 2, 4] {
            self.fill.copy_from_slice(&self.part);
            let count = self.part.len() - reach;
            let (low, high) = (self.fill.get(..count), self.fill.get(reach..));
            if let (Some(low), Some(high)) = (low, high) {
                self.part.iter_mut().zip(high).for_each(|(part, &other)| *part = part.max(other * fall));
                self.part.iter_mut().skip(reach).zip(low).for_each(|(part, &other)| *part = part.max(other * fall));
            }
            fall *= fall;
        }
        for ((trust, &rest), &part) in self.trust.iter_mut().zip(&self.rest).zip(&self.part) {
            *trust = ((rest / (TRUST * part) - 1.0) / 3.0).clamp(0.0, 1.0);
        }
    }

    /// Step: the envelope over the bins that can be trusted, as standard deviations of a sample's share per bin.
    pub fn draw(&mut self, near: usize) {
        for ((part, &trust), &slow) in self.part.iter_mut().zip(&self.trust).zip(&self.slow) {
            *part = trust * slow;
        }
        smooth(&self.part, near, &mut self.rest, &mut self.fill);
        smooth_in_place(&mut self.part, 4 * near, &mut self.fill);
        // Wide holes under partials are bridged from farther away.
        self.wide.copy_from_slice(&self.part);
        smooth(&self.trust, near, &mut self.part, &mut self.fill);
        for ((rest, &trust), &wide) in self.rest.iter_mut().zip(&self.part).zip(&self.wide) {
            *rest = if trust > 0.1 { *rest / trust } else { -wide };
        }
        smooth(&self.trust, 4 * near, &mut self.part, &mut self.fill);
        for ((rest, &trust), &slow) in self.rest.iter_mut().zip(&self.part).zip(&self.slow) {
            if *rest < 0.0 {
                *rest = -*rest / trust.max(0.05);
            }
            // There is never more noise than is left: no smoothing fills a valley.
            if slow * VALLEY < *rest {
                *rest = slow;
            }
        }
    }

    /// Step: where the last frames' sound has left the average, the envelope goes with it.
    pub fn hurry(&mut self, near: usize, out: &mut [u16]) {
        for ((part, &trust), &fast) in self.part.iter_mut().zip(&self.trust).zip(&self.fast) {
            *part = trust * fast;
        }
        smooth_in_place(&mut self.part, near, &mut self.fill);
        // The average by the same weights, in the place of the weights, which are not needed any more.
        for (trust, &slow) in self.trust.iter_mut().zip(&self.slow) {
            *trust *= slow;
        }
        smooth_in_place(&mut self.trust, near, &mut self.fill);
        let ratios = self.part.iter().zip(&self.trust);
        for ((out, &rest), (&fast, &slow)) in out.iter_mut().zip(&self.rest).zip(ratios) {
            let ratio = if slow > 1e-20 { fast / slow } else { 1.0 };
            let excess = if ratio > SUDDEN {
                ratio / SUDDEN
            } else if ratio < 1.0 / SUDDEN {
                ratio * SUDDEN
            } else {
                1.0
            };
            // No product of two small numbers becomes a denormal one.
            *out = encode((rest.max(1e-24) * excess.max(1e-8)).sqrt());
        }
    }
}

/// Places of an envelope: one for every two bins of [a frame of made noise](super::super::noise_synth::NoiseSynth).
pub(crate) fn places(rate: u32) -> usize {
    (scaled(2048, rate) / 2 + 1).div_ceil(2)
}

/// A number not below 0 in sixteen bits: the upper half of its own, exact within 0.4 %.
pub(crate) fn encode(x: f32) -> u16 {
    (x.to_bits().saturating_add(0x8000) >> 16) as u16
}

/// What [`encode`] has kept.
pub(crate) fn decode(x: u16) -> f32 {
    f32::from_bits(u32::from(x) << 16)
}

/// Means over `near` bins on either side.
fn smooth(from: &[f32], near: usize, to: &mut [f32], sums: &mut [f32]) {
    to.copy_from_slice(from);
    smooth_in_place(to, near, sums);
}

fn smooth_in_place(values: &mut [f32], near: usize, sums: &mut [f32]) {
    let count = values.len();
    let gain = 1.0 / (2 * near + 1) as f32;
    sums.fill(0.0);
    for shift in 0..=2 * near {
        // sums[i] += values[i + shift − near]
        let (to, from) = (near.saturating_sub(shift), shift.saturating_sub(near));
        let length = count - to.max(from);
        if let (Some(sums), Some(values)) = (sums.get_mut(to..to + length), values.get(from..from + length)) {
            for (sum, value) in sums.iter_mut().zip(values) {
                *sum += value * gain;
            }
        }
    }
    values.copy_from_slice(sums);
}

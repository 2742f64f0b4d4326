//! What a voice has taken in of its source: the model forgets it.

use crate::memory::Heard;
use crate::model::{Attack, Hue, Knot, PARTIALS, Partial, SPAN, Strength, decode, encode, places};
use crate::windows::scaled;

/// Attacks kept, per second of memory.
const ATTACKS: f64 = 12.0;

/// The moments that a voice has taken in, a number of its own, from 0 on: the source's model forgets them.
pub(super) struct Record {
    middles: Box<[u64]>,
    onsets: Box<[Option<Onset>]>,
    starts: Box<[Option<u64>]>,
    counts: Box<[u8]>,
    partials: Box<[Partial]>,
    hues: Box<[u64]>,
    noise: Box<[u16]>,
    places: usize,
    hues_taken: usize,
    /// How strong the source was beside its partials and what its rest was: spans without a gap from the first on.
    spans: Box<[(u16, u16)]>,
    first_span: u64,
    spans_taken: usize,
    attacks: Box<[f32]>,
    /// Samples of an attack.
    attack: usize,
    taken: usize,
    attacks_taken: usize,
}

#[derive(Clone, Copy, Debug)]
pub(super) struct Onset {
    pub at: u64,
    /// Its place among the attacks kept, if there was room.
    pub attack: Option<u32>,
}

/// So many of one value, written rather than zero-allocated, so that their pages are there before the audio thread needs
/// them.
fn touched<T: Clone>(value: T, count: usize) -> Box<[T]> {
    let mut all = Vec::with_capacity(count);
    all.resize(count, std::hint::black_box(value));
    all.into_boxed_slice()
}

impl Record {
    pub fn new(rate: u32, seconds: f64) -> Self {
        let samples = |seconds: f64| (seconds * f64::from(rate)).round() as usize;
        let knots = samples(seconds) / (scaled(2048, rate) / 4) + 8;
        let attack = Attack::new(rate).length;
        let places = places(rate);
        Self {
            middles: touched(0, knots),
            onsets: touched(None, knots),
            starts: touched(None, knots),
            counts: touched(0, knots),
            partials: touched(Partial::default(), knots * PARTIALS),
            hues: touched(0, knots),
            hues_taken: 0,
            noise: touched(0, knots * places),
            places,
            attacks: touched(0.0, attack * (seconds * ATTACKS).ceil() as usize),
            spans: touched((0, 0), samples(seconds) / SPAN as usize + AHEAD),
            first_span: 0,
            spans_taken: 0,
            attack,
            taken: 0,
            attacks_taken: 0,
        }
    }

    /// Forgets all.
    pub fn clear(&mut self) {
        (self.taken, self.hues_taken, self.spans_taken, self.attacks_taken) = (0, 0, 0, 0);
    }

    pub fn take_in(&mut self, knot: &Knot, before: u64, heard: &Heard<'_>) {
        let place = self.taken;
        let (Some(middle), Some(onset), Some(count), Some(partials)) = (
            self.middles.get_mut(place),
            self.onsets.get_mut(place),
            self.counts.get_mut(place),
            self.partials.get_mut(place * PARTIALS..(place + 1) * PARTIALS),
        ) else {
            return;
        };
        *middle = knot.middle;
        if let Some(start) = self.starts.get_mut(place) {
            *start = knot.start;
        }
        *count = knot.partials().len() as u8;
        partials.iter_mut().zip(knot.partials()).for_each(|(to, from)| *to = *from);
        *onset = knot.onset.map(|at| {
            let number = self.attacks_taken;
            let attack = self.attacks.get_mut(number * self.attack..(number + 1) * self.attack).map(|sound| {
                heard.read(at as i64 - before as i64, sound);
                self.attacks_taken += 1;
                number as u32
            });
            Onset { at, attack }
        });
        self.taken += 1;
    }

    pub fn take_in_hue(&mut self, hue: &Hue) {
        let place = self.hues_taken;
        let noise = self.noise.get_mut(place * self.places..(place + 1) * self.places);
        if let (Some(middle), Some(noise)) = (self.hues.get_mut(place), noise) {
            *middle = hue.middle;
            noise.copy_from_slice(&hue.envelope);
            self.hues_taken += 1;
        }
    }

    pub fn hue(&self, number: usize) -> Option<u64> {
        (number < self.hues_taken).then(|| self.hues.get(number).copied()).flatten()
    }

    pub fn middle(&self, knot: usize) -> Option<u64> {
        (knot < self.taken).then(|| self.middles.get(knot).copied()).flatten()
    }

    pub fn start(&self, knot: usize) -> Option<u64> {
        (knot < self.taken).then(|| self.starts.get(knot).copied().flatten()).flatten()
    }

    pub fn onset(&self, knot: usize) -> Option<Onset> {
        (knot < self.taken).then(|| self.onsets.get(knot).copied().flatten()).flatten()
    }

    pub fn partials(&self, knot: usize) -> &[Partial] {
        let count = self.counts.get(knot).copied().unwrap_or(0) as usize;
        self.partials.get(knot * PARTIALS..knot * PARTIALS + count).unwrap_or_default()
    }

    pub fn noise(&self, hue: usize) -> &[u16] {
        let knot = if hue < self.hues_taken { hue } else { return &[] };
        self.noise.get(knot * self.places..(knot + 1) * self.places).unwrap_or_default()
    }

    pub fn take_in_strength(&mut self, strength: &Strength) {
        if self.spans_taken == 0 {
            self.first_span = strength.start;
        }
        // What the model has left out is as strong as it should be.
        let place = (strength.start.saturating_sub(self.first_span) / SPAN) as usize;
        let missing = place.saturating_sub(self.spans_taken).min(8 * AHEAD);
        for _ in 0..missing {
            self.take_in_span(1.0, f32::MAX);
        }
        self.take_in_span(strength.partials, strength.rest);
    }

    fn take_in_span(&mut self, partials: f32, rest: f32) {
        if let Some(span) = self.spans.get_mut(self.spans_taken) {
            *span = (encode(partials), encode(rest));
            self.spans_taken += 1;
        }
    }

    /// An attack's sound.
    pub fn attack_sound(&self, number: u32) -> Option<&[f32]> {
        let start = number as usize * self.attack;
        self.attacks.get(start..start + self.attack)
    }

    /// Gains of the partials and of noise of the power `noise` at a sample: below 1 where the source has ended, and
    /// what its model says has not.
    pub fn gains(&self, sample: f64, noise: f32) -> (f32, f32) {
        let place = (sample - self.first_span as f64) / SPAN as f64;
        if place < 0.0 {
            return (1.0, 1.0);
        }
        let first = place as usize;
        let Some(spans) = self.spans.get(first..first + AHEAD + 1).filter(|_| first + AHEAD < self.spans_taken) else {
            return (1.0, 1.0);
        };
        let at = |spans: &[(u16, u16)]| {
            let (partials, rest) = spans.iter().fold((0, 0), |(a, b), &(c, d)| (c.max(a), d.max(b)));
            let gain = |power: f32| power.min(1.0).sqrt();
            (gain(decode(partials) / WEAK), gain(decode(rest) / (NOISE_WEAK * noise).max(1e-24)))
        };
        let (one, two) = (at(spans.get(..AHEAD).unwrap_or_default()), at(spans.get(1..).unwrap_or_default()));
        let part = (place - first as f64) as f32;
        (one.0 + (two.0 - one.0) * part, one.1 + (two.1 - one.1) * part)
    }
}

/// Spans after a moment of which one is strong if it still sounds: 11 ms, as long as low pulses are apart.
const AHEAD: usize = 8;
/// What is weaker by so much than its model has ended: partials err, and noise has its ups and downs.
const WEAK: f32 = 0.125;
const NOISE_WEAK: f32 = 0.02;

//! What a voice has taken in of its source: the model forgets it.

use super::model::{Attack, Hue, Knot, PARTIALS, Partial, SPAN, Strength, decode, encode, places};
use crate::bytes::many;
use crate::memory::Heard;
use crate::touched::touched;
use crate::windows::scaled;

/// Attacks kept, per second of memory.
const ATTACKS: f64 = 12.0;

/// The moments that a voice has taken in, a number of its own, from 0 on: the source's model forgets them.
pub(super) struct Record {
    middles: Box<[u64]>,
    onsets: Box<[Option<Onset>]>,
    starts: Box<[Option<u64>]>,
    /// Where each moment's partials lie among all of them, from the first to before the last.
    places_of: Box<[(u32, u32)]>,
    partials: Box<[Partial]>,
    partials_taken: usize,
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

/// Partials for which each moment has room of its own, and what it gives to a store that all share: few sounds have more
/// than that for long, and then the faintest are left out.
const EACH: usize = 56;
const SHARED: usize = 24;

/// The loudest partials, at most so many, in their order.
fn loudest(partials: &[Partial], most: usize) -> impl Iterator<Item = &Partial> {
    let least = if partials.len() > most {
        let mut levels = [0.0f32; PARTIALS];
        let levels = levels.get_mut(..partials.len()).unwrap_or_default();
        levels.iter_mut().zip(partials).for_each(|(level, partial)| *level = partial.amplitude.abs());
        let place = levels.len().saturating_sub(most).min(levels.len().saturating_sub(1));
        *levels.select_nth_unstable_by(place, f32::total_cmp).1
    } else {
        0.0
    };
    partials.iter().filter(move |partial| partial.amplitude.abs() >= least).take(most)
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
            places_of: touched((0, 0), knots),
            partials: touched(Partial::default(), knots * (EACH + SHARED)),
            partials_taken: 0,
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

    /// Bytes that one takes beside itself.
    pub fn bytes(rate: u32, seconds: f64) -> usize {
        let samples = |seconds: f64| (seconds * f64::from(rate)).round() as usize;
        let knots = samples(seconds) / (scaled(2048, rate) / 4) + 8;
        let attacks = Attack::new(rate).length * (seconds * ATTACKS).ceil() as usize;
        many::<u64>(2 * knots)
            + many::<Option<Onset>>(knots)
            + many::<Option<u64>>(knots)
            + many::<(u32, u32)>(knots)
            + many::<Partial>(knots * (EACH + SHARED))
            + many::<u16>(knots * places(rate))
            + many::<f32>(attacks)
            + many::<(u16, u16)>(samples(seconds) / SPAN as usize + AHEAD)
    }

    /// Forgets all.
    pub fn clear(&mut self) {
        (self.taken, self.partials_taken, self.hues_taken) = (0, 0, 0);
        (self.spans_taken, self.attacks_taken) = (0, 0);
    }

    pub fn take_in(&mut self, knot: &Knot, before: u64, heard: &Heard<'_>) {
        let place = self.taken;
        // Each moment to come has its own share.
        let to_come = self.middles.len().saturating_sub(place + 1);
        let room = (self.partials.len() - self.partials_taken).saturating_sub(to_come * EACH);
        let (Some(middle), Some(onset), Some(places)) =
            (self.middles.get_mut(place), self.onsets.get_mut(place), self.places_of.get_mut(place))
        else {
            return;
        };
        *middle = knot.middle;
        if let Some(start) = self.starts.get_mut(place) {
            *start = knot.start;
        }
        let first = self.partials_taken;
        for partial in loudest(knot.partials(), room) {
            if let Some(place) = self.partials.get_mut(self.partials_taken) {
                *place = *partial;
                self.partials_taken += 1;
            }
        }
        *places = (first as u32, self.partials_taken as u32);
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
        let places = self.places_of.get(knot).filter(|_| knot < self.taken);
        places.and_then(|&(from, to)| self.partials.get(from as usize..to as usize)).unwrap_or_default()
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

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..Default::default() })]

        #[test]
        fn where_there_is_no_room_the_faintest_are_left_out(
            levels in proptest::collection::vec(-1f32..1.0, 1..PARTIALS), most in 0usize..PARTIALS,
        ) {
            let partials: Vec<_> =
                levels.iter().map(|&amplitude| Partial { amplitude, ..Partial::default() }).collect();
            let kept: Vec<f32> = loudest(&partials, most).map(|partial| partial.amplitude.abs()).collect();
            prop_assert_eq!(kept.len(), most.min(levels.len()));
            let mut sorted: Vec<f32> = levels.iter().map(|level| level.abs()).collect();
            sorted.sort_by(|a, b| b.total_cmp(a));
            if let Some(&least) = kept.iter().min_by(|a, b| a.total_cmp(b)) {
                prop_assert!(sorted.get(kept.len()).is_none_or(|&next| next <= least));
            }
        }
    }
}

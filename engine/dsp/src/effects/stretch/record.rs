//! What a voice has taken in of its source: the model forgets it.

use super::super::samples;
use super::model::{Attack, Breakpoint, ModelPartial, NoiseFrame, PARTIALS, SPAN, Strength, decode, encode, places};
use crate::bytes::many;
use crate::memory::Heard;
use crate::prefault::prefaulted;
use crate::windows::scaled;

/// Attacks kept, per second of memory.
const ATTACKS: f64 = 12.0;

/// The moments that a voice has taken in, a number of its own, from 0 on: the source's model forgets them.
pub(super) struct Record {
    extent: RecordExtent,
    middles: Box<[u64]>,
    onsets: Box<[Option<Onset>]>,
    starts: Box<[Option<u64>]>,
    /// Where each moment's partials lie among all of them, from the first to before the last.
    places_of: Box<[(u32, u32)]>,
    partials: Box<[ModelPartial]>,
    partials_taken: usize,
    noise_frames: Box<[u64]>,
    noise: Box<[u16]>,
    noise_frames_taken: usize,
    /// How strong the source was beside its partials and what its rest was: spans without a gap from the first on.
    spans: Box<[(u16, u16)]>,
    first_span: u64,
    spans_taken: usize,
    attacks: Box<[f32]>,
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
fn loudest(partials: &[ModelPartial], most: usize) -> impl Iterator<Item = &ModelPartial> {
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

/// How much is taken in at most.
#[derive(Clone, Copy, Debug)]
pub(super) struct RecordExtent {
    breakpoints: usize,
    /// Places of an envelope of noise.
    places: usize,
    /// Samples of an attack.
    attack: usize,
    attacks: usize,
    spans: usize,
}

impl RecordExtent {
    /// For so many seconds of sound.
    pub fn new(rate: u32, seconds: f64) -> Self {
        let samples = samples(seconds, rate);
        Self {
            breakpoints: samples / (scaled(2048, rate) / 4) + 8,
            places: places(rate),
            attack: Attack::new(rate).length,
            attacks: (seconds * ATTACKS).ceil() as usize,
            spans: samples / SPAN as usize + AHEAD,
        }
    }
}

impl Record {
    /// An empty record with room for so much.
    pub fn new(extent: RecordExtent) -> Self {
        let RecordExtent { breakpoints, places, attack, attacks, spans } = extent;
        Self {
            extent,
            middles: prefaulted(0, breakpoints),
            onsets: prefaulted(None, breakpoints),
            starts: prefaulted(None, breakpoints),
            places_of: prefaulted((0, 0), breakpoints),
            partials: prefaulted(ModelPartial::default(), breakpoints * (EACH + SHARED)),
            partials_taken: 0,
            noise_frames: prefaulted(0, breakpoints),
            noise_frames_taken: 0,
            noise: prefaulted(0, breakpoints * places),
            attacks: prefaulted(0.0, attack * attacks),
            spans: prefaulted((0, 0), spans),
            first_span: 0,
            spans_taken: 0,
            taken: 0,
            attacks_taken: 0,
        }
    }

    /// Bytes that one takes beside itself.
    pub fn bytes(RecordExtent { breakpoints, places, attack, attacks, spans }: RecordExtent) -> usize {
        many::<u64>(2 * breakpoints)
            + many::<Option<Onset>>(breakpoints)
            + many::<Option<u64>>(breakpoints)
            + many::<(u32, u32)>(breakpoints)
            + many::<ModelPartial>(breakpoints * (EACH + SHARED))
            + many::<u16>(breakpoints * places)
            + many::<f32>(attack * attacks)
            + many::<(u16, u16)>(spans)
    }

    /// Forgets all. From here on it takes in so much, for which there is room, whatever else there is.
    pub fn begin(&mut self, extent: RecordExtent) {
        self.extent = extent;
        (self.taken, self.partials_taken, self.noise_frames_taken) = (0, 0, 0);
        (self.spans_taken, self.attacks_taken) = (0, 0);
    }

    /// Takes in a moment's partials, and its attack from `before` samples before the onset on. Without room nothing is taken.
    pub fn take_in(&mut self, breakpoint: &Breakpoint, before: u64, heard: &Heard<'_>) {
        let place = self.taken;
        if place >= self.extent.breakpoints {
            return;
        }
        // Each moment to come has its own share.
        let to_come = self.extent.breakpoints.saturating_sub(place + 1);
        let partials = self.extent.breakpoints * (EACH + SHARED);
        let room = partials.saturating_sub(self.partials_taken + to_come * EACH);
        let (Some(middle), Some(onset), Some(places)) =
            (self.middles.get_mut(place), self.onsets.get_mut(place), self.places_of.get_mut(place))
        else {
            return;
        };
        *middle = breakpoint.middle;
        if let Some(start) = self.starts.get_mut(place) {
            *start = breakpoint.start;
        }
        let first = self.partials_taken;
        for partial in loudest(breakpoint.partials(), room) {
            if let Some(place) = self.partials.get_mut(self.partials_taken) {
                *place = *partial;
                self.partials_taken += 1;
            }
        }
        *places = (first as u32, self.partials_taken as u32);
        *onset = breakpoint.onset.map(|at| {
            let number = self.attacks_taken;
            let places = number * self.extent.attack..(number + 1) * self.extent.attack;
            let sound = self.attacks.get_mut(places).filter(|_| number < self.extent.attacks);
            let attack = sound.map(|sound| {
                heard.read(at as i64 - before as i64, sound);
                self.attacks_taken += 1;
                number as u32
            });
            Onset { at, attack }
        });
        self.taken += 1;
    }

    /// Takes in a moment's noise. Without room nothing is taken.
    pub fn take_in_noise_frame(&mut self, noise_frame: &NoiseFrame) {
        let place = self.noise_frames_taken;
        if place >= self.extent.breakpoints {
            return;
        }
        let noise = self.noise.get_mut(place * self.extent.places..(place + 1) * self.extent.places);
        if let (Some(middle), Some(noise)) = (self.noise_frames.get_mut(place), noise) {
            *middle = noise_frame.middle;
            noise.copy_from_slice(&noise_frame.envelope);
            self.noise_frames_taken += 1;
        }
    }

    /// The sample in the middle of a frame of noise.
    pub fn noise_frame(&self, number: usize) -> Option<u64> {
        (number < self.noise_frames_taken).then(|| self.noise_frames.get(number).copied()).flatten()
    }

    /// The sample in the middle of a moment.
    pub fn middle(&self, breakpoint: usize) -> Option<u64> {
        (breakpoint < self.taken).then(|| self.middles.get(breakpoint).copied()).flatten()
    }

    /// Where the sound of a moment has come out of silence, if it has.
    pub fn start(&self, breakpoint: usize) -> Option<u64> {
        (breakpoint < self.taken).then(|| self.starts.get(breakpoint).copied().flatten()).flatten()
    }

    /// The onset between the moment before and this one.
    pub fn onset(&self, breakpoint: usize) -> Option<Onset> {
        (breakpoint < self.taken).then(|| self.onsets.get(breakpoint).copied().flatten()).flatten()
    }

    /// The partials of a moment.
    pub fn partials(&self, breakpoint: usize) -> &[ModelPartial] {
        let places = self.places_of.get(breakpoint).filter(|_| breakpoint < self.taken);
        places.and_then(|&(from, to)| self.partials.get(from as usize..to as usize)).unwrap_or_default()
    }

    /// The envelope of a frame of noise, as [`decode`](super::model::decode) reads it.
    pub fn noise(&self, noise_frame: usize) -> &[u16] {
        let breakpoint = if noise_frame < self.noise_frames_taken { noise_frame } else { return &[] };
        self.noise.get(breakpoint * self.extent.places..(breakpoint + 1) * self.extent.places).unwrap_or_default()
    }

    /// Takes in how strong the source was over one span.
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
        if let Some(span) = self.spans.get_mut(self.spans_taken).filter(|_| self.spans_taken < self.extent.spans) {
            *span = (encode(partials), encode(rest));
            self.spans_taken += 1;
        }
    }

    /// An attack's sound.
    pub fn attack_sound(&self, number: u32) -> Option<&[f32]> {
        let start = number as usize * self.extent.attack;
        self.attacks.get(start..start + self.extent.attack)
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
                levels.iter().map(|&amplitude| ModelPartial { amplitude, ..ModelPartial::default() }).collect();
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

//! Where notes begin in a stretch of sound.

use crate::bytes::many;
use crate::prefault::prefaulted;
use std::ops::RangeInclusive;

/// Milliseconds over which the energy behind a place is taken.
const AFTER: usize = 6;
/// Milliseconds before it with which that is compared: more than a period of the lowest voices, whose pulses are no
/// onsets.
pub(crate) const BEFORE: usize = 24;
/// An onset has more than this times the energy of anything shortly before it, a clear one [`CLEAR`] times.
const LEAST: f32 = 2.0;
const CLEAR: f32 = 8.0;

/// The onsets of a stretch of sound, a place per block of about a millisecond.
pub(crate) struct SpliceOnsets {
    blocks: usize,
    energy: Box<[f32]>,
    /// Up to each place, the sum of how clearly notes begin there, 0…1.
    sums: Box<[f32]>,
}

impl SpliceOnsets {
    /// For so many blocks, or fewer.
    pub fn new(blocks: usize) -> Self {
        Self { blocks, energy: prefaulted(0.0, blocks), sums: prefaulted(0.0, blocks + 1) }
    }

    /// Bytes that one takes beside itself.
    pub fn bytes(blocks: usize) -> usize {
        many::<f32>(2 * blocks + 1)
    }

    /// How many blocks it is for.
    pub fn blocks(&self) -> usize {
        self.blocks
    }

    /// From here on it is for so many blocks, as far as there is room.
    pub fn resize(&mut self, blocks: usize) {
        self.blocks = blocks.min(self.energy.len());
    }

    /// Takes in a block.
    pub fn hear(&mut self, block: usize, sound: &[f32]) {
        // A floor of −90 dB: what begins below it is no note.
        let energy = sound.iter().map(|x| x * x).sum::<f32>() + 1e-9 * sound.len() as f32;
        if let Some(place) = self.energy.get_mut(block) {
            *place = energy;
        }
    }

    /// Weighs the place at the beginning of a block, when all are heard and the ones before it are weighed.
    pub fn weigh(&mut self, block: usize) {
        // Less than the whole at the end, where a pulse alone would stand out from what is averaged.
        let sum = |from: usize| {
            let blocks = self.energy.get(from..(from + AFTER).min(self.blocks)).unwrap_or_default();
            blocks.iter().sum::<f32>()
        };
        let before = (block.saturating_sub(BEFORE)..(block + 1).saturating_sub(AFTER)).map(sum).fold(0.0, f32::max);
        let clear = if before > 0.0 { (sum(block) / before - LEAST) / (CLEAR - LEAST) } else { 0.0 };
        let clear = self.sums.get(block).copied().unwrap_or(0.0) + clear.clamp(0.0, 1.0);
        if let Some(place) = self.sums.get_mut(block + 1) {
            *place = clear;
        }
    }

    /// How clearly a note begins among these places, 0…1.
    pub fn among(&self, blocks: RangeInclusive<usize>) -> f32 {
        let sum = |place: usize| self.sums.get(place.min(self.blocks())).copied().unwrap_or(0.0);
        (sum(blocks.end().saturating_add(1)) - sum(*blocks.start())).clamp(0.0, 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::random::even;
    use std::f64::consts::TAU;

    /// Milliseconds of sound at 48 kHz.
    fn onsets(sound: &[f32]) -> SpliceOnsets {
        let mut onsets = SpliceOnsets::new(sound.len() / 48);
        sound.chunks_exact(48).enumerate().for_each(|(block, sound)| onsets.hear(block, sound));
        (0..onsets.blocks()).for_each(|block| onsets.weigh(block));
        onsets
    }

    fn pulses(hertz: f64) -> Vec<f32> {
        let value = |i: usize| (1..40).map(|k| (TAU * hertz * (k * i) as f64 / 48_000.0).cos()).sum::<f64>() / 40.0;
        (0..9600).map(|i| value(i) as f32).collect()
    }

    fn noise(amplitude: f64) -> Vec<f32> {
        (0..9600).map(|i| (amplitude * (2.0 * even(1, i, 0) - 1.0)) as f32).collect()
    }

    #[test]
    fn steady_sound_has_none_be_it_pulses_or_noise() {
        for hertz in [55.0, 65.0, 98.0, 220.0, 880.0] {
            assert_eq!(onsets(&pulses(hertz)).among(BEFORE..=200), 0.0, "{hertz} Hz");
        }
        assert_eq!(onsets(&noise(0.3)).among(BEFORE..=200), 0.0);
        assert_eq!(onsets(&[0.0; 9600]).among(BEFORE..=200), 0.0);
    }

    #[test]
    fn a_note_out_of_silence_or_over_a_softer_sound_begins_where_it_begins() {
        for floor in [0.0, 0.02] {
            for at in [60, 101, 150] {
                let note = pulses(220.0);
                let mut sound = noise(floor);
                sound.iter_mut().zip(note).skip(48 * at).for_each(|(x, note)| *x += note);
                let onsets = onsets(&sound);
                assert_eq!(onsets.among(at..=at), 1.0, "{floor} {at}");
                assert_eq!(onsets.among(BEFORE..=at - AFTER), 0.0);
                assert_eq!(onsets.among(at + AFTER..=200), 0.0);
            }
        }
    }
}

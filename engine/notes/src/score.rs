//! A score: parts whose notes have their times and dynamics.

use std::ops::Range;

use crate::rhythm::MEASURE;
use crate::{Chord, Note, NotesError, PlayerPart, Rhythm, SharedOut, Step};
use tenterhook_plan::Intonation;

/// How loud a note is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Dynamic(usize);

impl Dynamic {
    const NAMES: [&'static str; 8] = ["ppp", "pp", "p", "mp", "mf", "f", "ff", "fff"];

    /// The dynamic of a level relative to the loudest: fff to 6 dB below it, each 6 dB less one mark, ppp from 42 dB below
    /// it on (common practice, no source).
    pub fn of(db_below_loudest: f64) -> Self {
        let marks = (db_below_loudest / 6.0).clamp(0.0, 7.0);
        Self(7 - marks as usize)
    }

    /// From `ppp` to `fff`.
    pub fn name(self) -> &'static str {
        Self::NAMES[self.0]
    }

    /// The MIDI velocity: 16 for ppp, 16 more for each mark (common practice, no source).
    pub fn velocity(self) -> u8 {
        (16 * (self.0 as u8 + 1)).min(127)
    }
}

/// Parts with the times of their notes.
#[derive(Clone, Debug)]
pub struct Score {
    pub(crate) title: String,
    pub(crate) intonation: Intonation,
    pub(crate) step: Step,
    pub(crate) rhythm: Rhythm,
    pub(crate) parts: Vec<PlayerPart>,
    /// When each chord was, in seconds.
    pub(crate) spans: Vec<Range<f64>>,
    /// When each chord sounds, in sixteenths.
    pub(crate) placed: Vec<Range<u32>>,
    /// The highest level of all notes.
    pub(crate) loudest_db: f64,
}

impl Score {
    /// A score of what was shared out from these chords. A player without a note keeps a part of rests.
    ///
    /// # Errors
    /// [`NotesError::Empty`] if nobody plays anything; [`NotesError::Tempo`], [`NotesError::Times`], [`NotesError::Order`], [`NotesError::Crowded`]
    /// if the rhythm cannot be written.
    pub fn new(title: &str, chords: &[Chord], shared: &SharedOut, rhythm: Rhythm) -> Result<Self, NotesError> {
        let spans: Vec<_> = chords.iter().map(|chord| chord.span.clone()).collect();
        let placed = rhythm.place(&spans)?;
        let notes = shared.parts.iter().flat_map(|part| &part.notes);
        let loudest_db = notes.map(|note| note.tone.db).fold(f64::NEG_INFINITY, f64::max);
        if loudest_db == f64::NEG_INFINITY {
            return Err(NotesError::Empty("what the players were given"));
        }
        let title = title.to_owned();
        let SharedOut { intonation, step, ref parts, .. } = *shared;
        Ok(Self { title, intonation, step, rhythm, parts: parts.clone(), spans, placed, loudest_db })
    }

    /// How loud a note is.
    pub(crate) fn dynamic(&self, note: &Note) -> Dynamic {
        Dynamic::of(self.loudest_db - note.tone.db)
    }

    /// How many measures there are.
    pub(crate) fn measures(&self) -> u32 {
        self.placed.last().map_or(1, |last| last.end.div_ceil(MEASURE))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dynamics_go_down_by_six_decibels() {
        let at = |db: f64| Dynamic::of(db).name();
        assert_eq!([0.0, 5.9, 6.0, 12.0, 41.9, 42.0, 200.0].map(at), ["fff", "fff", "ff", "f", "pp", "ppp", "ppp"]);
        assert_eq!([0.0, 42.0].map(|db| Dynamic::of(db).velocity()), [127, 16]);
    }
}

//! The ensemble's own piece, as data. A beat is a second.

use crate::articulation::Consonant::{self, L, M, S, T};
use crate::articulation::Vowel::{self, A, E, I, O, U};

/// The frequency of a', in Hz: the usual baroque pitch, common practice.
pub const A4_HZ: f64 = 415.0;

/// The frequency in Hz of a MIDI note, or of anything between two, in equal temperament at [`A4_HZ`].
pub fn frequency(midi: f64) -> f64 {
    A4_HZ * ((midi - 69.0) / 12.0).exp2()
}

/// The factor for a level in dB, which is kept within −200…40 dB; a level that is no number is the least.
pub(crate) fn gain(db: f64) -> f64 {
    let kept = if db.is_nan() { -200.0 } else { db.clamp(-200.0, 40.0) };
    10f64.powf(kept / 20.0)
}

/// A sung syllable. It is in one breath with the one before if it follows at once.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Syllable {
    /// When its vowel begins, in seconds; the consonant comes a little before.
    pub at: f64,
    /// Seconds from there to the next vowel, or to the end of the phrase.
    pub lasts: f64,
    /// The MIDI note, at [`A4_HZ`]; it may lie between two keys.
    pub pitch: f64,
    /// What it begins with.
    pub consonant: Consonant,
    /// What is held.
    pub vowel: Vowel,
    /// Its level in dB re the singer's ordinary one.
    pub level: f64,
}

/// A played note.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EnsembleNote {
    /// When it begins, in seconds.
    pub at: f64,
    /// How many seconds until the player lets go.
    pub lasts: f64,
    /// The MIDI note, at [`A4_HZ`]; it may lie between two keys.
    pub pitch: f64,
    /// Its level in dB re the player's ordinary one.
    pub level: f64,
}

impl EnsembleNote {
    /// Its frequency, in Hz.
    pub fn hz(&self) -> f64 {
        frequency(self.pitch)
    }
}

/// What the players have to play. Sounds of one list may overlap, but for the voice, which has one mouth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EnsembleScore<'a> {
    /// The length of it all, in seconds.
    pub seconds: f64,
    /// The voice, in time order.
    pub voice: &'a [Syllable],
    /// The recorder.
    pub recorder: &'a [EnsembleNote],
    /// The viol under the bow.
    pub bowed: &'a [EnsembleNote],
    /// The viol under the finger.
    pub plucked: &'a [EnsembleNote],
}

const fn sing(at: f64, lasts: f64, pitch: u8, consonant: Consonant, vowel: Vowel, level: f64) -> Syllable {
    Syllable { at, lasts, pitch: pitch as f64, consonant, vowel, level }
}

const fn note(at: f64, lasts: f64, pitch: u8, level: f64) -> EnsembleNote {
    EnsembleNote { at, lasts, pitch: pitch as f64, level }
}

/// The ensemble's own piece. The words are invented.
pub const SCORE: EnsembleScore<'static> = EnsembleScore {
    seconds: 98.0,
    voice: &[
        // A: "se lu ma", and the last vowel held; then, above it, "to li te mo".
        sing(1.5, 1.0, 62, S, E, -3.0),
        sing(2.5, 1.0, 65, L, U, -2.0),
        sing(3.5, 4.2, 69, M, A, 0.0),
        sing(9.0, 0.8, 72, T, O, -1.0),
        sing(9.8, 0.8, 69, L, I, -2.0),
        sing(10.6, 1.2, 67, T, E, -2.0),
        sing(11.8, 2.0, 64, M, O, -3.0),
        // "so la mu", low, and held.
        sing(17.0, 0.9, 65, S, O, -2.0),
        sing(17.9, 1.1, 67, L, A, -1.0),
        sing(19.0, 3.6, 62, M, U, -2.0),
        // C: two short phrases to be read backwards.
        sing(56.0, 0.7, 69, M, I, -1.0),
        sing(56.7, 0.6, 72, S, O, 0.0),
        sing(57.3, 0.6, 71, L, U, -1.0),
        sing(57.9, 1.5, 69, T, A, -1.0),
        sing(65.0, 0.7, 74, T, E, -1.0),
        sing(65.7, 0.6, 72, L, O, -1.0),
        sing(66.3, 0.6, 69, M, A, -1.0),
        sing(66.9, 1.5, 67, S, I, -2.0),
        // D: "sa lu ma" once more, and a last "lo me".
        sing(76.0, 0.9, 69, S, A, -2.0),
        sing(76.9, 0.9, 67, L, U, -3.0),
        sing(77.8, 4.0, 65, M, A, -2.0),
        sing(85.0, 1.0, 65, L, O, -4.0),
        sing(86.0, 3.0, 62, M, E, -5.0),
    ],
    recorder: &[
        note(15.0, 1.6, 81, -4.0),
        // B: a rising line, then a falling one.
        note(29.0, 0.8, 74, -3.0),
        note(29.9, 0.8, 76, -2.0),
        note(30.8, 0.8, 77, -1.0),
        note(31.7, 1.8, 81, 0.0),
        note(46.0, 0.6, 79, -2.0),
        note(46.7, 0.6, 76, -2.0),
        note(47.4, 1.6, 72, -3.0),
        // C: forwards, against the voice that goes backwards.
        note(69.2, 0.7, 74, -5.0),
        note(70.0, 1.4, 72, -6.0),
        // D.
        note(79.5, 0.8, 81, -1.0),
        note(80.4, 0.8, 79, -1.0),
        note(81.3, 0.8, 77, -2.0),
        note(82.2, 2.0, 74, -3.0),
    ],
    bowed: &[
        note(59.8, 3.6, 50, -3.0),
        // D: the open lowest string, twice.
        note(74.2, 6.0, 38, 0.0),
        note(83.0, 5.0, 38, -2.0),
        note(83.4, 4.6, 45, -6.0),
    ],
    plucked: &[
        note(14.2, 3.5, 50, -3.0),
        note(24.0, 3.0, 50, -6.0),
        // B.
        note(31.0, 2.5, 50, -1.0),
        note(31.8, 2.5, 57, -2.0),
        note(32.6, 2.5, 62, -2.0),
        note(33.4, 4.0, 53, -1.0),
        note(47.0, 2.5, 48, -1.0),
        note(47.8, 2.5, 55, -2.0),
        note(48.6, 4.0, 60, -3.0),
        // C, under the first words.
        note(64.0, 2.0, 45, -4.0),
        // D.
        note(81.0, 2.5, 50, -2.0),
        note(81.8, 3.5, 57, -3.0),
    ],
};

//! What a sound is made of: its partials over time, its fundamental, its formants, its steady moments, and what in it is
//! noise.
//!
//! Samples in, a [`Study`] out. Nothing here is for the audio thread, and nothing here touches a file.
//!
//! ```
//! let tone = |n: u32| (f64::from(n) * 330.0 / 48_000.0 * std::f64::consts::TAU).sin() as f32;
//! let study = tenterhook_spectra::study(&(0..48_000).map(tone).collect::<Vec<f32>>(), 48_000);
//! let moment = study.moment(study.most_telling());
//! assert!((moment.partials[0].hz - 330.0).abs() < 0.01);
//! ```
//!
//! - Every 10 ms spectra are taken through windows of 160 ms (below 600 Hz), 80 ms and 55 ms (from 2 kHz on); their peaks
//!   (`partials`) are joined to courses (`tracks`), which are told from noise by how well their phases go on (`sureness`).
//!   Pairs that lie too close for these windows and beat are told apart by one of 640 ms (`close`).
//! - The fundamental is where the autocorrelation repeats, by the cheapest way through all frames (`pitch`).
//! - A [`Moment`] adds up the tracks in it: phases tell frequencies better than any one spectrum. Formants are fitted to
//!   the levels of its harmonics (`formants`, `resonances`).
//!
//! What is too short or too fast for a window is told less surely: a partial must last twice its window to be as sure as it
//! gets, and of the harmonics of a wide vibrato the highest are seen as noise.

mod close;
mod formants;
mod frames;
mod ground;
mod moment;
mod partials;
mod pitch;
mod rates;
mod resonances;
mod steady;
mod study;
mod sureness;
mod tracks;

use std::ops::Range;

pub use study::study;

/// A whole sound, taken apart.
#[derive(Clone, Debug)]
pub struct Study {
    /// Samples a second of the sound.
    pub rate: u32,
    /// Its length in seconds.
    pub seconds: f64,
    /// Its partials over time, in the order of their beginnings.
    pub tracks: Vec<Track>,
    /// Its fundamental, frame by frame: equally spaced, from the sound's beginning on.
    pub pitch: Vec<Pitch>,
    /// Its steady moments, in seconds, in time order: where its partials stand still for at least a tenth of a second. A
    /// vibrato stands still on the whole.
    pub steady: Vec<Range<f64>>,
    /// Its energy over time and frequency, as the ground of a picture.
    pub ground: Ground,
    /// What [`Study::moment`] needs besides.
    beneath: study::Beneath,
}

/// One partial from where it begins to where it ends.
#[derive(Clone, Debug, PartialEq)]
pub struct Track {
    /// Its course, in time order, equally spaced.
    pub points: Vec<Point>,
}

/// One partial at one moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// When, in seconds from the sound's beginning.
    pub seconds: f64,
    /// Its frequency.
    pub hz: f64,
    /// Its level: the amplitude of a sine, in dBFS (full scale 1 is 0 dB).
    pub db: f64,
    /// How sure it is that this is a partial and no noise, 0…1.
    pub confidence: f64,
}

/// The fundamental at one moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pitch {
    /// When, in seconds from the sound's beginning.
    pub seconds: f64,
    /// Its frequency; `None`: there is no one fundamental.
    pub hz: Option<f64>,
    /// How much of the sound's power repeats with it, 0…1; 0 without one.
    pub harmonicity: f64,
}

/// Energy on a grid of equal steps in time and of equal ratios in frequency: of each row the strongest in it, of each column
/// the mean. A sine reads its level, as the amplitude of a sine, within 1 dB; silence -140.
#[derive(Clone, Debug, Default)]
pub struct Ground {
    /// From one column to the next, in seconds; the first column is at 0.
    pub step_seconds: f64,
    /// The frequency of the lowest row.
    pub low_hz: f64,
    /// Rows in an octave.
    pub rows_per_octave: u32,
    /// Rows in a column.
    pub rows: usize,
    /// Levels in dBFS, column by column, each from its lowest row up.
    pub db: Vec<f32>,
}

/// What a sound is made of between two times.
#[derive(Clone, Debug, PartialEq)]
pub struct Moment {
    /// Its times, in seconds from the sound's beginning.
    pub span: Range<f64>,
    /// Its partials, the strongest first: of each the mean frequency and level over the part of the span that it sounds in.
    pub partials: Vec<Partial>,
    /// Its fundamental, if it has one.
    pub fundamental_hz: Option<f64>,
    /// How much of its power lies in the harmonics of the fundamental, 0…1; 0 without one.
    pub harmonicity: f64,
    /// Resonances of the voice or body that made it, from low to high: those that the levels of its harmonics determine.
    /// The higher the fundamental, the fewer; without one or above 700 Hz none.
    pub formants: Vec<Formant>,
    /// How much of its power is noise, 0…1.
    pub noise: f64,
}

/// One partial of a moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Partial {
    /// Its frequency.
    pub hz: f64,
    /// Its level: the amplitude of a sine, in dBFS.
    pub db: f64,
    /// How sure it is that this is a partial and no noise, 0…1.
    pub confidence: f64,
}

/// A resonance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Formant {
    /// Its centre.
    pub hz: f64,
    /// Its width between the points of half power.
    pub bandwidth_hz: f64,
}

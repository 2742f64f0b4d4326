//! A made-up ensemble of three players: a voice, a treble recorder and a bass viol, each close to a mic of its own.
//!
//! The program sounds it for its demo where there is no ensemble. Nothing is recorded: every sample is arithmetic on a
//! short invented piece, the [`EnsembleScore`], at a' = 415 Hz. The same rate gives the same bits, however they are asked for.
//!
//! ```
//! use tenterhook_ensemble::{Ensemble, PLAYERS};
//!
//! let mut ensemble = Ensemble::new(8000)?;
//! assert_eq!(PLAYERS, ["voice", "recorder", "viol"]);
//! let [voice, recorder, viol] = ensemble.next().expect("the piece is not empty");
//! assert_eq!([voice, recorder, viol], [0.0; 3], "it begins with silence");
//! # Ok::<(), tenterhook_ensemble::UnsupportedRate>(())
//! ```

mod articulation;
mod cycle;
mod filter;
mod noise;
mod part;
mod recorder;
mod room;
mod score;
mod viol;
mod voice;

pub use articulation::{Consonant, Vowel};
pub use score::{A4_HZ, EnsembleNote, EnsembleScore, SCORE, Syllable, frequency};

use part::EnsemblePart;
use recorder::Blown;
use room::Spill;
use std::fmt;
use viol::{Body, Bowed, Plucked};
use voice::Phrase;

/// The players, in the order of the channels.
pub const PLAYERS: [&str; 3] = ["voice", "recorder", "viol"];

/// The least and the greatest number of samples a second.
pub const RATES: std::ops::RangeInclusive<u32> = 8000..=192_000;

/// A number of samples a second at which the ensemble cannot sound.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct UnsupportedRate(
    /// The rate that was asked for, in Hz.
    pub u32,
);

impl fmt::Display for UnsupportedRate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (least, most) = (RATES.start(), RATES.end());
        write!(f, "the ensemble cannot sound at {} Hz: choose a rate from {least} Hz to {most} Hz", self.0)
    }
}

impl std::error::Error for UnsupportedRate {}

/// The ensemble, playing: an iterator over its frames of one sample per player, within −1…1, until the score ends.
pub struct Ensemble {
    voice: EnsemblePart<Phrase>,
    recorder: EnsemblePart<Blown>,
    bow: EnsemblePart<Bowed>,
    fingers: EnsemblePart<Plucked>,
    body: Body,
    spill: Spill,
    now: u64,
    end: u64,
}

impl Ensemble {
    /// The ensemble at the beginning of its own piece, [`SCORE`], at `rate` samples a second.
    ///
    /// # Errors
    /// If `rate` is not within [`RATES`].
    pub fn new(rate: u32) -> Result<Self, UnsupportedRate> {
        Self::playing(rate, &SCORE)
    }

    /// The ensemble at the beginning of any score, at `rate` samples a second.
    ///
    /// # Errors
    /// If `rate` is not within [`RATES`].
    pub fn playing(rate: u32, score: &EnsembleScore<'_>) -> Result<Self, UnsupportedRate> {
        if !RATES.contains(&rate) {
            return Err(UnsupportedRate(rate));
        }
        let numbered = |notes: &[EnsembleNote]| notes.iter().copied().zip(0u64..).collect::<Vec<_>>();
        let starting = |note: &EnsembleNote| sample(note.at, rate);
        Ok(Self {
            voice: EnsemblePart::new(voice::phrases(rate, score.voice)),
            recorder: EnsemblePart::new(
                numbered(score.recorder).iter().map(|(n, i)| (starting(n), Blown::new(rate, n, *i))).collect(),
            ),
            bow: EnsemblePart::new(
                numbered(score.bowed).iter().map(|(n, i)| (starting(n), Bowed::new(rate, n, *i))).collect(),
            ),
            fingers: EnsemblePart::new(
                numbered(score.plucked).iter().map(|(n, i)| (starting(n), Plucked::new(rate, n, *i))).collect(),
            ),
            body: Body::new(rate),
            spill: Spill::new(rate),
            now: 0,
            end: sample(score.seconds, rate),
        })
    }

    /// Fills one channel per player with the next samples, then silence once the score has ended. A channel past the
    /// third is filled with silence; every channel is filled as far as the longest one runs.
    pub fn render(&mut self, channels: &mut [&mut [f32]]) {
        let frames = channels.iter().map(|channel| channel.len()).max().unwrap_or(0);
        for i in 0..frames {
            let frame = self.next().unwrap_or_default();
            for (player, channel) in channels.iter_mut().enumerate() {
                if let Some(sample) = channel.get_mut(i) {
                    *sample = frame.get(player).copied().unwrap_or(0.0);
                }
            }
        }
    }
}

impl Iterator for Ensemble {
    type Item = [f32; 3];

    fn next(&mut self) -> Option<[f32; 3]> {
        if self.now >= self.end {
            return None;
        }
        let viol = self.bow.next(self.now) + self.fingers.next(self.now);
        let players = [self.voice.next(self.now), self.recorder.next(self.now), self.body.next(viol)];
        self.now += 1;
        // The score is written to stay well inside; another score may be loud, and a mic clips then as well.
        Some(self.spill.next(players).map(|x| x.clamp(-0.999, 0.999) as f32))
    }

    fn size_hint(&self) -> (usize, Option<usize>) {
        let left = (self.end - self.now) as usize;
        (left, Some(left))
    }
}

impl ExactSizeIterator for Ensemble {}

/// The whole piece at once: one channel per player, all of the same length.
///
/// # Errors
/// If `rate` is not within [`RATES`].
pub fn sound(rate: u32) -> Result<[Vec<f32>; 3], UnsupportedRate> {
    let mut ensemble = Ensemble::new(rate)?;
    let mut channels = [(); 3].map(|()| vec![0.0; ensemble.len()]);
    ensemble.render(&mut channels.each_mut().map(Vec::as_mut_slice));
    Ok(channels)
}

/// The sample nearest to a time in seconds; 0 for a negative time.
fn sample(seconds: f64, rate: u32) -> u64 {
    (seconds * f64::from(rate)).round() as u64
}

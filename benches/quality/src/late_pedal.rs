//! How often freeze holds the vowel when the pedal comes a little late, or early.

use crate::RATE;
use crate::metrics::spectra::{highest, mean, median, middle, samples, third_octaves};
use crate::metrics::tones::pitch_track;
use crate::report::Row;
use crate::signals::{Consonant, Random, Syllable, syllable};
use crate::subjects::ours::Ours;

/// When the gesture falls.
#[derive(Clone, Copy, Debug)]
pub enum When {
    /// Up to 120 ms after the vowel has turned into the consonant.
    Late(Consonant),
    /// Up to 80 ms before the vowel starts.
    Early,
}

/// The three questions.
pub const CASES: [(&str, When); 3] =
    [("late, in /s/", When::Late(Consonant::S)), ("late, in /t/", When::Late(Consonant::T)), ("early", When::Early)];

/// How far, in dB, the hold's third octaves may be from the vowel's: root mean square over those within 30 dB of the
/// strongest up to 8 kHz, the level included.
pub const ENVELOPE: f64 = 3.0;

/// How far, in cents, its pitch may be.
pub const PITCH: f64 = 20.0;

/// One case: (dB of envelope, cents) from 250 ms after the gesture or the vowel's start, whichever comes later, for a
/// second.
fn judge(syllable: &Syllable, gesture: usize, hold: &[f64]) -> (f64, f64) {
    let (start, end) = syllable.vowel;
    let from = start.max(gesture) - gesture + samples(0.25);
    let hold = &hold[from..from + samples(1.0)];
    let edge = samples(0.02);
    let (got, want) = (third_octaves(hold, 8000.0), third_octaves(&syllable.sound[start + edge..end - edge], 8000.0));
    let least = highest(&want) - 30.0;
    let heard = got.iter().zip(&want).filter(|(_, want)| **want > least);
    let envelope = mean(&heard.map(|(got, want)| (got - want).powi(2)).collect::<Vec<_>>()).sqrt();
    (envelope, median(middle(&pitch_track(hold, syllable.f0, 30.0).0)))
}

/// A hundred cases: how many hold the vowel, how many miss its envelope and its pitch, and the median deviations.
pub fn row(name: &str, when: When, mut keep: impl FnMut(usize, &[f64])) -> Row {
    let mut random = Random::new(name, 3);
    let ours = Ours::new("freeze", "aim = \"steady\"", 0.0);
    let values = ours.map(|ours| {
        let one = |case: usize| {
            let consonant = match when {
                When::Late(consonant) => consonant,
                When::Early if case.is_multiple_of(2) => Consonant::S,
                When::Early => Consonant::T,
            };
            let syllable = syllable(&mut random, consonant);
            let gesture = match when {
                When::Late(_) => syllable.vowel.1 + (random.between(0.0, 0.12) * RATE) as usize,
                When::Early => syllable.vowel.0 - (random.between(0.0, 0.08) * RATE) as usize,
            };
            let (before, after) = syllable.sound.split_at(gesture);
            let hold = ours.play(before, after, &[(0, 1.0)], samples(1.6));
            keep(case, &hold);
            judge(&syllable, gesture, &hold)
        };
        let found: Vec<(f64, f64)> = (0..100).map(one).collect();
        let count = |is: &dyn Fn(f64, f64) -> bool| found.iter().filter(|&&(db, cents)| is(db, cents)).count() as f64;
        vec![
            ("hits_of_100", count(&|db, cents| db <= ENVELOPE && cents.abs() <= PITCH)),
            ("missed_envelope", count(&|db, _| db > ENVELOPE)),
            ("missed_pitch", count(&|_, cents| cents.abs() > PITCH)),
            ("median_envelope_db", median(&found.iter().map(|(db, _)| *db).collect::<Vec<_>>())),
            ("median_pitch_cents", median(&found.iter().map(|(_, cents)| cents.abs()).collect::<Vec<_>>())),
        ]
    });
    Row { group: "100".to_owned(), subject: "ours".to_owned(), signal: name.to_owned(), kind: "syllable", values }
}

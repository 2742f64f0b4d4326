//! Random sounds and the players that they are written out for.

#![allow(dead_code, reason = "each test takes what it needs")]

use proptest::prelude::*;
use proptest::sample::select;
use tenterhook_notes::{Chord, Player, Rhythm, Score, SharedOut, Step, Tone, ensemble, instruments, share};
use tenterhook_plan::players::Transposition;

/// All that a score is made of.
#[derive(Clone, Debug)]
pub struct Commission {
    pub title: String,
    pub chords: Vec<Chord>,
    pub players: Vec<Player>,
    pub step: Step,
    pub tuning_hz: f64,
    pub octaves: bool,
    pub rhythm: Rhythm,
}

impl Commission {
    pub fn share(&self) -> SharedOut {
        share(&self.chords, &self.players, self.step, self.tuning_hz, self.octaves).unwrap()
    }

    /// Nothing if nobody plays anything.
    pub fn score(&self) -> Option<(SharedOut, Score)> {
        let shared = self.share();
        let any = shared.parts.iter().any(|part| !part.notes.is_empty());
        any.then(|| {
            let score = Score::new(&self.title, &self.chords, &shared, self.rhythm).unwrap();
            (shared, score)
        })
    }
}

/// Partials from below the lowest instrument to above the highest, some of one level.
fn tones(most: usize) -> impl Strategy<Value = Vec<Tone>> {
    let tone = (4.5..13.0f64, -60..0i32).prop_map(|(octave, db)| Tone { hz: octave.exp2(), db: f64::from(db) });
    prop::collection::vec(tone, 1..=most)
}

/// Sounds of up to `most` partials in each chord, for up to as many players.
pub fn commissions(most: usize) -> impl Strategy<Value = Commission> {
    let names = prop::collection::vec(select(instruments().iter().map(|one| one.name).collect::<Vec<_>>()), 1..=most);
    // Times between which there are at least three sixteenths at the slowest tempo.
    let times = prop::collection::vec((0.0..1.0f64, 0.3..2.5f64, tones(most)), 1..=4);
    let title = "\\PC{0,12}";
    let step = select(Step::ALL.map(|(_, step)| step).to_vec());
    let rhythm = prop_oneof![Just(Rhythm::Held), (50..120u8).prop_map(|bpm| Rhythm::Timed { tempo: f64::from(bpm) })];
    let tuning = select(vec![392.0, 415.0, 430.0, 440.0, 466.0]);
    // A clarinet in B flat, a horn in E flat, a piccolo's octave, or as it sounds.
    let shifts = [(0, 0), (-2, -1), (-9, -5), (3, 2), (12, 7), (-14, -8)];
    let shift = select(shifts.map(|(semitones, letters)| Transposition { semitones, letters }).to_vec());
    (names, times, title, step, rhythm, tuning, shift, any::<bool>()).prop_map(
        |(names, times, title, step, rhythm, tuning_hz, transposition, octaves)| {
            let mut at = 0.0;
            let mut chord = |(pause, lasts, tones)| {
                let from = at + pause;
                at = from + lasts;
                Chord { span: from..at, tones }
            };
            let chords = times.into_iter().map(&mut chord).collect();
            let mut players = ensemble(&names, &[]).unwrap();
            players[0].transposition = transposition;
            Commission { title, chords, players, step, tuning_hz, octaves, rhythm }
        },
    )
}

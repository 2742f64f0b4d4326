//! Who plays while the load is measured.

use tenterhook_ensemble::{Consonant, Ensemble, EnsembleNote, EnsembleScore, Syllable, UnsupportedRate, Vowel};

const fn note(at: f64, lasts: f64, pitch: u8) -> EnsembleNote {
    EnsembleNote { at, lasts, pitch: pitch as f64, level: 0.0 }
}

const fn sing(at: f64, lasts: f64, pitch: u8, vowel: Vowel) -> Syllable {
    Syllable { at, lasts, pitch: pitch as f64, consonant: Consonant::M, vowel, level: 0.0 }
}

/// The made-up ensemble, all of it at once and all the time: pitches, chords, attacks and breath.
const SCORE: EnsembleScore<'static> = EnsembleScore {
    seconds: 5.0,
    voice: &[
        sing(0.1, 1.0, 69, Vowel::A),
        sing(1.1, 0.5, 72, Vowel::I),
        sing(1.6, 1.4, 67, Vowel::U),
        sing(3.0, 1.8, 65, Vowel::E),
    ],
    recorder: &[note(0.0, 0.5, 81), note(0.6, 0.9, 79), note(1.6, 1.6, 77), note(3.3, 0.6, 74), note(4.0, 0.9, 81)],
    bowed: &[note(0.0, 2.4, 38), note(2.4, 2.5, 45)],
    plucked: &[note(0.5, 2.0, 57), note(1.4, 2.0, 62), note(2.3, 2.0, 53), note(3.4, 1.5, 57)],
};

/// The sound of the mics: the players in turn, over and over, each mic a little later than the one before.
pub struct Players([Vec<f32>; 3]);

impl Players {
    /// The ensemble at a rate.
    ///
    /// # Errors
    /// If it cannot sound at this rate.
    pub fn new(rate: u32) -> Result<Self, UnsupportedRate> {
        let mut ensemble = Ensemble::playing(rate, &SCORE)?;
        let mut channels = [(); 3].map(|()| vec![0.0; ensemble.len()]);
        ensemble.render(&mut channels.each_mut().map(Vec::as_mut_slice));
        Ok(Self(channels))
    }

    /// The sound of input channel `input` from sample `from` on.
    pub fn play(&self, input: usize, from: u64, out: &mut [f32]) {
        let sound = &self.0[input % self.0.len()];
        let mut place = (from as usize + input * 4801) % sound.len();
        let mut rest = out;
        while !rest.is_empty() {
            let length = rest.len().min(sound.len() - place);
            let (now, later) = rest.split_at_mut(length);
            now.copy_from_slice(&sound[place..place + length]);
            (rest, place) = (later, 0);
        }
    }
}

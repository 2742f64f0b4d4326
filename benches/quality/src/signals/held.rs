//! Notes to be held: each stops where the gesture falls.

use super::{Kind, Signal, Sung, Vowel, breathy_tone, chord, viol, vowel};
use crate::metrics::spectra::samples;

/// A sustained sound that stops.
pub struct Held {
    /// Its name in tables.
    pub name: String,
    /// The sound until it stops, where the gesture falls.
    pub heard: Vec<f64>,
    /// From when to when it is steady, in seconds.
    pub steady: (f64, f64),
    /// The mean fundamental there, Hz.
    pub f0: f64,
    /// Whether it is a voice, with formants.
    pub voice: bool,
    /// Whether it counts among the single notes.
    pub single: bool,
}

/// When a held note stops, in seconds.
const STOP: f64 = 2.8;

/// Cut off within 5 ms.
fn cut(mut sound: Vec<f64>) -> Vec<f64> {
    sound.truncate(samples(STOP));
    let fade = samples(0.005);
    let length = sound.len();
    for (i, x) in sound[length - fade..].iter_mut().enumerate() {
        *x *= 1.0 - i as f64 / (fade - 1) as f64;
    }
    sound
}

fn held(signal: Signal, f0: f64, steady: f64) -> Held {
    Held {
        heard: cut(signal.source()),
        steady: (steady, STOP - 0.05),
        f0: signal.f0.unwrap_or(f0),
        voice: signal.kind == Kind::Vowel,
        single: signal.kind != Kind::Chord,
        name: signal.name,
    }
}

/// The notes that effects may be tuned by.
pub fn notes() -> Vec<Held> {
    let vibrato =
        Sung { vibrato: Some((5.5, 40.0)), shimmer: 0.06, ..Sung::new("vowel_a_vibrato", Vowel::AMen, 220.0) };
    let both = vec![vowel(Sung::new("chord_vowel", Vowel::AMen, 196.0)), viol("chord_viol", 293.7, 3.0)];
    #[cfg_attr(not(feature = "peers"), expect(unused_mut, reason = "sampled notes come with the peers"))]
    let mut notes = vec![
        held(vowel(Sung::new("vowel_a", Vowel::AMen, 146.83)), 146.83, 1.8),
        held(vowel(Sung::new("vowel_i", Vowel::IWomen, 293.66)), 293.66, 1.8),
        held(vowel(vibrato), 220.0, 1.8),
        held(breathy_tone("breathy", 587.33, -30.0, 4.0), 587.33, 1.8),
        held(viol("viol_tone", 196.0, 3.0), 196.0, 1.0),
        held(chord("chord_vowel_viol", both), 196.0, 1.8),
    ];
    #[cfg(feature = "peers")]
    for (name, program, key) in [("sf_recorder", 74, 74), ("sf_violin", 40, 69), ("sf_viola", 41, 60)] {
        if let Some(sound) = super::sampled::soundfont(program, &[(0.05, 2.9, key, 95)], 3.2) {
            let (name, f0) = (name.to_owned(), 440.0 * ((f64::from(key) - 69.0) / 12.0).exp2());
            notes.push(Held { name, heard: cut(sound), steady: (1.0, STOP - 0.05), f0, voice: false, single: true });
        }
    }
    notes
}

/// Notes by which nothing is tuned.
pub fn holdout() -> Vec<Held> {
    let low = |name: &str, which, f0| held(vowel(Sung::new(name, which, f0)), f0, 1.8);
    let three = vec![
        vowel(Sung::new("three_u", Vowel::U, 131.0)),
        viol("three_viol", 196.5, 3.0),
        breathy_tone("three_breath", 523.25, -26.0, 4.0),
    ];
    vec![
        low("vowel_u_65", Vowel::U, 65.0),
        low("vowel_o_82", Vowel::O, 82.0),
        low("vowel_i_98", Vowel::IMen, 98.0),
        low("vowel_a_131", Vowel::AMen, 131.0),
        held(breathy_tone("breathy_440", 440.0, -20.0, 4.0), 440.0, 1.8),
        held(viol("viol_98", 98.0, 3.0), 98.0, 1.0),
        held(viol("viol_294", 294.0, 3.0), 294.0, 1.0),
        held(chord("chord_of_three", three), 131.0, 1.8),
    ]
}

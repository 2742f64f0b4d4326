//! Syllables: a vowel between consonants, and nothing else near.

use super::voice::{harmonics, table};
use super::{LEVEL, Random, Vowel, shaped_noise};
use crate::RATE;
use crate::metrics::spectra::{power, samples};

/// What a vowel turns into.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Consonant {
    /// A hiss.
    S,
    /// A closure, then a burst.
    T,
}

/// One syllable with silence around it.
pub struct Syllable {
    /// The sound, long enough for a hold to be heard beside it.
    pub sound: Vec<f64>,
    /// The vowel's first sample and the one after its last.
    pub vowel: (usize, usize),
    /// Its mean fundamental, Hz.
    pub f0: f64,
}

/// In and out of a sound in so many seconds.
fn eased(sound: &mut [f64], seconds: f64) {
    let (length, fade) = (sound.len(), samples(seconds));
    for i in 0..fade.min(length / 2) {
        let gain = 0.5 - 0.5 * (std::f64::consts::PI * (i as f64 + 0.5) / fade as f64).cos();
        sound[i] *= gain;
        sound[length - 1 - i] *= gain;
    }
}

/// A vowel of 0.2 to 0.45 s, sung or spoken by a man or a woman, drifting by up to 8 cents, that turns into a consonant.
/// Half of them begin with a hiss, half from silence. No other vowel is there.
pub fn syllable(random: &mut Random, consonant: Consonant) -> Syllable {
    let choices = [Vowel::AMen, Vowel::IMen, Vowel::IWomen, Vowel::O, Vowel::U];
    let vowel = choices[(random.even() * 5.0) as usize];
    let low = if vowel == Vowel::IWomen { 170.0 } else { 95.0 };
    let f0 = low * (random.between(0.0, 12.0) / 12.0).exp2();
    let (length, drift) = (samples(random.between(0.2, 0.45)), random.between(-8.0, 8.0));
    let tract = table(vowel.formants());
    let mut turns = 0.0;
    let mut voiced: Vec<f64> = (0..length)
        .map(|i| {
            let hz = f0 * (drift * (i as f64 / length as f64 - 0.5) / 1200.0).exp2();
            turns += hz / RATE;
            harmonics(turns, hz, f0, &tract)
        })
        .collect();
    let gain = LEVEL / power(&voiced).sqrt();
    voiced.iter_mut().for_each(|x| *x *= gain);
    eased(&mut voiced, 0.02);
    let mut hiss = |seconds: f64, level: f64, low: f64| {
        let mut noise = shaped_noise(random, samples(seconds), |hz| f64::from(hz > low && hz < 9000.0));
        noise.iter_mut().for_each(|x| *x *= LEVEL * level);
        noise
    };
    let (mut before, mut s) = (hiss(0.12, 0.35, 4000.0), hiss(0.22, 0.35, 4000.0));
    let (mut burst, mut breath) = (hiss(0.012, 1.0, 2500.0), hiss(0.06, 0.12, 1500.0));
    eased(&mut before, 0.015);
    eased(&mut s, 0.015);
    eased(&mut burst, 0.002);
    eased(&mut breath, 0.01);
    let start = samples(0.7);
    let end = start + length;
    let mut sound = vec![0.0; end + samples(2.0)];
    let mut put = |at: usize, what: &[f64]| sound[at..].iter_mut().zip(what).for_each(|(x, y)| *x += y);
    put(start, &voiced);
    if random.even() < 0.5 {
        // The consonants overlap the vowel a little, as mouths do.
        put(start + samples(0.01) - before.len(), &before);
    }
    match consonant {
        Consonant::S => put(end - samples(0.01), &s),
        Consonant::T => {
            put(end + samples(0.05), &burst);
            put(end + samples(0.055), &breath);
        }
    }
    Syllable { sound, vowel: (start, end), f0 }
}

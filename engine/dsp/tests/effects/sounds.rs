//! Sounds whose every part is known. All at 48 kHz.

use std::f64::consts::TAU;
use tenterhook_dsp::random;
use tenterhook_plan::{Partial, Recording, Tuning};

pub const RATE: f64 = 48_000.0;

/// Sines of (frequency, amplitude).
pub fn tones(partials: &[(f64, f64)], samples: usize) -> Vec<f32> {
    let value = |i: usize| partials.iter().map(|(f, a)| a * (TAU * f * i as f64 / RATE + f).sin()).sum::<f64>();
    (0..samples).map(|i| value(i) as f32).collect()
}

/// Even noise of this amplitude.
pub fn noise(seed: u64, amplitude: f64, samples: usize) -> Vec<f32> {
    (0..samples as u64).map(|i| (amplitude * (2.0 * random::even(seed, i, 0) - 1.0)) as f32).collect()
}

/// The harmonics of a sung vowel: women's /ɑ/, formants of Peterson and Barney, J. Acoust. Soc. Am. 24 (1952) 175–184.
/// The bandwidths are chosen.
pub fn vowel_partials(f0: f64) -> Vec<(f64, f64)> {
    let gain = |f: f64| -> f64 {
        [(850.0, 90.0), (1220.0, 110.0), (2810.0, 170.0)]
            .iter()
            .map(|&(centre, width): &(f64, f64)| {
                // The magnitude of one resonance, 1 at 0 Hz.
                let square = centre * centre;
                square / ((square - f * f).powi(2) + (width * f).powi(2)).sqrt()
            })
            .product()
    };
    (1..).map(|k| k as f64 * f0).take_while(|&f| f < 6000.0).map(|f| (f, 0.05 * gain(f) * f0 / f)).collect()
}

pub fn vowel(f0: f64, samples: usize) -> Vec<f32> {
    tones(&vowel_partials(f0), samples)
}

/// The same sound at every place, one after the other over so many samples.
pub fn change(first: &[f32], second: &[f32], at: usize, fade: usize) -> Vec<f32> {
    let share = |i: usize| ((i as f32 - at as f32) / fade as f32 + 0.5).clamp(0.0, 1.0);
    first.iter().zip(second).enumerate().map(|(i, (a, b))| a * (1.0 - share(i)) + b * share(i)).collect()
}

/// A short recorded sound, for what plays one.
pub fn recording() -> Recording {
    Recording { path: "vowel.wav".to_owned(), rate: 44_100, tuned: 1.0, samples: vowel(262.0, 30_000).into() }
}

/// Three strings, for what is tuned.
pub fn tuning() -> Tuning {
    let partials = [146.8, 220.0, 369.4].map(|hz| Partial { hz, db: 0.0 }).to_vec();
    Tuning { said: "D3 A3 F#4".to_owned(), partials }
}

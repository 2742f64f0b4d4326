//! Noise, and tones with breath.

use std::f64::consts::TAU;

use super::tones::{FADE, faded, normalised};
use super::{Course, Kind, LEVEL, Random, Scale, Signal};
use crate::RATE;
use crate::metrics::spectra::{power, spectrum, waveform};

/// Gaussian noise of level 1 whose spectrum has the given magnitude at each Hz.
pub fn shaped_noise(random: &mut Random, length: usize, magnitude: impl Fn(f64) -> f64) -> Vec<f64> {
    if length == 0 {
        return Vec::new();
    }
    let white: Vec<f64> = (0..length).map(|_| random.normal()).collect();
    let mut shaped = spectrum(&white, length);
    for (k, z) in shaped.iter_mut().enumerate() {
        *z *= magnitude(k as f64 * RATE / length as f64);
    }
    normalised(waveform(shaped, length))
}

/// Noise above 20 Hz of this magnitude at each Hz.
pub fn coloured_noise(name: &str, magnitude: impl Fn(f64) -> f64 + Send + Sync + 'static, seconds: f64) -> Signal {
    let model = move |course: &Course, random: &mut Random| {
        shaped_noise(random, course.len(), |hz| if hz > 20.0 { magnitude(hz) } else { 0.0 })
    };
    Signal::new(name, Kind::Noise, seconds, Scale::Each(LEVEL), model)
}

/// As of a recorder: three harmonics and noise from 0.8 to 8 kHz, `breath` dB to the tone.
pub fn breathy_tone(name: &str, f0: f64, breath: f64, seconds: f64) -> Signal {
    let amplitudes = [1.0, 0.18, 0.1];
    let model = move |course: &Course, random: &mut Random| {
        let at = |t: f64| {
            (1..).zip(amplitudes).map(|(k, a)| a * (TAU * (f0 * f64::from(k) * t).fract() + f64::from(k)).cos()).sum()
        };
        let tone: Vec<f64> = course.times().map(at).collect();
        let level = power(&tone).sqrt() * 10f64.powf(breath / 20.0);
        let noise = shaped_noise(random, course.len(), |hz| f64::from(hz > 800.0 && hz < 8000.0));
        faded(tone.iter().zip(noise).map(|(x, noise)| x + level * noise).collect(), course, seconds, FADE)
    };
    Signal {
        partials: (1..=3).map(|k| f0 * f64::from(k)).collect(),
        f0: Some(f0),
        ..Signal::new(name, Kind::Breath, seconds, Scale::Level(LEVEL), model)
    }
}

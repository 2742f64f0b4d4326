//! A bowed string.

use std::f64::consts::TAU;

use super::tones::faded;
use super::{Course, Kind, LEVEL, Random, Scale, Signal, shaped_noise};
use crate::metrics::spectra::power;

/// Random values at even places of 0…`seconds`, with straight lines between.
fn wander(random: &mut Random, count: usize, seconds: f64) -> impl Fn(f64) -> f64 + Send + Sync + use<> {
    let knots: Vec<f64> = (0..count).map(|_| random.normal()).collect();
    move |u: f64| {
        let place = (u / seconds).clamp(0.0, 1.0) * (count - 1) as f64;
        let i = (place as usize).min(count - 2);
        knots[i] + (knots[i + 1] - knots[i]) * (place - i as f64)
    }
}

/// As of a viol: partials of a sawtooth through three resonances of a body, bow noise at −35 dB, 1 % of wander in level
/// and 4 cents in pitch. The wander belongs to the name: it is the same at every ratio, only slower.
pub fn viol(name: &str, f0: f64, seconds: f64) -> Signal {
    let mut random = Random::new(name, 0);
    let level = wander(&mut random, 40, seconds);
    let cents = wander(&mut random, 30, seconds);
    let pitch = move |u: f64| f0 * (4.0 * cents(u) / 1200.0).exp2();
    let resonance = |hz: f64, centre: f64, width: f64| 1.0 / (1.0 + ((hz - centre) / width).powi(2));
    let body = move |hz: f64| {
        0.3 + resonance(hz, 290.0, 60.0) + 0.8 * resonance(hz, 480.0, 90.0) + 0.5 * resonance(hz, 2300.0, 700.0)
    };
    let partials: Vec<(f64, f64)> =
        (1..(11_000.0 / f0) as u32).map(f64::from).map(|k| (body(k * f0) / k, 0.3 * k * k)).collect();
    let model = move |course: &Course, random: &mut Random| {
        let at = |turns: f64| {
            (1..).zip(&partials).map(|(k, (a, p))| a * (TAU * (f64::from(k) * turns).fract() + p).cos()).sum::<f64>()
        };
        let tone: Vec<f64> = course.turns(&pitch).into_iter().map(at).collect();
        let bow = power(&tone).sqrt() * 10f64.powf(-35.0 / 20.0);
        let noise = shaped_noise(random, course.len(), |hz| f64::from(hz > 300.0 && hz < 7000.0));
        let moving = tone.iter().zip(&course.place).map(|(x, &u)| x * (1.0 + 0.01 * level(u)));
        faded(moving.zip(noise).map(|(x, noise)| x + bow * noise).collect(), course, seconds, 0.1)
    };
    Signal { f0: Some(f0), ..Signal::new(name, Kind::Bowed, seconds, Scale::Level(LEVEL), model) }
}

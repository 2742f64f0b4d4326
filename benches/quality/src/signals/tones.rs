//! Steady tones, vibrato, beats and chords.

use std::f64::consts::TAU;

use super::{Course, Kind, LEVEL, Random, Scale, Signal};
use crate::metrics::spectra::power;

/// Fades in and out, in seconds of the source.
pub(super) const FADE: f64 = 0.03;

pub(super) fn faded(mut sound: Vec<f64>, course: &Course, seconds: f64, length: f64) -> Vec<f64> {
    sound.iter_mut().zip(course.fade(seconds, length)).for_each(|(x, fade)| *x *= fade);
    sound
}

/// Ten harmonics of amplitude 1/k in random phases.
pub fn steady_tone(name: &str, f0: f64, seconds: f64) -> Signal {
    let mut random = Random::new(name, 0);
    let phases: Vec<f64> = (0..10).map(|_| random.between(0.0, TAU)).collect();
    let partial = move |k: usize| f0 * k as f64;
    let model = move |course: &Course, _: &mut Random| {
        let at = |t: f64| (1..).zip(&phases).map(|(k, p)| (TAU * (partial(k) * t).fract() + p).cos() / k as f64).sum();
        faded(course.times().map(at).collect(), course, seconds, FADE)
    };
    Signal {
        partials: (1..=10).map(partial).collect(),
        f0: Some(f0),
        ..Signal::new(name, Kind::Tone, seconds, Scale::Level(LEVEL), model)
    }
}

/// Ten harmonics of amplitude 1/k whose pitch goes `cents` up and about as much down, `rate` times a second.
pub fn vibrato_tone(name: &str, f0: f64, rate: f64, cents: f64, seconds: f64) -> Signal {
    let depth = (cents / 1200.0).exp2() - 1.0;
    let model = move |course: &Course, _: &mut Random| {
        let turns = course.turns(|u| f0 * (1.0 + depth * (TAU * rate * u).sin()));
        let at = |turns: &f64| (1..=10).map(|k| (TAU * (f64::from(k) * turns).fract()).cos() / f64::from(k)).sum();
        faded(turns.iter().map(at).collect(), course, seconds, FADE)
    };
    Signal {
        f0: Some(f0),
        vibrato: Some((rate, cents)),
        ..Signal::new(name, Kind::Vibrato, seconds, Scale::Level(LEVEL), model)
    }
}

/// Two voices a pure fifth apart, about 220 and 330 Hz; the lower is a unison of two players 5 cents apart, whose partials
/// are carriers times slow cosines. That beat is an evolution, which slows as vibrato does; the other answer keeps both
/// players' frequencies, and so the beat's rate. The partials that the fifth shares coincide: no other beats.
pub fn unison_pair(name: &str, seconds: f64) -> Signal {
    let (low, upper) = (220.0, 220.0 * (5.0f64 / 1200.0).exp2());
    let (mean, half) = ((low + upper) / 2.0, (upper - low) / 2.0);
    let model = move |slowed: bool| {
        move |course: &Course, _: &mut Random| {
            let at = |(t, &u): (f64, &f64)| {
                let beat = if slowed { u } else { t };
                let turn = |hz: f64, t: f64, k: f64| TAU * (hz * k * t).fract();
                (1..=8)
                    .map(f64::from)
                    .map(|k| {
                        2.0 / k * (turn(half, beat, k) + 0.4 * k).cos() * (turn(mean, t, k) + 0.7 * k).cos()
                            + 1.0 / k * (turn(1.5 * mean, t, k) + 1.3 * k).cos()
                    })
                    .sum()
            };
            faded(course.times().zip(&course.place).map(at).collect(), course, seconds, FADE)
        }
    };
    Signal {
        other: Some(Box::new(model(false))),
        ..Signal::new(name, Kind::Beat, seconds, Scale::Level(LEVEL), model(true))
    }
}

/// Signals at once, each at the same level, as long as the shortest.
pub fn chord(name: &str, notes: Vec<Signal>) -> Signal {
    let seconds = notes.iter().map(|note| note.seconds).fold(f64::INFINITY, f64::min);
    // Their noises are apart because their names are.
    let model = move |course: &Course, random: &mut Random| {
        let realisation = (random.even() * 1e9) as u64;
        let mut sum = vec![0.0; course.len()];
        for note in &notes {
            let sound = note.render(course, realisation);
            sum.iter_mut().zip(sound).for_each(|(sum, x)| *sum += x);
        }
        sum
    };
    Signal::new(name, Kind::Chord, seconds, Scale::Level(LEVEL), model)
}

/// To level 1.
pub(super) fn normalised(mut sound: Vec<f64>) -> Vec<f64> {
    let level = power(&sound).sqrt().max(1e-12);
    sound.iter_mut().for_each(|x| *x /= level);
    sound
}

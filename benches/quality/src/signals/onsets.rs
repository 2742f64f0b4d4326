//! Notes with attacks.

use std::f64::consts::{PI, TAU};

use super::{Course, Kind, Random, Scale, Signal, Sung, Vowel, vowel};
use crate::RATE;
use crate::metrics::spectra::power;

/// When notes begin that come every so many seconds.
fn every(interval: f64, seconds: f64) -> Vec<f64> {
    (1..).map(|n| f64::from(n) * interval).take_while(|&onset| onset < seconds - 0.01).collect()
}

/// One decaying string from a moment of the source on, added to `out`: the attack keeps its length, the decay slows.
fn pluck(out: &mut [f64], course: &Course, onset: f64, f0: f64, attack: f64) {
    let start = course.sample(onset);
    let Some(&begun) = course.place.get(start) else { return };
    for (i, (out, place)) in out.iter_mut().zip(&course.place).skip(start).enumerate() {
        let (local, since) = (i as f64 / RATE, place - begun);
        if since >= 0.9 {
            break;
        }
        let rise = 0.5 - 0.5 * (PI * (local / attack).clamp(0.0, 1.0)).cos();
        let string = (1..16).map(f64::from).map(|k| {
            // A little stiff, its upper partials shorter.
            let turns = f0 * k * local * (1.0 + 1e-4 * k * k).sqrt();
            (-since / 0.13 * k.sqrt()).exp() / k * (TAU * turns.fract()).sin()
        });
        *out += rise * string.sum::<f64>();
    }
}

/// Plucked strings of these pitches in turn, every half second, with attacks of 2 ms.
pub fn plucks(name: &str, pitches: &'static [f64], seconds: f64) -> Signal {
    let onsets = every(0.5, seconds);
    let moments = onsets.clone();
    let model = move |course: &Course, _: &mut Random| {
        let mut out = vec![0.0; course.len()];
        for (&onset, &f0) in moments.iter().zip(pitches.iter().cycle()) {
            pluck(&mut out, course, onset, f0, 0.002);
        }
        out
    };
    Signal { onsets, ..Signal::new(name, Kind::Pluck, seconds, Scale::Peak(0.5), model) }
}

/// Half-sine clicks of 0.25 ms every 0.25 s, which a stretch moves and leaves as they are.
pub fn clicks(name: &str, seconds: f64) -> Signal {
    let onsets = every(0.25, seconds);
    let moments = onsets.clone();
    let model = move |course: &Course, _: &mut Random| {
        let mut out = vec![0.0; course.len()];
        for &onset in &moments {
            for (i, out) in out.iter_mut().skip(course.sample(onset)).take(12).enumerate() {
                *out += 0.5 * (PI * (i as f64 + 0.5) / 12.0).sin();
            }
        }
        out
    };
    Signal { onsets, ..Signal::new(name, Kind::Click, seconds, Scale::None, model) }
}

/// Notes softly struck (attacks of 8 ms, `softer` dB below) over a sung one that rings on.
pub fn struck_over_ringing(name: &str, f0: f64, softer: f64, seconds: f64) -> Signal {
    let ringing = vowel(Sung { seconds, ..Sung::new("ringing", Vowel::O, f0) });
    let onsets: Vec<f64> = [0.7, 1.3, 1.75, 2.4, 2.9].into_iter().filter(|&onset| onset < seconds - 0.3).collect();
    let moments = onsets.clone();
    let strike = move |course: &Course| {
        let mut struck = vec![0.0; course.len()];
        for (&onset, interval) in moments.iter().zip([2.0, 2.997, 2.378, 4.0, 2.52]) {
            pluck(&mut struck, course, onset, f0 * interval, 0.008);
        }
        struck
    };
    // One gain for every course, from the source's.
    let source = Course::steady(seconds, 1.0);
    let gain = power(&ringing.source()).sqrt() / power(&strike(&source)).sqrt() * 10f64.powf(softer / 20.0);
    let model = move |course: &Course, _: &mut Random| {
        let mut out = ringing.render(course, 0);
        out.iter_mut().zip(strike(course)).for_each(|(x, struck)| *x += gain * struck);
        out
    };
    Signal { onsets, ..Signal::new(name, Kind::Pluck, seconds, Scale::Peak(0.5), model) }
}

//! What the tests measure a sound with: plain definitions, in f64.

// Each test file is a program of its own and uses some of these.
#![allow(dead_code)]

use std::f64::consts::TAU;
use tenterhook_ensemble::{Ensemble, EnsembleScore};

/// One player's mic, the others being silent or not in the score.
pub fn mic(rate: u32, score: &EnsembleScore<'_>, player: usize) -> Vec<f64> {
    Ensemble::playing(rate, score).expect("a supported rate").map(|frame| f64::from(frame[player])).collect()
}

/// A score with nothing in it.
pub const EMPTY: EnsembleScore<'static> =
    EnsembleScore { seconds: 0.0, voice: &[], recorder: &[], bowed: &[], plucked: &[] };

/// The stretch of a sound between two times in seconds.
pub fn between(sound: &[f64], rate: u32, from: f64, to: f64) -> &[f64] {
    let at = |t: f64| ((t * f64::from(rate)) as usize).min(sound.len());
    &sound[at(from)..at(to)]
}

pub fn rms(sound: &[f64]) -> f64 {
    (sound.iter().map(|x| x * x).sum::<f64>() / sound.len().max(1) as f64).sqrt()
}

pub fn peak(sound: &[f64]) -> f64 {
    sound.iter().fold(0.0, |peak, x| peak.max(x.abs()))
}

pub fn db(factor: f64) -> f64 {
    20.0 * factor.log10()
}

/// The amplitude and the phase in turns of a frequency under a Hann window over the whole stretch.
pub fn partial(sound: &[f64], rate: u32, hz: f64) -> (f64, f64) {
    let n = sound.len() as f64;
    let (mut re, mut im, mut sum) = (0.0, 0.0, 0.0);
    for (i, x) in sound.iter().enumerate() {
        let window = 0.5 - 0.5 * (TAU * (i as f64 + 0.5) / n).cos();
        let (sin, cos) = (TAU * hz / f64::from(rate) * i as f64).sin_cos();
        re += window * x * cos;
        im -= window * x * sin;
        sum += window;
    }
    (2.0 * re.hypot(im) / sum, im.atan2(re) / TAU)
}

/// The frequency near `hz` at every 10 ms, from how far the phase runs in that time, under windows of `window` seconds.
pub fn course(sound: &[f64], rate: u32, hz: f64, window: f64) -> Vec<f64> {
    let hop = (rate / 100) as usize;
    let width = (window * f64::from(rate)) as usize;
    let phases: Vec<f64> = sound.windows(width).step_by(hop).map(|frame| partial(frame, rate, hz).1).collect();
    let seconds = hop as f64 / f64::from(rate);
    phases
        .windows(2)
        .map(|pair| {
            // Expected turns in a hop, and the turns by which it differs, taken the short way round.
            let differs = pair[1] - pair[0] - hz * seconds;
            hz + (differs - differs.round()) / seconds
        })
        .collect()
}

/// The mean of a course, its ends faded out so that a vibrato that does not close its circle there counts little.
pub fn mean(course: &[f64]) -> f64 {
    let n = course.len() as f64;
    let weight = |i: usize| 0.5 - 0.5 * (TAU * (i as f64 + 0.5) / n).cos();
    let sum: f64 = course.iter().enumerate().map(|(i, hz)| weight(i) * hz).sum();
    sum / (0..course.len()).map(weight).sum::<f64>()
}

pub fn cents(hz: f64, re: f64) -> f64 {
    1200.0 * (hz / re).log2()
}

/// The power spectrum under a Hann window, a bin per 1/length Hz (the plain sum: keep it short).
pub fn powers(sound: &[f64]) -> Vec<f64> {
    let n = sound.len();
    (0..=n / 2).map(|bin| partial(sound, n as u32, bin as f64).0.powi(2)).collect()
}

/// The largest second difference.
pub fn bend(sound: &[f64]) -> f64 {
    sound.windows(3).fold(0.0, |most, x| most.max((x[0] - 2.0 * x[1] + x[2]).abs()))
}

/// The peaks in Hz of the spectral envelope that linear prediction of this order gives (autocorrelation method with
/// Levinson's recursion, after a first difference).
pub fn formants(sound: &[f64], rate: u32, order: usize) -> Vec<f64> {
    let n = sound.len();
    let shaped: Vec<f64> = sound
        .windows(2)
        .enumerate()
        .map(|(i, x)| (x[1] - 0.97 * x[0]) * (0.5 - 0.5 * (TAU * i as f64 / n as f64).cos()))
        .collect();
    let r: Vec<f64> = (0..=order).map(|lag| shaped.iter().zip(&shaped[lag..]).map(|(x, y)| x * y).sum()).collect();
    let mut a = vec![1.0];
    let mut error = r[0];
    for i in 1..=order {
        let k = -a.iter().enumerate().map(|(j, a)| a * r[i - j]).sum::<f64>() / error;
        let mut next = a.clone();
        next.push(0.0);
        for j in 0..i {
            next[i - j] += k * a[j];
        }
        a = next;
        error *= 1.0 - k * k;
    }
    const STEP_HZ: usize = 4;
    let gain = |hz: usize| {
        let w = TAU * hz as f64 / f64::from(rate);
        let (re, im) = a
            .iter()
            .enumerate()
            .fold((0.0, 0.0), |(re, im), (k, a)| (re + a * (w * k as f64).cos(), im - a * (w * k as f64).sin()));
        1.0 / re.hypot(im)
    };
    let envelope: Vec<f64> = (0..rate as usize / 2).step_by(STEP_HZ).map(gain).collect();
    let tops = envelope.windows(3).enumerate().filter(|(_, e)| e[1] > e[0] && e[1] >= e[2]);
    tops.map(|(i, _)| ((i + 1) * STEP_HZ) as f64).collect()
}

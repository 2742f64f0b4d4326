//! The foot that is late or early: with `aim` = "steady" freeze holds the vowel, not what stands beside it.
//!
//! The law: a vowel of 200 ms and more with no other within 400 ms. A gesture up to 120 ms after it has turned into an
//! /s/ or a /t/, or up to 80 ms before it begins, holds it: from 250 ms after the gesture, or after the vowel's
//! beginning, the hold is within 3 dB of the vowel's envelope and 20 cents of its pitch in 95 of 100 cases.

use crate::measures::{amplitude, cents};
use crate::rig::Run;
use crate::sounds::{noise, vowel_partials};
use std::f64::consts::TAU;
use tenterhook_dsp::random::even;

const CASES: u64 = 100;
const MS: usize = 48;

/// One case: a vowel, what stands before and after it, and a room.
struct Case {
    sound: Vec<f32>,
    /// Its first sample and the one after its last.
    vowel: (usize, usize),
    f0: f64,
    gain: f64,
}

#[derive(Clone, Copy)]
enum Consonant {
    None,
    S,
    T,
}

/// A number from `low` to `high`, each `what` of a case another one.
fn any(case: u64, what: u64, low: f64, high: f64) -> f64 {
    low + (high - low) * even(case, what, 7)
}

/// Noise without its low half, some /s/, faded in and out over 8 ms.
fn hiss(seed: u64, amplitude: f64, samples: usize) -> Vec<f32> {
    let white = noise(seed, amplitude, samples + 2);
    let edge = |i: usize| ((i.min(samples - i) as f32) / (8 * MS) as f32).min(1.0);
    (0..samples).map(|i| edge(i) * (white[i] - 1.4 * white[i + 1] + 0.6 * white[i + 2])).collect()
}

impl Case {
    fn new(number: u64, before: Consonant, after: Consonant) -> Self {
        let f0 = any(number, 0, 100f64.ln(), 440f64.ln()).exp();
        let gain = 10f64.powf(any(number, 1, -26.0, 0.0) / 20.0);
        let length = (any(number, 2, 200.0, 450.0)) as usize * MS;
        let start = 900 * MS + any(number, 3, 0.0, 48.0) as usize;
        let (rise, fall) = (any(number, 4, 10.0, 30.0) * MS as f64, any(number, 5, 10.0, 25.0) * MS as f64);
        let partials = vowel_partials(f0);
        let (rate, extent) = (any(number, 6, 4.5, 6.5), any(number, 7, 0.0, 8.0));
        // A room, 46 to 60 dB below.
        let mut sound =
            noise(number, gain * 10f64.powf(any(number, 8, -60.0, -46.0) / 20.0), start + length + 1_400 * MS);
        let mut cycles = 0.0;
        for i in 0..length {
            let bend = extent / 1200.0 * (TAU * rate * i as f64 / 48_000.0).sin();
            cycles += f0 * bend.exp2() / 48_000.0;
            let edge = (i as f64 / rise).min((length - i) as f64 / fall).min(1.0);
            let tone: f64 = partials.iter().zip(1..).map(|((f, a), k)| a * (TAU * cycles * k as f64 + f).sin()).sum();
            sound[start + i] += (gain * edge * tone) as f32;
        }
        let loud = gain * any(number, 9, 0.03, 0.25);
        let mut add = |at: usize, piece: &[f32]| sound[at..].iter_mut().zip(piece).for_each(|(sum, x)| *sum += x);
        // A stop is silence, a burst and some breath.
        let stop = |seed| {
            let mut stop = vec![0.0; any(number, 10, 30.0, 70.0) as usize * MS];
            stop.extend(hiss(seed, 1.5 * loud, 20 * MS));
            stop.extend(hiss(seed + 1, 0.3 * loud, 60 * MS));
            stop
        };
        let end = start + length;
        match after {
            Consonant::None => {}
            Consonant::S => add(end - 8 * MS, &hiss(number, loud, any(number, 11, 80.0, 200.0) as usize * MS)),
            Consonant::T => add(end, &stop(number)),
        }
        match before {
            Consonant::None => {}
            Consonant::S => {
                let hiss = hiss(number + 500, loud, any(number, 12, 90.0, 200.0) as usize * MS);
                add(start + 8 * MS - hiss.len(), &hiss);
            }
            Consonant::T => {
                let stop = stop(number + 500);
                add(start - stop.len(), &stop);
            }
        }
        Self { sound, vowel: (start, end), f0, gain }
    }

    /// Whether the hold that the gesture at `at` begins is the vowel, from sample `from` on.
    fn is_held(&self, at: usize, from: usize) -> Result<(), String> {
        let out = Run { seed: at as u64, ..Run::new("freeze", at) }.play(&self.sound);
        let held = &out[from - at..from - at + 400 * MS];
        let partials = vowel_partials(self.f0);
        let (clearest, strongest) = partials.iter().copied().fold((0.0, 0.0), |a, b| if b.1 > a.1 { b } else { a });
        let pitch = cents(held, clearest);
        let (mut sum, mut count) = (0.0, 0.0);
        for (hertz, given) in partials.into_iter().filter(|partial| partial.1 > 0.01 * strongest) {
            // Where the hold has it: a few cents are whole bins of a high harmonic.
            let found = amplitude(held, hertz * (pitch / 1200.0).exp2()) / self.gain;
            sum += (20.0 * (found / given).max(1e-4).log10()).powi(2);
            count += 1.0;
        }
        let off = f64::sqrt(sum / count);
        if off < 3.0 && pitch.abs() < 20.0 {
            Ok(())
        } else {
            Err(format!("{:.0} Hz: {off:.1} dB, {pitch:.1} cents", self.f0))
        }
    }
}

fn hits(case: impl Fn(u64) -> (Case, usize, usize)) {
    let missed: Vec<_> = (0..CASES)
        .filter_map(|number| {
            let (case, at, from) = case(number);
            let length = (case.vowel.1 - case.vowel.0) / MS;
            let late = (at as f64 - case.vowel.1 as f64) / MS as f64;
            case.is_held(at, from)
                .err()
                .map(|why| format!("{number}: vowel of {length} ms, {late:.0} ms after it: {why}"))
        })
        .collect();
    assert!(missed.len() as u64 * 20 <= CASES, "{missed:#?}");
}

fn late(seed: u64, consonant: Consonant) {
    hits(|number| {
        let case = Case::new(seed + number, Consonant::None, consonant);
        let at = case.vowel.1 + (any(seed + number, 20, 0.0, 120.0) * MS as f64) as usize;
        (case, at, at + 250 * MS)
    });
}

fn early(seed: u64, consonant: Consonant) {
    hits(|number| {
        let case = Case::new(seed + number, consonant, Consonant::None);
        let at = case.vowel.0 - (any(seed + number, 20, 0.0, 80.0) * MS as f64) as usize;
        let from = case.vowel.0 + 250 * MS;
        (case, at, from)
    });
}

#[test]
fn late_when_the_vowel_has_turned_into_an_s() {
    late(1_000, Consonant::S);
}

#[test]
fn late_when_the_vowel_has_turned_into_a_t() {
    late(2_000, Consonant::T);
}

#[test]
fn early_out_of_silence() {
    early(3_000, Consonant::None);
}

#[test]
fn early_out_of_an_s_or_a_t() {
    early(4_000, Consonant::S);
    early(5_000, Consonant::T);
}

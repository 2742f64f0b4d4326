//! A made-up word, taken apart by hand: a hiss, a vowel that glides up, another that stands, breath.

use std::f64::consts::TAU;

use tenterhook_spectra::{Ground, Moment, Partial, Pitch, Point, Study, Track};

const STEP: f64 = 0.01;
const LOW_HZ: f64 = 32.0;
const ROWS_PER_OCTAVE: u32 = 24;
const ROWS: usize = 216;

/// The pitch at a time, if the voice sounds.
fn pitch(t: f64) -> Option<f64> {
    let vibrato = 1.0 + 0.008 * (TAU * 5.5 * t).sin();
    match t {
        0.25..1.1 => Some(196.0 * (1.0 + 0.25 * (t - 0.25) / 0.85)),
        1.3..2.9 => Some(233.0 * vibrato),
        _ => None,
    }
}

/// The level of a harmonic: two formants, and a swell.
fn level(t: f64, hz: f64) -> f64 {
    let (formants, from, to) = if t < 1.2 { ([700.0, 1150.0], 0.25, 1.1) } else { ([390.0, 2300.0], 1.3, 2.9) };
    let swell = 20.0 * ((t - from).min(to - t) / 0.1).clamp(0.01, 1.0).log10();
    let peak = formants.iter().map(|f| -12.0 * ((hz / f).log2().abs()).powf(1.2)).fold(f64::NEG_INFINITY, f64::max);
    -12.0 + swell + peak - 4.0 * (hz / 200.0).log2()
}

/// A number from 0 to 1 that looks like chance.
fn chance(n: usize) -> f64 {
    let mixed = (n as u64 ^ 0x9e37).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    ((mixed ^ (mixed >> 29)).wrapping_mul(0xbf58_476d_1ce4_e5b9) >> 40) as f64 / f64::from(1 << 24)
}

/// The word, so many times over.
pub fn study(times: u32) -> Study {
    let seconds = 3.2;
    let frames = (seconds / STEP) as usize;
    let mut tracks = Vec::new();
    let mut pitches = Vec::new();
    let mut db = Vec::new();
    for turn in 0..times {
        let offset = f64::from(turn) * seconds;
        for harmonic in 1..=24 {
            let mut points: Vec<Point> = Vec::new();
            for frame in 0..=frames {
                let t = frame as f64 * STEP;
                match pitch(t).map(|f0| f0 * f64::from(harmonic)) {
                    Some(hz) if level(t, hz) > -90.0 => {
                        let db = level(t, hz) + 1.5 * (TAU * 3.0 * t + f64::from(harmonic)).sin();
                        points.push(Point { seconds: offset + t, hz, db, confidence: 0.95 });
                    }
                    _ if points.is_empty() => {}
                    _ => tracks.push(Track { points: std::mem::take(&mut points) }),
                }
            }
        }
        for frame in 0..frames {
            let t = frame as f64 * STEP;
            let f0 = pitch(t);
            pitches.push(Pitch { seconds: offset + t, hz: f0, harmonicity: if f0.is_some() { 0.9 } else { 0.0 } });
            for row in 0..ROWS {
                let hz = LOW_HZ * (row as f64 / f64::from(ROWS_PER_OCTAVE)).exp2();
                let hiss = if (0.3..2.8).contains(&t) { -75.0 } else { -40.0 - 8.0 * ((hz / 6000.0).log2()).abs() };
                let mut power = 10f64.powf((hiss + 10.0 * chance(frame * ROWS + row).max(1e-3).log10()) / 10.0);
                if let Some(f0) = f0 {
                    let nearest = (hz / f0).round().clamp(1.0, 24.0) * f0;
                    let off = f64::from(ROWS_PER_OCTAVE) * (hz / nearest).log2();
                    power += 10f64.powf((level(t, nearest) - 3.0 * off * off) / 10.0);
                }
                db.push((10.0 * power.log10()) as f32);
            }
        }
    }
    let steady = (0..times).map(|turn| 3.2 * f64::from(turn)).flat_map(|at| [at + 0.4..at + 0.6, at + 1.5..at + 2.7]);
    // As if this had been found in it.
    let mut study = tenterhook_spectra::study(&[], 48_000);
    study.seconds = seconds * f64::from(times);
    study.tracks = tracks;
    study.pitch = pitches;
    study.steady = steady.collect();
    study.ground = Ground { step_seconds: STEP, low_hz: LOW_HZ, rows_per_octave: ROWS_PER_OCTAVE, rows: ROWS, db };
    study
}

/// The standing vowel.
pub fn moment() -> Moment {
    let mut partials: Vec<_> = (1..=24)
        .map(|n| f64::from(n) * 233.0)
        .map(|hz| Partial { hz, db: level(2.0, hz), confidence: 0.95 })
        .filter(|partial| partial.db > -50.0)
        .collect();
    partials.sort_by(|one, other| other.db.total_cmp(&one.db));
    Moment { span: 1.8..2.2, partials, fundamental_hz: Some(233.0), harmonicity: 0.9, formants: Vec::new(), noise: 0.1 }
}

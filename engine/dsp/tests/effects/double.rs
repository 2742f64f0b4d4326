//! double.

use crate::measures::{amplitude, cents, click, level};
use crate::rig::Run;
use crate::sounds::{RATE, change, noise, tones, vowel};
use std::f64::consts::{PI, TAU};
use tenterhook_plan::declare::Setting;

const AT: usize = 10_000;
/// From the beginning to where a steady sound is steadily doubled.
const SETTLED: usize = 6_000;

fn play(interval: f64, source: &[f32]) -> Vec<f32> {
    Run::new("double", AT).with(0, Setting::Interval(interval)).play(source)
}

fn settled(interval: f64, source: &[f32]) -> Vec<f32> {
    play(interval, source).split_off(SETTLED)
}

/// Harmonics of a bowed string up to 8 kHz: amplitudes go by 1/k (Helmholtz's motion).
fn string(hertz: f64) -> Vec<(f64, f64)> {
    (1..).map(|k| (f64::from(k) * hertz, 0.1 / f64::from(k))).take_while(|(f, _)| *f < 8000.0).collect()
}

#[test]
fn steady_tones_are_at_their_interval_to_2_cents_and_about_as_loud() {
    for hertz in [80.0, 147.3, 261.6, 440.0, 601.7, 1000.0] {
        for (name, source) in [
            ("sine", tones(&[(hertz, 0.3)], 60_000)),
            ("vowel", vowel(hertz, 60_000)),
            ("string", tones(&string(hertz), 60_000)),
        ] {
            for interval in [-1200.0, -701.955, -20.0, 386.3, 1200.0] {
                let out = settled(interval, &source);
                let off = cents(&out, hertz * (interval / 1200.0f64).exp2());
                assert!(off.abs() < 2.0, "{name} of {hertz} Hz at {interval}: {off} cents");
                // Formants that stay make some notes louder and some softer.
                let louder = level(&out) - level(&source);
                assert!(louder.abs() < 4.0, "{name} of {hertz} Hz at {interval}: {louder} dB");
            }
        }
    }
}

#[test]
fn two_octaves_are_as_exact() {
    for (hertz, interval) in [(110.0, 2400.0), (220.0, 2400.0), (330.0, -2400.0), (880.0, -2400.0)] {
        for source in [tones(&[(hertz, 0.3)], 60_000), tones(&string(hertz), 60_000)] {
            let off = cents(&settled(interval, &source), hertz * (interval / 1200.0f64).exp2());
            assert!(off.abs() < 2.0, "{hertz} Hz at {interval}: {off} cents");
        }
    }
}

/// Pulses through resonances (Hz, bandwidth): a voice that glides a whole tone up and down, so that its harmonics tell
/// the envelope between them.
fn sung(formants: &[(f64, f64)], hertz: f64, samples: usize) -> Vec<f32> {
    let mut cycles = 0.0;
    let mut states = vec![(0.0, 0.0); formants.len()];
    let mut sample = |i: usize| {
        let now = hertz * (200.0 / 1200.0 * (TAU * 1.3 * i as f64 / RATE).sin()).exp2();
        cycles += now / RATE;
        let harmonics = (5500.0 / now) as usize;
        let pulses: f64 = (1..=harmonics).map(|k| (TAU * (cycles * k as f64).fract()).cos() / k as f64).sum();
        formants.iter().zip(&mut states).fold(0.05 * pulses, |x, (&(f, width), (one, two))| {
            // A pole pair at the formant, with a gain of 1 at 0 Hz.
            let r = (-PI * width / RATE).exp();
            let (a, b) = (2.0 * r * (TAU * f / RATE).cos(), -r * r);
            let y = (1.0 - a - b) * x + a * *one + b * *two;
            (*one, *two) = (y, *one);
            y
        }) as f32
    };
    (0..samples).map(&mut sample).collect()
}

/// The peaks of the envelope by linear prediction of order 10 at 12 kHz: the autocorrelation method (Makhoul, "Linear
/// prediction: a tutorial review", Proc. IEEE 63, 1975).
fn peaks(sound: &[f32]) -> Vec<f64> {
    const ORDER: usize = 10;
    // Nothing is above 6 kHz.
    let thin: Vec<f64> = sound.iter().step_by(4).map(|&x| f64::from(x)).collect();
    let flat: Vec<f64> = thin.windows(2).map(|w| w[1] - 0.97 * w[0]).collect();
    let mut alike = [0.0; ORDER + 1];
    let size = 512;
    for piece in flat.windows(size).step_by(128) {
        let window = |i: usize| 0.5 - 0.5 * (TAU * i as f64 / size as f64).cos();
        let piece: Vec<f64> = piece.iter().enumerate().map(|(i, x)| x * window(i)).collect();
        for (lag, sum) in alike.iter_mut().enumerate() {
            *sum += piece.iter().zip(&piece[lag..]).map(|(a, b)| a * b).sum::<f64>();
        }
    }
    let (mut predictor, mut error) = (vec![1.0], alike[0]);
    for m in 1..=ORDER {
        let k = -predictor.iter().enumerate().map(|(i, a)| a * alike[m - i]).sum::<f64>() / error;
        predictor.push(0.0);
        let turned: Vec<f64> = predictor.iter().rev().copied().collect();
        predictor.iter_mut().zip(turned).for_each(|(a, b)| *a += k * b);
        error *= 1.0 - k * k;
    }
    let gain = |f: f64| {
        let part = |of: fn(f64) -> f64| {
            predictor.iter().enumerate().map(|(i, a)| a * of(TAU * f * i as f64 / 12_000.0)).sum::<f64>()
        };
        1.0 / part(f64::cos).hypot(part(f64::sin))
    };
    (200..5000).map(f64::from).filter(|&f| gain(f) > gain(f - 1.0) && gain(f) >= gain(f + 1.0)).collect()
}

#[test]
fn formants_stay_where_they_are() {
    // Men's vowels: Peterson and Barney 1952; the fourth formant and the bandwidths are chosen.
    let vowels = [
        [(730.0, 80.0), (1090.0, 90.0), (2440.0, 120.0), (3400.0, 200.0)],
        [(530.0, 60.0), (1840.0, 90.0), (2480.0, 120.0), (3500.0, 200.0)],
        [(270.0, 60.0), (2290.0, 100.0), (3010.0, 150.0), (3700.0, 200.0)],
    ];
    for vowel in vowels {
        let source = sung(&vowel, 100.0, 120_000);
        let before = peaks(&source);
        assert_eq!(before.len(), 4, "{before:?}");
        for interval in [-1200.0, -701.955, -300.0, 400.0, 701.955, 1200.0] {
            let after = peaks(&settled(interval, &source));
            // Where a formant is can only be told from harmonics that lie closer together than it is high.
            let told = 2.5 * 100.0 * (interval.max(0.0) / 1200.0f64).exp2();
            for &one in before.iter().filter(|one| **one > told) {
                let moved = after.iter().map(|other| (other / one - 1.0).abs()).fold(f64::MAX, f64::min);
                // 3 %, which a formant under the fifth harmonic misses: the window of two periods is too short to keep so
                // narrow a peak exactly. There it is within the 5 % of which Flanagan, J. Acoust. Soc. Am. 27 (1955), says
                // that they are just heard (his figure from memory).
                assert!(moved < if one < 500.0 { 0.05 } else { 0.03 }, "{one} Hz at {interval}: {after:?}");
            }
        }
    }
}

#[test]
fn read_at_the_pace_of_the_interval_formants_would_move() {
    let source = sung(&[(730.0, 80.0), (1090.0, 90.0), (2440.0, 120.0), (3400.0, 200.0)], 100.0, 120_000);
    let fast: Vec<f32> = source.iter().step_by(2).copied().collect();
    assert!((peaks(&fast)[0] / peaks(&source)[0] - 1.0).abs() > 0.3);
}

/// How late the sound's swell of 7 Hz is, in seconds.
fn late(out: &[f32], source: &[f32]) -> f64 {
    let turn = |sound: &[f32]| {
        let (mut re, mut im) = (0.0, 0.0);
        for (i, x) in sound.iter().enumerate() {
            let angle = TAU * 7.0 * i as f64 / RATE;
            re += f64::from(x * x) * angle.cos();
            im -= f64::from(x * x) * angle.sin();
        }
        im.atan2(re)
    };
    let periods = (RATE as usize / 7) * 7;
    let turned = (turn(&source[AT + SETTLED..AT + SETTLED + periods]) - turn(&out[..periods])).rem_euclid(TAU);
    turned / TAU / 7.0
}

#[test]
fn it_is_less_than_30_ms_late() {
    let swell = |sound: Vec<f32>| -> Vec<f32> {
        let gain = |i: usize| 1.0 + 0.7 * (TAU * 7.0 * i as f64 / RATE).cos();
        sound.iter().enumerate().map(|(i, x)| x * gain(i) as f32).collect()
    };
    let chord: Vec<_> = [196.0, 293.7, 392.0].into_iter().flat_map(string).collect();
    for (note, source) in [
        (true, swell(vowel(82.4, 80_000))),
        (true, swell(vowel(220.0, 80_000))),
        (true, swell(tones(&string(415.0), 80_000))),
        (false, swell(tones(&[(98.0, 0.3)], 80_000))),
        (false, swell(tones(&[(880.0, 0.3)], 80_000))),
        (false, swell(tones(&chord, 80_000))),
        (true, swell(noise(1, 0.3, 80_000))),
    ] {
        for interval in [-2400.0, -1200.0, -702.0, 400.0, 1200.0, 2400.0] {
            let late = late(&settled(interval, &source), &source);
            // 30 ms is the least that is asked; what the README says is less.
            assert!(late < if note { 0.01 } else { 0.015 }, "{interval}: {late} s");
        }
    }
}

#[test]
fn noise_passes_as_it_is() {
    let source = noise(3, 0.3, 100_000);
    for interval in [-1200.0, 702.0] {
        let out = play(interval, &source);
        let error: Vec<f32> = out.iter().zip(&source[AT - 40..]).map(|(y, x)| y - x).collect();
        assert!(level(&error) < level(&source) - 60.0, "{} dB", level(&error));
    }
}

#[test]
fn in_unison_it_is_the_source_a_little_late() {
    let source = vowel(220.0, 60_000);
    let out = play(0.0, &source);
    assert!(out.iter().zip(&source[AT - 40..]).all(|(y, x)| (y - x).abs() < 1e-5));
}

/// How far the level over 10 ms falls below its median and rises above it, but for a fiftieth of the time, in dB.
fn unevenness(sound: &[f32]) -> (f64, f64) {
    let mut track: Vec<f64> = sound.chunks_exact(480).map(level).collect();
    track.sort_by(f64::total_cmp);
    let middle = track[track.len() / 2];
    (middle - track[track.len() / 50], track[track.len() * 49 / 50] - middle)
}

#[test]
fn chords_neither_burst_nor_break_off() {
    for notes in [&[196.0, 293.7][..], &[146.8, 220.0, 369.4], &[200.0, 250.0, 300.0], &[146.8, 220.0, 349.2, 523.3]] {
        let partials: Vec<_> = notes.iter().copied().flat_map(string).collect();
        let source = tones(&partials, 120_000);
        for interval in [-1200.0, -701.955, 400.0, 1200.0] {
            let out = settled(interval, &source);
            let ratio = (interval / 1200.0f64).exp2();
            // The judge: every partial moved, and nothing else.
            let exact = tones(&partials.iter().map(|(f, a)| (f * ratio, *a)).collect::<Vec<_>>(), out.len());
            let ((falls, rises), (own_falls, own_rises)) = (unevenness(&out), unevenness(&exact));
            let heard = |&(f, a): &(f64, f64)| amplitude(&out, f * ratio) / a;
            let kept = partials.iter().filter(|(f, _)| notes.contains(f)).map(heard).fold(f64::MAX, f64::min);
            assert!(falls < own_falls + 3.0 && rises < own_rises + 3.0, "{notes:?} at {interval}: {falls} {rises}");
            assert!((level(&out) - level(&source)).abs() < 1.0);
            // Partials bend as much as they do moved, or as they did where formants stay; a click is sharper than both.
            let sharper = click(&out, &source).min(click(&out, &exact));
            assert!(sharper < 3.0, "{notes:?} at {interval}: {sharper} dB");
            // Two notes find jumps that suit both; of more, each is rough (see the module).
            assert!(notes.len() > 2 || 20.0 * kept.log10() > -1.0, "{notes:?} at {interval}: {kept}");
        }
    }
}

#[test]
fn neither_a_changed_note_nor_a_beginning_one_clicks() {
    let (one, two, breath) = (vowel(220.0, 90_000), vowel(293.7, 90_000), noise(5, 0.02, 90_000));
    let legato = change(&one, &two, 50_000, 960);
    let begins = change(&breath, &one, 50_000, 960);
    let ends = change(&one, &breath, 50_000, 960);
    let leap = change(&vowel(180.0, 90_000), &vowel(720.0, 90_000), 50_000, 480);
    for (name, source) in [("legato", legato), ("begins", begins), ("ends", ends), ("leap", leap)] {
        for interval in [-1200.0, -702.0, 702.0, 1200.0] {
            let out = settled(interval, &source);
            // As sharp as steady notes are by themselves.
            let (a, b) = out.split_at(50_000 - AT - SETTLED - 4_800);
            let (change, b) = b.split_at(9_600);
            let steady = click(a, &source).max(click(&b[..20_000.min(b.len())], &source));
            let sharper = click(change, &source) - steady;
            assert!(sharper < 3.0, "{name} at {interval}: {sharper} dB");
        }
    }
}

//! sympathetic.

use crate::measures::{amplitude, level};
use crate::rig::Run;
use crate::sounds::{noise, tones};
use proptest::prelude::*;
use std::f64::consts::TAU;
use tenterhook_plan::declare::Setting;
use tenterhook_plan::{Partial, Tuning};

fn run(said: &str, partials: &[(f64, f64)], decay: f64) -> Run<'static> {
    let partials = partials.iter().map(|&(hz, db)| Partial { hz, db }).collect();
    Run::new("sympathetic", 0)
        .with(0, Setting::Tuning(Tuning { said: said.to_owned(), partials }))
        .with(1, Setting::Quantity(decay))
}

fn spectrum(partials: &[(f64, f64)], decay: f64) -> Run<'static> {
    run("bell.toml", partials, decay)
}

fn blow(seconds: f64, rate: u32) -> Vec<f32> {
    let mut sound = vec![0.0; (seconds * f64::from(rate)) as usize];
    sound[0] = 1.0;
    sound
}

/// The frequency and decay time of a single ring, by Prony's method: samples d apart of a sine that decays obey
/// y(n + 2d) = a y(n + d) − b y(n) with a = 2 r^d cos dθ and b = r^2d, which least squares find.
fn ring(sound: &[f32], hertz: f64, rate: f64) -> (f64, f64) {
    let apart = ((rate / hertz / 4.0).round() as usize).max(1);
    let (mut yy, mut yz, mut zz, mut xy, mut xz) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for n in 0..sound.len() - 2 * apart {
        let [z, y, x] = [n, n + apart, n + 2 * apart].map(|n| f64::from(sound[n]));
        yy += y * y;
        yz += y * z;
        zz += z * z;
        xy += x * y;
        xz += x * z;
    }
    let whole = yy * zz - yz * yz;
    let (a, b) = ((xy * zz - xz * yz) / whole, (xy * yz - xz * yy) / whole);
    let angle = (a / (2.0 * b.sqrt())).acos();
    // The turn nearest to the one expected.
    let turns = (hertz / rate * apart as f64 - angle / TAU).round();
    let found = (turns + angle / TAU) * rate / apart as f64;
    (found, -3.0 * 2.0 * apart as f64 / rate / b.log10())
}

#[test]
fn the_measure_finds_a_sine_that_decays() {
    let sound: Vec<f32> = (0..20_000)
        .map(|i| f64::from(i) / 48_000.0)
        .map(|t| (10f64.powf(-3.0 * t / 1.5) * (TAU * 441.0 * t + 1.0).sin()) as f32)
        .collect();
    let (hertz, decay) = ring(&sound, 440.0, 48_000.0);
    assert!((hertz - 441.0).abs() < 1e-3 && (decay - 1.5).abs() < 1e-3, "{hertz} Hz, {decay} s");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, failure_persistence: None, ..Default::default() })]

    #[test]
    fn a_string_rings_at_its_pitch_and_as_long_as_asked(
        hertz in (40f64.ln()..8000f64.ln()).prop_map(f64::exp),
        decay in (0.2f64.ln()..30f64.ln()).prop_map(f64::exp),
        rate in prop::sample::select(vec![44_100u32, 48_000, 96_000, 192_000]),
        off in -12.0f64..12.0,
    ) {
        let run = Run { rate, ..spectrum(&[(hertz, 0.0)], decay) };
        // A note that is not quite in tune; from 50 ms after its end on nothing drives the string any more.
        let played = hertz * (off / 1200.0).exp2() * 48_000.0 / f64::from(rate);
        let mut source = tones(&[(played, 0.3)], rate as usize / 2);
        let from = source.len() + rate as usize / 20;
        // Down to −40 dB at most: the last digits of a sample are not in tune.
        source.resize(from + ((0.5 * decay).min(1.0) * f64::from(rate)) as usize, 0.0);
        let sound = run.play(&source);
        let (found, time) = ring(&sound[from..], hertz, rate.into());
        let cents = 1200.0 * (found / hertz).log2();
        prop_assert!(cents.abs() < 1.0, "{hertz:.2} Hz, {decay:.2} s at {rate}: {cents:.3} cents");
        prop_assert!((time / decay - 1.0).abs() < 0.05, "{hertz:.2} Hz at {rate}: {time:.3} s for {decay:.3} s");
    }

    #[test]
    fn a_note_makes_a_string_of_its_pitch_ring_as_loud_as_itself(
        hertz in (60f64.ln()..8000f64.ln()).prop_map(f64::exp),
        decay in (0.2f64.ln()..30f64.ln()).prop_map(f64::exp),
    ) {
        let mut source = tones(&[(hertz, 0.141)], 33_600);
        source.extend([0.0; 2400]);
        let out = spectrum(&[(hertz, 0.0)], decay).play(&source);
        // The last 50 ms of the 0.7 s.
        let off = level(&out[31_200..33_600]) - level(&source[31_200..33_600]);
        prop_assert!(off.abs() < 1.0, "{hertz:.2} Hz, {decay:.2} s: {off:.2} dB");
    }

    #[test]
    fn half_as_loud_a_sound_wakes_half_as_loud_a_ring(
        hertz in (60f64.ln()..4000f64.ln()).prop_map(f64::exp),
        off in -40.0f64..40.0,
    ) {
        let played = |amplitude: f64| {
            let mut source = tones(&[(hertz * (off / 1200.0).exp2(), amplitude)], 24_000);
            source.extend([0.0; 9_600]);
            spectrum(&[(hertz, 0.0)], 3.0).play(&source)
        };
        let (loud, soft) = (level(&played(0.4)), level(&played(0.2)));
        prop_assert!((loud - soft - 6.02).abs() < 0.02, "{hertz:.1} Hz, {off:.1} cents: {loud:.2} and {soft:.2} dB");
    }
}

const D4: f64 = 293.665;

/// How much softer than a note of 0.7 s the string d′ rings at its end, in dB.
fn woken(hertz: f64) -> f64 {
    let mut source = tones(&[(hertz, 0.141)], 33_600);
    source.iter_mut().take(960).enumerate().for_each(|(i, x)| *x *= i as f32 / 960.0);
    let out = run("D4", &[(D4, 0.0)], 4.0).play(&source);
    level(&out[31_200..]) - level(&source[31_200..])
}

#[test]
fn a_string_hears_players_who_are_some_cents_apart_and_nobody_else() {
    let in_tune = woken(D4);
    assert!(in_tune.abs() < 1.0, "{in_tune}");
    for (cents, due) in [(5.0, -0.5), (10.0, -3.0), (25.0, -11.0), (50.0, -21.0)] {
        for cents in [cents, -cents] {
            let found = woken(D4 * f64::exp2(cents / 1200.0)) - in_tune;
            assert!((found - due).abs() < 1.0, "{cents} cents: {found:.1} dB");
        }
    }
    // An overtone is a string of its own, and its ear half as wide.
    for (k, due) in [(2.0, -3.0), (3.0, -3.0), (5.0, -3.0)] {
        let [none, five, ten] = [0.0, 5.0, 10.0].map(|cents| woken(k * D4 * f64::exp2(cents / 1200.0)));
        assert!((five - none - due).abs() < 0.7 && ten - none < -7.5, "{k}: {none:.1}, {five:.1}, {ten:.1} dB");
    }
    // A chromatic scale over it, up to its fourth overtone: all pitches but its own and those of its overtones.
    for step in -24..29 {
        let hertz = D4 * f64::exp2(f64::from(step) / 12.0);
        let near = |k: i32| (1200.0 * (hertz / (f64::from(k) * D4)).log2()).abs() < 60.0;
        let found = woken(hertz);
        assert!((1..17).any(near) || found <= -24.0, "{step} semitones: {found:.1} dB");
    }
}

#[test]
fn it_is_as_loud_as_the_player_who_plays_on_its_strings() {
    // A scale in d as equal temperament and as somewhat other players have it, each note with twelve partials.
    let steps = [0.0, 2.0, 3.0, 5.0, 7.0, 8.0, 10.0, 12.0];
    let strings: Vec<_> = steps.iter().map(|step| (D4 * f64::exp2(step / 12.0), 0.0)).collect();
    for (off, decay, length) in [(0.0, 4.0, 24_000), (5.0, 4.0, 24_000), (-4.0, 6.0, 21_600), (0.0, 8.0, 48_000)] {
        let mut source = Vec::new();
        for (n, (hertz, _)) in strings.iter().enumerate() {
            let hertz = hertz * f64::exp2(if n % 2 == 0 { off } else { -off } / 1200.0);
            let partials: Vec<_> = (1..13).map(|k| (hertz * f64::from(k), 0.1 / f64::from(k))).collect();
            let mut note = tones(&partials, length);
            for i in 0..960 {
                note[i] *= i as f32 / 960.0;
                note[length - 1 - i] *= i as f32 / 960.0;
            }
            source.extend(note);
        }
        let out = run("D4 ...", &strings, decay).play(&source);
        let difference = level(&out) - level(&source);
        assert!(difference.abs() < 4.0, "{off} cents, {decay} s: {difference:.1} dB");
    }
}

#[test]
fn it_ends_as_low_as_settled_sound_goes_and_then_is_silent() {
    let out = spectrum(&[(440.0, 0.0)], 0.2).play(&blow(1.0, 48_000));
    let last = out.iter().rposition(|&y| y != 0.0).unwrap();
    assert!(out[last].abs() < 1e-8);
    assert!(out[last..].iter().skip(1).all(|&y| y.to_bits() == 0));
}

#[test]
fn a_string_has_harmonics_which_decay_in_1_over_the_root_of_their_number_of_its_time() {
    let out = run("D3", &[(147.0, 0.0)], 4.0).play(&blow(3.0, 48_000));
    for k in [1.0f64, 2.0, 3.0, 7.0, 16.0] {
        let at = |from: usize| 20.0 * amplitude(&out[from..from + 24_000], k * 147.0).log10();
        let lost = at(0) - at(48_000);
        let due = 60.0 * k.sqrt() / 4.0;
        assert!((lost - due).abs() < 0.05 * due, "{k}: {lost:.2} dB in a second, {due:.2} due");
    }
    let beyond = amplitude(&out[..24_000], 17.0 * 147.0);
    assert!(beyond < 0.01 * amplitude(&out[..24_000], 147.0), "there are sixteen");
    // The same single partial of a spectrum has none.
    let out = spectrum(&[(147.0, 0.0)], 4.0).play(&blow(1.0, 48_000));
    assert!(amplitude(&out, 294.0) < 0.01 * amplitude(&out, 147.0));
}

#[test]
fn a_spectrum_rings_with_the_levels_of_its_partials() {
    let partials = [(300.0, -10.0), (471.0, -16.0), (812.0, -30.0)];
    let out = spectrum(&partials, 6.0).play(&tones(&[(300.0, 0.05), (471.0, 0.05), (812.0, 0.05)], 48_000));
    let first = amplitude(&out[24_000..], 300.0);
    for (hertz, db) in partials {
        let found = 20.0 * (amplitude(&out[24_000..], hertz) / first).log10();
        assert!((found - (db + 10.0)).abs() < 0.5, "{hertz} Hz: {found:.2} dB");
    }
}

#[test]
fn it_begins_unexcited_by_what_was_played_before() {
    let mut source = tones(&[(440.0, 0.5)], 24_000);
    source.extend([0.0; 24_000]);
    let late = Run { at: 24_000, ..spectrum(&[(440.0, 0.0)], 4.0) };
    assert!(late.play(&source).iter().all(|&y| y == 0.0));
    let early = spectrum(&[(440.0, 0.0)], 4.0);
    assert!(level(&early.play(&source)[24_000..]) > -30.0, "had it begun before, it would ring");
}

#[test]
fn the_strongest_are_taken_and_none_that_the_rate_has_no_room_for() {
    // A hundred and fifty partials, the weakest last; and one too high.
    let many: Vec<_> = (0..150).map(|n| (100.0 + 20.0 * f64::from(n), -0.2 * f64::from(n))).collect();
    let out = spectrum(&many, 10.0).play(&blow(1.0, 48_000));
    let of = |n: usize| amplitude(&out, many[n].0);
    assert!(of(95) > 30.0 * of(96), "{} {}", of(95), of(96));
    let high = spectrum(&[(21_700.0, 0.0)], 4.0).play(&noise(1, 0.5, 48_000));
    assert!(high.iter().all(|&y| y == 0.0));
    let below = spectrum(&[(21_500.0, 0.0)], 4.0).play(&noise(1, 0.5, 48_000));
    assert!(level(&below) > -80.0);
}

#[test]
fn begun_again_while_it_hears_it_is_as_new() {
    let source = tones(&[(440.0, 0.3), (660.0, 0.1)], 60_000);
    let run = Run { at: 30_011, ..spectrum(&[(440.0, 0.0), (661.0, -3.0)], 4.0) };
    let again = Run { before: Some(0), ..run.clone() };
    assert!(run.play(&source) == again.play(&source));
}

#[test]
fn strings_that_begin_together_make_no_pulses() {
    // Sixteen in the ratios of one string's partials: in phase, they would be a pulse in each of its periods, 5.7 times
    // as high as the root mean square; a sine is 1.4 times as high.
    let partials: Vec<_> = (1..=16).map(|n| (110.0 * f64::from(n), 0.0)).collect();
    let source: Vec<_> = partials.iter().enumerate().map(|(n, (hertz, _))| (hertz + 0.01 * n as f64, 0.02)).collect();
    let out = spectrum(&partials, 10.0).play(&tones(&source, 96_000));
    let ring = &out[72_000..];
    let rms = 10f64.powf(level(ring) / 20.0);
    let crest = f64::from(ring.iter().fold(0.0f32, |most, y| most.max(y.abs()))) / rms;
    assert!(crest < 3.2, "{crest:.2}");
}

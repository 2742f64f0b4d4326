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
    ) {
        let run = Run { rate, ..spectrum(&[(hertz, 0.0)], decay) };
        // Down to −40 dB at most: the last digits of a sample are not in tune.
        let sound = run.play(&blow((0.66 * decay).min(1.0), rate));
        // The first two samples are still being excited.
        let (found, time) = ring(&sound[2..], hertz, rate.into());
        let cents = 1200.0 * (found / hertz).log2();
        prop_assert!(cents.abs() < 1.0, "{hertz:.2} Hz, {decay:.2} s at {rate}: {cents:.3} cents");
        prop_assert!((time / decay - 1.0).abs() < 0.05, "{hertz:.2} Hz at {rate}: {time:.3} s for {decay:.3} s");
    }

    #[test]
    fn a_note_of_a_second_makes_a_string_of_its_pitch_ring_as_loud_as_itself(
        hertz in (60f64.ln()..8000f64.ln()).prop_map(f64::exp),
        decay in (0.2f64.ln()..30f64.ln()).prop_map(f64::exp),
    ) {
        let mut source = tones(&[(hertz, 0.141)], 48_000);
        source.extend([0.0; 2400]);
        let out = spectrum(&[(hertz, 0.0)], decay).play(&source);
        // The last 50 ms of the note.
        let off = level(&out[45_600..48_000]) - level(&source[45_600..48_000]);
        prop_assert!(off.abs() < 1.0, "{hertz:.2} Hz, {decay:.2} s: {off:.2} dB");
    }

    #[test]
    fn what_it_is_not_tuned_to_hardly_excites_it(cents in 100.0f64..1200.0) {
        let off = 440.0 * (cents / 1200.0).exp2();
        let out = spectrum(&[(440.0, 0.0)], 4.0).play(&tones(&[(off, 0.141)], 96_000));
        // The skirt of a band-pass: half its width over the distance, 0.275 Hz over 26 Hz and more, and as much again
        // for the beginning of the note.
        let most = 20.0 * (0.141 / 2f64.sqrt() * 1.22 * 2.0 * 0.275 / (off - 440.0)).log10() + 1.0;
        prop_assert!(level(&out) < most, "{cents:.0} cents: {:.1} dB", level(&out));
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

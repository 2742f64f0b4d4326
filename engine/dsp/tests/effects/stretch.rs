//! stretch.

use crate::measures::{amplitude, cents, click, level};
use crate::rig::Run;
use crate::sounds::{noise, tones, vowel};
use tenterhook_plan::declare::Setting;

/// 120 ms at 48 kHz.
const BACK: usize = 5760;

#[test]
fn it_sounds_from_its_very_sample_on_120_ms_before() {
    let source = noise(1, 0.5, 60_000);
    for at in [20_000, 20_017] {
        let out = Run::new("stretch", at).play(&source);
        assert_eq!(out[..256], source[at - BACK..at - BACK + 256]);
    }
}

#[test]
fn unstretched_it_is_the_source_late() {
    let source: Vec<f32> = vowel(220.0, 120_000).iter().zip(noise(1, 0.1, 120_000)).map(|(a, b)| a + b).collect();
    let out = Run { x: |_| 0.0, ..Run::new("stretch", 20_000) }.play(&source);
    for (i, (&y, &x)) in out.iter().zip(&source[20_000 - BACK..]).enumerate() {
        assert!((y - x).abs() < 1e-3, "{i}: {y} {x}");
    }
}

#[test]
fn a_stretched_tone_keeps_its_partials_and_its_level() {
    let partials = [(330.0, 0.3), (1234.5, 0.1)];
    let source = tones(&partials, 200_000);
    for most in [1.5, 2.0, 8.0, 64.0] {
        let out = Run::new("stretch", 20_000).with(0, Setting::Quantity(most)).play(&source);
        let steady = &out[10_000..];
        for (hertz, given) in partials {
            let off = cents(steady, hertz);
            assert!(off.abs() < 1.0, "{most}: {hertz} Hz is {off} cents off");
            let change = 20.0 * (amplitude(steady, hertz) / given).log10();
            assert!(change.abs() < 0.5, "{most}: {hertz} Hz changes by {change} dB");
        }
        let change = level(steady) - level(&source);
        assert!(change.abs() < 0.5, "{most}: {change} dB");
        let click = click(&out, &source);
        assert!(click < 1.0, "{most}: {click} dB");
    }
}

#[test]
fn the_reading_is_as_slow_as_it_says() {
    // The source rises evenly: what sounds at a time tells where it is read.
    let source: Vec<f32> =
        tones(&[(1000.0, 1.0)], 300_000).iter().enumerate().map(|(i, x)| x * i as f32 / 300_000.0).collect();
    let at = 60_000;
    for (x, ratio) in [((|_| 1.0) as fn(u64) -> f32, 8.0), (|_| 0.5, 8f64.sqrt())] {
        let out = Run { x, ..Run::new("stretch", at) }.play(&source);
        let place = |i: usize| 300_000.0 * amplitude(&out[i - 2400..i + 2400], 1000.0);
        let (early, late) = (place(40_000), place(200_000));
        let found = 160_000.0 / (late - early);
        assert!((found / ratio - 1.0).abs() < 0.01, "{found} instead of {ratio}");
        // From the beginning on: 120 ms before, then plainly for at most 50 ms, of which a part could be slow already.
        let begun = early - 40_000.0 / ratio;
        let expected = (at - BACK) as f64;
        assert!((begun - expected).abs() < 2400.0, "{begun} instead of {expected}");
    }
}

#[test]
fn a_full_memory_plays_to_its_end_and_holds_its_last_moment() {
    // After one second the source falls silent; one second is what it takes in.
    let mut source = tones(&[(500.0, 0.3)], 20_000 + 48_000);
    source.extend([0.0; 200_000]);
    let run = Run { x: |_| 0.0, ..Run::new("stretch", 20_000) };
    let full = run.clone().with(1, Setting::Quantity(1.0)).play(&source);
    let held = &full[150_000..];
    assert!((level(held) - level(&source[..68_000])).abs() < 0.5, "{} dB", level(held));
    assert!(cents(held, 500.0).abs() < 1.0);
    assert!(click(&full, &source[..68_000]) < 1.0);
    // With room for more it would have come to the silence.
    assert!(run.play(&source)[150_000..].iter().all(|&y| y == 0.0));
}

#[test]
fn a_moving_controller_does_not_click() {
    let source = vowel(220.0, 300_000);
    let sway = |i: u64| (i as f32 / 20_000.0).sin() * 0.5 + 0.5;
    let jump = |i: u64| (i / 5000 % 2) as f32;
    for x in [sway as fn(u64) -> f32, jump] {
        let out = Run { x, ..Run::new("stretch", 20_000) }.play(&source);
        let click = click(&out, &source);
        assert!(click < 2.0, "{click} dB");
        let change = level(&out) - level(&source);
        assert!(change.abs() < 0.5, "{change} dB");
    }
}

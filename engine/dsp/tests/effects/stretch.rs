//! stretch.

use crate::measures::{amplitude, cents, click, level};
use crate::rig::Run;
use crate::sounds::{noise, tones, vowel};
use tenterhook_plan::declare::Setting;

/// 165 ms at 48 kHz.
const BACK: usize = 7920;

#[test]
fn it_sounds_from_its_very_sample_on_165_ms_before() {
    let source = noise(1, 0.5, 60_000);
    for at in [20_000, 20_017] {
        let out = Run::new("stretch", at).play(&source);
        assert_eq!(out[..256], source[at - BACK..at - BACK + 256]);
    }
}

/// Samples after which nothing is read plainly any more.
const OPENING: usize = 2400;

#[test]
fn unstretched_a_pitched_sound_is_its_source_late() {
    let source = vowel(220.0, 120_000);
    let out = Run { x: |_| 0.0, ..Run::new("stretch", 20_000) }.play(&source);
    let late = &source[20_000 - BACK..];
    let error: Vec<f32> = out.iter().zip(late).map(|(y, x)| y - x).skip(OPENING).take(80_000).collect();
    assert!(level(&error) < level(late) - 40.0, "{} dB", level(&error) - level(late));
}

#[test]
fn noise_stays_noise_of_its_level_and_is_made_anew() {
    let source = noise(1, 0.5, 200_000);
    for most in [1.0, 4.0, 64.0] {
        let out = Run::new("stretch", 20_000).with(0, Setting::Quantity(most)).play(&source);
        let out = &out[OPENING..];
        let change = level(out) - level(&source);
        assert!(change.abs() < 0.3, "{most}: {change} dB");
        // Not one place of the source is like a piece of it.
        let piece = &out[1000..3400];
        let product = |place: usize| piece.iter().zip(&source[place..]).map(|(a, b)| f64::from(a * b)).sum::<f64>();
        let power = piece.iter().map(|&a| f64::from(a * a)).sum::<f64>();
        let most_alike = (0..40_000).map(|place| (product(place) / power).abs()).fold(0.0, f64::max);
        assert!(most_alike < 0.2, "{most}: {most_alike}");
    }
}

#[test]
fn a_struck_sound_is_struck_once_and_as_sharply() {
    // Wherever the gesture falls before or after the stroke, as long as that is read.
    for gesture in [0.05, 0.1, 0.13, 0.16] {
        let stroke = 40_000;
        let mut source = vec![0.0; 300_000];
        for (i, x) in source[stroke..].iter_mut().enumerate() {
            *x = (i as f32 * 0.05).sin() * (-(i as f32) / 10_000.0).exp();
        }
        let at = stroke + (gesture * 48_000.0) as usize;
        let out = Run::new("stretch", at).play(&source);
        let due = (stroke + BACK - at) * 8;
        // A sharp stroke has steps that no decay has.
        let peak = |range: std::ops::Range<usize>| out[range].iter().fold(0.0f32, |most, x| most.max(x.abs()));
        assert!(peak(0..due - 100) < 0.01, "{gesture}: {} before", peak(0..due - 100));
        let (early, full) = (peak(due..due + 48), peak(due..due + 4800));
        assert!(early > 0.6 && full < 1.1, "{gesture}: {early} {full}");
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
        // From the beginning on: 165 ms before, then plainly for at most 50 ms, of which a part could be slow already.
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

#[test]
fn an_attack_is_copied_as_it_was_sample_for_sample() {
    // A burst of noise, as of a finger or a consonant, and a note that rings: no partials make such a burst.
    let (stroke, at) = (40_000, 40_000 + 4_800);
    let burst = noise(7, 0.5, 400);
    let mut source = vec![0.0; 200_000];
    for (i, x) in source[stroke..].iter_mut().enumerate() {
        let ring = 0.2 * (i as f32 * 0.05).sin() * (-(i as f32) / 10_000.0).exp();
        *x = ring + burst.get(i).map_or(0.0, |x| x * (1.0 - i as f32 / 400.0));
    }
    for most in [1.0, 3.0, 8.0] {
        let out = Run::new("stretch", at).with(0, Setting::Quantity(most)).play(&source);
        let due = ((stroke + BACK - at) as f64 * most) as usize;
        // From the stroke to where the copy fades, 4 ms later.
        let copied = &source[stroke + 1..stroke + 180];
        let found = out[due - 100..due + 400].windows(copied.len()).any(|place| place == copied);
        assert!(found, "{most} times slower, near {due}");
    }
}

#[test]
fn memory_is_how_much_is_taken_in_and_no_more_and_no_less() {
    // Three tones: one up to 0.7 s after the gesture, one up to the second that is taken in, one after it.
    let at = 20_000;
    let mut source = tones(&[(500.0, 0.3)], at + 33_600);
    source.extend(&tones(&[(800.0, 0.3)], 48_000 - 33_600));
    source.extend(&tones(&[(1250.0, 0.3)], 200_000));
    let run = Run { x: |_| 0.0, ..Run::new("stretch", at) }.with(1, Setting::Quantity(1.0));
    let out = run.play(&source);
    let held = |hertz: f64| 20.0 * (amplitude(&out[120_000..], hertz) / 0.3).log10();
    let levels = [500.0, 800.0, 1250.0].map(held);
    assert!(levels[0] < -40.0 && levels[1].abs() < 0.5 && levels[2] < -40.0, "{levels:?} dB of the three");
}

#[test]
fn a_source_that_has_only_just_begun_comes_up_from_nothing() {
    // The reading begins where nothing was known yet, and comes to the first moment that was.
    let mut source = tones(&[(440.0, 0.5)], 96_000);
    source.iter_mut().take(960).enumerate().for_each(|(i, x)| *x *= i as f32 / 960.0);
    for at in [0, 960, 3_000] {
        let out = Run { x: |_| 0.0, ..Run::new("stretch", at) }.play(&source);
        let first = out.iter().position(|y| y.abs() > 0.003).expect("it sounds");
        let peak = |range: std::ops::Range<usize>| out[range].iter().fold(0.0f32, |most, x| most.max(x.abs()));
        let (early, late) = (peak(first..first + 72), peak(first + 960..first + 1_920));
        assert!(early < 0.3 * late && late > 0.4, "begun at {at}: {early} at once, {late} later");
    }
}

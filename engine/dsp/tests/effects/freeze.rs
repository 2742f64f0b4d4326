//! freeze.

use crate::measures::{amplitude, cents, click, level};
use crate::rig::Run;
use crate::sounds::{change, noise, tones, vowel, vowel_partials};
use tenterhook_plan::declare::Setting;

const NOW: Setting = Setting::Choice(1);

fn freeze(at: usize) -> Run<'static> {
    Run::new("freeze", at)
}

#[test]
fn a_held_vowel_keeps_its_pitch_its_level_and_its_formants() {
    for f0 in [110.0, 196.0, 220.0, 330.0] {
        let source = vowel(f0, 300_000);
        for run in [freeze(60_011), freeze(60_011).with(0, NOW)] {
            let out = run.play(&source);
            let held = &out[12_000..];
            for (hertz, given) in vowel_partials(f0) {
                // Formant for formant, harmonic for harmonic, as far down as a hall could hear it.
                if given < 0.003 {
                    continue;
                }
                let off = cents(held, hertz);
                assert!(off.abs() < 1.0, "{hertz} Hz is {off} cents off");
                let change = 20.0 * (amplitude(held, hertz) / given).log10();
                assert!(change.abs() < 1.0, "{hertz} Hz changes by {change} dB");
            }
            let change = level(held) - level(&source);
            assert!(change.abs() < 0.3, "{f0}: {change} dB");
            let click = click(&out, &source);
            assert!(click < 0.5, "{f0}: {click} dB");
        }
    }
}

#[test]
fn the_seam_neither_dips_nor_swells() {
    let source = vowel(220.0, 120_000);
    let out = freeze(60_000).play(&source);
    for (i, piece) in out.chunks_exact(960).enumerate() {
        let change = level(piece) - level(&source);
        assert!(change.abs() < 1.0, "{change} dB {} ms after the gesture", 20 * i);
    }
}

#[test]
fn a_held_vibrato_has_a_pitch_within_its_own_and_hangs_still() {
    // ±30 cents at 5.5 Hz, with breath 30 dB down: the hold is somewhere within, and does not wobble.
    let mut phase = 0.0f64;
    let mut source: Vec<f32> = (0..250_000u32)
        .map(|i| {
            let cents = 30.0 * (std::f64::consts::TAU * 5.5 * f64::from(i) / 48_000.0).sin();
            phase += std::f64::consts::TAU * 220.0 * 2f64.powf(cents / 1200.0) / 48_000.0;
            (1..=15).map(|k| 0.15 * (f64::from(k) * phase).sin() / f64::from(k)).sum::<f64>() as f32
        })
        .collect();
    source.iter_mut().zip(noise(5, 0.01, 250_000)).for_each(|(x, breath)| *x += breath);
    for at in [60_000, 62_200, 64_400] {
        let out = freeze(at).play(&source);
        let held = &out[12_000..];
        let off = cents(held, 220.0);
        assert!(off.abs() < 32.0, "{off} cents");
        let apart = cents(&held[..70_000], 220.0) - cents(&held[70_000..140_000], 220.0);
        assert!(apart.abs() < 0.5, "{apart} cents of drift");
        let whole = level(held);
        assert!((whole - level(&source)).abs() < 1.0);
        for piece in held.chunks_exact(2400) {
            assert!((level(piece) - whole).abs() < 0.5, "{} dB", level(piece) - whole);
        }
    }
}

#[test]
fn it_sounds_from_its_very_sample_what_was_heard() {
    let source = noise(1, 0.5, 70_000);
    let out = freeze(60_007).with(0, NOW).play(&source);
    let start = source.windows(256).position(|w| w == &out[..256]).expect("the memory, sample for sample");
    let before = 60_007 - start;
    // The held moment's window ends at the gesture; the reading reaches its middle within 65 ms.
    assert!((4096 / 2..4096 / 2 + 3120).contains(&before), "{before} samples before");
}

#[test]
fn held_breath_keeps_its_level_and_never_comes_back() {
    // Several even noises make a nearly normal one, as breath is and as the held one is.
    let mut source = vec![0.0; 400_000];
    for seed in 0..8 {
        source.iter_mut().zip(noise(seed, 0.1, 400_000)).for_each(|(sum, x)| *sum += x);
    }
    let out = freeze(60_000).with(0, NOW).play(&source);
    let held = &out[12_000..];
    // One window of noise has its own level: of its 6000 or so free values' power the standard error is 0.1 dB, of the
    // weighted window somewhat more.
    let change = level(held) - level(&source[60_000 - 4096..60_000]);
    assert!(change.abs() < 1.0, "{change} dB");
    let likeness = |lag: usize| {
        let product = |shift: usize| -> f64 {
            held[..200_000].iter().zip(&held[shift..]).map(|(&a, &b)| f64::from(a) * f64::from(b)).sum()
        };
        product(lag) / product(0)
    };
    for frames in 4..40 {
        let likeness = likeness(1024 * frames);
        assert!(likeness.abs() < 0.1, "{frames} frames later: {likeness}");
    }
    assert!(click(held, &source) < 2.0, "{}", click(held, &source));
}

#[test]
fn steady_holds_the_vowel_where_now_holds_the_consonant() {
    // The foot is 60 ms late: an /s/ (noise) has begun.
    let vowel = vowel(220.0, 200_000);
    let source = change(&vowel, &noise(3, 0.2, 200_000), 60_000 - 2880, 480);
    let (steady, now) = (freeze(60_000).play(&source), freeze(60_000).with(0, NOW).play(&source));
    let (steady, now) = (&steady[12_000..], &now[12_000..]);
    let loud = |sound: &[f32]| amplitude(sound, 880.0);
    assert!((20.0 * (loud(steady) / loud(&vowel)).log10()).abs() < 1.0, "the vowel");
    assert!(loud(now) < 0.5 * loud(&vowel), "mostly noise");
    assert!(cents(steady, 880.0).abs() < 1.0);
}

#[test]
fn with_nothing_steady_it_holds_what_sounds() {
    let source = noise(4, 0.3, 200_000);
    assert_eq!(freeze(60_000).play(&source), freeze(60_000).with(0, NOW).play(&source));
    let early = vec![0.0; 100_000];
    assert!(freeze(0).play(&early).iter().all(|&y| y == 0.0));
}

#[test]
fn spread_takes_its_grains_from_around_and_from_nowhere_else() {
    // A glide over an octave in 400 ms: a still hold has one pitch, a swarm many.
    let source = {
        let mut phase = 0.0f64;
        (0..200_000u32)
            .map(|i| {
                let hertz = 400.0 * 2f64.powf(((f64::from(i) - 50_000.0) / 19_200.0).clamp(0.0, 1.0));
                phase += std::f64::consts::TAU * hertz / 48_000.0;
                (0.3 * phase.sin()) as f32
            })
            .collect::<Vec<f32>>()
    };
    let run = freeze(50_000 + 9600).with(0, NOW);
    let still = run.play(&source);
    let swarm = run.clone().with(1, Setting::Quantity(1.0)).play(&source);
    let share = |sound: &[f32], hertz: f64| {
        let held = &sound[20_000..];
        20.0 * (amplitude(&held[..100_000], hertz) / 0.3).log10()
    };
    // What sounded 150 ms before the gesture and what came 100 ms after it.
    let (before, after) = (400.0 * 2f64.powf(0.125), 400.0 * 2f64.powf(0.75));
    let (low, high) = (before / 1.02, after);
    let around =
        |sound: &[f32], hertz: f64| (-8..=8).map(|i| share(sound, hertz + f64::from(i))).fold(-200.0, f64::max);
    assert!(around(&swarm, low) > around(&still, low) + 20.0, "{} {}", around(&swarm, low), around(&still, low));
    assert!(around(&swarm, high) < -60.0, "nothing from after the gesture: {}", around(&swarm, high));
    // Another instance swarms differently, the same one always alike.
    let run = run.with(1, Setting::Quantity(1.0));
    assert_ne!(run.play(&source), Run { seed: 2, ..run.clone() }.play(&source));
    // On a steady note a swarm is as loud as the note.
    let steady = tones(&[(440.0, 0.3)], 300_000);
    let swarm = freeze(60_000).with(1, Setting::Quantity(1.0)).play(&steady);
    let change = level(&swarm[12_000..]) - level(&steady);
    assert!(change.abs() < 1.0, "{change} dB");
    assert!(click(&swarm, &steady) < 1.0, "{}", click(&swarm, &steady));
}

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
        // The middle of the vibrato, whatever of it the span has.
        assert!(off.abs() < 5.0, "{off} cents");
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
    // The longest span ends at the gesture; the reading reaches its middle within 150 ms.
    assert!((125 * 48..275 * 48).contains(&before), "{before} samples before");
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
    // A span of noise has its own level: of its 12 000 values' power the standard error is 0.06 dB.
    let change = level(held) - level(&source[60_000 - 12_000..60_000]);
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
    let source = noise(4, 0.3, 400_000);
    let out = freeze(60_000).play(&source);
    let change = level(&out[24_000..]) - level(&source);
    assert!(change.abs() < 1.0, "{change} dB");
    for piece in out[24_000..].chunks_exact(2400) {
        // Noise of this band has 0.13 dB of its own in 50 ms.
        assert!((level(piece) - level(&source)).abs() < 1.5, "{} dB", level(piece));
    }
    let early = vec![0.0; 100_000];
    assert!(freeze(0).play(&early).iter().all(|&y| y == 0.0));
}

/// Two notes a little apart, and then what it says it holds.
#[test]
fn it_says_which_samples_it_holds() {
    let mut source = vowel(196.0, 60_000);
    source.extend(noise(3, 0.2, 4_000));
    source.extend(vec![0.0; 40_000]);
    let run = freeze(63_000);
    let (_, held) = run.play_and_hold(&source);
    let held = held.expect("a span");
    assert!(held.end <= 60_500, "nothing of the noise: {held:?}");
    let length = (held.end - held.start) as f64 / 48.0;
    assert!((60.0..=250.0).contains(&length) && held.start > 45_000, "{held:?}");
    // What it holds is all that it depends on, but for where it starts to read.
    let mut other = source.clone();
    other[62_000..63_000].fill(0.0);
    let (sound, again) = run.play_and_hold(&other);
    assert_eq!(again, Some(held));
    let change = level(&sound[12_000..]) - level(&source[40_000..60_000]);
    assert!(change.abs() < 0.3, "{change} dB");
}

/// The law of `spread` s: grains, which come from the span and from nowhere else, have the share s of the power; the
/// more of them there are, the less still the hold is; its power stays.
#[test]
fn spread_opens_a_still_hold_into_a_swarm_as_loud() {
    let steady = vowel(220.0, 300_000);
    let fluctuation = |sound: &[f32]| {
        let levels: Vec<f64> = sound.chunks_exact(960).map(level).collect();
        let mean = levels.iter().sum::<f64>() / levels.len() as f64;
        (levels.iter().map(|level| (level - mean).powi(2)).sum::<f64>() / levels.len() as f64).sqrt()
    };
    let mut last = -1.0;
    for spread in [0.0, 0.05, 0.3, 1.0] {
        let run = freeze(60_000).with(1, Setting::Quantity(spread));
        let swarm = run.play(&steady);
        let held = &swarm[12_000..];
        let change = level(held) - level(&steady);
        assert!(change.abs() < 1.0, "{spread}: {change} dB");
        let moves = fluctuation(held);
        // From some spread on it moves as much as four grains at a time can.
        assert!(moves > last + 0.3 || moves > 1.5, "{spread}: {moves} dB after {last} dB");
        last = moves;
        // Four grains in phase with each other and with the still sound: √(1 + 4 · 2/3) of it.
        assert!(click(&swarm, &steady) < 5.7, "{spread}: {}", click(&swarm, &steady));
        if spread > 0.0 {
            // Another instance swarms differently, the same one always alike.
            assert_ne!(swarm, Run { seed: 2, ..run.clone() }.play(&steady));
            assert_eq!(swarm, run.play(&steady));
        }
    }
    // A note, then another: of the second a swarm has nothing.
    let mut source = vowel(220.0, 60_000);
    source.extend(tones(&[(3000.0, 0.2)], 100_000));
    let swarm = freeze(60_000 + 3000).with(1, Setting::Quantity(1.0)).play(&source);
    let other = 20.0 * (amplitude(&swarm[20_000..], 3000.0) / 0.2).log10();
    assert!(other < -60.0, "{other} dB of what came after");
}

#[test]
fn what_is_held_ends_clear_of_the_consonant_that_a_late_foot_lets_in() {
    // An /s/ begins at 60,000; the foot comes 50 to 120 ms later.
    for late in [2_400, 3_000, 3_700, 4_500, 5_800] {
        for f0 in [196.0, 311.0] {
            let mut source = vowel(f0, 60_000);
            source.extend(noise(3, 0.2, 30_000));
            let (_, held) = freeze(60_000 + late).play_and_hold(&source);
            let held = held.expect("a span");
            // 10 ms at least.
            assert!(held.end <= 60_000 - 480, "{f0} Hz, {late} samples late: {held:?}");
        }
    }
}

//! What holds for every effect of the table.

use crate::rig::Run;
use crate::sounds::{noise, recording, tuning, vowel};
use proptest::prelude::*;
use tenterhook_dsp::effects::{EFFECTS, Effect, named};
use tenterhook_plan::declare::{Kind, Setting, Unit};

/// Any settings within their ranges; of long times only the shorter ones, to keep the tests short.
fn settings(effect: &'static Effect) -> impl Strategy<Value = Vec<Setting>> {
    let any = |kind: &Kind| -> BoxedStrategy<Setting> {
        match *kind {
            Kind::Quantity { unit: Unit::Seconds, least, most, .. } => {
                (least..=most.min(least + 1.0)).prop_map(Setting::Quantity).boxed()
            }
            Kind::Quantity { least, most, .. } => (least..=most).prop_map(Setting::Quantity).boxed(),
            Kind::Choice { words, .. } => (0..words.len()).prop_map(Setting::Choice).boxed(),
            Kind::Interval { least_cents, most_cents, .. } => {
                (least_cents..=most_cents).prop_map(Setting::Interval).boxed()
            }
            Kind::Sound => Just(Setting::Sound(recording())).boxed(),
            Kind::Tuning => Just(Setting::Tuning(tuning())).boxed(),
        }
    };
    effect.declaration.settings.iter().map(|setting| any(&setting.kind)).collect::<Vec<_>>()
}

fn any_run() -> impl Strategy<Value = Run<'static>> {
    let rates = prop::sample::select(vec![8_000, 22_050, 44_100, 48_000, 96_000]);
    (0..EFFECTS.len(), rates, any::<u64>(), 0usize..20_000, 0usize..4).prop_flat_map(|(effect, rate, seed, at, x)| {
        settings(&EFFECTS[effect]).prop_map(move |values| Run {
            values,
            rate,
            seed,
            // No controller; a still one; a moving one; one that jumps.
            x: [|_| 0.0, |_| 1.0, |i| (i % 9000) as f32 / 9000.0, |i| (i / 777 % 2) as f32][x],
            ..Run::of(&EFFECTS[effect], at)
        })
    })
}

/// Whether a recording is among what it declares.
fn brings_sound(effect: &Effect) -> bool {
    effect.declaration.settings.iter().any(|setting| matches!(setting.kind, Kind::Sound))
}

/// A vowel, then noise, then silence, then both.
fn source() -> Vec<f32> {
    let mut sound = vowel(220.0, 60_000);
    sound.extend(noise(3, 0.3, 15_000));
    sound.extend([0.0; 10_000]);
    sound.extend(vowel(311.0, 20_000).iter().zip(noise(4, 0.05, 20_000)).map(|(a, b)| a + b));
    sound
}

fn bits(sound: &[f32]) -> Vec<u32> {
    sound.iter().map(|x| x.to_bits()).collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, max_shrink_iters: 40, failure_persistence: None, ..Default::default() })]

    #[test]
    fn the_cut_into_calls_is_no_matter(run in any_run(), cuts in prop::collection::vec(1usize..40, 1..9), ahead: bool) {
        let source = source();
        let whole = run.play(&source);
        let cut = Run { cuts, ahead, ..run.clone() }.play(&source);
        prop_assert!(bits(&whole) == bits(&cut), "{}", run.effect.declaration.name);
    }

    #[test]
    fn the_same_run_gives_the_same_bits(run in any_run()) {
        let source = source();
        prop_assert!(bits(&run.play(&source)) == bits(&run.play(&source)));
    }

    #[test]
    fn begun_again_it_is_as_new(run in any_run(), later in 1usize..60_000) {
        let source = source();
        let run = Run { at: run.at + later, ..run };
        let again = Run { before: Some(run.at - later), ..run.clone() };
        prop_assert!(bits(&run.play(&source)) == bits(&again.play(&source)));
    }

    /// What brings a sound of its own along needs no mic.
    #[test]
    fn silence_gives_exact_silence(run in any_run().prop_filter("a recording", |run| !brings_sound(run.effect))) {
        prop_assert!(run.play(&vec![0.0; 50_000]).iter().all(|y| y.to_bits() == 0));
    }

    #[test]
    fn the_future_is_not_known(run in any_run(), from in 0usize..60_000) {
        let (source, from) = (source(), run.at + from);
        let mut other = source.clone();
        other.iter_mut().skip(from).for_each(|x| *x = 0.25 - *x);
        let (one, two) = (run.play(&source), run.play(&other));
        let same = from.min(source.len()) - run.at;
        prop_assert!(bits(&one[..same]) == bits(&two[..same]));
    }

    #[test]
    fn its_reach_is_all_that_it_reads(run in any_run()) {
        let source = source();
        let more = Run { memory: 8.0, ..run.clone() };
        prop_assert!(bits(&run.play(&source)) == bits(&more.play(&source)));
    }

    #[test]
    fn any_sound_gives_sound(run in any_run(), kind in 0usize..6) {
        let loud = noise(9, 16.0, 60_000);
        let hostile: Vec<f32> = (0..60_000)
            .map(|i| match kind {
                0 => [16.0, -16.0][i / 50 % 2],
                1 => 16.0,
                2 => if i % 1000 == 0 { -16.0 } else { 0.0 },
                3 => [16.0, -16.0][i % 2],
                4 => [1e-9, -1e-9, 0.0][i % 3],
                _ => loud[i] * [1.0, 1e-5][i / 7000 % 2],
            })
            .collect();
        let out = run.play(&hostile);
        prop_assert!(out.iter().all(|y| y.abs() <= 16.0 && (*y == 0.0 || y.abs() >= 1e-9)));
    }
}

#[test]
#[cfg(debug_assertions)]
#[should_panic(expected = "attempt to add with overflow")]
fn a_number_that_overflows_breaks_a_law() {
    std::hint::black_box(std::hint::black_box(u8::MAX) + std::hint::black_box(1));
}

#[test]
fn the_rig_sees_at_which_sample_a_voice_acts() {
    let (source, run) = (source(), Run::new("direct", 100));
    let mut other = source.clone();
    other[500] += 0.5;
    let (one, two) = (run.play(&source), run.play(&other));
    assert_eq!(one.iter().zip(&two).position(|(a, b)| a != b), Some(400), "it acts on its very sample");
}

#[test]
fn what_brings_sound_along_sounds_without_a_mic_and_nothing_else_does() {
    for effect in &EFFECTS {
        // A moving controller: at whatever a recording is worked by, it moves.
        let run = Run { x: |i| (i % 9000) as f32 / 9000.0, ..Run::of(effect, 100) };
        let sounds = run.play(&vec![0.0; 50_000]).iter().any(|&y| y != 0.0);
        assert_eq!(sounds, brings_sound(effect), "{}", effect.declaration.name);
    }
}

#[test]
fn every_effect_has_at_most_two_settings_and_defaults_within_range() {
    for effect in &EFFECTS {
        assert!(effect.declaration.settings.len() <= 2, "{}", effect.declaration.name);
        for setting in effect.declaration.settings {
            match setting.kind {
                Kind::Quantity { least, most, default, .. } => assert!((least..=most).contains(&default)),
                Kind::Choice { words, default } => assert!(default < words.len()),
                Kind::Interval { least_cents, most_cents, default_cents } => {
                    assert!((least_cents..=most_cents).contains(&default_cents));
                }
                Kind::Sound | Kind::Tuning => {}
            }
        }
        assert_eq!((effect.level)(0.0), 0.0, "{}: silent at rest", effect.declaration.name);
    }
}

#[test]
fn how_loud_an_effect_is_follows_the_square_of_x_without_a_step_and_a_stretch_is_whole_from_a_third_on() {
    let db = |level: f32| 20.0 * level.log10();
    for effect in &EFFECTS {
        let (name, level) = (effect.declaration.name, effect.level);
        assert_eq!((level(0.0), level(1.0)), (0.0, 1.0), "{name}");
        if effect.declaration.x_is_loudness {
            assert!((db(level(0.05)) + 52.0).abs() < 0.1 && (db(level(0.5)) + 12.0).abs() < 0.1, "{name}");
        }
        let steps = (1..=1000).map(|n| level(n as f32 / 1000.0) - level((n - 1) as f32 / 1000.0));
        let most = steps.clone().fold(0.0f32, f32::max);
        // A tape is whole as soon as it has left rest: there x is a speed or a place.
        assert!(steps.clone().all(|step| step >= 0.0) && (most < 0.01 || name == "tape"), "{name}: {most}");
    }
    let stretch = named("stretch").expect("the effect").level;
    assert!((db(stretch(0.05)) + 49.0).abs() < 0.6 && (db(stretch(0.2)) + 13.3).abs() < 0.1);
    assert_eq!(stretch(1.0 / 3.0), 1.0);
}

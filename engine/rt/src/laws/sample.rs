//! What scenes and controllers do, at which sample.

use super::run::{Run, gesture, plan};
use proptest::prelude::*;
use tenterhook_plan::{Event, Gesture, Midi, SceneId, Timed};

const PIECE: &str = r#"
[mics]
voice = 1
viol = 2
[outputs]
left = 1
right = 2
ears = { output = 3, private = true }
[controllers]
pedal = { cc = 64 }
foot = { cc = 11 }
[[scene]]
mark = "A"
[scene.mic.voice]
direct = { by = "foot", to = ["left"] }
[[scene]]
mark = "B"
fade = "100 ms"
[scene.mic.voice]
direct = { by = "foot", to = ["right"], level = "-6 dB" }
[[scene]]
mark = "C"
fade = "100 ms"
[scene.mic.viol]
direct = { by = "foot", to = ["left"] }
[[scene]]
mark = "D"
fade = "100 ms"
[scene.mic.viol]
direct = { by = "pedal", to = ["left"] }
"#;

/// The level of each output (its inputs are constant: 0.1 for the voice, 0.01 for the viol) at some moments.
fn levels(events: &[(f64, &str, &str)], at: &[f64]) -> Vec<[f32; 2]> {
    let plan = plan(PIECE);
    let events: Vec<_> = events.iter().map(|&(seconds, c, v)| gesture(&plan, seconds, c, v)).collect();
    let out = Run::new(PIECE).cuts(&[100]).events(&events).render(&[vec![0.1; 96_000], vec![0.01; 96_000]]);
    let round = |sample: f32| (sample * 1e5).round() / 1e5;
    at.iter().map(|seconds| [0, 1].map(|channel: usize| round(out[channel][(seconds * 48e3) as usize]))).collect()
}

#[test]
fn an_effect_that_is_in_both_scenes_carries_on_and_glides_to_its_new_place() {
    let seen = levels(&[(0.1, "foot", "1"), (0.5, "fire", "B")], &[0.4, 0.55, 0.7]);
    assert_eq!(seen[0], [0.1, 0.0]);
    // Half-way through the fade: half-way between 0 dB and silence, and between silence and −6 dB (0.5012).
    assert!((seen[1][0] - 0.05).abs() < 1e-3 && (seen[1][1] - 0.02506).abs() < 1e-3, "{seen:?}");
    assert_eq!(seen[2], [0.0, 0.05012]);
}

#[test]
fn a_controller_held_through_the_change_takes_hold_after_rest_or_a_small_move() {
    // The foot works the voice; in C the viol. Held still, it does nothing there.
    assert_eq!(levels(&[(0.1, "foot", "0.6"), (0.5, "fire", "C")], &[0.4, 0.9]), [[0.06, 0.0], [0.0, 0.0]]);
    // Moved by 0.04 it still does nothing; by 0.05 in all, it takes hold.
    let moved = [(0.1, "foot", "0.6"), (0.5, "fire", "C"), (0.8, "foot", "0.64"), (1.0, "foot", "0.65")];
    assert_eq!(levels(&moved, &[0.9, 1.2]), [[0.0, 0.0], [0.0065, 0.0]]);
    // A switch must come to rest.
    let pressed = [(0.1, "pedal", "1"), (0.5, "fire", "D"), (0.8, "pedal", "0"), (1.0, "pedal", "1")];
    assert_eq!(levels(&pressed, &[0.7, 0.9, 1.2]), [[0.0, 0.0], [0.0, 0.0], [0.01, 0.0]]);
}

#[test]
fn what_the_new_scene_does_not_have_keeps_its_last_value_and_fades() {
    let events = [(0.1, "foot", "1"), (0.5, "fire", "D"), (0.51, "foot", "0")];
    let seen = levels(&events, &[0.499, 0.55, 0.61]);
    assert_eq!((seen[0], seen[2]), ([0.1, 0.0], [0.0, 0.0]));
    // Half-way through the fade the foot is at rest, and the sound at half.
    assert!((seen[1][0] - 0.05).abs() < 1e-3, "{seen:?}");
}

#[test]
fn after_hush_nothing_starts_before_its_controller_has_come_to_rest() {
    let events = [(0.1, "foot", "1"), (0.5, "hush", "1"), (0.9, "hush", "0"), (1.1, "foot", "0.5")];
    assert_eq!(levels(&events, &[0.4, 0.8, 1.0, 1.3]), [[0.1, 0.0], [0.0; 2], [0.0; 2], [0.0; 2]]);
    let events = [&events[..], &[(1.4, "foot", "0"), (1.5, "foot", "1")]].concat();
    assert_eq!(levels(&events, &[1.3, 1.7]), [[0.0; 2], [0.1, 0.0]]);
}

#[test]
fn levels_and_mutes_act_where_they_say() {
    let events = [
        (0.1, "foot", "1"),
        (0.5, "level/left", "-20"),
        (0.8, "level", "-20"),
        (1.1, "mute/voice", "1"),
        (1.4, "mute/voice", "0"),
        (1.4, "level", "0"),
    ];
    let seen = levels(&events, &[0.4, 0.7, 1.0, 1.3, 1.6]);
    assert_eq!(seen.iter().map(|both| both[0]).collect::<Vec<_>>(), [0.1, 0.01, 0.001, 0.0, 0.01]);
}

#[test]
fn next_after_the_last_scene_and_back_before_the_first_do_nothing() {
    let events: Vec<_> = [Gesture::Back, Gesture::Next, Gesture::Next, Gesture::Next, Gesture::Next, Gesture::Back]
        .into_iter()
        .enumerate()
        .map(|(i, gesture)| Timed { sample: 1000 * i as u64, what: Event::Gesture(gesture) })
        .collect();
    let mut run = Run::new(PIECE).events(&events);
    run.render(&[vec![0.0; 9_000], vec![0.0; 9_000]]);
    let fired: Vec<_> = run.applied().iter().map(|applied| applied.what).collect();
    assert_eq!(fired, [0, 1, 2, 3, 2].map(|scene| Gesture::Fire(SceneId(scene))));
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 64, ..Default::default() })]

    #[test]
    fn a_gesture_takes_effect_at_its_sample_and_not_before(sample in 0u64..5_000, cut in 1usize..600) {
        let press = Event::Midi(Midi { ports: 0, bytes: [0xB0, 11, 127] });
        let loud = [vec![0.5; 6_000], vec![0.5; 6_000]];
        let out = Run::new(PIECE).cuts(&[cut]).events(&[Timed { sample, what: press }]).render(&loud);
        prop_assert_eq!(out[0].iter().position(|&sample| sample != 0.0), Some(sample as usize));
    }
}

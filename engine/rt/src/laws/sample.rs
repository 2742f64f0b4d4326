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
    // Half-way through the fade half the power has moved: −3 dB from 0 dB, and from −6 dB (0.5012).
    assert!((seen[1][0] - 0.07071).abs() < 1e-3 && (seen[1][1] - 0.03544).abs() < 1e-3, "{seen:?}");
    assert_eq!(seen[2], [0.0, 0.05012]);
}

#[test]
fn a_controller_held_through_the_change_takes_hold_after_rest_or_a_small_move() {
    // The foot works the voice; in C the viol. Held still, it does nothing there.
    assert_eq!(levels(&[(0.1, "foot", "0.6"), (0.5, "fire", "C")], &[0.4, 0.9]), [[0.036, 0.0], [0.0, 0.0]]);
    // Moved by 0.04 it still does nothing; by 0.05 in all, it takes hold.
    let moved = [(0.1, "foot", "0.6"), (0.5, "fire", "C"), (0.8, "foot", "0.64"), (1.0, "foot", "0.65")];
    assert_eq!(levels(&moved, &[0.9, 1.2]), [[0.0, 0.0], [0.00422, 0.0]]);
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
fn what_has_come_to_rest_before_the_change_ends_as_it_would_have() {
    let seen = levels(&[(0.1, "foot", "1"), (0.5, "foot", "0"), (0.51, "fire", "D")], &[0.499, 0.55]);
    assert_eq!(seen, [[0.1, 0.0], [0.0, 0.0]], "30 ms after the foot, not at the end of the fade");
}

#[test]
fn the_scene_in_force_fired_again_changes_nothing() {
    let once = [(0.1, "foot", "1"), (0.5, "fire", "C")];
    let twice = [&once[..], &[(0.53, "fire", "C")]].concat();
    let at = [0.54, 0.56, 0.58, 0.7];
    assert_eq!(levels(&twice, &at), levels(&once, &at));
    assert!(levels(&once, &at)[1][0] > 0.01, "it still fades");
}

#[test]
fn a_send_on_its_way_takes_the_pace_of_the_next_scene() {
    let scene = |mark: &str, fade: &str, level: &str| {
        let direct = format!("mic.voice.direct = {{ by = \"foot\", level = \"{level}\" }}");
        format!("[[scene]]\nmark = \"{mark}\"\nfade = \"{fade}\"\n{direct}\n")
    };
    let piece = [
        "mics = { voice = 1 }\noutputs = { left = 1 }\ncontrollers = { foot = { cc = 11 } }\n".to_owned(),
        scene("A", "1 s", "0 dB"),
        scene("B", "10 s", "-60 dB"),
        scene("C", "100 ms", "-60 dB"),
    ]
    .concat();
    let plan = plan(&piece);
    let events = [(0.1, "foot", "1"), (0.5, "fire", "B"), (0.7, "fire", "C")].map(|(s, c, v)| gesture(&plan, s, c, v));
    let out = Run::of(&plan).events(&events).render(&[vec![0.1; 48_000]]);
    assert!(out[0][(0.69 * 48e3) as usize] > 0.09 && (out[0][(0.81 * 48e3) as usize] - 0.0001).abs() < 1e-6);
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
        .map(|(i, gesture)| Timed { sample: 1000 * i as u64, what: Event::written(gesture) })
        .collect();
    let mut run = Run::new(PIECE).events(&events);
    run.render(&[vec![0.0; 9_000], vec![0.0; 9_000]]);
    let fired: Vec<_> = run.applied().iter().map(|applied| applied.what).collect();
    assert_eq!(fired, [0, 1, 2, 3, 2].map(|scene| Gesture::Fire(SceneId(scene))));
}

/// Next, back and hush by a controller act once in 400 ms: a second press that comes sooner is a mistake of the foot.
#[test]
fn next_back_and_hush_act_no_sooner_than_400_ms_after_they_have() {
    let piece = "next = \"step\"\nback = \"stepback\"\nhush = \"stop\"\nmics = { voice = 1 }\noutputs = { left = 1 }\n\
                 controllers = { step = { cc = 20 }, stepback = { cc = 21 }, stop = { cc = 22 } }\n";
    let scenes: String = ["A", "B", "C", "D", "E"].map(|mark| format!("[[scene]]\nmark = \"{mark}\"\n")).concat();
    let piece = format!("{piece}{scenes}");
    let at = |sample: u64, number: u8, value: u8| Timed {
        sample,
        what: Event::Midi(Midi { ports: 0, bytes: [0xB0, number, value] }),
    };
    for number in [20, 21, 22] {
        for (again, acts) in [(19_199, 1), (19_200, 2)] {
            let mut events = vec![Timed { sample: 10, what: Event::written(Gesture::Fire(SceneId(2))) }];
            for sample in [4_800, 4_800 + again] {
                events.extend([at(sample, number, 127), at(sample + 6_000, number, 0)]);
            }
            let mut run = Run::new(&piece).events(&events);
            run.render(&[vec![0.0; 40_000]]);
            let applied = run.applied();
            let done = applied.iter().filter(|applied| applied.sample >= 4_800).count();
            assert_eq!(done, acts, "controller {number}, pressed again after {again} samples: {applied:?}");
        }
    }
}

#[test]
fn a_hush_silences_what_is_ending_or_leaving_already_and_none_of_it_comes_back() {
    let slow = "foot = { cc = 11, fall = \"3 s\" }";
    let events = [(0.1, "foot", "1"), (1.0, "foot", "0"), (1.2, "hush", "1"), (2.2, "hush", "0")];
    let seen = left(slow, "mic.voice.direct = { by = \"foot\" }", &events, &[1.15, 1.36, 2.0, 2.5, 2.9]);
    assert!(seen[0] > 0.09 && seen[1..] == [0.0; 4], "{seen:?}");
    // What a scene let go of fades for two seconds: not under a hush.
    let piece = "mics = { voice = 1 }\noutputs = { left = 1 }\ncontrollers = { foot = { cc = 11 } }\n[[scene]]\n\
                 mark = \"A\"\nmic.voice.direct = { by = \"foot\" }\n[[scene]]\nmark = \"B\"\nfade = \"2 s\"\n";
    let plan = plan(piece);
    let events = [(0.1, "foot", "1"), (0.5, "fire", "B"), (1.0, "hush", "1"), (1.5, "hush", "0")]
        .map(|(seconds, c, v)| gesture(&plan, seconds, c, v));
    let out = Run::new(piece).events(&events).render(&[vec![0.1; 96_000]]);
    assert!(out[0][47_900] > 0.05, "{}", out[0][47_900]);
    assert!(out[0][48_000 + 7_680..].iter().all(|&sample| sample == 0.0));
}

#[test]
fn what_comes_with_a_scene_comes_within_its_fade_and_after_a_hush_again() {
    let piece = "mics = { voice = 1 }\noutputs = { left = 1 }\n[[scene]]\nmark = \"A\"\n[[scene]]\nmark = \"B\"\n\
                 fade = \"400 ms\"\nmic.voice.direct = { by = \"scene\" }\n";
    let plan = plan(piece);
    let events = [(0.1, "fire", "B"), (0.8, "hush", "1"), (1.2, "hush", "0")].map(|(s, c, v)| gesture(&plan, s, c, v));
    let out = Run::new(piece).events(&events).render(&[vec![0.1; 96_000]]);
    let at = |seconds: f64| out[0][(seconds * 48e3) as usize];
    for (from, name) in [(0.1, "fired"), (1.2, "released")] {
        let seen = [0.1, 0.2, 0.3, 0.41].map(|since| at(from + since));
        assert!(near(&seen, &[0.025, 0.05, 0.075, 0.1]), "{name}: {seen:?}");
    }
}

#[test]
fn a_mic_of_inverted_polarity_is_turned_over_and_no_other() {
    let piece = |polarity: &str| {
        format!(
            "mics = {{ voice = {{ input = 1, trim = \"3 dB\"{polarity} }}, viol = 2 }}\noutputs = {{ left = 1, right = 2 }}\n\
             [[scene]]\nmark = \"A\"\nmic.voice.direct = {{ by = \"scene\", to = [\"left\"] }}\n\
             mic.viol.direct = {{ by = \"scene\", to = [\"right\"] }}\n"
        )
    };
    let sound = super::run::sound(9_600);
    let [plain, turned] =
        ["", ", polarity = \"inverted\""].map(|polarity| Run::new(&piece(polarity)).render(&sound[..2]));
    assert!(plain[0].iter().any(|&x| x > 0.01), "it is heard");
    let over: Vec<f32> = turned[0].iter().map(|x| -x).collect();
    assert!(plain[0] == over && plain[1] == turned[1]);
}

/// The levels of the left output at some moments, of a piece that names the given controllers and effects of one scene.
fn left(controllers: &str, effects: &str, events: &[(f64, &str, &str)], at: &[f64]) -> Vec<f32> {
    let piece = format!(
        "mics = {{ voice = 1, viol = 2 }}\ngroups = {{ both = [\"voice\", \"viol\"] }}\noutputs = {{ left = 1 }}\n\
         controllers = {{ {controllers} }}\n[[scene]]\nmark = \"A\"\n{effects}\n"
    );
    let plan = plan(&piece);
    let events: Vec<_> = events.iter().map(|&(seconds, c, v)| gesture(&plan, seconds, c, v)).collect();
    let out = Run::new(&piece).cuts(&[100]).events(&events).render(&[vec![0.1; 144_000], vec![0.01; 144_000]]);
    at.iter().map(|seconds| out[0][(seconds * 48e3) as usize]).collect()
}

fn near(seen: &[f32], due: &[f32]) -> bool {
    seen.len() == due.len() && seen.iter().zip(due).all(|(seen, due)| (seen - due).abs() < 1e-4)
}

#[test]
fn rise_and_fall_are_the_times_from_0_to_1_and_back() {
    let slow = "foot = { cc = 11, rise = \"1 s\", fall = \"2 s\" }";
    let direct = "mic.voice.direct = { by = \"foot\" }";
    // Up to 0.8 at 1 a second; from 1.5 s down at 0.5 a second; rest ends it at the same pace. What is heard is the square.
    let seen = left(slow, direct, &[(0.1, "foot", "0.8"), (1.5, "foot", "0")], &[0.5, 1.0, 1.5, 2.3, 2.9, 2.99]);
    assert!(near(&seen, &[0.016, 0.064, 0.064, 0.016, 0.001, 0.0003]), "{seen:?}");
}

#[test]
fn a_mic_s_loudness_is_its_level_between_the_two_that_are_named() {
    // 0.1 is −20 dBFS, which stands (−20 + 50) / 38 of the way from −50 dB to −12 dB. What is heard is the square.
    let loud = "loud = { loudness = \"voice\", from = \"-50 dB\", to = \"-12 dB\" }";
    let seen = left(loud, "mic.voice.direct = { by = \"loud\" }", &[(1.5, "mute/voice", "1")], &[1.4, 2.9]);
    assert!(near(&seen, &[0.1 * (30.0f32 / 38.0).powi(2), 0.0]), "{seen:?}");
}

#[test]
fn a_group_is_the_sum_of_its_mics_and_each_is_one_by_one() {
    let foot = "foot = { cc = 11 }";
    for each in ["", ", each = true"] {
        let seen = left(foot, &format!("mic.both.direct = {{ by = \"foot\"{each} }}"), &[(0.1, "foot", "1")], &[1.0]);
        assert!(near(&seen, &[0.11]), "{each}: {seen:?}");
    }
}

#[test]
fn an_effect_after_another_takes_in_its_sound_even_where_that_is_sent_nowhere() {
    let two = "foot = { cc = 11 }, wheel = { cc = 1 }";
    let chain = "mic.voice.direct = { by = \"foot\", to = [] }\n\
                 mic.voice.more = { effect = \"direct\", by = \"wheel\", after = \"direct\" }";
    let seen = left(two, chain, &[(0.1, "foot", "0.5"), (0.2, "wheel", "0.5"), (1.5, "foot", "0")], &[0.15, 1.0, 2.0]);
    assert!(near(&seen, &[0.0, 0.00625, 0.0]), "{seen:?}");
}

#[test]
fn a_latch_turns_over_with_each_press() {
    let press =
        |sample: u64, value: u8| Timed { sample, what: Event::Midi(Midi { ports: 0, bytes: [0xB5, 67, value] }) };
    let piece = "mics = { voice = 1 }\noutputs = { left = 1 }\ncontrollers = { held = { cc = 67, latch = true } }\n\
                 [[scene]]\nmark = \"A\"\nmic.voice.direct = { by = \"held\" }\n";
    let events = [press(4_800, 127), press(9_600, 0), press(24_000, 127), press(28_800, 0)];
    let out = Run::new(piece).events(&events).render(&[vec![0.1; 48_000]]);
    assert_eq!([2_000, 14_400, 22_000, 40_000].map(|sample: usize| out[0][sample]), [0.0, 0.1, 0.1, 0.0]);
}

#[test]
fn outputs_that_share_a_channel_stay_under_its_lowest_ceiling_together() {
    let mut plan = plan(PIECE);
    plan.outputs[1].channel = plan.outputs[0].channel;
    plan.outputs[1].ceiling = tenterhook_plan::Decibels(-6.0);
    plan.scenes[0].uses[0].sends.push(tenterhook_plan::Send { output: tenterhook_plan::OutputId(1), gain: 1.0 });
    let press = gesture(&plan, 0.1, "foot", "1");
    let mut run = Run::of(&plan).events(&[press]);
    let out = run.render(&[vec![0.9; 48_000], vec![0.0; 48_000]]);
    let most = out[0].iter().fold(0.0f32, |most, sample| most.max(sample.abs()));
    assert!(most <= tenterhook_plan::gain(-6.0) && most > 0.5, "{most}");
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 64, ..Default::default() })]

    #[test]
    fn a_gesture_takes_effect_at_its_sample_and_not_before(sample in 0u64..5_000, cut in 1usize..600) {
        let press = Event::Midi(Midi { ports: 0, bytes: [0xB0, 11, 127] });
        let loud = [vec![0.5; 6_000], vec![0.5; 6_000]];
        let out = Run::new(PIECE).cuts(&[cut]).events(&[Timed { sample, what: press }]).render(&loud);
        // So soft does it begin that the first samples are less than the least sound.
        let first = out[0].iter().position(|&sample| sample != 0.0);
        prop_assert!(first.is_some_and(|first| (sample as usize..sample as usize + 5).contains(&first)), "{first:?}");
    }
}

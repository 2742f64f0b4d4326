//! Scenes share the voices of an effect on a mic: their number costs neither memory nor time, and nobody hears it.

use tenterhook_plan::{Event, Plan, SceneId, Timed};

use super::bits;
use super::clicks::click_db;
use super::run::{Run, gesture, plan, sound};
use crate::bytes;
use crate::compiled_plan::{Making, Needs};

/// Settings of their own in each scene: what needs the most room comes in scene 1, the least in scene 0, whose spans are so
/// short that less is searched for where they meet.
fn settings(scene: usize) -> [String; 5] {
    let place = (scene * 7919 % 100) as f64 / 100.0;
    let wide = |least: f64, most: f64| match scene {
        0 => least + 0.1 * (most - least),
        1 => most,
        _ => least + place * (most - least),
    };
    [
        format!(
            "voice.stretch = {{ by = \"foot\", most = {:.3}, memory = \"{:.3} s\"",
            wide(2.0, 16.0),
            wide(1.0, 8.0)
        ),
        format!("voice.reverse = {{ by = \"hand\", span = \"{:.4} s\"", if scene == 0 { 0.06 } else { wide(0.1, 2.0) }),
        format!("viol.freeze = {{ by = \"heel\", spread = {:.4}", if scene == 0 { 0.0 } else { wide(0.0, 1.0) }),
        format!("viol.sympathetic = {{ by = \"wrist\", tuned = \"D3 A3\", decay = \"{:.3} s\"", wide(0.3, 9.0)),
        format!("voice.double = {{ by = \"knee\", interval = \"{:.0} cents\"", wide(-900.0, 1200.0)),
    ]
}

fn piece(scenes: usize) -> String {
    let head = "mics = { voice = 1, viol = 2 }\noutputs = { left = 1, right = 2 }\ncontrollers = { foot = { fall = \"1 s\" }, heel = { fall = \"1 s\" }, hand = {}, wrist = {}, knee = {} }\n";
    let scene = |n: usize| {
        let effects: String = settings(n).iter().map(|effect| format!("mic.{effect} }}\n")).collect();
        format!("[[scene]]\nmark = \"s{n}\"\nfade = \"300 ms\"\n{effects}")
    };
    head.to_owned() + &(0..scenes).map(scene).collect::<String>()
}

/// Gestures; what the foot does the heel does too, and wrist and knee what the hand does, where they are.
fn events(plan: &Plan, all: &[(f64, &str, &str)]) -> Vec<Timed<Event>> {
    let each = |&(seconds, name, value): &(f64, &str, &str)| {
        let all = match name {
            "foot" => &["foot", "heel"][..],
            "hand" => &["hand", "wrist", "knee"],
            _ => &[name],
        };
        let there = |name: &&&str| **name == "fire" || plan.controllers.iter().any(|one| one.name == **name);
        all.iter().filter(there).map(|name| gesture(plan, seconds, name, value)).collect::<Vec<_>>()
    };
    all.iter().flat_map(each).collect()
}

const PLAYED: [(f64, &str, &str); 8] = [
    (0.5, "foot", "0.7"),
    (0.6, "hand", "1"),
    (1.2, "foot", "0"),
    (1.4, "foot", "1"),
    (1.8, "hand", "0"),
    (1.9, "hand", "0.4"),
    (2.2, "foot", "0"),
    (2.4, "hand", "0"),
];

#[test]
fn a_scene_sounds_the_same_bits_whatever_other_scenes_there_are() {
    let [one, many] = [piece(1), piece(30)].map(|piece| plan(&piece));
    let sound = sound(3 * 48_000);
    let of = |plan: &Plan| bits(&Run::of(plan).events(&events(plan, &PLAYED)).render(&sound));
    assert!(of(&one) == of(&many));
}

#[test]
fn a_stretch_leaves_out_what_its_own_memory_has_no_room_for_whatever_room_there_is() {
    let scene = |mark: &str, memory: &str| {
        format!("[[scene]]\nmark = \"{mark}\"\nmic.voice.stretch = {{ by = \"foot\", memory = \"{memory}\" }}\n")
    };
    let one =
        "mics = { voice = 1 }\noutputs = { left = 1 }\ncontrollers = { foot = {} }\n".to_owned() + &scene("A", "1 s");
    let two = one.clone() + &scene("B", "9 s");
    // More partials than a moment has room for of its own.
    let partial = |t: f64, k: f64| (std::f64::consts::TAU * 70.0 * k * t + k * k).sin();
    let rich = |i: usize| (1..130).map(|k| 0.02 * partial(i as f64 / 48e3, f64::from(k))).sum::<f64>() as f32;
    let sound: Vec<f32> = (0..4 * 48_000).map(rich).collect();
    let of = |piece: &str| {
        let press = gesture(&plan(piece), 1.0, "foot", "0.5");
        bits(&Run::new(piece).events(&[press]).render(std::slice::from_ref(&sound)))
    };
    assert!(of(&one) == of(&two));
    // The control: a longer memory takes in more.
    assert!(of(&one) != of(&one.replace("1 s", "9 s")));
}

#[test]
fn a_scene_sounds_the_same_bits_whatever_its_voices_sounded_before() {
    let plan = plan(&piece(2));
    let sound = sound(8 * 48_000);
    let later = |seconds: f64| PLAYED.map(|(at, name, value)| (at + seconds, name, value));
    let with = |before: &[(f64, &str, &str)]| {
        let all: Vec<_> = before.iter().copied().chain([(4.5, "fire", "s0")]).chain(later(4.9)).collect();
        bits(&Run::from(&piece(2), SceneId(1)).events(&events(&plan, &all)).render(&sound))
    };
    let (used, fresh) = (with(&PLAYED), with(&[]));
    assert!(used != fresh, "the control");
    let since = 48_000 * 49 / 10;
    for (used, fresh) in used.iter().zip(&fresh) {
        assert!(used[since..] == fresh[since..]);
    }
}

#[test]
fn voices_are_no_more_for_a_thousand_scenes_than_for_one() {
    let voices = |scenes: usize| -> Vec<(&'static str, usize)> {
        let needs = Needs::new(&plan(&piece(scenes)), 48_000, Making::default());
        needs.pools.iter().map(|need| (need.effect, need.voices)).collect()
    };
    assert_eq!(voices(1), [("stretch", 3), ("reverse", 3), ("double", 3), ("freeze", 3), ("sympathetic", 3)]);
    assert_eq!(voices(1000), voices(1));
    // Scene 1 has the largest settings of all.
    let (one, many) = (bytes(&plan(&piece(2)), 48_000).all, bytes(&plan(&piece(1000)), 48_000).all);
    assert!(many as f64 <= 1.1 * one as f64);
}

#[test]
fn two_of_a_kind_in_one_scene_have_three_voices_each() {
    let two = "mics = { voice = 1 }\noutputs = { left = 1 }\ncontrollers = { foot = {}, hand = {} }\n[[scene]]\nmark = \"A\"\n\
               mic.voice.near = { effect = \"freeze\", by = \"foot\" }\n\
               mic.voice.far = { effect = \"freeze\", by = \"hand\", aim = \"now\" }\n";
    let needs = Needs::new(&plan(two), 48_000, Making::default());
    assert_eq!(needs.pools.iter().map(|need| need.voices).collect::<Vec<_>>(), [6]);
}

#[test]
fn a_block_looks_at_what_is_in_force_or_still_sounds_and_at_nothing_else() {
    let plan = plan(&piece(30));
    let mut run = Run::of(&plan);
    let sound = sound(48_000);
    run = run.events(&events(&plan, &[(0.1, "foot", "1"), (0.5, "fire", "s7")]));
    run.render(&sound);
    let scene =
        |run: &Run| -> Vec<usize> { run.engine.compiled.scenes[7].parts.iter().map(|part| part.resident).collect() };
    // The fade of 300 ms is over, and it has been told.
    assert_eq!(run.engine.compiled.walk, scene(&run));
    assert_eq!(run.engine.compiled.walk.len(), 5);
}

#[test]
fn what_begins_need_not_wait_for_what_still_fades_of_other_scenes() {
    let piece = "mics = { voice = 1 }\noutputs = { left = 1, right = 2 }\ncontrollers = { foot = { fall = \"3 s\" } }\n\
                 [[scene]]\nmark = \"A\"\nmic.voice.near = { effect = \"direct\", by = \"foot\", to = [\"left\"] }\n\
                 [[scene]]\nmark = \"B\"\nfade = \"4 s\"\n\
                 mic.voice.far = { effect = \"direct\", by = \"foot\", to = [\"right\"] }\n";
    let plan = plan(piece);
    let presses = [(0.1, "1"), (0.2, "0"), (0.3, "1"), (0.4, "0"), (0.6, "1"), (0.7, "0"), (0.8, "1")];
    let mut all: Vec<_> = presses.map(|(at, value)| (at, "foot", value)).to_vec();
    all.insert(4, (0.5, "fire", "B"));
    let out = Run::of(&plan).events(&events(&plan, &all)).render(&vec![vec![0.25; 48_000]; 3]);
    let at = |seconds: f64, channel: usize| out[channel][(seconds * 48e3) as usize];
    // Both of A fade over 4 s. Each that begins in B is there at once, and keeps the place of the next one free: what has
    // been ending for longest is gone in 20 ms.
    assert!(at(0.59, 0) > 0.4 && at(0.59, 1) == 0.0, "{} {}", at(0.59, 0), at(0.59, 1));
    assert!((0.1..0.25).contains(&at(0.69, 0)) && at(0.69, 1) > 0.24, "{} {}", at(0.69, 0), at(0.69, 1));
    assert!(at(0.83, 0) == 0.0 && at(0.83, 1) > 0.4, "{} {}", at(0.83, 0), at(0.83, 1));
}

#[test]
fn whoever_leaps_through_scenes_hears_no_click_and_no_voice_hangs() {
    let plan = plan(&piece(12));
    let marks: Vec<String> = (0..12).map(|n| format!("s{n}")).collect();
    let mut all = Vec::new();
    for (n, mark) in (0..24).zip(marks.iter().cycle()) {
        let at = 0.4 + 0.11 * f64::from(n);
        all.push((at, "foot", "0"));
        all.push((at + 0.01, "fire", mark));
        all.push((at + 0.03, "foot", "1"));
        all.push((at + 0.05, "hand", if n % 2 == 0 { "0" } else { "0.9" }));
    }
    all.extend([(3.5, "foot", "0"), (3.5, "hand", "0")]);
    let mut run = Run::of(&plan).events(&events(&plan, &all));
    let out = run.render(&sound(6 * 48_000));
    let click = click_db(&out);
    assert!(click < super::clicks::LIMIT_DB, "{click} dB");
    assert!(out.iter().flatten().any(|&sample| sample.abs() > 0.01));
    assert!(run.engine.compiled.residents.iter().all(|resident| resident.is_silent()));
    for pool in &run.engine.compiled.pools {
        assert_eq!(pool.busy(), 0);
    }
    assert!(out.iter().all(|channel| channel[5 * 48_000..].iter().all(|&sample| sample == 0.0)));
}

/// Without what needs a longer past: a source of which more is to be remembered begins anew.
fn without_reverse(scenes: usize) -> String {
    piece(scenes).lines().filter(|line| !line.contains("reverse")).flat_map(|line| [line, "\n"]).collect()
}

#[test]
fn what_sounds_goes_on_bit_for_bit_into_a_piece_whose_voices_have_more_room_or_less() {
    let [small, large] = [1, 2].map(without_reverse);
    let events = events(&plan(&small), &PLAYED);
    let sound = sound(3 * 48_000);
    let whole = bits(&Run::new(&small).events(&events).render(&sound));
    // Voices with less room sound on as guests; others come and go meanwhile.
    for (first, pieces) in [(&small, [&large, &small]), (&large, [&small, &large])] {
        for every in [19_200, 36_000, 62_400] {
            let pieces = pieces.map(String::as_str);
            let mut run = Run::new(first).events(&events).replace_every(every, &pieces);
            assert!(bits(&run.render(&sound)) == whole, "every {every}");
        }
    }
}

#[test]
fn a_piece_that_has_grown_plays_its_new_scenes_as_if_it_had_always_been_so() {
    let [small, large] = [1, 2].map(without_reverse);
    let plan = plan(&large);
    let later = PLAYED.map(|(at, name, value)| (at + 3.5, name, value));
    let all: Vec<_> = PLAYED.into_iter().chain([(3.3, "fire", "s1")]).chain(later).collect();
    let events = events(&plan, &all);
    let sound = sound(7 * 48_000);
    let always = bits(&Run::new(&large).events(&events).render(&sound));
    let grown = bits(&Run::new(&small).events(&events).replace_every(48_000, &[&large]).render(&sound));
    assert!(grown == always);
}

//! What feet and hands send over MIDI: contacts that bounce, sensors that flicker, floods, values in two messages.

use std::collections::BTreeMap;

use super::bits;
use super::run::{Run, plan, sound};
use crate::{Reading, engine};
use proptest::prelude::*;
use tenterhook_plan::{Applied, Event, Gesture, Midi, Plan, SceneId, Timed, Who};

const PIECE: &str = "
next = \"step\"
mics = { voice = 1 }
outputs = { left = 1, right = 2, ears = 3 }
controllers.pedal = { cc = 64 }
controllers.turned = { cc = 65, polarity = \"inverted\" }
controllers.step = { cc = 66 }
controllers.held = { cc = 67, latch = true }
controllers.foot = { cc = 11 }
controllers.wheel = { cc = 1, fine = true }
controllers.back = { cc = 12, polarity = \"inverted\" }
controllers.key = { note = 24 }
[[scene]]
mark = \"A\"
mic.voice.a = { effect = \"direct\", by = \"pedal\" }
mic.voice.b = { effect = \"direct\", by = \"turned\" }
mic.voice.c = { effect = \"direct\", by = \"held\" }
mic.voice.d = { effect = \"direct\", by = \"foot\" }
mic.voice.e = { effect = \"direct\", by = \"wheel\" }
mic.voice.f = { effect = \"direct\", by = \"back\" }
mic.voice.g = { effect = \"direct\", by = \"key\" }
[[scene]]
mark = \"B\"
mic.voice.d = { effect = \"direct\", by = \"foot\" }
";

/// 25 ms at 48 kHz, and 5 ms.
const BOUNCE: u64 = 1200;
const PAIR: u64 = 240;
const CELL: u64 = 32;

fn cc(sample: u64, number: u8, value: u8) -> Timed<Event> {
    Timed { sample, what: Event::Midi(Midi { ports: 0, bytes: [0xB0, number, value] }) }
}

fn note(sample: u64, on: bool) -> Timed<Event> {
    Timed { sample, what: Event::Midi(Midi { ports: 0, bytes: [if on { 0x90 } else { 0x80 }, 24, 100] }) }
}

fn run(cuts: &[usize], events: &[Timed<Event>], frames: usize) -> (Vec<Vec<u32>>, Vec<Applied>) {
    let mut run = Run::new(PIECE).cuts(cuts).events(events);
    let out = run.render(&sound(frames));
    (bits(&out), run.applied())
}

/// What became of one controller.
fn of(plan: &Plan, applied: &[Applied], name: &str) -> Vec<(u64, f32)> {
    let is = |index: usize| plan.controllers[index].name == name;
    let of = |applied: &Applied| match applied.what {
        Gesture::Controller { id, value } if is(id.index()) => Some((applied.sample, value)),
        _ => None,
    };
    applied.iter().filter_map(of).collect()
}

fn moves(name: &str, events: &[Timed<Event>]) -> Vec<(u64, f32)> {
    let frames = events.last().map_or(0, |event| event.sample) as usize + 4800;
    of(&plan(PIECE), &run(&[128], events, frames).1, name)
}

/// Messages as close together as no cable brings them, to every controller.
fn storm() -> impl Strategy<Value = Vec<Timed<Event>>> {
    let numbers = prop::sample::select(vec![64u8, 65, 66, 67, 11, 1, 33, 12, 24]);
    let gap = prop_oneof![6 => 0u64..40, 2 => 0u64..500, 1 => 1000u64..3000];
    // Mostly the ends and small moves.
    let value = prop_oneof![prop::sample::select(vec![0u8, 127]), 60u8..68, 0u8..128];
    prop::collection::vec((gap, numbers, value), 1..120).prop_map(|list| {
        let mut sample = 0;
        let event = |(gap, number, value): (u64, u8, u8)| {
            sample += gap;
            if number == 24 { note(sample, value > 63) } else { cc(sample, number, value) }
        };
        list.into_iter().map(event).collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// And what acted, played back, is the same sound.
    #[test]
    fn what_acts_is_the_same_however_the_run_is_cut(events in storm()) {
        let frames = events.last().unwrap().sample as usize + 4800;
        let (sound, applied) = run(&[64], &events, frames);
        for cuts in [&[32][..], &[1024], &[1, 31, 7, 333, 2, 13]] {
            let cut = run(cuts, &events, frames);
            prop_assert_eq!(&cut.1, &applied, "blocks of {:?}", cuts);
            prop_assert!(cut.0 == sound, "blocks of {:?}", cuts);
        }
        // The first is the first scene, which fires itself.
        let written: Vec<_> = applied[1..].iter().map(|one| Timed { sample: one.sample, what: Event::written(one.what) }).collect();
        let replayed = run(&[128], &written, frames);
        let bare = |applied: &[Applied]| applied.iter().map(|one| (one.sample, one.what)).collect::<Vec<_>>();
        prop_assert_eq!(bare(&replayed.1), bare(&applied));
        prop_assert!(replayed.0 == sound);
    }

    #[test]
    fn the_last_word_is_reached_and_nothing_acts_too_often(events in storm()) {
        let plan = plan(PIECE);
        let frames = events.last().unwrap().sample as usize + 4800;
        let applied = run(&[128], &events, frames).1;
        // What each message should come to in the end, by the bare meaning of its bytes.
        let mut last: BTreeMap<&str, f32> = BTreeMap::new();
        let (mut high, mut low) = (0, 0);
        for event in &events {
            let Event::Midi(Midi { bytes: [status, number, value], .. }) = event.what else { continue };
            let on = |down: bool| if down { 1.0 } else { 0.0 };
            match (status, number) {
                (0xB0, 64) => drop(last.insert("pedal", on(value > 63))),
                (0xB0, 65) => drop(last.insert("turned", on(value < 64))),
                (0xB0, 11) => drop(last.insert("foot", f32::from(value) / 127.0)),
                (0xB0, 12) => drop(last.insert("back", 1.0 - f32::from(value) / 127.0)),
                (0xB0, 1) => (high, low) = (u16::from(value), 0),
                (0xB0, 33) => low = u16::from(value),
                (0x80 | 0x90, 24) => drop(last.insert("key", on(status == 0x90))),
                _ => {}
            }
            if matches!((status, number), (0xB0, 1 | 33)) {
                last.insert("wheel", f32::from(high << 7 | low) / 16_383.0);
            }
        }
        for (name, want) in last {
            let moves = of(&plan, &applied, name);
            let (_, is) = *moves.last().unwrap();
            let step = match name {
                "foot" | "back" => 1.0 / 127.0,
                "wheel" => 8.0 / 16_383.0,
                _ => 0.0,
            };
            // An end is reached exactly.
            let within = if want == 0.0 || want == 1.0 { 0.0 } else { step + 1e-6 };
            prop_assert!((is - want).abs() <= within, "{} ended at {}, not at {}", name, is, want);
            for pair in moves.windows(2) {
                let apart = pair[1].0 - pair[0].0;
                match name {
                    "key" => {}
                    "pedal" | "turned" => prop_assert!(apart >= BOUNCE, "{}: {:?}", name, pair),
                    _ => prop_assert!(pair[1].0 / CELL > pair[0].0 / CELL, "{}: {:?}", name, pair),
                }
            }
        }
    }
}

#[test]
fn a_switch_acts_at_once_and_its_bouncing_does_not() {
    // Pressed at 100 with bounces, let go at 5000 with bounces.
    let bouncing =
        |at: u64, first: u8| (0..8).map(move |n| cc(at + n * 90, 64, if n % 2 == 0 { first } else { 127 - first }));
    let mut events: Vec<_> = bouncing(100, 127).chain([cc(900, 64, 127)]).collect();
    events.extend(bouncing(5000, 0).chain([cc(5800, 64, 0)]));
    assert_eq!(moves("pedal", &events), [(100, 1.0), (5000, 0.0)]);
    // A tap that is over within the window is heard whole: up at the first line after it.
    let line = (100 + BOUNCE).next_multiple_of(CELL);
    assert_eq!(moves("pedal", &[cc(100, 64, 127), cc(300, 64, 0)]), [(100, 1.0), (line, 0.0)]);
}

#[test]
fn a_latch_turns_over_once_for_each_press_and_a_bouncing_pedal_fires_one_scene() {
    let press = |number: u8, at: u64| (0..7u64).map(move |n| cc(at + n * 50, number, if n % 2 == 0 { 127 } else { 0 }));
    let up = |number: u8, at: u64| [cc(at, number, 0)];
    let held: Vec<_> = press(67, 10).chain(up(67, 9_000)).chain(press(67, 20_000)).chain(up(67, 30_000)).collect();
    assert_eq!(moves("held", &held), [(10, 1.0), (20_000, 0.0)]);
    let step: Vec<_> = press(66, 10).chain(up(66, 9_000)).collect();
    let fired = run(&[64], &step, 48_000).1;
    let scenes: Vec<_> =
        fired.iter().filter(|one| matches!(one.what, Gesture::Fire(_))).map(|one| one.sample).collect();
    assert_eq!(scenes, [0, 10]);
}

#[test]
fn a_note_acts_whenever_it_comes() {
    let trill: Vec<_> = (0..10).map(|n| note(100 + n * 40, n % 2 == 0)).collect();
    assert_eq!(moves("key", &trill).len(), 10);
}

#[test]
fn a_sensor_that_flickers_between_two_steps_is_still() {
    for (low, high) in [(60, 61), (0, 1), (126, 127)] {
        let flicker: Vec<_> = (0..1000).map(|n| cc(100 + n * 48, 11, if n % 2 == 0 { low } else { high })).collect();
        assert!(moves("foot", &flicker).len() <= 3, "{low} and {high}: {:?}", moves("foot", &flicker));
    }
    // The control: what moves is followed step by step, both ways.
    let there = (0..128u64).map(|n| cc(100 + n * 48, 11, n as u8));
    let back = (0..128u64).map(|n| cc(100 + (128 + n) * 48, 11, 127 - n as u8));
    let sweep: Vec<_> = there.chain(back).collect();
    assert!(moves("foot", &sweep).len() >= 253);
}

#[test]
fn a_flood_is_one_gesture_a_cell_and_ends_where_it_ends() {
    let flood: Vec<_> =
        (0..10_000u64).map(|n| cc(100 + n / 100, 11, (n * 37 % 128) as u8)).chain([cc(205, 11, 93)]).collect();
    let moves = moves("foot", &flood);
    assert!(moves.len() <= 6, "{}", moves.len());
    assert_eq!(moves.last().unwrap().1, 93.0 / 127.0);
}

#[test]
fn a_fine_value_has_no_coarse_step_in_it() {
    // From 0 to the end in steps of 37, greater part first, 1 ms apart, as over a cable.
    let values: Vec<u16> = (0..=442).map(|n| n * 37).chain([16_383]).collect();
    let mut events = Vec::new();
    for (n, value) in values.iter().enumerate() {
        let at = 100 + 480 * n as u64;
        events.extend([cc(at, 1, (value >> 7) as u8), cc(at + 48, 33, (value & 127) as u8)]);
    }
    let heard: Vec<_> = moves("wheel", &events).into_iter().map(|(_, value)| value).collect();
    let want: Vec<_> = values.iter().map(|value| f32::from(*value) / 16_383.0).collect();
    assert_eq!(heard, want);
}

#[test]
fn a_greater_part_alone_acts_after_a_moment_and_a_finer_one_at_once() {
    let line = (100 + PAIR).next_multiple_of(CELL);
    let value = |high: u16, low: u16| f32::from(high << 7 | low) / 16_383.0;
    let events = [cc(100, 1, 64), cc(9600, 33, 100), cc(19_200, 1, 3), cc(19_210, 33, 5)];
    assert_eq!(moves("wheel", &events), [(line, value(64, 0)), (9600, value(64, 100)), (19_210, value(3, 5))]);
}

#[test]
fn a_sweep_of_greater_parts_alone_acts_while_it_lasts() {
    // Every 2 ms, sooner than a finer part would come too late.
    let events: Vec<_> = (0..100).map(|n| cc(100 + 96 * n, 1, n as u8)).collect();
    let heard = moves("wheel", &events);
    let before_the_end = heard.iter().filter(|(sample, _)| *sample < 100 + 96 * 99).count();
    assert!(before_the_end > 30, "{heard:?}");
    assert!(heard.is_sorted_by(|a, b| a.0 < b.0 && a.1 < b.1), "{heard:?}");
    assert_eq!(heard.last().map(|(_, value)| *value), Some(f32::from(99u16 << 7) / 16_383.0));
}

#[test]
fn what_waits_outlives_a_change_of_the_piece() {
    // The other piece takes over at 5760: 20 ms after it was handed over.
    let events = [cc(5000, 64, 127), cc(5100, 64, 0), cc(5700, 1, 9)];
    let mut run = Run::new(PIECE).cuts(&[64]).events(&events).replace_every(4800, &[PIECE]);
    run.render(&sound(9000));
    let (applied, plan) = (run.applied(), plan(PIECE));
    assert_eq!(of(&plan, &applied, "pedal"), [(5000, 1.0), ((5000 + BOUNCE).next_multiple_of(CELL), 0.0)]);
    assert_eq!(of(&plan, &applied, "wheel").len(), 1);
}

#[test]
fn a_pedal_that_is_let_go_before_it_was_pressed_is_said_to_be_turned_until_it_is_not() {
    let plan = plan(PIECE);
    let told = |events: &[Timed<Event>]| {
        let (mut engine, mut control) = engine(&plan, 48_000, SceneId(0));
        let mut told = BTreeMap::new();
        for block in 0..48_000 / 480 * 8u64 {
            let (from, to) = (block * 480, block * 480 + 480);
            let due: Vec<_> = events.iter().filter(|event| (from..to).contains(&event.sample)).copied().collect();
            engine.process(&[&[0.0; 480]], &mut [&mut [0.0; 480]], &due);
            while let Some(reading) = control.reading() {
                if let Reading::Wired { id, turned } = reading {
                    told.insert(plan.controllers[id.index()].name.as_str(), turned);
                }
            }
        }
        told
    };
    let second = 48_000;
    let all = |pedal, turned| BTreeMap::from([("pedal", pedal), ("turned", turned), ("step", false), ("held", false)]);
    assert_eq!(told(&[]), all(false, false));
    assert_eq!(told(&[cc(second, 64, 127), cc(2 * second, 64, 0)]), all(false, false));
    // Pressed for half a second, twice, each time sending 0 for it.
    let other_way = [(1.0, 0), (1.5, 127), (4.0, 0), (4.5, 127)];
    let at = |(seconds, value): (f64, u8), number: u8| cc((seconds * 48e3) as u64, number, value);
    assert_eq!(told(&other_way.map(|one| at(one, 64))), all(true, false));
    // Inverted, that is right; and what was right is not.
    assert_eq!(told(&other_way.map(|one| at(one, 65))), all(false, false));
    assert_eq!(told(&[cc(second, 65, 127), cc(2 * second, 65, 0)]), all(false, true));
    // It was held while the cable was put in: later it stays pressed for less time than it was let go.
    assert_eq!(told(&[(1.0, 0), (4.0, 127), (4.5, 0)].map(|one| at(one, 64))), all(false, false));
}

const TWO_CHARACTERS: &str = "
mics = { voice = 1 }
outputs = { left = 1 }
controllers.pedal = { cc = 64 }
controllers.tap = { like = \"pedal\", fall = \"200 ms\" }
[[scene]]
mark = \"A\"
mic.voice.a = { effect = \"direct\", by = \"pedal\" }
[[scene]]
mark = \"B\"
fade = \"20 ms\"
mic.voice.b = { effect = \"direct\", by = \"tap\" }
";

#[test]
fn one_pedal_with_two_characters_moves_both_and_sounds_as_the_scene_has_it() {
    let plan = plan(TWO_CHARACTERS);
    let fire = |sample, scene| Timed { sample, what: Event::Gesture(Gesture::Fire(SceneId(scene)), Who::Written) };
    let at = |seconds: f64| (seconds * 48_000.0) as u64;
    // Pressed in A and let go; pressed again and held through the change to B, let go, pressed and let go there.
    let events = [
        cc(at(0.2), 64, 127),
        cc(at(0.4), 64, 0),
        cc(at(0.6), 64, 127),
        fire(at(0.8), 1),
        cc(at(1.0), 64, 0),
        cc(at(1.2), 64, 127),
        cc(at(1.4), 64, 0),
    ];
    let hear = |cuts: &[usize]| {
        let mut run = Run::new(TWO_CHARACTERS).cuts(cuts).events(&events);
        let out = run.render(&sound(at(1.8) as usize));
        (out, run.applied())
    };
    let (out, applied) = hear(&[128]);
    for name in ["pedal", "tap"] {
        let moved: Vec<_> = of(&plan, &applied, name);
        let pressed = [0.2, 0.4, 0.6, 1.0, 1.2, 1.4].iter().zip([1.0, 0.0, 1.0, 0.0, 1.0, 0.0]);
        assert_eq!(moved, pressed.map(|(seconds, value)| (at(*seconds), value)).collect::<Vec<_>>(), "{name}");
    }
    let sounds = |from: f64, to: f64| out[0][at(from) as usize..at(to) as usize].iter().any(|sample| *sample != 0.0);
    let heard = [(0.0, 0.2), (0.2, 0.4), (0.5, 0.6), (0.6, 0.8), (0.85, 1.2), (1.2, 1.4), (1.45, 1.55), (1.61, 1.8)];
    // In A the pedal's own short end, held through the change nothing, in B the longer fall.
    assert_eq!(heard.map(|(from, to)| sounds(from, to)), [false, true, false, true, false, true, true, false]);
    for cuts in [&[16][..], &[1000], &[33, 64, 441]] {
        let (other, gestures) = hear(cuts);
        assert_eq!((bits(&other), gestures), (bits(&out), applied.clone()), "{cuts:?}");
    }
}

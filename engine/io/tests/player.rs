//! The player and the sources that need no machine, with the real engine and a real log.

use std::path::Path;
use std::sync::mpsc;
use tenterhook_config::{Host, Text, check};
use tenterhook_io::{
    ClockSource, Ended, Error, Facts, Hub, Log, LogEnd, LogSettings, Player, PlayerSlot, Rendering, Source,
    SourceState, TakeSettings, Wiring, Wish, open, read_wav, recording, render,
};
use tenterhook_plan::{ControllerId, Event, Gesture, Keys, Plan, SceneId, Timed};

const RATE: u32 = 8000;

const PIECE: &str = r#"
mics = { voice = 1, viol = 3 }
outputs = { left = 1, right = 2 }
[controllers]
lever = {}
held = { key = "h", latch = true }
push = { key = "PageUp" }
[[scene]]
mark = "A"
mic.voice.direct = { by = "lever" }
mic.viol.direct = { by = "scene", to = ["left"] }
"#;

fn plan() -> Plan {
    check(&Text::new("reed.toml", PIECE), None).expect("nothing is wrong with it").plan
}

fn noise(seed: u32, frames: usize) -> Vec<f32> {
    let mut state = seed;
    std::iter::repeat_with(|| {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (state >> 8) as f32 / (1u32 << 24) as f32 - 0.5
    })
    .take(frames)
    .collect()
}

fn lever(sample: u64, value: f32) -> Timed<Event> {
    Timed { sample, what: Event::written(Gesture::Controller { id: ControllerId(0), value }) }
}

/// Plays through a player in blocks, with events, and returns what was heard and what the log holds.
fn played(dir: &Path, inputs: &[Vec<f32>], blocks: &[usize], events: &[Timed<Event>]) -> (Vec<Vec<f32>>, LogEnd) {
    let (engine, control) = tenterhook_rt::engine(&plan(), RATE, SceneId(0));
    let (sender, applied) = Hub::subscription();
    let hub = Hub::start(control, vec![sender]).unwrap();
    let texts = [("piece.toml", PIECE)];
    let settings = LogSettings {
        dir,
        rate: RATE,
        inputs: inputs.len(),
        outputs: 2,
        texts: &texts,
        files: &[],
        take: TakeSettings::default(),
    };
    let (log, tap) = Log::start(settings, applied).unwrap();
    let mut player = Player::new(engine, RATE).with_log(tap);
    let frames = inputs[0].len();
    let mut heard = vec![Vec::new(); 2];
    let (mut at, mut sizes) = (0, blocks.iter().copied().cycle());
    while at < frames {
        let length = sizes.next().unwrap().min(frames - at);
        let block: Vec<&[f32]> = inputs.iter().map(|input| &input[at..at + length]).collect();
        let mut out = [vec![0.0; length], vec![0.0; length]];
        let [left, right] = &mut out;
        let lies_here = |event: &&Timed<Event>| (at as u64..(at + length) as u64).contains(&event.sample);
        let now: Vec<_> = events.iter().filter(lies_here).copied().collect();
        player.block(&block, &mut [left, right], &now);
        heard.iter_mut().zip(out).for_each(|(heard, out)| heard.extend(out));
        at += length;
    }
    assert_eq!(player.sample(), frames as u64);
    drop(player);
    hub.stop();
    (heard, log.finish(Ended::default()).unwrap())
}

#[test]
fn the_log_holds_what_went_in_what_came_out_and_what_was_done() {
    let inputs = [noise(1, 20_000), noise(2, 20_000), noise(3, 20_000)];
    let events = [lever(700, 1.0), lever(9001, 0.5), lever(15_000, 0.0)];
    let mut runs = Vec::new();
    // A block of 20000 is longer than a player's own buffers: it is played in pieces, the events with their own.
    for blocks in [&[128][..], &[1, 700, 31], &[20_000]] {
        let dir = tempfile::tempdir().unwrap();
        let run = dir.path().join("run");
        let (heard, end) = played(&run, &inputs, blocks, &events);
        assert_eq!(end, LogEnd { frames: 20_000, lost: 0 });
        assert_eq!(read_wav(&run.join("mics.wav")).unwrap().channels, inputs);
        assert_eq!(read_wav(&run.join("outputs.wav")).unwrap().channels, heard);
        assert!(heard[0].iter().any(|x| *x != 0.0), "the viol's direct sound is up");

        // The log, rehearsed from its own gestures, gives the same bits.
        let written = std::fs::read(run.join("gestures.csv")).unwrap();
        let gestures = tenterhook_config::gestures("gestures.csv", &written, &plan()).expect("it reads").at_rate(RATE);
        let rendering = Rendering { inputs: &inputs, outputs: 2, blocks: &[97], events: &gestures, tail: 0 };
        let mut again = vec![Vec::new(); 2];
        let (mut engine, _control) = tenterhook_rt::engine(&plan(), RATE, SceneId(0));
        let sink = |block: &[&[f32]]| {
            again.iter_mut().zip(block).for_each(|(again, block): (&mut Vec<f32>, _)| again.extend_from_slice(block));
            Ok(())
        };
        assert_eq!(render(&mut engine, &rendering, sink).unwrap(), 20_000);
        assert_eq!(again, heard);
        runs.push(heard);
    }
    assert!(runs.windows(2).all(|pair| pair[0] == pair[1]), "however it is cut");
}

#[test]
fn a_sound_in_place_of_the_mics_is_what_the_engine_hears_and_the_log_holds() {
    let inputs = vec![noise(4, 5000), noise(5, 5000), noise(6, 3000)];
    let dir = tempfile::tempdir().unwrap();
    let (engine, _control) = tenterhook_rt::engine(&plan(), RATE, SceneId(0));
    let settings = LogSettings {
        dir: dir.path(),
        rate: RATE,
        inputs: 3,
        outputs: 2,
        texts: &[],
        files: &[],
        take: TakeSettings::default(),
    };
    let (log, tap) = Log::start(settings, crossbeam_channel::never()).unwrap();
    let mut player = Player::new(engine, RATE).with_log(tap).with_sound(3, recording(inputs.clone()));
    let loud = [9.0; 100];
    for _ in 0..60 {
        player.block(&[&loud, &loud, &loud], &mut [&mut [0.0; 100], &mut [0.0; 100]], &[]);
    }
    assert_eq!(player.stats().load().blocks, 60);
    drop(player);
    log.finish(Ended::default()).unwrap();
    for (channel, input) in read_wav(&dir.path().join("mics.wav")).unwrap().channels.iter().zip(&inputs) {
        assert_eq!(channel[..input.len()], input[..]);
        assert!(channel[input.len()..].iter().all(|x| *x == 0.0), "silence after its end");
    }
}

#[test]
fn the_clock_plays_every_sample_in_order_until_it_is_stopped() {
    let facts = Facts {
        host: Host::Clock,
        rate: 48_000,
        device_rate: 48_000,
        block: 64,
        inputs: 3,
        outputs: 2,
        words: "the built-in clock".to_owned(),
    };
    let mut clock = ClockSource::new(facts);
    let (engine, _control) = tenterhook_rt::engine(&plan(), 48_000, SceneId(0));
    let (seen, samples) = mpsc::sync_channel(4096);
    let sound = Box::new(move |sample, channels: &mut [&mut [f32]]| {
        let _ = seen.try_send((sample, channels.len(), channels[0].len()));
    });
    assert_eq!(clock.state(), SourceState::Ready);
    clock.start(&PlayerSlot::of(Player::new(engine, 48_000).with_sound(3, sound))).unwrap();
    assert_eq!(clock.state(), SourceState::Running);
    for n in 0..50 {
        assert_eq!(samples.recv().unwrap(), (n * 64, 3, 64));
    }
    clock.stop();
    assert_eq!(clock.state(), SourceState::Stopped);
    assert!(samples.iter().count() < 4096, "the player is gone, and its sound with it");
    let (engine, _control) = tenterhook_rt::engine(&plan(), 48_000, SceneId(0));
    assert!(matches!(clock.start(&PlayerSlot::of(Player::new(engine, 48_000))), Err(Error::Started { .. })));
}

#[test]
fn channels_carry_the_names_of_the_piece() {
    let wiring = Wiring::of(&plan()).unwrap();
    let name = |name: &str| Some(name.to_owned());
    assert_eq!(wiring.inputs, [name("voice"), None, name("viol")]);
    assert_eq!(wiring.outputs, [name("left"), name("right")]);

    let mut shared = plan();
    shared.outputs[1].channel = Some(0);
    shared.mics[0].input = None;
    let wiring = Wiring::of(&shared).unwrap();
    assert_eq!((wiring.inputs, wiring.outputs), (vec![None, None, name("viol")], vec![name("left+right")]));

    let mut far = plan();
    far.mics[1].input = Some(64);
    assert!(matches!(Wiring::of(&far), Err(Error::TooManyChannels { channel: 65, most: 64, .. })));
}

#[test]
fn the_clock_can_be_wished_for() {
    let mut wish = Wish::any(Wiring::of(&plan()).unwrap());
    wish.host = Some(Host::Clock);
    wish.rate = Some(96_000);
    let source = open(&wish).unwrap();
    let facts = source.facts();
    assert_eq!((facts.host, facts.rate, facts.inputs, facts.outputs), (Host::Clock, 96_000, 3, 2));
    assert_eq!(source.origin(), None);
}

#[test]
fn keys_press_and_release_their_controllers() {
    let keys = Keys::of(&plan());
    let value = |value| Gesture::Controller { id: ControllerId(2), value };
    let press = |down| Gesture::Press { id: ControllerId(1), down };
    assert_eq!((keys.down("PageUp"), keys.up("PageUp")), (vec![value(1.0)], vec![value(0.0)]));
    assert_eq!((keys.down("h"), keys.up("h")), (vec![press(true)], vec![press(false)]));
    assert_eq!(keys.press("x", |_| 0.0), []);
}

#[test]
fn a_press_alone_turns_a_controller_over_and_taps_what_fires_or_latches() {
    let mut plan = plan();
    let value = |value| Gesture::Controller { id: ControllerId(2), value };
    let press = |down| Gesture::Press { id: ControllerId(1), down };
    let keys = Keys::of(&plan);
    assert_eq!(keys.press("PageUp", |_| 0.0), [value(1.0)]);
    assert_eq!(keys.press("PageUp", |_| 1.0), [value(0.0)]);
    assert_eq!(keys.press("h", |_| 1.0), [press(true), press(false)]);
    plan.back = Some(ControllerId(2));
    assert_eq!(Keys::of(&plan).press("PageUp", |_| 1.0), [value(1.0), value(0.0)]);
}

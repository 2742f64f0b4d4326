//! A show that is killed again and again, and begun again by the same command each time.

mod common;

use std::fs;
use std::path::Path;
use std::time::{Duration, Instant};

use common::folder;
use common::log::{channels, grown, names};
use common::program::Program;
use common::server::within_a_minute;
use common::socket::Socket;
use serde_json::json;

/// What sounds without a mic: a recording, worked by hand.
const PIECE: &str = r#"
title = "Burnt Candle"
mics = { voice = 1 }
outputs = { left = 1, right = 2 }
[controllers]
wheel = { cc = 1 }
pedal = { cc = 64 }
[[scene]]
mark = "A"
mic.voice.tape = { by = "wheel", file = "bell.wav" }
[[scene]]
mark = "B"
mic.voice.tape = { by = "wheel", file = "bell.wav", to = ["left"] }
mic.voice.freeze = { by = "pedal", to = ["right"] }
[[scene]]
mark = "C"
mic.voice.tape = { by = "pedal", file = "bell.wav", to = ["right"] }
"#;

const SHOW: &str = "play piece.toml --host clock --json --page 127.0.0.1:0 --log run";

/// How often it is killed. The long form has its own script, `.ci/kills`.
fn times() -> usize {
    std::env::var("TENTERHOOK_KILLS").map_or(3, |times| times.parse().expect("a number"))
}

/// The next number of a series that looks like chance and is the same each time.
fn chance(state: &mut u64) -> u64 {
    *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
    *state >> 33
}

fn bell() -> Vec<u8> {
    let tone = |n: u32| (f64::from(n) / 48_000.0 * 440.0 * std::f64::consts::TAU).sin() as f32 * 0.3;
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut bytes = std::io::Cursor::new(Vec::new());
    let mut writer = hound::WavWriter::new(&mut bytes, spec).unwrap();
    (0..96_000).for_each(|n| writer.write_sample(tone(n)).unwrap());
    writer.finalize().unwrap();
    bytes.into_inner()
}

/// One run until it is killed, at a moment that chance names; the scene that it was in, and the word for its log.
fn killed(folder: &Path, begins: Option<&str>, dice: &mut u64) -> (String, String, Duration) {
    let began = Instant::now();
    let mut play = Program::start(folder, SHOW, &[]);
    let started = play.event("started");
    let took = began.elapsed();
    let log = started["log"].as_str().expect("it is told").to_owned();
    let taken_up = started["taken_up"].as_str();
    assert_eq!(taken_up.is_some(), begins.is_some(), "{started}");
    let scene = play.event("scene")["mark"].clone();
    assert_eq!(scene, json!(begins.unwrap_or("A")), "it begins where it was");
    let mut socket = Socket::open(started["page"].as_str().expect("there is a page"));
    const MARKS: [&str; 3] = ["A", "B", "C"];
    let (from, to) = (begins.unwrap_or("A"), MARKS[chance(dice) as usize % 3]);
    socket.until("where it stands", |now| now["scene"].as_u64().is_some_and(|scene| MARKS[scene as usize] == from));
    for ask in [
        json!({ "do": "controller", "name": "wheel", "value": 0.5 }),
        json!({ "do": "controller", "name": "pedal", "value": 1.0 }),
        json!({ "do": "controller", "name": "wheel", "value": 0.8 }),
    ] {
        socket.ask(ask);
        std::thread::sleep(Duration::from_millis(chance(dice) % 60));
    }
    let journal = || {
        let journals = folder.join("state/tenterhook/journals");
        fs::read_to_string(journals.join(names(&journals).pop().expect("there is one"))).unwrap()
    };
    let told = format!("\"mark\":\"{to}\"");
    // What comes within 0.4 s of the last scene, that with which it began, counts as a second press.
    within_a_minute("the scene is in the journal", || {
        socket.ask(json!({ "do": "fire", "mark": to, "in": from }));
        std::thread::sleep(Duration::from_millis(200));
        journal().lines().last().is_some_and(|line| line.contains(&told))
    });
    // What has not been brought to the disk cannot be played again.
    grown(&folder.join(&log).join("outputs.unfinished.wav"));
    std::thread::sleep(Duration::from_millis(chance(dice) % 1500));
    play.signal("KILL");
    assert_eq!(play.end().status, None);
    (to.to_owned(), log, took)
}

/// Plays a log again that nobody has closed, as far as it goes; how many frames of its outputs are the very same.
fn replayed(folder: &Path, log: &str) -> usize {
    let asked = format!("rehearse {log}/piece.toml --take {log} --out again.wav --replace --json");
    let again = Program::start(folder, &asked, &[]).end();
    assert_eq!(again.status, Some(0), "{log}: {}", again.words);
    let (was, is) = (channels(&folder.join(log).join("outputs.unfinished.wav")), channels(&folder.join("again.wav")));
    let frames = was[0].len().min(is[0].len());
    for (was, is) in was.iter().zip(&is) {
        let other = (0..frames).find(|n| was[*n].to_bits() != is[*n].to_bits());
        assert_eq!(other, None, "{log} gives other outputs, of {frames} frames");
    }
    // Else nothing is said by that.
    let sounds = |x: &Vec<f32>| x[..frames].iter().any(|x| x.abs() > 0.001);
    if was.iter().any(sounds) { frames } else { 0 }
}

#[test]
fn killed_again_and_again_the_same_command_begins_the_show_each_time() {
    let folder = folder(PIECE);
    fs::write(folder.path().join("bell.wav"), bell()).unwrap();
    let (mut dice, mut stands, mut logs) = (7, None::<String>, Vec::new());
    let (times, mut longest) = (times(), Duration::ZERO);
    for n in 1..=times {
        let (scene, log, took) = killed(folder.path(), stands.as_deref(), &mut dice);
        assert_eq!(log, if n == 1 { "run".to_owned() } else { format!("run-{n}") });
        longest = longest.max(took);
        (stands, logs) = (Some(scene), [logs, vec![log]].concat());
    }
    let replayed: Vec<_> = logs.iter().map(|log| replayed(folder.path(), log)).collect();
    let (sounding, frames) = (replayed.iter().filter(|frames| **frames > 0).count(), replayed.iter().sum::<usize>());
    println!(
        "{sounding} of {times} logs sound before their end, {:.1} s: bit for bit the same again",
        frames as f64 / 48e3
    );
    assert!(sounding > 0, "no log reaches to where something sounds");
    println!(
        "{times} times killed: each began again where it was, with a log of its own; the slowest start {longest:.1?}"
    );
}

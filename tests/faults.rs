//! What goes wrong in halls, done for real: numbers that are none, floods, signals. What each of them costs is printed.

mod common;

use std::collections::BTreeMap;
use std::fs;
use std::net::UdpSocket;
use std::path::Path;
use std::time::{Duration, Instant};

use common::client::{RATE, Recorder, change, sample};
use common::company::{Company, Pedals};
use common::folder;
use common::log::{channels, gestures, grown, names};
use common::program::{Ended, Program};
use common::server::{Freewheel, Server, within_a_minute};
use common::waiting::Waiting;
use rosc::{OscMessage, OscPacket, OscType};
use serde_json::Value;
use tenterhook_dsp::highpass::Highpass;
use tenterhook_plan::gain;

/// Set in the process that runs a test itself, with the server chosen.
const INSIDE: &str = "TENTERHOOK_TEST_FAULTS";
/// No JACK server has this name.
const NO_SERVER: (&str, &str) = ("JACK_DEFAULT_SERVER", "tenterhook-test-none");

/// Runs a test by its name in a process of its own, on a server of its own.
fn on_a_server(test: &str, law: impl FnOnce()) {
    if std::env::var_os(INSIDE).is_some() {
        return law();
    }
    Server::start().run(test, INSIDE, &[]);
}

/// A smooth tone with a slow swell, nothing above 1 kHz.
fn tone(hz: f64, seconds: f64) -> Vec<f32> {
    let at = |i: u64| {
        let t = i as f64 / f64::from(RATE);
        let partial = |k: f64| (std::f64::consts::TAU * hz * k * t).sin() / k;
        let swell = 0.6 + 0.4 * (std::f64::consts::TAU * 0.7 * t).cos();
        (0.15 * swell * (partial(1.0) + 0.5 * partial(2.0))) as f32
    };
    (0..sample(seconds)).map(at).collect()
}

/// Messages at their frames.
fn at_times(messages: Vec<(u64, [u8; 3])>) -> Pedals {
    let mut next = 0;
    Box::new(move |frames, send| {
        while let Some((frame, message)) = messages.get(next).filter(|(frame, _)| *frame < frames.end) {
            send(*frame, *message);
            next += 1;
        }
    })
}

// ---- Numbers that are none ----

/// One mic that goes wrong, plain on one output and with effects on another, and one that does not.
const HOSTILE: &str = r#"
title = "Bent Reeds"
mics = { bad = 1, good = 2 }
outputs = { plain = 1, wild = { output = 2, ceiling = "-3 dB" }, calm = 3 }
[controllers]
pedal = { cc = 64 }
foot = { cc = 11 }
wheel = { cc = 1 }
arm = { cc = 2 }
knee = { cc = 4 }
hold = { cc = 65 }
toe = { cc = 12 }
heel = { cc = 7 }
[[scene]]
mark = "A"
mic.bad.direct = { by = "scene", to = ["plain"] }
mic.bad.freeze = { by = "pedal", to = ["wild"] }
mic.bad.stretch = { by = "foot", to = ["wild"] }
mic.bad.reverse = { by = "wheel", to = ["wild"] }
mic.bad.double = { by = "arm", to = ["wild"] }
mic.bad.sympathetic = { by = "knee", tuned = "D3 A3", to = ["wild"] }
mic.good.direct = { by = "scene", to = ["calm"] }
mic.good.freeze = { by = "hold", to = ["calm"] }
mic.good.stretch = { by = "toe", to = ["calm"] }
mic.good.reverse = { by = "heel", to = ["calm"] }
"#;

/// A name, and a mic's samples by their place.
type Wrong = (&'static str, fn(u64) -> f32);

/// What a broken cable, converter or driver sends.
const KINDS: [Wrong; 5] = [
    ("NaN", |_| f32::NAN),
    ("infinity", |i| if i % 96 < 48 { f32::INFINITY } else { f32::NEG_INFINITY }),
    ("a square at full scale", |i| if i % 96 < 48 { 1.0 } else { -1.0 }),
    ("DC at full scale", |_| 1.0),
    ("denormal numbers", |i| 1e-42 * (1.0 + (i % 7) as f32)),
];

/// Of these, what is no number or no sound …
const NONE: [usize; 3] = [0, 1, 4];
/// … and what is sound, only too much of it.
const LOUD: [usize; 2] = [2, 3];

/// When the n-th of them begins and ends, in seconds, and when the next one begins.
fn section(n: usize) -> [f64; 3] {
    let begins = 1.0 + 2.0 * n as f64;
    [begins, begins + 0.5, begins + 2.0]
}

fn write_channels(path: &Path, channels: &[Vec<f32>]) {
    let spec = hound::WavSpec {
        channels: channels.len() as u16,
        sample_rate: RATE,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    for frame in 0..channels[0].len() {
        channels.iter().for_each(|channel| writer.write_sample(channel[frame]).unwrap());
    }
    writer.finalize().unwrap();
}

/// The outputs of a run whose log is in `run`, played again with these mics.
fn again(folder: &Path, name: &str, mics: &[Vec<f32>]) -> Vec<Vec<f32>> {
    let take = folder.join(name);
    fs::create_dir(&take).unwrap();
    write_channels(&take.join("mics.wav"), mics);
    fs::copy(folder.join("run/gestures.csv"), take.join("gestures.csv")).unwrap();
    let arguments = format!("rehearse piece.toml --take {name} --out {name}.wav --json");
    let ended = Program::start(folder, &arguments, &[]).end();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
    channels(&folder.join(format!("{name}.wav")))
}

/// The frames at which two sounds are not the same bits: the first, and the one after the last.
fn difference(one: &[f32], other: &[f32]) -> Option<(usize, usize)> {
    assert_eq!(one.len(), other.len());
    let differs = |(a, b): (&f32, &f32)| a.to_bits() != b.to_bits();
    let first = one.iter().zip(other).position(differs)?;
    let last = one.iter().zip(other).rposition(differs)?;
    Some((first, last + 1))
}

#[test]
fn numbers_that_are_none_harm_nothing_but_their_own_moment() {
    on_a_server("numbers_that_are_none_harm_nothing_but_their_own_moment", || {
        let folder = folder(HOSTILE);
        let seconds = section(KINDS.len() - 1)[2];
        let (mut bad, good) = (tone(220.0, seconds), tone(294.0, seconds));
        for (n, (_, kind)) in KINDS.iter().enumerate() {
            let [begins, ends, _] = section(n).map(sample);
            (begins..ends).for_each(|i| bad[i as usize] = kind(i));
        }
        // Effects begin before, during and after each section: (seconds from its beginning, controllers, value).
        let turns: [(f64, &[u8], u8); 7] = [
            (-0.3, &[64, 65], 127),
            (-0.2, &[11, 12, 4], 60),
            (-0.1, &[1, 7, 2], 90),
            (0.1, &[64, 65], 0),
            (0.2, &[64, 65, 11, 12], 127),
            (0.7, &[1, 7], 30),
            (1.0, &[64, 65, 11, 12, 1, 7, 2, 4], 0),
        ];
        let moves = (0..KINDS.len()).flat_map(|n| {
            turns.iter().flat_map(move |(at, numbers, value)| {
                numbers.iter().map(move |number| (sample(section(n)[0] + at), change(*number, *value)))
            })
        });
        let company = Company::ready(vec![bad, good], at_times(moves.collect()));
        let recorder = Recorder::ready(3, 600.0);
        let arguments = "play piece.toml --host jack --json --no-connect --no-page --log run";
        let mut play = Program::start(folder.path(), arguments, &[]);
        play.event("started");
        company.connect(&["bad", "good"]);
        recorder.connect(&["plain", "wild", "calm"]);
        let freewheel = Freewheel::enter();
        company.begin();
        within_a_minute("all is played", || company.played() >= sample(seconds));
        drop(freewheel);
        let ended = play.terminate();
        assert_eq!(ended.status, Some(0), "{}", ended.words);
        company.leave();
        let heard = recorder.leave();
        for (sound, ceiling) in heard.channels.iter().zip([-1.0, -3.0, -1.0].map(gain)) {
            assert!(sound.iter().all(|x| x.is_finite() && x.abs() <= ceiling));
            assert!(sound.iter().any(|x| x.abs() > 0.05), "it is heard");
        }

        // The same run from its log; and the same with silence in the place of each kind, in turn.
        let [mics, out] = ["run/mics.wav", "run/outputs.wav"].map(|name| channels(&folder.path().join(name)));
        let run = again(folder.path(), "same", &mics);
        assert!(run.iter().zip(&out).all(|(run, out)| difference(run, out).is_none()), "its log gives the same bits");
        // Where the company's first frame is, in the run.
        let first = mics[0].iter().position(|x| x.is_nan()).expect("it was recorded as it came") - sample(1.0) as usize;
        let frames = |n: usize| section(n).map(|at| first + sample(at) as usize);
        let silent = |kinds: &[usize], name: &str| {
            let mut silent = mics.clone();
            for (begins, ends) in kinds.iter().map(|n| (frames(*n)[0], frames(*n)[1])) {
                silent[0][begins..ends].fill(0.0);
            }
            assert!(difference(&silent[0], &mics[0]).is_some(), "it came in");
            let without = again(folder.path(), name, &silent);
            assert_eq!(difference(&run[2], &without[2]), None, "{name}: the other mic's output");
            without
        };
        let without = silent(&NONE, "none");
        for output in [0, 1] {
            assert_eq!(
                difference(&run[output], &without[output]),
                None,
                "what is no number is silence, and nothing else"
            );
        }
        println!("NaN, infinity, denormal numbers: silence while they last, not a sample else");
        for n in LOUD {
            let (kind, [begins, ends, next]) = (KINDS[n].0, frames(n));
            let without = silent(&[n], &format!("loud-{n}"));
            let (from, to) = difference(&run[0], &without[0]).expect("it is heard");
            let (_, effects) = difference(&run[1], &without[1]).expect("it is heard");
            let after = |to: usize| to.saturating_sub(ends);
            println!(
                "{kind}: the plain output is as it was {} samples after it, effects {}",
                after(to),
                after(effects)
            );
            // The limiter lets go within what is left until the next.
            assert!(from >= begins && to < next, "{kind}: from {from} to {to}");
        }
    });
}

// ---- Floods ----

const FLOODED: &str = r#"
title = "Ten Thousand Feet"
mics = { voice = 1 }
outputs = { left = 1 }
[controllers]
foot0 = { cc = 20 }
foot1 = { cc = 21 }
foot2 = { cc = 22 }
foot3 = { cc = 23 }
foot4 = { cc = 24 }
foot5 = { cc = 25 }
foot6 = { cc = 26 }
foot7 = { cc = 27 }
foot8 = { cc = 28 }
foot9 = { cc = 29 }
sway = { osc = "/sway" }
[[scene]]
mark = "A"
mic.voice.stretch = { by = "foot9" }
mic.voice.reverse = { by = "sway" }
"#;

/// Gestures a second.
const FLOOD: u64 = 10_000;
/// Seconds of a flood.
const FLOODING: f64 = 3.0;

fn count(ended: &Ended, name: &str) -> u64 {
    ended.load()[name].as_u64().unwrap_or_else(|| panic!("`{name}` is counted: {}", ended.load()))
}

fn load<'a>(ended: &'a Ended, name: &str) -> &'a Value {
    &ended.load()["load"][name]
}

/// The values that controllers took whose names begin so, by the log.
fn values(folder: &Path, controller: &str) -> Vec<String> {
    let written = gestures(&folder.join("run/gestures.csv"));
    written.into_iter().filter(|(_, name, _)| name.starts_with(controller)).map(|(.., value)| value).collect()
}

fn print_load(what: &str, ended: &Ended) {
    println!(
        "{what}: {} blocks, {} late, {} of them by their own work, {} xruns; mean {:.3}, 99th percentile {}",
        load(ended, "blocks"),
        load(ended, "late"),
        load(ended, "overworked"),
        load(ended, "xruns"),
        load(ended, "mean").as_f64().unwrap(),
        ended.load()["percentile_99"],
    );
}

/// A run on the server with these messages; in freewheel, or by the clock.
fn flooded(folder: &Path, messages: Vec<(u64, [u8; 3])>, by_clock: bool) -> (Ended, (u64, u64)) {
    let company = Company::ready(vec![tone(220.0, 2.0)], at_times(messages));
    let arguments =
        "play piece.toml --host jack --json --no-connect --no-page --no-journal --log run --osc 127.0.0.1:0";
    let mut play = Program::start(folder, arguments, &[]);
    play.event("started");
    company.connect(&["voice"]);
    let freewheel = (!by_clock).then(Freewheel::enter);
    company.begin();
    within_a_minute("all is played", || company.played() >= sample(FLOODING + 0.5));
    drop(freewheel);
    let ended = play.terminate();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
    (ended, company.leave())
}

/// A controller change every tenth of a millisecond, at its frame, of ten feet in turn: each so slowly that every move
/// acts by itself (one in a cell of 32 samples does). The last one, of the last foot, says 100.
fn ten_thousand_a_second() -> Vec<(u64, [u8; 3])> {
    let all = (FLOODING * FLOOD as f64) as u64;
    let value = |n: u64| if n + 1 == all { 100 } else { (n * 37 % 128) as u8 };
    (0..all).map(|n| (n * u64::from(RATE) / FLOOD, change(20 + (n % 10) as u8, value(n)))).collect()
}

#[test]
fn of_ten_thousand_pedal_moves_a_second_each_is_written_down() {
    on_a_server("of_ten_thousand_pedal_moves_a_second_each_is_written_down", || {
        let folder = folder(FLOODED);
        let (ended, (sent, refused)) = flooded(folder.path(), ten_thousand_a_second(), false);
        assert_eq!((sent, refused), (30_000, 0));
        let written = values(folder.path(), "foot");
        let lost = count(&ended, "applied_lost") + load(&ended, "events_lost").as_u64().unwrap();
        println!("{sent} sent, {} written down, {lost} lost and counted", written.len());
        // Whatever the program counts: what stands in the log was sent, in this order, and it is nearly all.
        let meant: Vec<String> =
            ten_thousand_a_second().iter().map(|(_, [.., value])| (f32::from(*value) / 127.0).to_string()).collect();
        let mut sent_after = meant.iter();
        assert!(written.iter().all(|one| sent_after.any(|other| other == one)), "what was not sent stands in the log");
        assert!(100 * written.len() >= 99 * meant.len(), "{} of {sent} stand in the log", written.len());
        assert_eq!(written.len() as u64 + lost, sent, "none is lost uncounted");
    });
}

#[test]
fn ten_thousand_pedal_moves_a_second_make_no_block_late_by_its_own_work() {
    on_a_server("ten_thousand_pedal_moves_a_second_make_no_block_late_by_its_own_work", || {
        let run = |messages: Vec<(u64, [u8; 3])>| {
            let folder = folder(FLOODED);
            let (ended, _) = flooded(folder.path(), messages, true);
            (folder, ended)
        };
        // One move, so that the same effect is at work.
        let (_, quiet) = run(vec![(0, change(29, 64))]);
        let (folder, flood) = run(ten_thousand_a_second());
        print_load("quiet", &quiet);
        print_load("10,000 moves a second", &flood);
        let overworked = |ended: &Ended| load(ended, "overworked").as_u64().unwrap();
        println!("late by their own work: quiet {}, flooded {}", overworked(&quiet), overworked(&flood));
        // What the host of a virtual machine takes meanwhile counts as a block's own work: some are let pass.
        let blocks = load(&flood, "blocks").as_u64().unwrap();
        assert!(overworked(&flood) <= overworked(&quiet) + 6 + blocks / 1000, "blocks are not late by their own work");
        assert!(values(folder.path(), "foot").len() > 20_000, "they did come");
    });
}

/// Packets that the system has thrown away for want of room at this port (Linux, `/proc/net/udp`, the last column).
fn dropped(port: u16) -> u64 {
    let table = fs::read_to_string("/proc/net/udp").unwrap();
    let local = format!(":{port:04X} ");
    let line = table.lines().find(|line| line.split_once(": ").is_some_and(|(_, rest)| rest[..15].contains(&local)));
    line.and_then(|line| line.split_whitespace().last()?.parse().ok()).expect("the port is listened at")
}

#[test]
fn a_flood_of_osc_is_counted_and_its_last_value_is_reached() {
    let folder = folder(FLOODED);
    // A port that was free a moment ago.
    let address = UdpSocket::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let arguments = format!("play piece.toml --host clock --json --no-page --no-journal --log run --osc {address}");
    let mut play = Program::start(folder.path(), &arguments, &[NO_SERVER]);
    play.event("started");
    let socket = UdpSocket::bind("127.0.0.1:0").unwrap();
    let message = |value: f32| {
        let message = OscMessage { addr: "/sway".to_owned(), args: vec![OscType::Float(value)] };
        rosc::encoder::encode(&OscPacket::Message(message)).unwrap()
    };
    // In steps of 10 ms: a hundred messages that mean something, and as many that mean nothing.
    let garbage = |n: u64| -> Vec<u8> { (0..n % 200).map(|i| (i * 31 + n * 17) as u8).collect() };
    let (begun, mut sent) = (Instant::now(), 0u64);
    for step in 1..=(FLOODING * 100.0) as u64 {
        let due = step * FLOOD / 100;
        for n in sent..due {
            socket.send_to(&message((n % 10) as f32 / 10.0), address).unwrap();
            socket.send_to(&garbage(n), address).unwrap();
        }
        sent = due;
        std::thread::sleep(Duration::from_millis(10 * step).saturating_sub(begun.elapsed()));
    }
    let took = begun.elapsed();
    // The last word, after the flood: it is not drowned, or it is said again.
    let unfinished = folder.path().join("run/gestures.unfinished.csv");
    within_a_minute("the last word is heard", || {
        std::thread::sleep(Duration::from_millis(300));
        socket.send_to(&message(0.55), address).unwrap();
        fs::read_to_string(&unfinished).unwrap().contains("sway,0.55")
    });
    let dropped = dropped(address.port());
    let ended = play.terminate();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
    let written = values(folder.path(), "sway");
    let lost = count(&ended, "applied_lost") + count(&ended, "events_lost");
    let arrived = written.iter().filter(|value| *value != "0.55").count() as u64 + lost;
    println!(
        "{sent} messages and as much garbage in {took:.1?}: {} written down, {lost} lost and counted, {dropped} packets \
         dropped by the system",
        arrived - lost,
    );
    print_load("meanwhile", &ended);
    assert_eq!(written.last().map(String::as_str), Some("0.55"));
    assert!(arrived <= sent && arrived + dropped >= sent, "what is lost is counted, by us or by the system");
    // What the system drops may have been garbage: at least so many came, and of these nine of ten act.
    let came = sent.saturating_sub(dropped);
    assert!(10 * (arrived - lost) >= 9 * came, "of {came} that came only {} act", arrived - lost);
}

// ---- Signals ----

/// A recording that a scene's key sets going, and that goes on by itself: it needs no mic and no server.
const GOING: &str = r#"
title = "Weathervane"
mics = { voice = 1 }
outputs = { left = 1, right = { output = 2, ceiling = "-3 dB" } }
controllers = { sway = { osc = "/sway" } }
[[scene]]
mark = "A"
mic.voice.tape = { by = "sway", file = "tone.wav" }
"#;

/// The greatest magnitude above 8 kHz from a frame on, in dBFS: the measure of the engine's laws
/// (`engine/rt/src/laws/clicks.rs`), whose limit is -50 dB for sounds with nothing above 1 kHz.
fn click_db(sound: &[f32], from: usize) -> f64 {
    let mut high = sound.to_vec();
    (0..2).for_each(|_| Highpass::new(8_000.0, RATE).process(&mut high));
    20.0 * f64::from(high[from..].iter().fold(1e-9, |most: f32, x| most.max(x.abs()))).log10()
}

const CLICK_LIMIT_DB: f64 = -50.0;

#[test]
fn whoever_asks_it_to_end_hears_it_fade_out_and_finds_whole_files() {
    for signal in ["TERM", "INT", "HUP"] {
        let folder = folder(GOING);
        // Round and round without a seam.
        let whole: Vec<f32> =
            (0..RATE).map(|i| 0.3 * (std::f32::consts::TAU * 220.0 * i as f32 / RATE as f32).sin()).collect();
        write_channels(&folder.path().join("tone.wav"), &[whole]);
        let address = UdpSocket::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
        let arguments = format!("play piece.toml --host clock --json --no-page --log run --osc {address}");
        let mut play = Program::start(folder.path(), &arguments, &[NO_SERVER]);
        play.event("started");
        let message = OscMessage { addr: "/sway".to_owned(), args: vec![OscType::Float(1.0)] };
        let packet = rosc::encoder::encode(&OscPacket::Message(message)).unwrap();
        UdpSocket::bind("127.0.0.1:0").unwrap().send_to(&packet, address).unwrap();
        let run = folder.path().join("run");
        let unfinished = run.join("gestures.unfinished.csv");
        within_a_minute("it plays", || fs::read_to_string(&unfinished).is_ok_and(|text| text.contains("sway")));
        grown(&run.join("outputs.unfinished.wav"));
        std::thread::sleep(Duration::from_millis(500));
        let asked = Instant::now();
        play.signal(signal);
        let ended = play.end();
        let took = asked.elapsed();
        assert_eq!(ended.status, Some(0), "{signal}: {}", ended.words);
        assert_eq!((count(&ended, "log_frames_lost"), &ended.load()["died"]), (0, &Value::Null));
        assert!(names(&run).iter().all(|name| !name.contains("unfinished")), "{:?}", names(&run));

        let written = gestures(&run.join("gestures.csv"));
        let (hush, name, value) = written.last().unwrap();
        assert_eq!((name.as_str(), value.as_str()), ("hush", "1"), "{signal}");
        let outputs = channels(&run.join("outputs.wav"));
        assert_eq!(outputs[0].len(), channels(&run.join("mics.wav"))[0].len(), "{signal}: both files are whole");
        let sounded = outputs.iter().map(|sound| sound.iter().rposition(|x| *x != 0.0).unwrap()).max().unwrap();
        let before =
            outputs[0][..*hush].iter().rev().take(RATE as usize / 10).fold(0.0, |most: f32, x| most.max(x.abs()));
        let clicks = outputs.iter().map(|sound| click_db(sound, hush - RATE as usize / 10)).fold(-200.0, f64::max);
        println!(
            "{signal}: silent {} samples after the hush, clicks {clicks:.0} dB, ended {took:.1?} after it was asked",
            sounded.saturating_sub(*hush)
        );
        assert!(before > 0.05, "{signal}: it sounded: {before}");
        assert!(sounded > *hush && sounded - hush <= sample(0.2) as usize, "{signal}: silent within 200 ms");
        assert!(clicks < CLICK_LIMIT_DB, "{signal}: {clicks:.1} dB");
        // The control: cut off at the moment of the signal it would have been heard.
        let cut = |sound: &Vec<f32>| {
            let loud = (hush - 500..*hush).max_by(|a, b| sound[*a].abs().total_cmp(&sound[*b].abs())).unwrap();
            click_db(&[&sound[..=loud], &[0.0; 4800][..]].concat(), hush - RATE as usize / 10)
        };
        assert!(outputs.iter().map(cut).fold(-200.0, f64::max) > CLICK_LIMIT_DB, "the measure hears a cut");
    }
}

#[test]
fn of_a_run_that_is_killed_all_but_the_last_seconds_is_on_disk() {
    on_a_server("of_a_run_that_is_killed_all_but_the_last_seconds_is_on_disk", || {
        const SECONDS: f64 = 6.0;
        let folder = folder(HOSTILE);
        let moves = (0..(SECONDS * 10.0) as u64).map(|n| (n * sample(0.1), change(11, (n % 100) as u8 + 1)));
        let company = Company::ready(vec![tone(220.0, 3.0), tone(294.0, 3.0)], at_times(moves.collect()));
        let recorder = Recorder::ready(3, 120.0);
        let arguments = "play piece.toml --host jack --json --no-connect --no-page --log run";
        let mut play = Program::start(folder.path(), arguments, &[]);
        let origin = play.event("started")["server_frame"].as_u64().expect("under JACK there is one") as u32;
        company.connect(&["bad", "good"]);
        recorder.connect(&["plain", "wild", "calm"]);
        let waiting = Waiting::begin();
        company.begin();
        within_a_minute("all is played", || company.played() >= sample(SECONDS));
        let until = company.frame_time().wrapping_sub(origin) as usize;
        play.signal("KILL");
        assert_eq!(play.end().status, None, "no fading out, no closing of files");
        company.leave();
        recorder.leave();

        let run = folder.path().join("run");
        let kept: BTreeMap<_, _> = ["mics", "outputs"]
            .map(|name| (name, channels(&run.join(format!("{name}.unfinished.wav")))[0].len()))
            .into();
        let last = gestures(&run.join("gestures.unfinished.csv")).last().map_or(0, |(frame, ..)| *frame);
        let missing = |frames: usize| until.saturating_sub(frames) as f64 / f64::from(RATE);
        println!(
            "killed after {:.2} s: of the mics the last {:.2} s are missing, of the outputs {:.2} s, of the gestures at \
             most {:.2} s",
            until as f64 / f64::from(RATE),
            missing(kept["mics"]),
            missing(kept["outputs"]),
            missing(last),
        );
        // Promised is a second; beyond it goes only what the machine itself has kept everybody waiting for.
        let most = 1.0 + waiting.late().as_secs_f64();
        for frames in kept.values().copied().chain([last]) {
            assert!(missing(frames) <= most, "{kept:?}, the last gesture at {last}, of {until}");
        }
    });
}

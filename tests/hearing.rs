//! What guards ears, in the program itself: a howl and a mic beside zero are said where people look, and a live level
//! rises slowly, in steps that are written down and play back.

mod common;

use std::f64::consts::TAU;
use std::net::UdpSocket;
use std::path::Path;

use common::folder;
use common::log::{channels, gestures};
use common::program::Program;
use common::socket::Socket;
use rosc::{OscMessage, OscPacket, OscType};
use serde_json::json;

const RATE: u32 = 48_000;

fn write(path: &Path, channels: &[&dyn Fn(f64) -> f64], seconds: u32) {
    let spec = hound::WavSpec {
        channels: channels.len() as u16,
        sample_rate: RATE,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut wav = hound::WavWriter::create(path, spec).unwrap();
    for n in 0..seconds * RATE {
        for channel in channels {
            wav.write_sample(channel(f64::from(n) / f64::from(RATE)) as f32).unwrap();
        }
    }
    wav.finalize().unwrap();
}

fn page(program: &mut Program) -> (Socket, serde_json::Value) {
    let started = program.event("started");
    (Socket::open(started["page"].as_str().expect("there is a page")), started)
}

#[test]
fn a_howl_and_a_mic_beside_zero_are_said_on_terminal_page_and_to_programs() {
    let folder = folder(
        "mics = { voice = { input = 1, trim = \"12 dB\" }, viol = 2, drum = { input = 3, highpass = \"10 Hz\" } }\n\
         outputs = { left = 1, right = 2 }\n[[scene]]\nmark = \"A\"\n\
         mic.voice.direct = { by = \"scene\", to = [\"left\"] }\nmic.viol.direct = { by = \"scene\", to = [\"right\"] }\n\
         mic.drum.direct = { by = \"scene\", to = [\"right\"] }\n",
    );
    // A chord that the limiter of `right` holds down by some dB must not be called a howl.
    let chord = |t: f64| [220.0, 275.0, 330.0].map(|hz| 0.45 * (TAU * hz * t).sin()).iter().sum::<f64>() + 0.02;
    let tone = |t: f64| 0.8 * (TAU * 2300.0 * t).sin();
    write(&folder.path().join("mics.wav"), &[&tone, &chord, &|_| 0.05], 30);
    let arguments = "rehearse piece.toml --mics mics.wav --aloud --host clock --json --page 127.0.0.1:0";
    let mut play = Program::start(folder.path(), arguments, &[]);
    let (mut socket, _) = page(&mut play);
    let howls = loop {
        let condition = play.event("condition");
        if condition["topic"] == "howls" {
            break condition;
        }
    };
    assert_eq!((&howls["subject"], &howls["grave"], &howls["holds"]), (&json!("left"), &json!(true), &json!(true)));
    let both = |now: &serde_json::Value| ["howls", "offset"].iter().all(|topic| Socket::word(now, topic).is_some());
    let now = socket.until("that it howls and that a mic stands beside zero", both);
    let words = Socket::word(&now, "howls").unwrap();
    for part in ["left howls", "turn it down or hush", "hearing", "move the mic away"] {
        assert!(words.contains(part), "{part} in {words}");
    }
    let grave = now["words"].as_array().unwrap().iter().find(|word| word["topic"] == "howls").unwrap();
    assert_eq!(grave["grave"], true);
    let words = Socket::word(&now, "offset").unwrap();
    assert!(words.contains("viol") && words.contains("-34 dBFS") && words.contains("highpass = \"10 Hz\""), "{words}");
    // What is hushed howls no more.
    socket.ask(json!({ "do": "hush", "on": true }));
    socket.until("that it has ended", |now| now["hushed"] == true && Socket::word(now, "howls").is_none());
    let ended = play.terminate();
    let said = |topic: &str| {
        let of = |one: &&serde_json::Value| one["event"] == "condition" && one["topic"] == topic;
        let turns = ended.events.iter().filter(of);
        turns
            .map(|one| (one["subject"].as_str().unwrap_or_default().to_owned(), one["holds"] == true))
            .collect::<Vec<_>>()
    };
    assert_eq!(said("howls"), [("left".to_owned(), true), ("left".to_owned(), false)], "{:?}", ended.events);
    assert_eq!(said("offset").first(), Some(&("viol".to_owned(), true)), "{:?}", ended.events);
    assert!(said("offset").iter().all(|(subject, _)| subject == "viol"), "{:?}", ended.events);
    assert!(
        ended.words.contains("error: left howls")
            && ended.words.contains("caution: viol: its signal stands beside zero")
    );
    assert!(!ended.words.contains("right howls") && !ended.words.contains("drum:"), "{}", ended.words);
}

#[test]
fn a_live_level_rises_slowly_and_its_log_plays_back_bit_for_bit() {
    let folder = folder(
        "mics = { player = 1 }\noutputs = { left = 1, right = 2 }\n[[scene]]\nmark = \"A\"\n\
         mic.player.tape = { by = \"scene\", file = \"tone.wav\" }\n",
    );
    write(&folder.path().join("tone.wav"), &[&|t| 0.05 * (TAU * 500.0 * t).sin()], 4);
    let arguments = "play piece.toml --host clock --json --page 127.0.0.1:0 --no-journal --log run --osc 127.0.0.1:0";
    let mut play = Program::start(folder.path(), arguments, &[]);
    let (mut socket, started) = page(&mut play);
    let osc = UdpSocket::bind("127.0.0.1:0").unwrap();
    let send = |address: &str, db: f32| {
        let message = OscMessage { addr: address.to_owned(), args: vec![OscType::Float(db)] };
        let packet = rosc::encoder::encode(&OscPacket::Message(message)).unwrap();
        osc.send_to(&packet, started["osc"].as_str().expect("it hears OSC")).unwrap();
    };
    let db = |now: &serde_json::Value| now["level_db"].as_f64().unwrap_or(f64::NAN);
    send("/tenterhook/level", 24.0);
    socket.until("that it rises", |now| db(now) > 0.5);
    socket.ask(json!({ "do": "level", "output": "left", "db": -50.0 }));
    socket.until("the top", |now| db(now) == 12.0);
    socket.ask(json!({ "do": "level", "output": "left", "db": 3.0 }));
    socket.until("that left has come to it", |now| now["levels_db"][0] == 3.0);
    socket.ask(json!({ "do": "level", "output": null, "db": -120.0 }));
    socket.until("silence at once", |now| db(now) == -120.0);
    let ended = play.terminate();
    assert_eq!(ended.status, Some(0), "{}", ended.words);

    let run = folder.path().join("run");
    let levels = |name: &str| -> Vec<(usize, f64)> {
        let all = gestures(&run.join("gestures.csv"));
        all.into_iter().filter(|one| one.1 == name).map(|one| (one.0, one.2.parse().unwrap())).collect()
    };
    for (name, top) in [("level", 12.0), ("level/left", 3.0)] {
        let levels = levels(name);
        let rises: Vec<_> = levels.windows(2).filter(|pair| pair[1].1 > pair[0].1).collect();
        assert!(rises.len() > 20, "{name} rose in {} steps", rises.len());
        for pair in &rises {
            let (step, samples) = (pair[1].1 - pair[0].1, pair[1].0 - pair[0].0);
            let most = if pair[1].1 > 0.0 { 6.0 } else { 60.0 };
            assert!(samples >= 960 && step <= most * 0.02 + 1e-4, "{name}: {step} dB within {samples} samples");
        }
        assert_eq!(levels.iter().map(|one| one.1).fold(f64::MIN, f64::max), top, "{name}");
    }
    assert_eq!(levels("level").last().map(|one| one.1), Some(-120.0));
    let again = Program::start(folder.path(), "rehearse piece.toml --take run --out again.wav --json", &[]).end();
    assert_eq!(again.status, Some(0), "{}", again.words);
    let (played, again) = (channels(&run.join("outputs.wav")), channels(&folder.path().join("again.wav")));
    for (channel, (played, again)) in played.iter().zip(&again).enumerate() {
        assert!(played.iter().any(|sample| *sample != 0.0), "channel {channel} sounds");
        let differs = played.iter().zip(again).position(|(a, b)| a.to_bits() != b.to_bits());
        assert_eq!((differs, played.len() <= again.len()), (None, true), "channel {channel}");
    }
}

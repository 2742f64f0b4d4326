//! The other sources of blocks, and what is said of devices that are not there: ALSA's streams through its plugin for
//! JACK, the built-in clock, OSC.

mod common;

use std::fs;
use std::net::UdpSocket;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use common::client::{Part, RATE, Recorder, Singer, change, sample, voice};
use common::log::{channels, gestures, grown};
use common::program::Program;
use common::server::{Server, client, within_a_minute};
use common::{PLAIN, folder};
use rosc::{OscMessage, OscPacket, OscType};

/// Set in the process that runs a test itself, with the server chosen.
const INSIDE: &str = "TENTERHOOK_TEST_DEVICES";

/// No JACK server has this name.
const NO_SERVER: (&str, &str) = ("JACK_DEFAULT_SERVER", "tenterhook-test-none");

/// Two devices of one channel each way, on the ports of the two clients of these tests.
const HALLS: &str = r#"
</usr/share/alsa/alsa.conf>
pcm.reed_hall {
  type plug
  slave.pcm { type jack playback_ports { 0 "recorder:heard_1" } capture_ports { 0 "singer:voice" } }
  hint { show on description "the hall of reeds" }
}
"#;

/// What the program says when it refuses with status 2.
fn refused(folder: &Path, arguments: &str, environment: &[(&str, &str)]) -> String {
    let ended = Program::start(folder, arguments, environment).end();
    assert_eq!(ended.status, Some(2), "{arguments}: {}", ended.words);
    // With `--json` programs are told what a person is, and nothing begins.
    let told = ended.events.iter().all(|event| event["event"] == "said" || event["event"] == "failed");
    let failed = ended.events.last().is_some_and(|event| event["event"] == "failed");
    assert!(told && failed == arguments.contains("--json"), "{:?}", ended.events);
    assert_eq!(ended.words.lines().filter(|line| line.starts_with("error")).count(), 1, "{}", ended.words);
    ended.words
}

#[test]
fn alsa_brings_the_mic_to_the_loudspeaker() {
    if std::env::var_os(INSIDE).is_none() {
        let configuration = tempfile::NamedTempFile::new().unwrap();
        fs::write(&configuration, HALLS).unwrap();
        let environment = [("ALSA_CONFIG_PATH", configuration.path())];
        return Server::start().run("alsa_brings_the_mic_to_the_loudspeaker", INSIDE, &environment);
    }
    let folder = folder(PLAIN);
    fs::write(folder.path().join("hall.toml"), "[device]\ninput = \"reed\"\noutput = \"reed\"\n").unwrap();
    let sung = voice(4.0);
    // Messages that go nowhere: they mark the beginning and the end of what is sung.
    let pedals = vec![(0, change(64, 0)), (sample(3.0), change(64, 0))];
    let singer = Singer::ready(Part { voice: sung.clone(), pedals });
    let recorder = Recorder::ready(1, 60.0);
    let mut play = Program::start(folder.path(), "play piece.toml --hall hall.toml --host alsa --json", &[]);
    let started = play.event("started");
    assert_eq!((&started["host"], &started["server_frame"]), (&"alsa".into(), &serde_json::Value::Null));
    singer.begin();
    within_a_minute("all is sung", || singer.is_done());
    let ended = play.terminate();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
    let (sent, heard) = (singer.leave(), recorder.leave());

    let begin = heard.index_from(sent[0].frame);
    // Some pieces of what was sung, since one may have met a pause of the machine.
    let found = [0.4, 0.9, 1.4, 1.9, 2.4].map(|at| {
        let at = sample(at) as usize;
        likeness(&sung[at..at + sample(0.05) as usize], &heard.channels[0][begin + at..])
    });
    let (delay, likest) = found.into_iter().max_by(|a, b| a.1.total_cmp(&b.1)).unwrap();
    println!("heard {:.1} ms later, with a correlation of {likest:.4}", 1000.0 * delay as f64 / f64::from(RATE));
    assert!(likest > 0.99, "{found:?}");
}

/// At which delay, within half a second, a sound is most like a piece of it; and how like: the correlation there.
fn likeness(piece: &[f32], sound: &[f32]) -> (usize, f64) {
    let product = |a: &[f32], b: &[f32]| -> f64 { a.iter().zip(b).map(|(a, b)| f64::from(a * b)).sum() };
    let windows = sound.windows(piece.len()).take(sample(0.5) as usize).enumerate();
    let alike = windows.map(|(delay, window)| {
        let size = (product(piece, piece) * product(window, window)).sqrt();
        (delay, if size > 0.0 { product(piece, window) / size } else { 0.0 })
    });
    alike.max_by(|a, b| a.1.total_cmp(&b.1)).expect("the sound is longer than the piece")
}

#[test]
fn the_ports_of_a_running_server_are_listed_and_their_number_is_a_limit() {
    if std::env::var_os(INSIDE).is_none() {
        let name = "the_ports_of_a_running_server_are_listed_and_their_number_is_a_limit";
        return Server::start().run(name, INSIDE, &[]);
    }
    drop(client("waiting"));
    let folder = folder(&PLAIN.replace("voice = 1", "voice = 1, viol = 9"));
    let listed = Program::start(folder.path(), "devices --json", &[]).end();
    assert_eq!((listed.status, listed.events.len()), (Some(0), 1), "{}", listed.words);
    let jack = &listed.events[0]["jack"];
    assert_eq!((&jack["rate"], &jack["block"]), (&48_000.into(), &128.into()));
    for (kind, name) in [("captures", "capture"), ("playbacks", "playback")] {
        let ports: Vec<String> = (1..=8).map(|n| format!("system:{name}_{n}")).collect();
        assert_eq!(jack[kind], serde_json::json!(ports), "in the order of their numbers");
    }

    let words = refused(folder.path(), "play piece.toml --host jack --json", &[]);
    for part in ["`viol` is on input 9", "the JACK server has 8", "in a hall file"] {
        assert!(words.contains(part), "{words}");
    }
}

#[test]
fn without_a_server_the_host_jack_is_refused_with_the_remedy() {
    let words = refused(folder(PLAIN).path(), "play piece.toml --host jack", &[NO_SERVER]);
    assert!(words.contains("no JACK server is running") && words.contains("start one"), "{words}");
    assert!(words.contains("--host"), "{words}");
}

#[test]
fn a_device_that_is_not_there_is_refused_by_its_name() {
    let folder = folder(PLAIN);
    fs::write(folder.path().join("hall.toml"), "[device]\noutput = \"rain house\"\n").unwrap();
    let words = refused(folder.path(), "play piece.toml --hall hall.toml --host alsa", &[NO_SERVER]);
    assert!(words.contains("alsa has no output device `rain house`"), "{words}");
}

/// What `check --doors` says of the device of this hall, for people and for programs, and that its status is 0.
fn before_the_doors(piece: &str, hall: &str, environment: &[(&str, &str)]) -> (String, serde_json::Value) {
    let folder = folder(piece);
    fs::write(folder.path().join("hall.toml"), hall).unwrap();
    let check = |arguments: &str| {
        let mut check = Command::new(env!("CARGO_BIN_EXE_tenterhook"));
        let output =
            check.args(arguments.split(' ')).envs(environment.iter().copied()).current_dir(folder.path()).output();
        let output = output.unwrap();
        assert_eq!(output.status.code(), Some(0), "{output:?}");
        String::from_utf8(output.stdout).unwrap()
    };
    let words = check("check piece.toml --hall hall.toml --doors");
    let told: serde_json::Value =
        serde_json::from_str(&check("check piece.toml --hall hall.toml --doors --json")).unwrap();
    let line = told["doors"].as_array().unwrap().iter().find(|line| line["what"] == "device").expect("there is a line");
    // People read the same, in lines of a width.
    let words = words.split_whitespace().collect::<Vec<_>>().join(" ");
    for said in [&line["found"], &line["to_do"]].into_iter().filter_map(|said| said.as_str()) {
        assert!(words.contains(said), "{said:?} is not in {words}");
    }
    assert_eq!(line["to_do"].is_null(), line["state"] == "good", "{line}");
    (line["found"].as_str().unwrap().to_owned(), line.clone())
}

#[test]
fn before_the_doors_the_halls_device_and_channels_are_held_against_the_server() {
    if std::env::var_os(INSIDE).is_none() {
        let name = "before_the_doors_the_halls_device_and_channels_are_held_against_the_server";
        return Server::start().run(name, INSIDE, &[]);
    }
    let other = client("waiting");
    // The server has 8 of each.
    let three = PLAIN.replace("voice = 1", "voice = 1, viol = 9, reed = 12").replace("left = 1", "left = 1, far = 10");
    let hall = "[device]\nhost = \"jack\"\n";
    assert_eq!(before_the_doors(PLAIN, hall, &[]).0, "the JACK server at 48000 Hz, 128 frames");
    // Where nothing is asked for, a running server is what a show would take.
    assert_eq!(before_the_doors(PLAIN, "", &[]).0, "the JACK server at 48000 Hz, 128 frames");
    let (found, line) = before_the_doors(&three, hall, &[]);
    let inputs = "the JACK server has 8 inputs, but `viol` is on 9, `reed` is on 12";
    assert_eq!(found, format!("{inputs}; the JACK server has 8 outputs, but `far` is on 10"));
    assert!(line["to_do"].as_str().unwrap().contains("lower numbers in the hall"), "{line}");
    // The hall's numbers are looked at, not the piece's.
    let moved = format!("mics = {{ viol = 2, reed = 3 }}\noutputs = {{ far = 2 }}\n{hall}");
    assert_eq!(before_the_doors(&three, &moved, &[]).1["state"], "good");
    let (found, line) = before_the_doors(PLAIN, &format!("{hall}rate = 44100\n"), &[]);
    assert_eq!(found, "the JACK server cannot run at 44100 Hz");
    assert!(line["to_do"].as_str().unwrap().contains("48000 Hz"), "{line}");
    // It does not stay there.
    assert!(other.ports(Some("tenterhook"), None, jack::PortFlags::empty()).is_empty());
}

#[test]
fn before_the_doors_a_device_that_is_not_there_is_told_with_what_to_do() {
    let room = tempfile::tempdir().unwrap();
    let none = room.path().join("no_devices");
    fs::write(&none, "").unwrap();
    // Without a configuration ALSA knows no device.
    let nothing = [NO_SERVER, ("ALSA_CONFIG_PATH", none.to_str().unwrap())];
    for (hall, state, found, to_do) in [
        ("[device]\nhost = \"jack\"\n", "look", "no JACK server is running", "start the JACK server"),
        ("", "look", "because no JACK server and no sound device answer", "or nothing will be heard"),
        ("[device]\nhost = \"clock\"\n", "good", "makes no sound, as it is asked", ""),
        ("[device]\noutput = \"rain house\"\n", "look", "alsa has no output device `rain house`", "plugged in"),
        ("[device]\nhost = \"jack\"\noutput = \"rain house\"\n", "look", "the host jack has none", "leave them out"),
    ] {
        let (said, line) = before_the_doors(PLAIN, hall, &nothing);
        assert!(line["state"] == state && said.contains(found), "{hall}{line}");
        assert!(line["to_do"].as_str().unwrap_or_default().contains(to_do), "{hall}{line}");
    }
}

#[test]
fn the_clock_keeps_about_real_time() {
    let folder = folder(PLAIN);
    let asked = Instant::now();
    let mut play = Program::start(folder.path(), "play piece.toml --host clock --json --log run", &[NO_SERVER]);
    let started = play.event("started");
    assert_eq!(started["host"], "clock");
    let began = Instant::now();
    std::thread::sleep(Duration::from_secs(1));
    let least = began.elapsed().as_secs_f64();
    let ended = play.terminate();
    let most = asked.elapsed().as_secs_f64();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
    let outputs = channels(&folder.path().join("run/outputs.wav"));
    let played = outputs[0].len() as f64 / f64::from(RATE);
    println!("{played:.2} s played in {least:.2} to {most:.2} s");
    // Widely: the machine may be shared.
    assert!(played > 0.5 * least && played < most + 0.1, "{played} s in {least} to {most} s");
}

#[test]
fn without_server_and_device_the_clock_stands_in_and_it_is_said() {
    let folder = folder(PLAIN);
    // Without a configuration ALSA knows no device.
    fs::write(folder.path().join("no_devices"), "").unwrap();
    let path = folder.path().join("no_devices");
    let environment = [NO_SERVER, ("ALSA_CONFIG_PATH", path.to_str().unwrap())];
    let play = Program::start(folder.path(), "play piece.toml --log run", &environment);
    grown(&folder.path().join("run/outputs.unfinished.wav"));
    let ended = play.terminate();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
    for part in ["the built-in clock", "no JACK server and no sound device answer", "nothing is heard"] {
        assert!(ended.words.contains(part), "{}", ended.words);
    }
}

#[test]
fn an_osc_message_moves_its_controller() {
    let folder = folder(
        r#"
mics = { voice = 1 }
outputs = { left = 1 }
controllers = { sway = { osc = "/sway", from = -1.0, to = 1.0 } }
[[scene]]
mark = "A"
mic.voice.freeze = { by = "sway" }
"#,
    );
    let socket = UdpSocket::bind("127.0.0.1:0").unwrap();
    // A port that was free a moment ago.
    let address = UdpSocket::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let arguments = format!("play piece.toml --host clock --json --log run --osc {address}");
    let mut play = Program::start(folder.path(), &arguments, &[NO_SERVER]);
    play.event("started");
    let message = OscMessage { addr: "/sway".to_owned(), args: vec![OscType::Float(0.5)] };
    socket.send_to(&rosc::encoder::encode(&OscPacket::Message(message)).unwrap(), address).unwrap();
    let unfinished = folder.path().join("run/gestures.unfinished.csv");
    within_a_minute("it is written down", || fs::read_to_string(&unfinished).unwrap().contains("sway"));
    assert_eq!(play.terminate().status, Some(0));
    let written = gestures(&folder.path().join("run/gestures.csv"));
    let moved: Vec<_> = written.iter().filter(|(_, name, _)| name == "sway").map(|(.., value)| value).collect();
    assert_eq!(moved, ["0.75"], "half way up from the middle of -1 to 1");
}

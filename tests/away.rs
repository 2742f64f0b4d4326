//! Devices that go away while a piece plays, and come back: real servers, killed, stopped and started again.

mod common;

use std::net::{SocketAddr, UdpSocket};
use std::process::{Child, Command};
use std::time::{Duration, Instant};

use common::client::{Part, RATE, Recorder, Singer, change, sample, voice};
use common::folder;
use common::log::{channels, gestures};
use common::program::Program;
use common::server::{Server, Successor, client, within_a_minute};
use common::waiting::Waiting;
use rosc::{OscMessage, OscPacket, OscType};
use serde_json::Value;

/// Set in the process that runs a test itself, with the server's process id.
const INSIDE: &str = "TENTERHOOK_TEST_AWAY";

/// A held sound that every scene keeps.
const PIECE: &str = r#"
title = "Torn Hem"
next = "on"
mics = { voice = 1 }
outputs = { left = 1 }
controllers = { pedal = { cc = 64 }, on = { osc = "/on" } }
[[scene]]
mark = "A"
mic.voice.freeze = { by = "pedal" }
[[scene]]
mark = "B"
mic.voice.freeze = { by = "pedal" }
[[scene]]
mark = "C"
mic.voice.freeze = { by = "pedal" }
"#;

fn server_id() -> Option<String> {
    std::env::var(INSIDE).ok()
}

fn signal(name: &str, id: &str) {
    assert!(Command::new("kill").args(["-s", name, id]).status().unwrap().success(), "{name} to {id}");
}

/// The program on the server, in scene B, with a sound held by the pedal; and who sends it OSC.
struct Held {
    play: Program,
    folder: tempfile::TempDir,
    osc: (UdpSocket, SocketAddr),
    singer: Option<Singer>,
}

impl Held {
    fn start() -> Self {
        let folder = folder(PIECE);
        let socket = UdpSocket::bind("127.0.0.1:0").unwrap();
        // A port that was free a moment ago.
        let address = UdpSocket::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
        // Over and over: a client that is late may lose one. A pedal that is down stays down.
        let pedals = (0..10).map(|n| (sample(1.5) + 960 * n, change(64, 127))).collect();
        let singer = Singer::ready(Part { voice: voice(4.0), pedals });
        let arguments = format!("play piece.toml --json --log run --no-page --osc {address}");
        let mut play = Program::start(folder.path(), &arguments, &[]);
        assert_eq!(play.event("started")["host"], "jack");
        singer.connect();
        singer.begin();
        within_a_minute("the pedal goes down", || singer.is_done());
        let mut held = Self { play, folder, osc: (socket, address), singer: Some(singer) };
        // It finds its steadiest moment, and the scene after begins.
        std::thread::sleep(Duration::from_millis(500));
        held.next();
        assert_eq!(held.event("scene", "B")["mark"], "B");
        held
    }

    /// Fires the scene that comes.
    fn next(&self) {
        for value in [1.0, 0.0] {
            let message = OscMessage { addr: "/on".to_owned(), args: vec![OscType::Float(value)] };
            let packet = rosc::encoder::encode(&OscPacket::Message(message)).unwrap();
            self.osc.0.send_to(&packet, self.osc.1).unwrap();
            // Between the two it acts.
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    fn event(&mut self, name: &str, mark: &str) -> Value {
        loop {
            let event = self.play.event(name);
            if event["mark"] == mark {
                return event;
            }
        }
    }
}

/// What `left` sends to a new client of the server for a second.
fn heard(rate: u32) -> Vec<f32> {
    let recorder = Recorder::ready(1, 70.0);
    recorder.connect(&["left"]);
    let (from, second) = (recorder.frames(), rate as usize);
    // The outputs of a device that is taken up rise within a tenth of a second.
    within_a_minute("a second and a half is recorded", || recorder.frames() >= from + second * 3 / 2);
    let mut heard = recorder.leave().channels.swap_remove(0);
    heard.split_off(heard.len() - second)
}

/// The strongest frequency between 200 and 500 Hz and its level in dBFS, by tenths of a second, of each the median: an xrun
/// of the machine falls into one or two of them.
fn strongest(sound: &[f32], rate: u32) -> (f64, f64) {
    let median = |mut list: Vec<f64>| {
        let middle = list.len() / 2;
        *list.select_nth_unstable_by(middle, f64::total_cmp).1
    };
    let all = sound.chunks_exact(rate as usize / 10).map(|tenth| strongest_of(tenth, rate));
    let (hz, db) = all.unzip();
    (median(hz), median(db))
}

/// The same of the whole sound, to a twentieth of a Hz: a transform at each.
fn strongest_of(sound: &[f32], rate: u32) -> (f64, f64) {
    let power = |hz: f64| {
        let step = std::f64::consts::TAU * hz / f64::from(rate);
        let window = |n: usize| 0.5 - 0.5 * (std::f64::consts::TAU * n as f64 / sound.len() as f64).cos();
        let (mut re, mut im) = (0.0, 0.0);
        for (n, x) in sound.iter().enumerate() {
            let (sin, cos) = (step * n as f64).sin_cos();
            re += f64::from(*x) * window(n) * cos;
            im += f64::from(*x) * window(n) * sin;
        }
        (re * re + im * im).sqrt() * 4.0 / sound.len() as f64
    };
    let best = |list: Vec<f64>| list.into_iter().map(|hz| (hz, power(hz))).max_by(|a, b| a.1.total_cmp(&b.1)).unwrap();
    let (rough, _) = best((0..600).map(|n| 200.0 + 0.5 * f64::from(n)).collect());
    let (hz, peak) = best((-10..=10).map(|n| rough + 0.05 * f64::from(n)).collect());
    (hz, 20.0 * peak.log10())
}

/// What has gone by since then is a second at most, but for what the machine itself kept us waiting.
fn within_a_second((since, waiting): (Instant, Waiting), what: &str) -> Duration {
    let (took, late) = (since.elapsed(), waiting.late());
    println!("{what} after {took:.0?}, in which the machine kept us waiting for {late:.0?}");
    assert!(took <= Duration::from_secs(1) + late, "{what} only after {took:.0?}");
    took
}

/// What the singer sings when the pedal goes down: f', four equal semitones below the ensemble's a' of 415 Hz, and as loud
/// as it is in the mic.
fn is_held_from_the_voice((hz, db): (f64, f64)) {
    let sung = voice(4.0);
    let (_, sung) = strongest(&sung[sample(1.5) as usize..sample(1.9) as usize], RATE);
    let cents = 1200.0 * (hz / 415.0).log2() + 400.0;
    println!("held {hz:.2} Hz, {cents:+.1} cents from what is sung, at {db:.1} dB; sung at {sung:.1} dB");
    assert!(cents.abs() < 10.0 && (db - sung).abs() < 3.0, "it is held: {db:.1} dB at {hz:.2} Hz, sung {sung:.1} dB");
}

/// The very same sound goes on: a cent and half a dB are more than the measure errs, and less than anybody hears.
fn is_still_held(before: (f64, f64), after: (f64, f64)) {
    let cents = 1200.0 * (after.0 / before.0).log2();
    println!("after it {cents:+.2} cents, {:+.2} dB", after.1 - before.1);
    assert!(cents.abs() < 1.0 && (after.1 - before.1).abs() < 0.5, "held before {before:?}, and then {after:?}");
}

/// Kills the server while a sound is held, fires a scene meanwhile, and starts a server of that rate and period.
fn comes_back(rate: u32, period: u32) {
    let mut held = Held::start();
    let before = strongest(&heard(RATE), RATE);
    is_held_from_the_voice(before);
    // A machine that stood still may have had it say so before.
    held.play.said("gone");
    let waiting = (Instant::now(), Waiting::begin());
    signal("KILL", &server_id().unwrap());
    let gone = held.play.event("gone");
    let noticed = within_a_second(waiting, "noticed");
    let why = gone["found"].as_str().unwrap();
    assert!(["server ended", "asks for no sound"].iter().any(|words| why.contains(words)), "{gone}");
    // As long as this program has a client on a server, JACK's library takes the next one's clients for those of the last.
    drop(held.singer.take());
    held.next();
    held.event("scene", "C");
    let began = Instant::now();
    // Nobody else asks it meanwhile: a client that leaves at the moment in which another joins may stay in the books of
    // that one (JACK2 1.9.21, `JackLibClient::ClientNotifyImp`), and who gets its number next is never called by it.
    let server = Successor::start(rate, period);
    let back = held.play.event("back");
    let taken_up = began.elapsed();
    println!(
        "{rate} Hz, {period} frames: noticed after {noticed:.0?}, taken up {taken_up:.0?} after the next starts; {back}"
    );
    is_still_held(before, strongest(&heard(rate), rate));
    let Held { play, folder, .. } = held;
    let ended = play.terminate();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
    drop(server);
    let away = ended.load()["load"]["away"].as_u64().unwrap();
    println!("{away} frames without anybody to drive the engine");
    assert!(away > 0, "some time is lost, and counted");
    // What was played is whole, and all was done at its time: again it gives the same.
    let fired: Vec<_> = gestures(&folder.path().join("run/gestures.csv"))
        .into_iter()
        .filter(|(_, name, _)| name == "fire")
        .map(|(.., mark)| mark)
        .collect();
    assert_eq!(fired, ["A", "B", "C"]);
    let again = Program::start(folder.path(), "rehearse piece.toml --take run --out again.wav --json", &[]).end();
    assert_eq!(again.status, Some(0), "{}", again.words);
    let (played, again) =
        (channels(&folder.path().join("run/outputs.wav")), channels(&folder.path().join("again.wav")));
    assert!(played == again, "the log gives the very same outputs");
}

#[test]
fn a_server_that_is_killed_and_started_again_is_taken_up_where_the_piece_stands() {
    if server_id().is_none() {
        let name = "a_server_that_is_killed_and_started_again_is_taken_up_where_the_piece_stands";
        return Server::start().run(name, INSIDE, &[]);
    }
    comes_back(48_000, 256);
}

#[test]
fn a_server_that_comes_back_at_another_rate_is_bridged() {
    if server_id().is_none() {
        return Server::start().run("a_server_that_comes_back_at_another_rate_is_bridged", INSIDE, &[]);
    }
    comes_back(44_100, 128);
}

#[test]
fn a_server_that_stands_still_is_told_of_and_taken_up_when_it_goes_on() {
    if server_id().is_none() {
        let name = "a_server_that_stands_still_is_told_of_and_taken_up_when_it_goes_on";
        return Server::start().run(name, INSIDE, &[]);
    }
    let mut held = Held::start();
    // The engine's time stands still with the server: a press so soon after the last would be none.
    let before = strongest(&heard(RATE), RATE);
    is_held_from_the_voice(before);
    // A machine that stood still may have had it say so before.
    held.play.said("gone");
    let stopped = Instant::now();
    let waiting = (stopped, Waiting::begin());
    signal("STOP", &server_id().unwrap());
    held.play.event("gone");
    within_a_second(waiting, "noticed");
    held.next();
    held.event("scene", "C");
    signal("CONT", &server_id().unwrap());
    held.play.event("back");
    let back = loop {
        let turned = held.play.event("condition");
        if turned["topic"] == "device-gone" && turned["holds"] == false {
            break turned["text"].as_str().unwrap().to_owned();
        }
    };
    let seconds = back.strip_prefix("The device is back after ").and_then(|rest| rest.split(' ').next());
    let seconds: f64 = seconds.unwrap_or_else(|| panic!("{back}")).parse().unwrap();
    assert!(seconds <= stopped.elapsed().as_secs_f64() + 0.05, "{back}");
    is_still_held(before, strongest(&heard(RATE), RATE));
    assert_eq!(held.play.terminate().status, Some(0));
    drop(held.folder);
    std::mem::forget(held.singer);
}

#[test]
fn a_server_that_hangs_and_is_killed_is_let_go_before_the_next_is_taken_up() {
    if server_id().is_none() {
        let name = "a_server_that_hangs_and_is_killed_is_let_go_before_the_next_is_taken_up";
        return Server::start().run(name, INSIDE, &[]);
    }
    let mut held = Held::start();
    let before = strongest(&heard(RATE), RATE);
    is_held_from_the_voice(before);
    signal("STOP", &server_id().unwrap());
    held.play.event("gone");
    signal("KILL", &server_id().unwrap());
    drop(held.singer.take());
    let _server = Successor::start(RATE, 128);
    held.play.event("back");
    // Who joins the next server is called by it, and hears what is held.
    is_still_held(before, strongest(&heard(RATE), RATE));
    let ended = held.play.terminate();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
}

#[test]
fn while_a_server_stands_still_the_program_ends_with_whole_files() {
    if server_id().is_none() {
        return Server::start().run("while_a_server_stands_still_the_program_ends_with_whole_files", INSIDE, &[]);
    }
    let mut held = Held::start();
    signal("STOP", &server_id().unwrap());
    held.play.event("gone");
    let ended = held.play.terminate();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
    assert!(channels(&held.folder.path().join("run/outputs.wav"))[0].len() > sample(2.0) as usize);
    signal("CONT", &server_id().unwrap());
    std::mem::forget(held.singer);
}

/// A board of pedals: a program of its own with a device's ports of these names (JACK API, `JackPortIsOutput` and
/// `JackPortIsPhysical`, which `jack` has no safe way to ask for). It is unplugged by being killed.
struct Board(Child);

impl Board {
    fn plug(ports: &[&str]) -> Self {
        const PROGRAM: &str = r#"
import ctypes, sys, time
jack = ctypes.CDLL("libjack.so.0")
jack.jack_client_open.restype = jack.jack_port_register.restype = ctypes.c_void_p
board = ctypes.c_void_p(jack.jack_client_open(b"board", 1, None))
for name in sys.argv[1:]:
    assert jack.jack_port_register(board, name.encode(), b"8 bit raw midi", ctypes.c_ulong(2 | 4), ctypes.c_ulong(0))
# A client that does nothing in its turn holds up whatever it is connected to.
turn = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_uint32, ctypes.c_void_p)(lambda frames, _: 0)
assert jack.jack_set_process_callback(board, turn, None) == 0
assert jack.jack_activate(board) == 0
time.sleep(600)
"#;
        let child = Command::new("python3").args(["-c", PROGRAM]).args(ports).spawn();
        Self(child.expect("python3 runs: install it"))
    }
}

impl Drop for Board {
    fn drop(&mut self) {
        // Killed already, or nobody plays any more.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[test]
fn a_midi_port_that_vanishes_is_connected_again_when_it_returns() {
    if server_id().is_none() {
        return Server::start().run("a_midi_port_that_vanishes_is_connected_again_when_it_returns", INSIDE, &[]);
    }
    let hand = client("hand").activate_async((), ()).unwrap();
    let hand = hand.as_client();
    let folder = folder(&PIECE.replace("cc = 64", "cc = 64, port = \"Foot\""));
    let mut play = Program::start(folder.path(), "play piece.toml --json --no-page --osc 127.0.0.1:0", &[]);
    assert_eq!(play.event("started")["host"], "jack");
    let is_in = |port: &str, own: &str| {
        let port = hand.port_by_name(&format!("board:{port}"));
        port.is_some_and(|port| port.is_connected_to(own).unwrap())
    };
    let board = Board::plug(&["Foot 1", "Wheel"]);
    within_a_minute("the pedal is connected", || is_in("Foot 1", "tenterhook:Foot"));
    within_a_minute("another goes to the port for all", || is_in("Wheel", "tenterhook:midi"));
    // What somebody takes out by hand stays out, whatever else comes.
    hand.disconnect_ports_by_name("board:Wheel", "tenterhook:midi").unwrap();
    let other = Board::plug(&["Knee"]);
    within_a_minute("one more is connected", || {
        let sources = hand.ports(Some("Knee"), None, jack::PortFlags::IS_PHYSICAL);
        let source = sources.first().and_then(|name| hand.port_by_name(name));
        source.is_some_and(|port| port.is_connected_to("tenterhook:midi").unwrap())
    });
    assert!(!is_in("Wheel", "tenterhook:midi"));
    drop(other);
    drop(board);
    within_a_minute("both are gone", || {
        ["board:Foot 1", "board-01:Knee"].iter().all(|port| hand.port_by_name(port).is_none())
    });
    let _board = Board::plug(&["Foot 1"]);
    within_a_minute("the pedal is connected again", || is_in("Foot 1", "tenterhook:Foot"));
    assert_eq!(play.terminate().status, Some(0));
}

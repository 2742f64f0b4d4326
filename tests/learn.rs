//! Learning what reaches a controller: real messages of a JACK server and of OSC, and the hall file afterwards.

mod common;

use std::fs;
use std::net::UdpSocket;
use std::path::Path;

use common::client::{Part, RATE, Singer, change};
use common::folder;
use common::program::Program;
use common::server::{Server, client};
use rosc::{OscMessage, OscPacket, OscType};

/// Set in the process that runs a test itself, with the server chosen.
const INSIDE: &str = "TENTERHOOK_TEST_LEARN";

const PIECE: &str = r#"
mics = { voice = 1 }
outputs = { left = 1 }
controllers = { pedal = { cc = 64, fall = "2 s" }, foot = { cc = 11 } }
[[scene]]
mark = "A"
mic.voice.freeze = { by = "pedal" }
mic.voice.direct = { by = "foot" }
"#;

const HALL: &str = "# Upstairs.
[controllers]   # two of them
pedal = { fall = \"1 s\" }  # the black one

[mics]
voice   =   3   # the second row
";

/// No JACK server has this name.
const NO_SERVER: (&str, &str) = ("JACK_DEFAULT_SERVER", "tenterhook-test-none");

fn hall(folder: &Path) -> String {
    fs::read_to_string(folder.join("hall.toml")).unwrap()
}

/// Presses pedals of the client `singer` at times in seconds while a controller is learned; what was said of it.
fn learn(folder: &Path, controller: &str, pedals: &[(f64, [u8; 3])]) -> String {
    let at = |(seconds, message): &(f64, [u8; 3])| ((seconds * f64::from(RATE)) as u64, *message);
    let singer = Singer::ready(Part { voice: vec![0.0; 64], pedals: pedals.iter().map(at).collect() });
    let arguments = format!("learn piece.toml {controller} --hall hall.toml --osc 127.0.0.1:0 --json");
    let mut program = Program::start(folder, &arguments, &[]);
    while program.event("listening")["midi"].as_array().unwrap().iter().all(|port| port != "singer:pedals") {}
    singer.begin();
    let learned = program.event("learned");
    let ended = program.end();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
    singer.leave();
    learned["line"].as_str().unwrap().to_owned()
}

#[test]
fn a_pedal_that_is_pressed_is_written_into_the_hall_as_it_is_wired() {
    if std::env::var_os(INSIDE).is_none() {
        let name = "a_pedal_that_is_pressed_is_written_into_the_hall_as_it_is_wired";
        return Server::start().run(name, INSIDE, &[]);
    }
    drop(client("waiting"));
    let folder = folder(PIECE);
    let folder = folder.path();
    fs::write(folder.join("hall.toml"), HALL).unwrap();

    // Wired the other way round, and its contacts bounce.
    let inverted = [(0.1, change(66, 0)), (0.105, change(66, 127)), (0.11, change(66, 0)), (0.6, change(66, 127))];
    assert_eq!(learn(folder, "pedal", &inverted), "pedal = { cc = 66, polarity = \"inverted\" }");
    let want = HALL.replace("{ fall = \"1 s\" }", "{ fall = \"1 s\", cc = 66, polarity = \"inverted\" }");
    assert_eq!(hall(folder), want);

    // A wheel, beside a sensor that flickers.
    let there_and_back = (0..=127u8).chain((0..127).rev());
    let wheel = there_and_back.enumerate().flat_map(|(n, value)| {
        let at = 0.1 + 0.004 * n as f64;
        [(at, change(1, value)), (at, change(20, 60 + value % 2))]
    });
    assert_eq!(learn(folder, "foot", &wheel.collect::<Vec<_>>()), "foot = { cc = 1 }");
    let want = want.replace("# the black one\n", "# the black one\nfoot = { cc = 1 }\n");
    assert_eq!(hall(folder), want);

    // What it says is what plays.
    let checked = Program::start(folder, "check piece.toml --hall hall.toml --json", &[]).end();
    assert_eq!(checked.status, Some(0), "{}", checked.words);
    let names: Vec<_> = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert!(names.iter().all(|name| !name.to_string_lossy().contains("unfinished")), "{names:?}");
}

#[test]
fn an_osc_address_is_learned_into_a_hall_that_was_not_there() {
    let folder = folder(PIECE);
    let folder = folder.path();
    let arguments = "learn piece.toml foot --hall hall.toml --osc 127.0.0.1:0 --json";
    let mut program = Program::start(folder, arguments, &[NO_SERVER]);
    let address = program.event("listening")["osc"].as_str().unwrap().to_owned();
    let socket = UdpSocket::bind("127.0.0.1:0").unwrap();
    for value in [0.0f32, 2.0, 5.0, 3.0, 0.0] {
        let message = OscMessage { addr: "/reed/sway".to_owned(), args: vec![OscType::Float(value)] };
        socket.send_to(&rosc::encoder::encode(&OscPacket::Message(message)).unwrap(), &address).unwrap();
    }
    program.event("learned");
    assert_eq!(program.end().status, Some(0));
    assert_eq!(hall(folder), "[controllers]\nfoot = { osc = \"/reed/sway\", to = 5.0 }\n");
}

#[test]
fn what_is_wrong_already_or_would_be_wrong_stays_as_it_was() {
    let folder = folder(PIECE);
    let folder = folder.path();
    for (text, controller, words) in [
        ("controllers.foot = { cc = 300 }\n", "foot", "from 0 to 127"),
        ("[controllers\n", "foot", "not TOML"),
        (HALL, "fot", "the piece has no controller `fot`: it has `pedal`, `foot`"),
    ] {
        fs::write(folder.join("hall.toml"), text).unwrap();
        let arguments = format!("learn piece.toml {controller} --hall hall.toml --osc 127.0.0.1:0");
        let ended = Program::start(folder, &arguments, &[NO_SERVER]).end();
        assert_eq!(ended.status, Some(2), "{}", ended.words);
        assert!(ended.words.contains(words), "{}", ended.words);
        assert_eq!(hall(folder), text);
    }
    // Another controller has that address already.
    let text = "controllers.pedal = { osc = \"/reed/sway\" }\n";
    fs::write(folder.join("hall.toml"), text).unwrap();
    let arguments = "learn piece.toml foot --hall hall.toml --osc 127.0.0.1:0 --json";
    let mut program = Program::start(folder, arguments, &[NO_SERVER]);
    let address = program.event("listening")["osc"].as_str().unwrap().to_owned();
    let socket = UdpSocket::bind("127.0.0.1:0").unwrap();
    for value in [1, 0] {
        let message = OscMessage { addr: "/reed/sway".to_owned(), args: vec![OscType::Int(value)] };
        socket.send_to(&rosc::encoder::encode(&OscPacket::Message(message)).unwrap(), &address).unwrap();
    }
    let ended = program.end();
    assert_eq!(ended.status, Some(2), "{}", ended.words);
    assert!(ended.words.contains("would reach both"), "{}", ended.words);
    assert_eq!(hall(folder), text);
    // Asked to end, it changes nothing.
    let mut program = Program::start(folder, arguments, &[NO_SERVER]);
    program.event("listening");
    let ended = program.terminate();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
    assert_eq!(hall(folder), text);
}

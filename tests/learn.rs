//! Learning what reaches a controller: real messages of a JACK server and of OSC, and the hall file afterwards.

mod common;

use std::fs;
use std::net::UdpSocket;
use std::path::Path;

use common::client::{Part, RATE, Singer, change};
use common::folder;
use common::program::Program;
use common::server::{Server, Successor, client, within_a_minute};
use common::socket::Socket;
use rosc::{OscMessage, OscPacket, OscType};
use serde_json::{Value, json};

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
    let inverted = [
        (0.1, change(66, 0)),
        (0.105, change(66, 127)),
        (0.11, change(66, 0)),
        (0.13, change(66, 0)),
        (0.6, change(66, 127)),
        (0.62, change(66, 127)),
    ];
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

/// Learns a controller, and works something by OSC.
fn swayed(folder: &Path, controller: &str) -> Program {
    let arguments = format!("learn piece.toml {controller} --hall hall.toml --osc 127.0.0.1:0 --json");
    let mut program = Program::start(folder, &arguments, &[NO_SERVER]);
    let address = program.event("listening")["osc"].as_str().unwrap().to_owned();
    let socket = UdpSocket::bind("127.0.0.1:0").unwrap();
    for value in [0.0f32, 2.0, 5.0, 3.0, 0.0] {
        let message = OscMessage { addr: "/reed/sway".to_owned(), args: vec![OscType::Float(value)] };
        socket.send_to(&rosc::encoder::encode(&OscPacket::Message(message)).unwrap(), &address).unwrap();
    }
    program
}

#[test]
fn an_osc_address_is_learned_into_a_hall_that_was_not_there() {
    let folder = folder(PIECE);
    let folder = folder.path();
    let mut program = swayed(folder, "foot");
    program.event("learned");
    assert_eq!(program.end().status, Some(0));
    assert_eq!(hall(folder), "[controllers]\nfoot = { osc = \"/reed/sway\", to = 5.0 }\n");
}

#[test]
fn of_two_characters_of_one_pedal_the_one_that_has_the_address_is_learned() {
    let piece = PIECE.replace("foot = {", "tap = { like = \"pedal\", fall = \"100 ms\" }, foot = {")
        + "[[scene]]\nmark = \"B\"\nmic.voice.freeze = { by = \"tap\" }\n";
    let folder = folder(&piece);
    let folder = folder.path();
    let mut program = swayed(folder, "tap");
    assert_eq!(program.event("learned")["controller"], "pedal");
    let ended = program.end();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
    assert!(ended.words.contains("tap is like pedal"), "{}", ended.words);
    assert_eq!(hall(folder), "[controllers]\npedal = { osc = \"/reed/sway\", to = 5.0 }\n");
    let checked = Program::start(folder, "check piece.toml --hall hall.toml --json", &[]).end();
    assert_eq!(checked.status, Some(0), "{}", checked.words);
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

/// Somebody who sends OSC.
struct Sender(UdpSocket, String);

impl Sender {
    fn to(address: String) -> Self {
        Self(UdpSocket::bind("127.0.0.1:0").unwrap(), address)
    }

    fn send(&self, value: f32) {
        let message = OscMessage { addr: "/reed/sway".to_owned(), args: vec![OscType::Float(value)] };
        self.0.send_to(&rosc::encoder::encode(&OscPacket::Message(message)).unwrap(), &self.1).unwrap();
    }
}

/// A page that the desk has open, and the piece that it shows.
fn desk(started: &Value) -> Socket {
    let mut page = Socket::open(started["page"].as_str().unwrap());
    page.until("how things stand", |_| true);
    assert_eq!(page.piece["learn"], true);
    page
}

/// Waits until a controller is reached by something, in words.
fn reached(page: &mut Socket, controller: usize, by: &str) {
    while page.piece["controllers"][controller]["by"] != by {
        page.until("how things stand", |_| true);
    }
}

#[test]
fn what_is_learned_on_the_page_acts_at_once_and_nothing_that_was_saved_comes_with_it() {
    let folder = folder(PIECE);
    let folder = folder.path();
    fs::write(folder.join("hall.toml"), HALL).unwrap();
    // A port that was free a moment ago.
    let address = UdpSocket::bind("127.0.0.1:0").unwrap().local_addr().unwrap().to_string();
    let arguments =
        format!("play piece.toml --hall hall.toml --host clock --page 127.0.0.1:0 --osc {address} --json --no-journal");
    let mut play = Program::start(folder, &arguments, &[NO_SERVER]);
    let mut page = desk(&play.event("started"));
    let title = page.piece["title"].clone();
    fs::write(folder.join("piece.toml"), format!("title = \"Unfinished\"\n{PIECE}")).unwrap();
    assert_eq!(page.piece["controllers"][1]["by"], "MIDI control 11");

    // First thought better of, then learned.
    page.ask(json!({ "do": "learn", "name": "pedal" }));
    page.until("it listens", |now| now["learning"]["listens"] == true && now["learning"]["controller"] == "pedal");
    page.ask(json!({ "do": "learn" }));
    page.until("it does not listen", |now| now["learning"].is_null());
    page.ask(json!({ "do": "learn", "name": "foot" }));
    page.until("it listens", |now| now["learning"]["listens"] == true && now["learning"]["controller"] == "foot");
    let sway = Sender::to(address);
    for value in [0.0, 0.7, 1.0, 0.3, 0.0] {
        sway.send(value);
    }
    let now = page.until("it has learned", |now| now["learning"]["listens"] == false);
    let text = now["learning"]["text"].as_str().unwrap().to_owned();
    assert!(text.contains("foot = { osc = \"/reed/sway\" }"), "{text}");
    let line = "# the black one\nfoot = { osc = \"/reed/sway\" }\n";
    assert_eq!(hall(folder), HALL.replace("# the black one\n", line));

    reached(&mut page, 1, "OSC /reed/sway");
    assert_eq!(page.piece["title"], title);
    sway.send(0.25);
    page.until("it acts", |now| now["controllers"][1] == 0.25);

    // Once more, now that the run listens for OSC itself: it acts meanwhile, and nothing changes.
    page.ask(json!({ "do": "learn", "name": "foot" }));
    page.until("it listens", |now| now["learning"]["listens"] == true);
    sway.send(1.0);
    page.until("it acts meanwhile", |now| now["controllers"][1] == 1.0);
    sway.send(0.0);
    page.until("it has learned", |now| now["learning"]["listens"] == false);
    assert_eq!(hall(folder), HALL.replace("# the black one\n", line));
    assert_eq!(play.terminate().status, Some(0));
}

#[test]
fn without_a_hall_file_the_page_says_what_to_do() {
    let folder = folder(PIECE);
    let arguments = "play piece.toml --host clock --page 127.0.0.1:0 --osc 127.0.0.1:0 --json --no-journal";
    let mut play = Program::start(folder.path(), arguments, &[NO_SERVER]);
    let mut page = desk(&play.event("started"));
    page.ask(json!({ "do": "learn", "name": "foot" }));
    let now = page.until("it says why not", |now| now["learning"]["listens"] == false);
    assert!(now["learning"]["text"].as_str().unwrap().contains("--hall"), "{now}");
    assert_eq!(play.terminate().status, Some(0));
}

#[test]
fn a_lesson_ends_with_its_server_and_the_next_server_is_joined() {
    let Ok(server) = std::env::var(INSIDE) else {
        return Server::start().run("a_lesson_ends_with_its_server_and_the_next_server_is_joined", INSIDE, &[]);
    };
    drop(client("waiting"));
    let folder = folder(PIECE);
    fs::write(folder.path().join("hall.toml"), HALL).unwrap();
    let arguments =
        "play piece.toml --hall hall.toml --host jack --page 127.0.0.1:0 --osc 127.0.0.1:0 --json --no-journal";
    let mut play = Program::start(folder.path(), arguments, &[]);
    let mut page = desk(&play.event("started"));
    page.ask(json!({ "do": "learn", "name": "pedal" }));
    page.until("it listens", |now| now["learning"]["listens"] == true);
    let killed = std::process::Command::new("kill").args(["-s", "KILL", &server]).status();
    assert!(killed.unwrap().success());
    play.event("gone");
    let now = page.until("the lesson is over", |now| now["learning"]["listens"] == false);
    assert!(now["learning"]["text"].as_str().unwrap().contains("device has gone"), "{now}");
    let _server = Successor::start(RATE, 128);
    play.event("back");
    // And then there are ears again.
    page.ask(json!({ "do": "learn", "name": "pedal" }));
    page.until("it listens again", |now| now["learning"]["listens"] == true);
    assert_eq!(play.terminate().status, Some(0));
    assert_eq!(hall(folder.path()), HALL, "nothing was changed");
}

#[test]
fn a_pedal_is_learned_on_the_page_while_its_messages_act() {
    if std::env::var_os(INSIDE).is_none() {
        let name = "a_pedal_is_learned_on_the_page_while_its_messages_act";
        return Server::start().run(name, INSIDE, &[]);
    }
    drop(client("waiting"));
    let folder = folder(PIECE);
    let folder = folder.path();
    fs::write(folder.join("hall.toml"), HALL).unwrap();
    let arguments = "play piece.toml --hall hall.toml --host jack --no-connect --follow --page 127.0.0.1:0 --osc 127.0.0.1:0 --json \
         --no-journal";
    let mut play = Program::start(folder, arguments, &[]);
    let mut page = desk(&play.event("started"));
    // At rest it sends 127; the wheel is moved meanwhile, too little to be meant.
    // Each is sent twice: a client that is late may lose one.
    let pedals = [(0.1, change(66, 0)), (0.2, change(11, 20)), (0.7, change(66, 127)), (9.0, change(66, 0))]
        .into_iter()
        .flat_map(|(at, message)| [(at, message), (at + 0.02, message)]);
    let at = |(seconds, message): (f64, [u8; 3])| ((seconds * f64::from(RATE)) as u64, message);
    let singer = Singer::ready(Part { voice: vec![0.0; 64], pedals: pedals.map(at).collect() });
    singer.connect();
    page.ask(json!({ "do": "learn", "name": "pedal" }));
    page.until("it listens", |now| now["learning"]["listens"] == true);
    within_a_minute("its ears have found the singer", || singer.reaches("tenterhook-learn"));
    singer.begin();
    page.until("the wheel acts", |now| now["controllers"][1].as_f64().unwrap() > 0.1);
    page.until("it has learned", |now| now["learning"]["listens"] == false);
    let want = HALL.replace("{ fall = \"1 s\" }", "{ fall = \"1 s\", cc = 66, polarity = \"inverted\" }");
    assert_eq!(hall(folder), want);
    reached(&mut page, 0, "MIDI control 66, inverted");
    page.until("it is pressed", |now| now["controllers"][0] == 1.0);
    singer.leave();
    assert_eq!(play.terminate().status, Some(0));
}

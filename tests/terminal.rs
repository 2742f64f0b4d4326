//! The terminal of a show, as a person at its keys sees it.
#![cfg(target_os = "linux")]

mod common;

use std::fs;
use std::path::Path;

use common::terminal::Terminal;

const PIECE: &str = r#"
title = "Salt Linen"
mics = { voice = 1, viol = 2 }
outputs = { left = 1 }
[controllers]
hold = { key = "h" }
[[scene]]
mark = "A"
name = "Threshold"
mic.voice.freeze = { by = "hold" }
[[scene]]
mark = "Bridge"
[[scene]]
mark = "C"
"#;
const ESCAPE: &str = "\x1b";

fn folder() -> tempfile::TempDir {
    common::folder(PIECE)
}

/// The values that a controller took in a run that was kept.
fn values(log: &Path, controller: &str) -> Vec<f32> {
    let text = fs::read_to_string(log.join("gestures.csv")).unwrap();
    let lines = text.lines().filter_map(|line| line.split_once(',')).filter_map(|(_, rest)| rest.split_once(','));
    lines.filter(|(name, _)| *name == controller).map(|(_, value)| value.parse().unwrap()).collect()
}

#[test]
fn marks_are_typed_scenes_fire_and_the_status_line_tells() {
    let folder = folder();
    let mut terminal = Terminal::start(folder.path(), "play piece.toml --host clock --no-page", 100, false);
    terminal.shows("A Threshold  0:0");
    assert!(terminal.screen().contains("Page Down next, Page Up back, Esc hush and release"), "{}", terminal.screen());
    for words in ["next Bridge", "mics silent", "late"] {
        terminal.shows(words);
    }
    terminal.types("\x1b[6~");
    terminal.shows("Bridge  0:0");
    terminal.shows("next C");
    terminal.types("c");
    terminal.shows("mark: c (Enter fires it)");
    terminal.types("\r");
    terminal.shows("C  0:0");
    terminal.shows("the last scene");
    terminal.hides("mark:");
    terminal.types("bridges\r");
    terminal.until("it is said above the status line", |terminal| {
        terminal.screen().contains("there is no mark `bridges`: the piece has `A`, `Bridge`, `C`")
            && terminal.status().starts_with("C  0:0")
    });
    terminal.types("a");
    terminal.until("what is typed stays first", |terminal| terminal.status().starts_with("mark: a"));
    // Dropped, not hushed; and no longer armed.
    terminal.types(ESCAPE);
    terminal.hides("mark:");
    assert!(!terminal.status().contains("HUSHED"), "{}", terminal.status());
    terminal.types("\r");
    terminal.types(ESCAPE);
    terminal.until("hushed", |terminal| terminal.status().starts_with("HUSHED   C"));
    std::thread::sleep(std::time::Duration::from_millis(700));
    terminal.types(ESCAPE);
    terminal.hides("HUSHED");
    terminal.types("\x1b[5~");
    terminal.shows("Bridge  0:0");
    assert!(!terminal.is_a_shells(), "keys come one by one");
    terminal.types("\x03");
    terminal.until("it ends", |terminal| terminal.all().contains("processing took"));
    assert!(terminal.is_a_shells(), "the terminal is given back as it was");
    assert_eq!(terminal.end(), Some(0));
}

#[test]
fn no_sign_of_a_piece_works_the_terminal_of_a_show() {
    // In the title, a scene's name, and a version that is saved and does not play.
    let [title, name, by] = ["Salt\\u001b[2J Linen", "Thres\\u009b2Jhold", "ho\\u001b]0;ld"];
    let piece = PIECE.replace("Salt Linen", title).replace("Threshold", name);
    let folder = common::folder(&piece);
    let terminal = Terminal::start(folder.path(), "play piece.toml --host clock --no-page --follow", 200, false);
    terminal.shows(&format!("A {name}  0:0"));
    fs::write(folder.path().join("piece.toml"), piece.replace("by = \"hold\"", &format!("by = \"{by}\""))).unwrap();
    terminal.until("what is wrong", |terminal| terminal.screen().contains("what was saved does not play"));
    let seen = terminal.screen();
    assert!(seen.contains(&format!("{title} on the built-in clock")), "{seen}");
    assert!(
        seen.matches(&format!("there is no controller \"{by}\"")).count() >= 2,
        "in the report and in a line: {seen}"
    );
    let all = terminal.all();
    for raw in ["\u{1b}[2J Linen", "\u{9b}", "\u{1b}]0;"] {
        assert!(!all.contains(raw), "{all:?}");
    }
    assert_eq!(terminal.end(), Some(0));
}

#[test]
fn a_narrow_terminal_keeps_its_status_in_one_line() {
    let folder = folder();
    let mut terminal = Terminal::start(folder.path(), "play piece.toml --host clock --no-page", 30, false);
    terminal.shows("A Threshold  0:0");
    terminal.types(ESCAPE);
    terminal.until("hushed, in one line", |terminal| terminal.status().starts_with("HUSHED   A Threshold"));
    let before = terminal.screen().lines().count();
    std::thread::sleep(std::time::Duration::from_millis(300));
    assert_eq!(terminal.screen().lines().count(), before, "{}", terminal.screen());
    assert_eq!(terminal.end(), Some(0));
}

#[test]
fn nothing_that_is_typed_or_said_hides_that_all_is_hushed() {
    let many = (0..30).map(|n| format!("[[scene]]\nmark = \"Verse {n}\"\n")).collect::<String>();
    let folder = common::folder(&PIECE.replace("[[scene]]\nmark = \"C\"\n", &many));
    let mut terminal = Terminal::start(folder.path(), "play piece.toml --host clock --no-page", 80, false);
    terminal.shows("A Threshold  0:0");
    terminal.types("bridges\r");
    terminal.until("it is said in full", |terminal| terminal.screen().contains("`Verse 29`"));
    terminal.types(ESCAPE);
    terminal.until("hushed", |terminal| terminal.status().starts_with("HUSHED   A Threshold"));
    terminal.types(&"zu".repeat(100));
    terminal.until("hushed still, and what was typed last", |terminal| {
        terminal.status().starts_with("HUSHED   mark: …zuzu") && terminal.status().contains("A Threshold")
    });
    assert_eq!(terminal.end(), Some(0));
}

#[test]
fn letters_of_two_columns_keep_the_status_in_one_line() {
    let folder = common::folder(&PIECE.replace("Threshold", &"敷居".repeat(30)));
    let mut terminal = Terminal::start(folder.path(), "play piece.toml --host clock --no-page", 80, false);
    terminal.shows("A 敷居");
    let before = terminal.screen().lines().count();
    std::thread::sleep(std::time::Duration::from_millis(500));
    assert_eq!(terminal.screen().lines().count(), before, "{}", terminal.screen());
    terminal.types(ESCAPE);
    terminal.until("hushed", |terminal| terminal.status().starts_with("HUSHED   A 敷居"));
    assert_eq!(terminal.end(), Some(0));
}

#[test]
fn where_the_terminal_tells_releases_a_held_key_is_held() {
    let folder = folder();
    let mut terminal = Terminal::start(folder.path(), "play piece.toml --host clock --no-page --log kept", 100, true);
    terminal.shows("A Threshold");
    assert!(!terminal.screen().contains("does not tell when a key comes up"), "{}", terminal.screen());
    // h goes down, comes again, comes up.
    terminal.types("\x1b[104;1:1u\x1b[104;1:2u\x1b[104;1:2u");
    terminal.types("\x1b[104;1:3u");
    // Down once more, and the window is left with the key held.
    terminal.types("\x1b[104;1:1u\x1b[O");
    // Letters typed with Shift are capitals.
    terminal.types("\x1b[99:67;2:1u\x1b[99:67;2:3u");
    terminal.shows("mark: C");
    terminal.types("\x1b[13;1:1u");
    terminal.shows("C  0:0");
    terminal.types("\x1b[99;5:1u");
    terminal.until("it ends", |terminal| terminal.all().contains("processing took"));
    let all = terminal.all();
    assert!(all.contains("\x1b[<1u"), "the terminal is given back as it was");
    assert_eq!(terminal.end(), Some(0));
    assert_eq!(values(&folder.path().join("kept"), "hold"), [1.0, 0.0, 1.0, 0.0]);
}

#[test]
fn elsewhere_a_press_turns_its_controller_over_and_the_start_says_so() {
    let folder = folder();
    let mut terminal = Terminal::start(folder.path(), "play piece.toml --host clock --no-page --log kept", 100, false);
    terminal.shows("A Threshold");
    let screen = terminal.screen().replace('\n', "");
    assert!(screen.contains("This terminal does not tell when a key comes up: each press"), "{screen}");
    terminal.types("h");
    std::thread::sleep(std::time::Duration::from_millis(800));
    terminal.types("h");
    std::thread::sleep(std::time::Duration::from_millis(300));
    assert_eq!(terminal.end(), Some(0));
    assert_eq!(values(&folder.path().join("kept"), "hold"), [1.0, 0.0]);
    let who = fs::read_to_string(folder.path().join("kept/who.csv")).unwrap();
    assert_eq!(who.matches(",hold,terminal").count(), 2, "{who}");
}

#[test]
fn the_loudest_mic_that_is_not_muted_is_shown_and_who_is_muted() {
    let folder = folder();
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: 48_000,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut wav = hound::WavWriter::create(folder.path().join("mics.wav"), spec).unwrap();
    for n in 0..48_000 * 60 {
        let sine = (n as f32 * 0.05).sin();
        wav.write_sample(sine * 0.5).unwrap();
        wav.write_sample(sine * 0.05).unwrap();
    }
    wav.finalize().unwrap();
    fs::write(folder.path().join("gestures.csv"), "seconds,controller,value\n1,mute/voice,1\n").unwrap();
    let arguments = "rehearse piece.toml --mics mics.wav --gestures gestures.csv --aloud --host clock --no-page";
    let terminal = Terminal::start(folder.path(), arguments, 100, false);
    terminal.shows("voice -9 dB");
    terminal.shows("muted: voice   viol -29 dB");
    assert_eq!(terminal.end(), Some(0));
}

#[test]
fn what_makes_no_sense_by_osc_is_said_when_it_comes_with_its_address() {
    let folder = folder();
    let socket = std::net::UdpSocket::bind("127.0.0.1:0").unwrap();
    // A port that was free a moment ago.
    let address = std::net::UdpSocket::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let arguments = format!("play piece.toml --host clock --no-page --osc {address}");
    let terminal = Terminal::start(folder.path(), &arguments, 200, false);
    terminal.shows("A Threshold");
    let send = |addr: &str, args| {
        let message = rosc::OscMessage { addr: addr.to_owned(), args };
        let packet = rosc::encoder::encode(&rosc::OscPacket::Message(message)).unwrap();
        socket.send_to(&packet, address).unwrap();
    };
    let says = |words: &str| terminal.until(words, |terminal| terminal.screen().contains(words));
    for _ in 0..100 {
        send("/tenterhook/fier", vec![rosc::OscType::String("A".to_owned())]);
    }
    let from = socket.local_addr().unwrap();
    says(&format!("caution: OSC /tenterhook/fier from {from} did nothing: nothing in the piece has this address"));
    send("/tenterhook/fire", vec![rosc::OscType::String("Q".to_owned())]);
    says("OSC /tenterhook/fire from");
    assert_eq!(terminal.screen().matches("/tenterhook/fier").count(), 1, "a flood is one line: {}", terminal.screen());
    assert_eq!(terminal.end(), Some(0));
}

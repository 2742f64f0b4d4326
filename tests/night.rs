//! The levels of the night: a hall says how loud effects are, the desk moves them on the page and by OSC, and on its word
//! they go into the hall file.

mod common;

use std::fs;
use std::net::UdpSocket;
use std::path::Path;
use std::process::Command;

use common::folder;
use common::program::Program;
use common::server::within_a_minute;
use common::socket::Socket;
use rosc::{OscMessage, OscPacket, OscType};
use serde_json::{Value, json};

const PIECE: &str = r#"
mics = { singer = 1 }
outputs = { west = 1, east = 2 }
[[scene]]
mark = "A"
mic.singer.tape = { by = "scene", file = "bell.wav", to = ["west"] }
mic.singer.ring = { effect = "tape", by = "scene", file = "bell.wav", to = ["east"] }
[[scene]]
mark = "B"
fade = "100 ms"
mic.singer.tape = { by = "scene", file = "bell.wav", to = ["east"] }
"#;

const HALL: &str = "# The chapel.
[device]
host = \"clock\"   # for now

[levels]
\"singer.tape\" = \"-3 dB\"   # near the wall
";

const PLAY: &str = "play piece.toml --hall hall.toml --json --page 127.0.0.1:0";

/// A folder with a piece that sounds without mics.
fn chapel() -> tempfile::TempDir {
    let folder = folder(PIECE);
    fs::write(folder.path().join("hall.toml"), HALL).unwrap();
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut bell = hound::WavWriter::create(folder.path().join("bell.wav"), spec).unwrap();
    (0..48_000).for_each(|i| bell.write_sample((8_000.0 * (f64::from(i) * 0.05).sin()) as i16).unwrap());
    bell.finalize().unwrap();
    folder
}

fn hall(folder: &Path) -> String {
    fs::read_to_string(folder.join("hall.toml")).unwrap()
}

fn desk(play: &mut Program) -> Socket {
    let mut page = Socket::open(play.event("started")["page"].as_str().unwrap());
    page.until("how things stand", |_| true);
    page
}

fn trim(key: &str, db: f32) -> Value {
    json!({ "do": "trim", "owner": "singer", "key": key, "db": db })
}

/// Waits until the page knows that the hall says so, and it is so.
fn says(page: &mut Socket, levels: [f64; 2]) {
    let wanted = json!(levels);
    loop {
        let now = page.until("how things stand", |_| true);
        let hall: Vec<_> = page.piece["trims"].as_array().unwrap().iter().map(|trim| trim["db"].clone()).collect();
        if Value::Array(hall) == wanted && now["trims_db"] == wanted {
            return;
        }
    }
}

#[test]
fn the_desk_moves_the_levels_that_the_hall_says_and_they_go_there_on_its_word() {
    let folder = chapel();
    let folder = folder.path();
    let osc = UdpSocket::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let mut play = Program::start(folder, &format!("{PLAY} --log run --osc {osc} --no-journal"), &[]);
    let mut page = desk(&mut play);
    let names: Vec<_> = page.piece["trims"].as_array().unwrap().iter().map(|trim| trim["key"].clone()).collect();
    assert_eq!((names, page.piece["trims"][0]["db"].clone()), (vec![json!("tape"), json!("ring")], json!(-3.0)));
    page.ask(trim("tape", -7.5));
    page.until("it falls at once", |now| now["trims_db"][0] == -7.5);
    let to = OscMessage { addr: "/tenterhook/level/singer/ring".to_owned(), args: vec![OscType::Float(2.04)] };
    let packet = rosc::encoder::encode(&OscPacket::Message(to)).unwrap();
    UdpSocket::bind("127.0.0.1:0").unwrap().send_to(&packet, osc).unwrap();
    page.until("it has risen", |now| now["trims_db"][1].as_f64().is_some_and(|db| (db - 2.04).abs() < 1e-6));
    assert_eq!(hall(folder), HALL, "nobody has said so yet");

    page.ask(json!({ "do": "keep" }));
    let now = page.until("it is written", |now| !now["kept"].is_null());
    let said = now["kept"].as_str().unwrap();
    assert_eq!(said, "Written in the hall file: \"singer.tape\" = \"-7.5 dB\", \"singer.ring\" = \"2 dB\".");
    let written = HALL.replace("-3 dB", "-7.5 dB") + "\"singer.ring\" = \"2 dB\"\n";
    assert_eq!(hall(folder), written);
    // What plays knows it: 2.04 dB have become what the hall says.
    says(&mut page, [-7.5, 2.0]);
    page.ask(json!({ "do": "keep" }));
    page.until("there is nothing new", |now| now["kept"].as_str().is_some_and(|said| said.starts_with("Nothing")));
    assert_eq!(hall(folder), written);

    let run = folder.join("run");
    assert_eq!(play.terminate().status, Some(0));
    let gestures = fs::read_to_string(run.join("gestures.csv")).unwrap();
    assert!(gestures.contains("level/singer/tape,-7.5") && gestures.contains("level/singer/ring,2.04"), "{gestures}");
    let who = fs::read_to_string(run.join("who.csv")).unwrap();
    assert!(who.contains("level/singer/tape,page desk") && who.contains("level/singer/ring,osc"), "{who}");
}

#[test]
fn a_run_with_levels_that_moved_plays_back_bit_for_bit() {
    let folder = chapel();
    let folder = folder.path();
    let mut play = Program::start(folder, &format!("{PLAY} --log run --no-journal"), &[]);
    let mut page = desk(&mut play);
    for (key, db) in [("tape", -20.0), ("ring", 6.0), ("tape", 4.0), ("ring", -1.5)] {
        page.ask(trim(key, db));
        let place = usize::from(key == "ring");
        page.until("it has come to it", |now| now["trims_db"][place] == db);
    }
    page.ask(json!({ "do": "fire", "mark": "B", "in": "A" }));
    page.until("B is in force", |now| now["scene"] == 1);
    assert_eq!(play.terminate().status, Some(0));
    let again = ["rehearse", "piece.toml", "--take", "run", "--out", "again.wav", "--block", "100"];
    let run = Command::new(env!("CARGO_BIN_EXE_tenterhook")).args(again).current_dir(folder).output().unwrap();
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    let bits = |file: &str| -> Vec<u32> {
        let samples = hound::WavReader::open(folder.join(file)).unwrap().into_samples::<f32>();
        samples.map(|sample| sample.unwrap().to_bits()).collect()
    };
    let (heard, again) = (bits("run/outputs.wav"), bits("again.wav"));
    assert!(heard.iter().any(|bits| *bits << 1 != 0), "it is heard");
    assert!(again[..heard.len()] == heard);
}

#[test]
fn a_run_that_broke_off_has_the_levels_of_the_desk_again_but_none_above_0_that_the_hall_does_not_say() {
    let folder = chapel();
    let folder = folder.path();
    let mut play = Program::start(folder, &format!("{PLAY} --journal stands"), &[]);
    let mut page = desk(&mut play);
    page.ask(trim("tape", -7.5));
    page.ask(trim("ring", 3.0));
    page.until("both", |now| now["trims_db"] == json!([-7.5, 3.0]));
    within_a_minute("it is in the journal", || {
        fs::read_to_string(folder.join("stands"))
            .is_ok_and(|text| text.contains(r#""trims_db":{"singer":{"ring":3.0,"tape":-7.5}}"#))
    });
    play.signal("KILL");
    assert_eq!(play.end().status, None);
    let mut play = Program::start(folder, &format!("{PLAY} --journal stands"), &[]);
    let mut page = desk(&mut play);
    page.until("as it stood", |now| now["trims_db"] == json!([-7.5, 0.0]));
    assert_eq!(play.terminate().status, Some(0));
}

#[test]
fn a_hall_file_that_is_not_there_or_is_wrong_is_not_written() {
    let folder = chapel();
    let folder = folder.path();
    let mut play =
        Program::start(folder, &format!("{PLAY} --no-journal").replace(" --hall hall.toml", " --host clock"), &[]);
    let mut page = desk(&mut play);
    page.ask(trim("tape", -7.5));
    page.until("it falls", |now| now["trims_db"][0] == -7.5);
    page.ask(json!({ "do": "keep" }));
    let now = page.until("it says why not", |now| !now["kept"].is_null());
    assert!(now["kept"].as_str().unwrap().contains("--hall"), "{now}");
    assert_eq!((play.terminate().status, hall(folder)), (Some(0), HALL.to_owned()));

    let mut play = Program::start(folder, &format!("{PLAY} --no-journal"), &[]);
    let mut page = desk(&mut play);
    let broken = HALL.replace("singer.tape", "singer.tap");
    fs::write(folder.join("hall.toml"), &broken).unwrap();
    page.ask(trim("tape", -7.5));
    page.until("it falls", |now| now["trims_db"][0] == -7.5);
    page.ask(json!({ "do": "keep" }));
    let now = page.until("it says why not", |now| !now["kept"].is_null());
    assert!(now["kept"].as_str().unwrap().contains("singer.tap"), "{now}");
    assert_eq!((play.terminate().status, hall(folder)), (Some(0), broken));
}

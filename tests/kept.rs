//! What stays of a run that was kept with `--log`, as somebody finds it in the folder afterwards.

mod common;

use std::fs;
use std::net::{SocketAddr, UdpSocket};
use std::path::Path;
use std::process::Command;

use common::folder;
use common::log::{ENOUGH, channels, grown};
use common::program::Program;
use common::server::within_a_minute;
use common::socket::Socket;
use rosc::{OscMessage, OscPacket, OscType};
use serde_json::json;

const PIECE: &str = r#"
title = "Alder and Slate"
mics = { voice = 1 }
outputs = { left = 1, right = 2 }
controllers = { pedal = { cc = 64 } }
[[scene]]
mark = "A"
mic.voice.freeze = { by = "pedal" }
[[scene]]
mark = "B"
mic.voice.direct = { by = "scene" }
"#;

const PLAY: &str = "play piece.toml --host clock --json --page 127.0.0.1:0 --log";

fn osc(to: SocketAddr, address: &str, argument: OscType) {
    let message = OscMessage { addr: address.to_owned(), args: vec![argument] };
    let packet = rosc::encoder::encode(&OscPacket::Message(message)).unwrap();
    UdpSocket::bind("127.0.0.1:0").unwrap().send_to(&packet, to).unwrap();
}

/// What was moved and by whom, line by line; each stands at the sample at which `gestures.csv` has it.
fn whose(log: &Path) -> Vec<(String, String)> {
    let rows = |name: &str, header: &str| {
        let text = fs::read_to_string(log.join(name)).unwrap();
        let mut lines = text.lines().map(|line| line.split(',').map(str::to_owned).collect::<Vec<_>>());
        assert_eq!(lines.next().unwrap().join(","), header);
        lines.collect::<Vec<_>>()
    };
    let (gestures, who) = (rows("gestures.csv", "seconds,controller,value"), rows("who.csv", "sample,controller,who"));
    assert_eq!(gestures.len(), who.len());
    for (gesture, who) in gestures.iter().zip(&who) {
        let sample = (gesture[0].parse::<f64>().unwrap() * 48_000.0).round();
        assert_eq!((sample, &gesture[1]), (who[0].parse().unwrap(), &who[1]));
    }
    who.into_iter().map(|row| (row[1].clone(), row[2].clone())).collect()
}

#[test]
fn beside_each_gesture_stands_who_made_it() {
    let folder = folder(PIECE);
    // A port that was free a moment ago.
    let port = UdpSocket::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let mut play = Program::start(folder.path(), &format!("{PLAY} run --osc {port}"), &[]);
    let started = play.event("started");
    let mut page = Socket::open(started["page"].as_str().expect("it says where its page is"));
    page.ask(json!({ "do": "fire", "mark": "B", "in": "A" }));
    page.until("B is in force", |now| now["scene"] == 1);
    osc(port, "/tenterhook/mute/voice", OscType::Int(1));
    page.until("the voice is muted", |now| now["muted"][0] == true);
    // The journal is at most a tenth of a second behind, and as much as a busy machine takes.
    let journals = folder.path().join("state/tenterhook/journals");
    within_a_minute("the journal knows it", || {
        let mut journals = fs::read_dir(&journals).into_iter().flatten().flatten();
        journals.any(|file| fs::read_to_string(file.path()).is_ok_and(|text| text.contains(r#""muted":["voice"]"#)))
    });
    play.signal("KILL");
    play.end();

    // What the journal says of it is the next run's beginning.
    let mut again = Program::start(folder.path(), &format!("{PLAY} again"), &[]);
    again.event("started");
    assert_eq!(again.terminate().status, Some(0));
    let by = |what: &str, who: &str| (what.to_owned(), who.to_owned());
    assert_eq!(
        whose(&folder.path().join("again")),
        [by("fire", "journal"), by("mute/voice", "journal"), by("hush", "end")]
    );

    let mut fresh = Program::start(folder.path(), &format!("{PLAY} fresh --fresh --osc {port}"), &[]);
    let started = fresh.event("started");
    let mut page = Socket::open(started["page"].as_str().expect("it says where its page is"));
    page.ask(json!({ "do": "fire", "mark": "B", "in": "A" }));
    page.until("B is in force", |now| now["scene"] == 1);
    osc(port, "/tenterhook/level", OscType::Float(-3.0));
    page.until("the level is lower", |now| now["level_db"] == -3.0);
    assert_eq!(fresh.terminate().status, Some(0));
    let whose = whose(&folder.path().join("fresh"));
    assert_eq!(whose, [by("fire", "start"), by("fire", "page desk"), by("level", "osc"), by("hush", "end")]);
}

/// Runs the program to its end: its status, and what it said on standard error.
fn said(folder: &Path, arguments: &[&str]) -> (Option<i32>, String) {
    let run = Command::new(env!("CARGO_BIN_EXE_tenterhook")).args(arguments).current_dir(folder).output().unwrap();
    (run.status.code(), String::from_utf8_lossy(&run.stderr).into_owned())
}

#[test]
fn a_run_that_was_killed_is_rehearsed_from_its_files_as_they_lie() {
    let folder = folder(PIECE);
    let mut play = Program::start(folder.path(), &format!("{PLAY} run"), &[]);
    let started = play.event("started");
    let mut page = Socket::open(started["page"].as_str().expect("it says where its page is"));
    page.ask(json!({ "do": "fire", "mark": "B", "in": "A" }));
    page.until("B is in force", |now| now["scene"] == 1);
    let run = folder.path().join("run");
    grown(&run.join("outputs.unfinished.wav"));
    play.signal("KILL");
    play.end();
    // Each gesture has its line in both files.
    let made = |name: &str, line: &str| fs::read_to_string(run.join(name)).unwrap().contains(line);
    assert!(made("gestures.unfinished.csv", ",fire,B\r\n") && made("who.unfinished.csv", ",fire,page desk\r\n"));
    // A line that was cut off while it was written.
    let gestures = run.join("gestures.unfinished.csv");
    let whole = fs::read_to_string(&gestures).unwrap();
    fs::write(&gestures, format!("{whole}0.1,level/left,-6")).unwrap();

    let rehearse = ["rehearse", "piece.toml", "--take", "run", "--out", "again.wav"];
    let (status, words) = said(folder.path(), &rehearse);
    assert_eq!(status, Some(0), "{words}");
    assert!(words.contains("mics.unfinished.wav") && words.contains("read to where it ends"), "{words}");
    assert!(words.contains("the last line of") && words.contains("gestures.unfinished.csv"), "{words}");
    let (kept, again) = (channels(&run.join("outputs.unfinished.wav")), channels(&folder.path().join("again.wav")));
    let frames = kept[0].len().min(again[0].len());
    assert!(frames >= ENOUGH, "{frames} frames");
    for (kept, again) in kept.iter().zip(&again) {
        assert!(kept[..frames].iter().zip(again).all(|(a, b)| a.to_bits() == b.to_bits()), "bit for bit");
    }
    let (status, words) = said(folder.path(), &["spectrum", "run", "--mic", "voice", "--from", "0 s", "--to", "0.2 s"]);
    assert!(words.contains("mics.unfinished.wav"), "{status:?} {words}");
}

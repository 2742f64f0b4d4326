//! What stays of a run that was kept with `--log`, as somebody finds it in the folder afterwards.

mod common;

use std::fs;
use std::net::{SocketAddr, UdpSocket};
use std::path::Path;

use common::folder;
use common::program::Program;
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

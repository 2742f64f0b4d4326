//! What one must know, made to happen, and read where it is shown: on standard error, as JSON, and on the page.

mod common;

use std::fs;

use common::folder;
use common::program::Program;
use common::socket::Socket;
use serde_json::Value;

const PIECE: &str = "mics = { voice = 1 }\noutputs = { left = 1 }\n[controllers]\nfoot = {}\n[[scene]]\nmark = \"A\"\n\
                     mic.voice.direct = { by = \"foot\" }\n";

/// Waits until a condition is told as JSON.
fn condition(play: &mut Program, topic: &str, holds: bool) -> Value {
    loop {
        let event = play.event("condition");
        if event["topic"] == topic && event["holds"] == holds {
            return event;
        }
    }
}

#[test]
fn a_full_disk_is_told_everywhere_and_the_run_still_tells_how_it_went() {
    let folder = folder(PIECE);
    // The disk is full, as far as this process can tell: the system limits its files to some kilobytes.
    let by = ["sh", "-c", "trap '' XFSZ; ulimit -f 128; exec \"$0\" \"$@\""];
    let arguments = "play piece.toml --host clock --json --page 127.0.0.1:0 --no-journal --log run";
    let mut play = Program::start_by(&by, folder.path(), arguments, &[]);
    let started = play.event("started");
    let mut socket = Socket::open(started["page"].as_str().expect("there is a page"));
    let told = condition(&mut play, "log-lost", true);
    let text = told["text"].as_str().expect("it has words").to_owned();
    assert!(told["grave"] == true && text.starts_with("the log is no longer kept: "), "{told}");
    let now = socket.until("it is on the page", |now| Socket::word(now, "log-lost").is_some());
    assert_eq!(Socket::word(&now, "log-lost"), Some(&text[..]));
    let ended = play.terminate();
    assert_eq!(ended.status, Some(1), "{}", ended.words);
    assert!(ended.words.contains(&format!("error: {text}")), "{}", ended.words);
    let last = ended.load();
    assert!(last["load"]["blocks"].as_u64() > Some(0) && last["log_trouble"].is_string(), "{last}");
    assert!(ended.events.iter().any(|event| event["event"] == "failed"), "{:?}", ended.events);
}

#[test]
fn each_condition_says_the_same_on_terminal_json_and_page() {
    let folder = folder(PIECE);
    let arguments = "play piece.toml --host clock --json --page 127.0.0.1:0 --follow";
    // Where the state folder would be lies a file: no journal can be kept, and the show begins.
    fs::write(folder.path().join("state"), "").unwrap();
    let mut play = Program::start(folder.path(), arguments, &[]);
    let started = play.event("started");
    let mut socket = Socket::open(started["page"].as_str().expect("there is a page"));
    let first = play.event("condition");
    assert_eq!(
        (&first["topic"], &first["grave"], &first["subject"]),
        (&"no-device".into(), &true.into(), &Value::Null)
    );
    fs::write(folder.path().join("piece.toml"), PIECE.replace("by = \"foot\"", "by = \"hand\"")).unwrap();
    let broken = condition(&mut play, "piece-broken", true);
    let now = socket.until("what is saved is broken", |now| Socket::word(now, "piece-broken").is_some());
    let mut words = Vec::new();
    for event in [&first, &broken] {
        let text = event["text"].as_str().expect("it has words");
        let topic = event["topic"].as_str().expect("it has a topic");
        assert_eq!(Socket::word(&now, topic), Some(text));
        words.push(text.to_owned());
    }
    let journal = Socket::word(&now, "journal-lost").expect("it is on the page").to_owned();
    fs::write(folder.path().join("piece.toml"), PIECE).unwrap();
    let mended = condition(&mut play, "piece-broken", false);
    assert_eq!(mended["text"], "What was saved is right again.");
    socket.until("it is gone", |now| Socket::word(now, "piece-broken").is_none());
    let ended = play.terminate();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
    for text in words.iter().chain([&journal]) {
        assert!(ended.words.contains(&text[..]), "{text}: {}", ended.words);
        let told =
            |event: &&Value| event["event"] == "condition" && event["holds"] == true && event["text"] == text[..];
        assert_eq!(ended.events.iter().filter(told).count(), 1, "{text}: {:?}", ended.events);
    }
    assert!(ended.words.contains("What was saved is right again."), "{}", ended.words);
    let said =
        |event: &Value| event["event"] == "said" && event["text"].as_str().is_some_and(|text| text.contains("injure"));
    assert!(ended.events.iter().any(said), "what is said to people is told to programs");
}

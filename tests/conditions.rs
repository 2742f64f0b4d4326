//! What one must know, made to happen, and read where it is shown: on standard error, as JSON, and on the page.

mod common;

use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use common::folder;
use common::program::Program;
use common::server::{ended, within_a_minute};
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
    // The disk is full, as far as this process can tell: the system limits its files to some kilobytes, and would end
    // who does not expect the signal.
    let by = ["sh", "-c", "ulimit -f 128; exec \"$0\" \"$@\""];
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

/// Frames of a sound file.
fn frames(path: &Path) -> u64 {
    u64::from(hound::WavReader::open(path).unwrap_or_else(|why| panic!("{}: {why}", path.display())).duration())
}

#[test]
fn a_log_goes_on_in_a_new_part_when_the_disk_has_room_again_and_the_run_can_be_rehearsed() {
    // More inputs than outputs: the disk is full for these first.
    let folder = folder(&PIECE.replace("voice = 1", "voice = 1, viol = 2, lute = 3"));
    let by = ["sh", "-c", "ulimit -S -f 128; exec \"$0\" \"$@\""];
    let mut play =
        Program::start_by(&by, folder.path(), "play piece.toml --host clock --json --no-page --log run", &[]);
    play.event("started");
    let full = condition(&mut play, "log-lost", true);
    assert!(full["text"].as_str().unwrap().contains("it goes on in a new part when there is room"), "{full}");
    // Now it has.
    let all = rustix::process::Rlimit { current: None, maximum: None };
    let pid = rustix::process::Pid::from_raw(play.id() as i32).unwrap();
    rustix::process::prlimit(Some(pid), rustix::process::Resource::Fsize, all).unwrap();
    let room = condition(&mut play, "log-lost", false);
    assert_eq!(room["text"], "The log is kept again.");
    std::thread::sleep(Duration::from_secs(1));
    let ended = play.terminate();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
    let run = folder.path().join("run");
    let lost = fs::read_to_string(run.join("lost.csv")).unwrap();
    let hole: Vec<&str> = lost.lines().nth(1).expect("the hole is marked").split(',').collect();
    let (from, missing): (u64, u64) = (hole[1].parse().unwrap(), hole[2].parse().unwrap());
    assert_eq!((lost.lines().count(), hole[3]), (2, "nothing"), "{lost}");
    let take: Value = serde_json::from_slice(&fs::read(run.join("take.json")).unwrap()).unwrap();
    let all = take["ended"]["frames"].as_u64().unwrap();
    for stem in ["mics", "outputs"] {
        let parts = [format!("{stem}.wav"), format!("{stem}-2.wav")].map(|name| frames(&run.join(name)));
        assert_eq!((parts[0], parts[0] + missing + parts[1]), (from, all), "{stem}: {lost}");
        assert!(parts[1] > 0);
    }
    assert_eq!((&take["ended"]["lost"], &ended.load()["log_frames_lost"]), (&missing.into(), &missing.into()));
    // It plays as one.
    let rehearsed = Command::new(env!("CARGO_BIN_EXE_tenterhook"))
        .args(["rehearse", "run/piece.toml", "--take", "run", "--out", "again.wav"])
        .current_dir(folder.path())
        .output()
        .unwrap();
    let words = String::from_utf8_lossy(&rehearsed.stderr).into_owned();
    assert!(rehearsed.status.success(), "{words}");
    assert_eq!(words.matches("since the disk took nothing").count(), 1, "{words}");
    assert!(frames(&folder.path().join("again.wav")) >= all, "{words}");
}

#[test]
fn a_log_whose_folder_is_removed_is_told_of() {
    let folder = folder(PIECE);
    let mut play = Program::start(folder.path(), "play piece.toml --host clock --json --no-page --log run", &[]);
    play.event("started");
    fs::remove_dir_all(folder.path().join("run")).unwrap();
    let gone = condition(&mut play, "log-lost", true);
    assert!(gone["text"].as_str().unwrap().contains("run was removed or moved"), "{gone}");
    let ended = play.terminate();
    assert_eq!(ended.status, Some(1), "{}", ended.words);
    assert!(ended.words.contains("removed or moved") && ended.load()["log_trouble"].is_string(), "{}", ended.words);
}

#[test]
fn a_version_that_is_saved_does_not_make_the_folder_of_a_lost_log_anew() {
    let folder = folder(PIECE);
    let arguments = "play piece.toml --host clock --json --no-page --no-journal --log run --follow";
    let mut play = Program::start(folder.path(), arguments, &[]);
    play.event("started");
    let (run, away) = (folder.path().join("run"), folder.path().join("away"));
    fs::rename(&run, &away).unwrap();
    condition(&mut play, "log-lost", true);
    fs::write(folder.path().join("piece.toml"), PIECE.replace("\"A\"", "\"B\"")).unwrap();
    play.event("changed");
    assert!(!run.exists(), "it would stand in the way of the log itself");
    // As it was told: brought back, it goes on.
    fs::rename(&away, &run).unwrap();
    condition(&mut play, "log-lost", false);
    let ended = play.terminate();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
    assert!(ended.words.contains("this version is not kept in the log: the folder run was removed"), "{}", ended.words);
    assert!(run.join("outputs.wav").exists());
}

#[test]
fn a_run_that_broke_off_begins_again_where_its_log_cannot() {
    let folder = folder(PIECE);
    let arguments = "play piece.toml --host clock --json --page 127.0.0.1:0 --log kept/run";
    let mut play = Program::start(folder.path(), arguments, &[]);
    play.event("started");
    journal_stands(folder.path());
    play.signal("KILL");
    play.end();
    // Where logs are to be there is no folder any more.
    fs::rename(folder.path().join("kept"), folder.path().join("elsewhere")).unwrap();
    fs::write(folder.path().join("kept"), "").unwrap();
    let mut play = Program::start(folder.path(), arguments, &[]);
    let started = play.event("started");
    assert!(started["taken_up"].is_string() && started["log"].is_null(), "{started}");
    let mut socket = Socket::open(started["page"].as_str().expect("there is a page"));
    let lost = condition(&mut play, "log-lost", true);
    let text = lost["text"].as_str().expect("it has words").to_owned();
    assert!(lost["grave"] == true && text.contains("kept/run") && text.contains("goes on without one"), "{lost}");
    let now = socket.until("it is on the page", |now| Socket::word(now, "log-lost").is_some());
    assert_eq!(Socket::word(&now, "log-lost"), Some(&text[..]));
    let ended = play.terminate();
    assert!(ended.status == Some(1) && !ended.words.contains("are being recorded"), "{}", ended.words);
    assert!(ended.words.contains(&format!("error: {text}")) && ended.load()["log_trouble"].is_string());
    // One that nothing broke off is refused: there is time to say where the log is to be.
    let refused = Program::start(folder.path(), arguments, &[]).end();
    assert_eq!(refused.status, Some(2), "{}", refused.words);
    assert!(refused.words.contains("error: cannot write kept/run"), "{}", refused.words);
}

/// Waits until a journal tells where a run stands.
fn journal_stands(folder: &Path) {
    let journals = folder.join("state/tenterhook/journals");
    within_a_minute("the journal knows where it stands", || {
        let mut journals = fs::read_dir(&journals).into_iter().flatten().flatten();
        journals.any(|file| fs::read_to_string(file.path()).is_ok_and(|text| text.contains("stands")))
    });
}

#[test]
fn a_run_that_broke_off_begins_again_where_somebody_has_its_ports() {
    let folder = folder(PIECE);
    let osc = std::net::UdpSocket::bind("127.0.0.1:0").unwrap();
    let page = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let (osc_port, page_port) = (osc.local_addr().unwrap(), page.local_addr().unwrap());
    let arguments = format!("play piece.toml --host clock --json --osc {osc_port} --page {page_port}");
    // At the first start there is time to choose others.
    let refused = Program::start(folder.path(), &arguments, &[]).end();
    assert_eq!(refused.status, Some(2), "{}", refused.words);
    drop((osc, page));
    let mut play = Program::start(folder.path(), &arguments, &[]);
    play.event("started");
    journal_stands(folder.path());
    play.signal("KILL");
    play.end();
    let osc = std::net::UdpSocket::bind(osc_port).unwrap();
    let page = std::net::TcpListener::bind(page_port).unwrap();
    let mut play = Program::start(folder.path(), &arguments, &[]);
    let started = play.event("started");
    assert!(started["taken_up"].is_string() && started["page"].is_null() && started["osc"].is_null(), "{started}");
    let unheard = condition(&mut play, "osc-unheard", true);
    assert!(unheard["text"].as_str().unwrap().contains(&osc_port.to_string()), "{unheard}");
    drop((osc, page));
    condition(&mut play, "osc-unheard", false);
    let ended = play.terminate();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
    assert!(ended.words.contains(&format!("the page cannot be served at {page_port}")), "{}", ended.words);
}

#[test]
fn a_host_that_is_not_found_keeps_no_show_from_beginning() {
    let folder = folder(PIECE);
    // A name that no network has (RFC 6761).
    let arguments = "play piece.toml --host clock --json --no-page --no-journal --osc-to lights.invalid:4151";
    let mut play = Program::start(folder.path(), arguments, &[]);
    play.event("started");
    let unreached = condition(&mut play, "osc-unreached", true);
    assert!(unreached["subject"] == "lights.invalid:4151" && unreached["grave"] == false, "{unreached}");
    assert_eq!(play.terminate().status, Some(0));
}

#[test]
fn a_show_begins_where_there_is_no_folder_for_temporary_files() {
    let folder = folder(PIECE);
    let nowhere = folder.path().join("nowhere").to_str().unwrap().to_owned();
    let arguments = "play piece.toml --host clock --json --page 127.0.0.1:0 --no-journal";
    let mut play = Program::start(folder.path(), arguments, &[("TMPDIR", &nowhere)]);
    assert!(play.event("started")["page"].is_string());
    assert_eq!(play.terminate().status, Some(0));
}

#[test]
fn a_program_that_stops_reading_keeps_no_show_from_its_end_and_reads_all_when_it_goes_on() {
    let mark = |n: usize| format!("{n} {}", "tick ".repeat(40).trim_end());
    let scenes: String = (0..40).map(|n| format!("[[scene]]\nmark = \"{}\"\n", mark(n))).collect();
    let folder = folder(&format!("mics = {{ voice = 1 }}\noutputs = {{ left = 1 }}\n{scenes}"));
    for goes_on in [false, true] {
        let run = if goes_on { "read" } else { "unread" };
        // A port that was free a moment ago.
        let osc = std::net::UdpSocket::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
        let (reads, writes) = std::io::pipe().unwrap();
        rustix::pipe::fcntl_setpipe_size(&writes, 4096).unwrap();
        let mut play = Command::new(env!("CARGO_BIN_EXE_tenterhook"))
            .args([
                "play",
                "piece.toml",
                "--host",
                "clock",
                "--no-page",
                "--no-journal",
                "--json",
                "--log",
                run,
                "--osc",
            ])
            .arg(osc.to_string())
            .current_dir(folder.path())
            .stdin(std::process::Stdio::null())
            .stdout(writes)
            .stderr(std::process::Stdio::null())
            .spawn()
            .unwrap();
        let kept = folder.path().join(run).join("outputs.unfinished.wav");
        within_a_minute("it plays", || kept.exists());
        let from = std::net::UdpSocket::bind("127.0.0.1:0").unwrap();
        for n in 1..40 {
            let args = vec![rosc::OscType::String(mark(n))];
            let message = rosc::OscMessage { addr: "/tenterhook/fire".to_owned(), args };
            from.send_to(&rosc::encoder::encode(&rosc::OscPacket::Message(message)).unwrap(), osc).unwrap();
            // What is in force is looked at twenty times a second.
            std::thread::sleep(Duration::from_millis(120));
        }
        let read = |mut reads: std::io::PipeReader| {
            let mut all = String::new();
            std::io::Read::read_to_string(&mut reads, &mut all).unwrap();
            all
        };
        let reader = goes_on.then(|| {
            std::thread::spawn({
                let reads = reads.try_clone().unwrap();
                move || read(reads)
            })
        });
        rustix::process::kill_process(rustix::process::Pid::from_child(&play), rustix::process::Signal::TERM).unwrap();
        let status = ended(&mut play, Duration::from_secs(30));
        let _ = play.kill();
        assert_eq!(status.expect("it ends").code(), Some(0));
        assert!(folder.path().join(run).join("outputs.wav").exists(), "its files are whole");
        let Some(reader) = reader else { continue };
        drop(reads);
        let all = reader.join().unwrap();
        let told: Vec<Value> = all.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
        let marks = told.iter().filter(|event| event["event"] == "scene").filter_map(|event| event["mark"].as_str());
        let numbers: Vec<usize> = marks.map(|mark| mark.split(' ').next().unwrap().parse().unwrap()).collect();
        assert!(numbers.is_sorted() && numbers.len() > 20, "more than the pipe holds, in their order: {numbers:?}");
        assert_eq!(numbers.last(), Some(&39));
        assert!(told.iter().all(|event| event["event"] != "missed"));
        assert_eq!(told.last().expect("much was told")["event"], "ended");
    }
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

/// Waits until programs are told of all these topics; what they were told, topic by topic.
fn all(play: &mut Program, topics: &[&str]) -> Vec<Value> {
    let mut found: Vec<Value> = Vec::new();
    while found.len() < topics.len() {
        let event = play.event("condition");
        let is_new = !found.iter().any(|one| one["topic"] == event["topic"]);
        if event["holds"] == true && is_new && topics.iter().any(|topic| event["topic"] == *topic) {
            found.push(event);
        }
    }
    found
}

/// Words whose numbers go on by themselves, without these.
fn without_numbers(text: &str) -> String {
    text.chars().filter(|sign| !sign.is_ascii_digit()).collect()
}

/// Sees each of these conditions on the page, ends the run, and sees it on standard error.
fn seen_everywhere(play: Program, socket: &mut Socket, told: &[Value]) {
    for event in told {
        let (topic, text) = (event["topic"].as_str().unwrap(), event["text"].as_str().unwrap());
        let shown = |now: &Value| {
            let words = now["words"].as_array().unwrap();
            words.iter().any(|word| {
                word["topic"] == topic
                    && word["subject"] == event["subject"]
                    && without_numbers(word["text"].as_str().unwrap()) == without_numbers(text)
            })
        };
        socket.until(text, shown);
    }
    let ended = play.terminate();
    for event in told {
        let kind = if event["grave"] == true { "error" } else { "caution" };
        let line = without_numbers(&format!("{kind}: {}", event["text"].as_str().unwrap()));
        assert!(without_numbers(&ended.words).contains(&line), "{line}: {}", ended.words);
    }
}

#[test]
fn what_is_wrong_with_a_mic_or_an_output_is_told_everywhere() {
    let piece = "mics = { voice = 1, viol = 2, lute = 3 }\noutputs = { left = 1 }\n[[scene]]\nmark = \"A\"\n\
                 mic.lute.direct = { by = \"scene\" }\n";
    let folder = folder(piece);
    let spec = hound::WavSpec {
        channels: 3,
        sample_rate: 48_000,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut wav = hound::WavWriter::create(folder.path().join("mics.wav"), spec).unwrap();
    for n in 0..48_000 * 20 {
        let swing = (std::f32::consts::TAU * 220.0 * n as f32 / 48_000.0).sin();
        let numbers = if n % 100 == 0 { f32::NAN } else { 0.0 };
        [2.0 * swing, numbers, 4.0 * swing].into_iter().for_each(|sample| wav.write_sample(sample).unwrap());
    }
    wav.finalize().unwrap();
    let arguments = "rehearse piece.toml --mics mics.wav --aloud --host clock --json --page 127.0.0.1:0";
    let mut play = Program::start(folder.path(), arguments, &[]);
    let mut socket = Socket::open(play.event("started")["page"].as_str().expect("there is a page"));
    let mut told = all(&mut play, &["clips", "not-numbers"]);
    // It begins mildly, as the scene comes.
    let held_down = |event: &Value| event["topic"] == "limited" && event["grave"] == true;
    told.push(loop {
        play.said("condition");
        match play.last("condition", held_down) {
            Some(event) => break event,
            None => std::thread::sleep(Duration::from_millis(20)),
        }
    });
    let of = |topic: &str| told.iter().find(|event| event["topic"] == topic).unwrap();
    assert_eq!((&of("clips")["subject"], &of("not-numbers")["subject"]), (&"voice".into(), &"viol".into()));
    assert_eq!(of("limited")["subject"], "left");
    seen_everywhere(play, &mut socket, &told);
}

#[test]
fn what_is_wrong_with_osc_is_told_everywhere() {
    let folder = folder(&PIECE.replace("foot = {}", "foot = { osc = \"/foot\" }"));
    // Nobody listens there.
    let gone = std::net::UdpSocket::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let here = std::net::UdpSocket::bind("127.0.0.1:0").unwrap();
    let listens = std::net::UdpSocket::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let arguments =
        format!("play piece.toml --host clock --json --page 127.0.0.1:0 --no-journal --osc {listens} --osc-to {gone}");
    let mut play = Program::start(folder.path(), &arguments, &[]);
    let mut socket = Socket::open(play.event("started")["page"].as_str().expect("there is a page"));
    let unreached = all(&mut play, &["osc-unreached"]).remove(0);
    let message = rosc::OscMessage { addr: "/nothing/\u{1b}[2J".to_owned(), args: Vec::new() };
    here.send_to(&rosc::encoder::encode(&rosc::OscPacket::Message(message)).unwrap(), listens).unwrap();
    let senseless = all(&mut play, &["osc-senseless"]).remove(0);
    let text = senseless["text"].as_str().unwrap();
    assert!(text.contains(&here.local_addr().unwrap().to_string()) && !text.contains('\u{1b}'), "{text}");
    seen_everywhere(play, &mut socket, &[unreached, senseless]);
}

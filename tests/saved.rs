//! What outlives a moment: a piece that is saved while it plays, and a run that is taken up again after its end by force.

mod common;

use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use common::client::{Part, Singer, change, sample, voice};
use common::folder;
use common::log::{channels, gestures, names};
use common::program::{Ended, Program};
use common::server::{Freewheel, Server, within_a_minute};
use common::socket::Socket;
use serde_json::{Value, json};

/// Set in the process that runs a test itself, with the server chosen.
const INSIDE: &str = "TENTERHOOK_TEST_SAVED";

const PIECE: &str = r#"
title = "Thistle Hours"
next = "step"
mics = { voice = 1 }
outputs = { left = 1, right = 2 }
[controllers]
pedal = { cc = 64, fall = "400 ms" }
wheel = { cc = 1 }
step = { cc = 66 }
[[scene]]
mark = "A"
[[scene]]
mark = "B"
mic.voice.freeze = { by = "pedal", to = ["left"] }
mic.voice.reverse = { by = "wheel", span = "900 ms", to = ["right"] }
[[scene]]
mark = "C"
"#;

/// A version of it: other things come before the old ones, the right output has another effect; the left one has the same.
fn version() -> String {
    let text = PIECE.replace("[controllers]", "[controllers]\nbellows = { cc = 2 }").replace("900 ms", "400 ms");
    text.replacen("[[scene]]", "[[scene]]\nmark = \"0\"\n[[scene]]", 1).replace("Thistle Hours", "Thistle Days")
}

/// Not a piece: an effect without its controller.
fn broken() -> String {
    PIECE.replace("by = \"pedal\", ", "")
}

const ON_CLOCK: &str = "play piece.toml --host clock --json --page 127.0.0.1:0";

fn save(folder: &Path, text: &str) {
    fs::write(folder.join("piece.toml"), text).unwrap();
}

/// As many editors do: beside it, then in its place.
fn save_by_name(folder: &Path, text: &str) {
    let beside = folder.join(".piece.toml.new");
    fs::write(&beside, text).unwrap();
    fs::rename(beside, folder.join("piece.toml")).unwrap();
}

fn page(program: &mut Program) -> (Socket, Value) {
    let started = program.event("started");
    (Socket::open(started["page"].as_str().expect("there is a page")), started)
}

fn count(ended: &Ended, event: &str) -> usize {
    ended.events.iter().filter(|one| one["event"] == event).count()
}

/// The first frame at which two sounds are not the same bits.
fn first_difference(one: &[f32], other: &[f32]) -> Option<usize> {
    let unequal = || (one.len() != other.len()).then(|| one.len().min(other.len()));
    one.iter().zip(other).position(|(a, b)| a.to_bits() != b.to_bits()).or_else(unequal)
}

#[test]
fn what_is_the_same_in_a_saved_version_sounds_on_bit_for_bit() {
    const TEST: &str = "what_is_the_same_in_a_saved_version_sounds_on_bit_for_bit";
    if std::env::var_os(INSIDE).is_none() {
        return Server::start().run(TEST, INSIDE, &[]);
    }
    let folder = folder(PIECE);
    let by_time = [(0.5, 66, 127), (0.6, 66, 0), (1.5, 64, 127), (1.6, 1, 100), (2.5, 1, 101)];
    let pedals = by_time.map(|(at, number, value)| (sample(at), change(number, value)));
    let singer = Singer::ready(Part { voice: voice(8.0), pedals: pedals.to_vec() });
    let arguments = "play piece.toml --host jack --json --no-connect --no-page --log run --follow";
    let mut play = Program::start(folder.path(), arguments, &[]);
    play.event("started");
    singer.connect();
    // While a server goes by the clock, a client that is late may lose a message of MIDI.
    let freewheel = Freewheel::enter();
    singer.begin();
    within_a_minute("all is sung", || singer.is_done());
    drop(freewheel);
    save(folder.path(), &broken());
    let refused = play.event("broken");
    assert_eq!((&refused["found"][0]["line"], &refused["found"][0]["severity"]), (&json!(14), &json!("error")));
    std::thread::sleep(Duration::from_millis(300));
    save(folder.path(), &version());
    let saved = Instant::now();
    play.event("mended");
    play.event("changed");
    println!("from the save to the word that it has taken over: {:.0?}", saved.elapsed());
    let scene = play.event("scene");
    let at = scene["sample"].as_u64().expect("the sample at which it took over") as usize;
    assert_eq!(scene["mark"], "B", "it goes on in the scene in which it was");
    std::thread::sleep(Duration::from_millis(700));
    let ended = play.terminate();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
    assert!(ended.words.contains("piece.toml:14:") && ended.words.contains("piece-2.toml"), "{}", ended.words);
    assert_eq!(ended.load()["log_frames_lost"], 0);
    singer.leave();

    // Neither pedal was moved by the change, and no scene was fired.
    let written: Vec<_> = gestures(&folder.path().join("run/gestures.csv"));
    let written: Vec<_> = written.iter().map(|(_, name, value)| (name.as_str(), value.as_str())).collect();
    let wheel = [100f32, 101.0].map(|value| (value / 127.0).to_string());
    let meant =
        [("fire", "A"), ("fire", "B"), ("pedal", "1"), ("wheel", &wheel[0]), ("wheel", &wheel[1]), ("hush", "1")];
    assert_eq!(written, meant);
    assert_eq!(fs::read_to_string(folder.path().join("run/piece-2.toml")).unwrap(), version());

    // The same without any change, and without the broken save.
    let arguments = "rehearse run/piece.toml --take run --out without.wav --json";
    let without = Program::start(folder.path(), arguments, &[]).end();
    assert_eq!(without.status, Some(0), "{}", without.words);
    let [with, without] = ["run/outputs.wav", "without.wav"].map(|name| channels(&folder.path().join(name)));
    assert!(with[0][at..].iter().any(|x| x.abs() > 0.01), "it does sound after the change");
    assert_eq!(first_difference(&with[0], &without[0]), None, "what is the same");
    // What is not the same fades within 20 ms, and then is another sound.
    let from = first_difference(&with[1], &without[1]).expect("the other output has changed");
    let load = &ended.load()["load"];
    println!("it took over at {at}, heard from {from} on; {} late blocks, {} xruns", load["late"], load["xruns"]);
    assert!(from <= at + 960, "from {from} on, and it took over at {at}");
    assert!(from + 960 + 32 >= at, "from {from} on, before {at}");
}

#[test]
fn the_page_shows_what_is_wrong_with_a_save_until_it_is_right_and_then_the_new_piece() {
    let folder = folder(PIECE);
    let mut play = Program::start(folder.path(), &format!("{ON_CLOCK} --follow"), &[]);
    let (mut socket, _) = page(&mut play);
    socket.until("the first scene", |now| now["scene"] == 0);
    socket.ask(json!({ "do": "fire", "mark": "B", "in": "A" }));
    socket.ask(json!({ "do": "controller", "name": "wheel", "value": 0.5 }));
    socket.until("the wheel", |now| now["scene"] == 1 && now["controllers"] == json!([0.0, 0.5, 0.0]));

    save(folder.path(), &broken());
    play.event("broken");
    let now = socket.until("the trouble", |now| Socket::word(now, "piece-broken").is_some());
    let words = Socket::word(&now, "piece-broken").unwrap();
    assert!(words.contains("piece.toml:14:") && words.contains("the version before it goes on"), "{words}");
    assert_eq!(now["controllers"], json!([0.0, 0.5, 0.0]));

    // The old one once more: nothing has changed, and the trouble is over.
    save_by_name(folder.path(), PIECE);
    play.event("mended");
    socket.until("the end of the trouble", |now| Socket::word(now, "piece-broken").is_none());
    assert_eq!(socket.piece["title"], "Thistle Hours");

    save_by_name(folder.path(), &version());
    play.event("changed");
    let now = socket.until("the new piece", |now| now["controllers"] == json!([0.0, 0.0, 0.5, 0.0]));
    assert_eq!((&now["scene"], &socket.piece["title"]), (&json!(2), &json!("Thistle Days")));
    // Who had the page open before works the new piece with it.
    socket.ask(json!({ "do": "controller", "name": "bellows", "value": 0.25 }));
    socket.until("the bellows", |now| now["controllers"] == json!([0.25, 0.0, 0.5, 0.0]));

    // What an open device cannot do is refused.
    save(folder.path(), &version().replace("voice = 1", "voice = 7"));
    let found = play.event("broken")["found"][0]["message"].as_str().unwrap().to_owned();
    assert!(found.contains("`voice` is on input 7") && found.contains("start it again"), "{found}");
    let now = socket.until("the trouble", |now| Socket::word(now, "piece-broken").is_some());
    assert_eq!(now["controllers"], json!([0.25, 0.0, 0.5, 0.0]));
    fs::remove_file(folder.path().join("piece.toml")).unwrap();
    let found = play.event("broken")["found"][0]["message"].as_str().unwrap().to_owned();
    assert!(found.contains("cannot read piece.toml"), "{found}");
    let ended = play.terminate();
    assert_eq!((ended.status, count(&ended, "changed")), (Some(0), 1), "{}", ended.words);
}

#[test]
fn a_save_in_two_parts_is_never_taken_for_a_broken_one() {
    let folder = folder(PIECE);
    let mut play = Program::start(folder.path(), &format!("{ON_CLOCK} --follow"), &[]);
    play.event("started");
    let path = folder.path().join("piece.toml");
    let (mut judged, mut broken) = (0, 0);
    for round in 0..20 {
        let text = if round % 2 == 0 { version() } else { PIECE.to_owned() };
        let half = text.find("wheel = ").unwrap() + 4;
        let begun = Instant::now();
        fs::write(&path, &text[..half]).unwrap();
        std::thread::sleep(Duration::from_millis(100));
        let mut file = fs::File::options().append(true).open(&path).unwrap();
        std::io::Write::write_all(&mut file, &text.as_bytes()[half..]).unwrap();
        // A machine that stalls here writes later than this law speaks of.
        let apart = begun.elapsed();
        play.event("changed");
        let said = play.said("broken");
        if apart < Duration::from_millis(190) {
            judged += 1;
            assert_eq!(said, broken, "{apart:?} apart, and it was taken for broken");
        }
        broken = said;
        if judged >= 5 {
            break;
        }
    }
    println!("{judged} saves in two parts less than 190 ms apart");
    assert!(judged > 0, "each save of 20 was stalled: run this on a quieter machine");
    assert_eq!(play.terminate().status, Some(0));
}

#[test]
fn fifty_saves_in_five_seconds_end_with_the_last_one() {
    let folder = folder(PIECE);
    let mut play = Program::start(folder.path(), &format!("{ON_CLOCK} --follow"), &[]);
    let (mut socket, _) = page(&mut play);
    let begun = Instant::now();
    for n in 0..50 {
        let text = if n % 3 == 0 { PIECE.to_owned() } else { version() }.replace("Thistle", &format!("Thistle {n}"));
        if n % 2 == 0 {
            save(folder.path(), &text)
        } else {
            save_by_name(folder.path(), &text)
        }
        // Now and then one that stands for long enough to be read.
        let pause = if n % 10 == 9 { 300 } else { 78 };
        std::thread::sleep(Duration::from_millis(pause));
    }
    let took = begun.elapsed();
    loop {
        socket.until("a change", |_| true);
        if socket.piece["title"].as_str().is_some_and(|title| title.starts_with("Thistle 49")) {
            break;
        }
    }
    let ended = play.terminate();
    assert_eq!((ended.status, count(&ended, "broken")), (Some(0), 0), "{}", ended.words);
    println!("50 saves in {took:.1?}: {} versions took over", count(&ended, "changed"));
    assert!(count(&ended, "changed") >= 1);
}

#[test]
fn written_gestures_reach_what_they_name_in_a_version_that_was_saved_meanwhile() {
    let folder = folder(PIECE);
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut wav = hound::WavWriter::create(folder.path().join("mics.wav"), spec).unwrap();
    (0..60 * 48_000).for_each(|_| wav.write_sample(0f32).unwrap());
    wav.finalize().unwrap();
    // Every two seconds, so that however late the version takes over some come after it.
    let turns: String = (1..30).map(|n| format!("{},wheel,0.{n:02}\n", 2 * n)).collect();
    fs::write(folder.path().join("hand.csv"), format!("seconds,controller,value\n0.1,fire,B\n{turns}")).unwrap();
    let arguments = "rehearse piece.toml --mics mics.wav --gestures hand.csv --aloud --follow --host clock --json --page 127.0.0.1:0";
    let mut play = Program::start(folder.path(), arguments, &[]);
    let (mut socket, _) = page(&mut play);
    save(folder.path(), &version());
    play.event("changed");
    let wheel = |now: &Value| now["controllers"].as_array().filter(|all| all.len() == 4).map(|all| all[2].clone());
    let now = socket.until("the new piece", |now| wheel(now).is_some());
    let before = wheel(&now);
    let now = socket.until("the next turn of the wheel", |now| wheel(now) != before);
    assert_eq!(
        (&now["controllers"][1], &now["scene"]),
        (&json!(0.0), &json!(2)),
        "the pedal has the wheel's old place"
    );
    assert_eq!(play.terminate().status, Some(0));
}

/// The journal of a folder's runs.
fn journal_path(folder: &Path) -> PathBuf {
    let journals = folder.join("state/tenterhook/journals");
    let name = names(&journals).into_iter().find(|name| name.ends_with(".journal"));
    journals.join(name.expect("there is one"))
}

fn journal(folder: &Path) -> String {
    fs::read_to_string(journal_path(folder)).unwrap()
}

/// A run that is killed in B, hushed or not, with the mic muted and the left output down.
fn killed(folder: &Path, hushed: bool) {
    killed_from("A", folder, hushed);
}

/// The same in a piece that begins with another mark.
fn killed_from(first: &str, folder: &Path, hushed: bool) {
    let mut play = Program::start(folder, ON_CLOCK, &[]);
    let (mut socket, started) = page(&mut play);
    assert_eq!(started["taken_up"], Value::Null);
    socket.until("the first scene", |now| now["scene"] == 0);
    for ask in [
        json!({ "do": "fire", "mark": "B", "in": first }),
        json!({ "do": "mute", "mic": "voice", "on": true }),
        json!({ "do": "level", "output": "left", "db": -6.0 }),
        json!({ "do": "controller", "name": "wheel", "value": 0.5 }),
        json!({ "do": "hush", "on": hushed }),
    ] {
        socket.ask(ask);
    }
    socket.until("all of that", |now| {
        now["scene"] != 0 && now["levels_db"][0] == -6.0 && now["muted"][0] == true && now["hushed"] == hushed
    });
    let last = format!("\"mark\":\"B\",\"hushed\":{hushed},\"muted\":[\"voice\"]");
    within_a_minute("it is in the journal", || {
        let journal = journal(folder);
        // Of this run, not of one before.
        let run = journal.rsplit("{\"piece\"").next().unwrap();
        run.contains(&last) && run.contains("\"left\":-6.0")
    });
    play.signal("KILL");
    assert_eq!(play.end().status, None);
}

#[test]
fn killed_in_a_scene_it_begins_there_again_and_ended_it_begins_afresh() {
    let folder = folder(PIECE);
    killed(folder.path(), true);
    let begun = Instant::now();
    let mut play = Program::start(folder.path(), ON_CLOCK, &[]);
    let (mut socket, started) = page(&mut play);
    println!("from the start of the program to its first block in the scene: {:.0?}", begun.elapsed());
    assert!(begun.elapsed() < Duration::from_secs(20));
    let words = "Taken up again at B after an end that nobody asked for.";
    let said = started["taken_up"].as_str().expect("it is told");
    assert!(said.starts_with(words) && said.contains("1 mic is muted") && said.contains("It is hushed"), "{said}");
    assert_eq!(play.event("scene")["mark"], "B");
    let now = socket.until("how it stood", |now| now["scene"] == 1 && now["levels_db"][0] == -6.0);
    assert_eq!(
        (&now["hushed"], &now["muted"][0], &now["levels_db"]),
        (&json!(true), &json!(true), &json!([-6.0, 0.0]))
    );
    assert_eq!(now["controllers"], json!([0.0, 0.0, 0.0]), "controllers are at rest");
    assert!(Socket::word(&now, "taken-up").is_some_and(|said| said.starts_with(words)), "{now}");
    // It is news until somebody fires a scene.
    socket.ask(json!({ "do": "fire", "mark": "C", "in": "B" }));
    socket.until("no news", |now| now["scene"] == 2 && Socket::word(now, "taken-up").is_none());
    let ended = play.terminate();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
    assert!(ended.words.contains(words), "{}", ended.words);

    let mut play = Program::start(folder.path(), ON_CLOCK, &[]);
    let (mut socket, started) = page(&mut play);
    assert_eq!((&started["taken_up"], &play.event("scene")["mark"]), (&Value::Null, &json!("A")));
    socket.until("a beginning", |now| now["hushed"] == false && now["muted"][0] == false);
    assert_eq!(play.terminate().status, Some(0));
}

#[test]
fn what_was_killed_is_taken_up_in_a_changed_piece_and_elsewhere_or_not_at_all_if_one_says_so() {
    let folder = folder(PIECE);
    let begins = |arguments: &str| {
        let mut play = Program::start(folder.path(), format!("{ON_CLOCK} {arguments}").trim(), &[]);
        let (mut socket, started) = page(&mut play);
        let mark = play.event("scene")["mark"].as_str().unwrap().to_owned();
        // What is asked for now comes after all that was taken up.
        socket.ask(json!({ "do": "level", "output": "left", "db": -1.0 }));
        let now = socket.until("how it stands", |now| now["levels_db"][0] == -1.0);
        assert_eq!(play.terminate().status, Some(0));
        (mark, now["muted"][0] == true, started["taken_up"].as_str().unwrap_or("").to_owned())
    };
    killed(folder.path(), false);
    save(folder.path(), &PIECE.replace("\"B\"", "\"Z\""));
    let (mark, muted, words) = begins("");
    assert_eq!((mark.as_str(), muted), ("A", true));
    assert!(
        words.contains("at A ") && words.contains("B is no longer in the piece. The piece has changed since."),
        "{words}"
    );

    save(folder.path(), PIECE);
    killed(folder.path(), false);
    let (mark, muted, words) = begins("--from C");
    assert_eq!((mark.as_str(), muted), ("C", true), "{words}");

    killed(folder.path(), false);
    assert_eq!(begins("--fresh"), ("A".to_owned(), false, String::new()));

    killed(folder.path(), false);
    assert_eq!(begins("--no-journal"), ("A".to_owned(), false, String::new()));
    assert_eq!(begins("").0, "B", "what was not looked at is still there");
}

/// A piece in whose journal the mark stands that comes after two others; saved without it, the nearest before it counts.
#[test]
fn where_its_mark_is_gone_it_begins_at_the_nearest_before_it() {
    let folder = folder(&PIECE.replacen("[[scene]]", "[[scene]]\nmark = \"0\"\n[[scene]]", 1));
    killed_from("0", folder.path(), false);
    save(
        folder.path(),
        &PIECE.replace("\"B\"", "\"Z\"").replacen("[[scene]]", "[[scene]]\nmark = \"0\"\n[[scene]]", 1),
    );
    let mut play = Program::start(folder.path(), ON_CLOCK, &[]);
    play.event("started");
    assert_eq!(play.event("scene")["mark"], "A", "0 is farther, and Z is another");
    assert_eq!(play.terminate().status, Some(0));
}

#[test]
fn no_level_above_0_db_is_taken_up_and_the_words_name_the_numbers() {
    let folder = folder(PIECE);
    killed(folder.path(), false);
    let state = json!({ "stands": { "mark": "B", "hushed": false, "muted": [], "level_db": 1e30,
        "levels_db": { "left": 12.0, "right": -6.5 } } });
    let state = state.to_string();
    let line = format!("{:08x} {state}\n", tenterhook_io::checksum(state.as_bytes()));
    let path = journal_path(folder.path());
    let text = fs::read_to_string(&path).unwrap() + &line;
    fs::write(&path, text).unwrap();
    let mut play = Program::start(folder.path(), ON_CLOCK, &[]);
    let (mut socket, started) = page(&mut play);
    let said = started["taken_up"].as_str().expect("it is told");
    let levels = "Levels: all outputs 0 dB (it stood at +1e30 dB), left 0 dB (it stood at +12 dB), right -6.5 dB.";
    assert!(said.contains(levels), "{said}");
    let now = socket.until("how it stands", |now| now["levels_db"][1] == -6.5);
    assert_eq!((&now["level_db"], &now["levels_db"]), (&json!(0.0), &json!([0.0, -6.5])));
    let ended = play.terminate();
    assert!(ended.status == Some(0) && ended.words.contains(levels), "{}", ended.words);
}

#[test]
fn after_a_crash_the_same_command_begins_with_a_log_of_its_own() {
    let folder = folder(PIECE);
    let kept = |log: &str| {
        let mut names = names(&folder.path().join(log));
        names.sort();
        names.into_iter().map(|name| (fs::read(folder.path().join(log).join(&name)).unwrap(), name)).collect::<Vec<_>>()
    };
    let show = format!("{ON_CLOCK} --log run");
    let mut first = Program::start(folder.path(), &show, &[]);
    assert_eq!(first.event("started")["log"], "run");
    first.event("scene");
    first.signal("KILL");
    assert_eq!(first.end().status, None);
    let crashed = kept("run");
    // One that ends as it should has a name of its own as well, and so has the next.
    for log in ["run-2", "run-3"] {
        let mut play = Program::start(folder.path(), &show, &[]);
        assert_eq!(play.event("started")["log"], log);
        let ended = play.terminate();
        assert_eq!(ended.status, Some(0), "{}", ended.words);
        assert!(ended.words.contains(&format!("this one is kept in {log}.")), "{}", ended.words);
        assert!(kept(log).iter().any(|(_, name)| name == "outputs.wav"));
    }
    assert!(kept("run") == crashed, "what the crash left stays as it was");
}

#[test]
fn what_is_named_as_a_journal_and_is_none_is_refused_and_stays_as_it_is() {
    let folder = folder(PIECE);
    let file = |name: &str| folder.path().join(name);
    fs::write(file("hall.toml"), "").unwrap();
    fs::write(file("take.wav"), tenterhook_io::wav_bytes(&[&[0.25; 480]], 48_000).unwrap()).unwrap();
    fs::write(file("garbage"), [0xFF; 5000]).unwrap();
    fs::create_dir(file("folder")).unwrap();
    std::os::unix::fs::symlink("take.wav", file("link")).unwrap();
    assert!(std::process::Command::new("mkfifo").arg(file("pipe")).status().unwrap().success());
    let before = || ["piece.toml", "hall.toml", "take.wav", "garbage"].map(|name| fs::read(file(name)).unwrap());
    let was = before();
    let refused = |journal: &str, reason: &str| {
        let asked = format!("{ON_CLOCK} --hall hall.toml --journal {journal}");
        let ended = Program::start(folder.path(), &asked, &[]).end();
        assert_eq!(ended.status, Some(2), "{journal}: {}", ended.words);
        let words = &ended.words;
        assert!([journal, reason, "--journal"].iter().all(|word| words.contains(word)), "{journal}: {words}");
        assert!(before() == was && file("link").is_symlink(), "{journal}");
    };
    // An empty hall is an empty file, and is still what is played.
    refused("piece.toml", "is what is played");
    refused("hall.toml", "is what is played");
    for journal in ["take.wav", "garbage", "link"] {
        refused(journal, "is no journal");
    }
    for journal in ["folder", "pipe", "/dev/full"] {
        refused(journal, "is no plain file");
    }
}

#[test]
fn no_journal_keeps_a_show_from_beginning() {
    let folder = folder(PIECE);
    let file = |name: &str| folder.path().join(name);
    let begins = |more: &str, said: &str| {
        let mut play = Program::start(folder.path(), format!("{ON_CLOCK} {more}").trim(), &[]);
        play.event("started");
        let ended = play.terminate();
        assert_eq!(ended.status, Some(0), "{more}: {}", ended.words);
        assert!(ended.words.contains(said), "{more}: {}", ended.words);
    };
    // A piece of a beginning that was cut off is a journal's.
    fs::write(file("torn"), "0c8e1f43 {\"piece\":{\"ver").unwrap();
    begins("--journal torn", "caution: 1 line of the journal torn left out");
    begins("--journal torn/under", "caution: no journal is kept: the journal torn/under cannot be used");
    begins("--journal new", "");
    assert!(fs::read_to_string(file("new")).unwrap().ends_with("\"ended\"\n"));

    begins("", "");
    let (own, journals) = (journal_path(folder.path()), file("state/tenterhook/journals"));
    for n in ["", "-2", "-3"] {
        fs::write(&own, format!("damaged{n}")).unwrap();
        let aside = format!("{}.damaged{n}", own.file_name().unwrap().to_str().unwrap());
        begins("", &format!("{aside}, and a new one begins"));
        assert_eq!(fs::read_to_string(journals.join(aside)).unwrap(), format!("damaged{n}"));
        assert!(fs::read_to_string(&own).unwrap().ends_with("\"ended\"\n"));
    }
    let later = "{\"piece\":{\"version\":2,\"where\":1}}";
    fs::write(&own, format!("{:08x} {later}\n", tenterhook_io::checksum(later.as_bytes()))).unwrap();
    begins("", "a later version of this program wrote it (version 2)");
    assert!(fs::read_to_string(&own).unwrap().contains(later), "what it wrote is not dropped");
    fs::remove_file(&own).unwrap();
    fs::create_dir(&own).unwrap();
    begins("", "caution: no journal is kept: a journal cannot be kept in");
    fs::remove_dir(&own).unwrap();

    let mut first = Program::start(folder.path(), ON_CLOCK, &[]);
    first.event("started");
    let mut second = Program::start(folder.path(), ON_CLOCK, &[]);
    let (mut socket, _) = page(&mut second);
    let now = socket.until("a caution", |now| Socket::word(now, "journal-lost").is_some());
    assert!(Socket::word(&now, "journal-lost").unwrap().contains("is kept by another run of this piece"), "{now}");
    assert_eq!(second.terminate().status, Some(0));
    assert_eq!(first.terminate().status, Some(0));
}

#[test]
fn a_show_that_is_started_while_the_last_one_is_still_ending_has_its_journal() {
    let folder = folder(PIECE);
    let mut first = Program::start(folder.path(), ON_CLOCK, &[]);
    first.event("started");
    first.signal("HUP");
    // Its terminal is gone, and in another the same is begun at once: the first still fades out and closes its files.
    let mut second = Program::start(folder.path(), ON_CLOCK, &[]);
    second.event("started");
    assert_eq!(first.end().status, Some(0));
    let ended = second.terminate();
    assert!(ended.status == Some(0) && !ended.words.contains("journal"), "{}", ended.words);
}

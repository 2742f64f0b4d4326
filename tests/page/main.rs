//! The page in a real browser, before the real engine on the built-in clock.

mod browser;
#[path = "../common/mod.rs"]
mod common;
mod conditions;
#[cfg(target_os = "linux")]
mod cost;
#[path = "../../engine/page/tests/house/mod.rs"]
mod house;
mod study;

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use browser::{Browser, Device, LAPTOP, PHONE, TABLET};
use common::client::RATE;
use common::folder;
use common::log::{channels, gestures};
use common::packages;
use common::program::Program;
use common::socket::Socket;
use rosc::{OscMessage, OscPacket, OscType};
use serde_json::{Value, json};
use tempfile::TempDir;

/// A port that nobody has at this moment.
fn free_port() -> u16 {
    std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

/// The program with the made-up ensemble before its mics, and the address of its page.
fn demo(folder: &Path, more: &str) -> (Program, String) {
    let arguments = format!("demo --host clock --json --page 127.0.0.1:0{more}");
    let mut program = Program::start(folder, &arguments, &[]);
    let address = program.event("started")["page"].as_str().expect("there is a page").to_owned();
    (program, address)
}

fn somewhere() -> TempDir {
    tempfile::tempdir().unwrap()
}

/// A press so long after another is no double tap.
const A_WHILE: std::time::Duration = std::time::Duration::from_millis(800);

/// A page that shows how things are.
fn ready(address: &str) -> Browser {
    let browser = Browser::open(address);
    browser.until(CONNECTED);
    browser
}

const CONNECTED: &str =
    "document.body.dataset.connected === 'true' && document.querySelector('#mark').innerText !== ''";

fn mark_is(mark: &str) -> String {
    format!("document.querySelector('#mark').innerText.trim() === '{mark}'")
}

#[test]
fn scenes_are_fired_by_key_by_touch_and_from_the_list_and_a_double_tap_fires_once() {
    let folder = somewhere();
    let (program, address) = demo(folder.path(), " --log run");
    let browser = ready(&address);
    // Page Down is the piece's own key: its controller `step` fires the next scene.
    browser.until(&mark_is("A"));
    browser.key("PageDown");
    browser.until(&mark_is("B"));
    browser.device(PHONE);
    browser.tap("#fire", 2);
    browser.until(&mark_is("C"));
    browser.device(LAPTOP);
    browser.key("PageUp");
    browser.until(&mark_is("B"));
    // From the list: chosen first, then confirmed.
    std::thread::sleep(A_WHILE);
    browser.click("#choose");
    browser.until("document.querySelector('#marks').open");
    browser.click("#marks input[value=\"E\"]");
    browser.until("document.querySelector('#confirm').innerText === 'Fire E'");
    assert_eq!(browser.text("#mark"), "B", "a choice alone fires nothing");
    browser.click("#confirm");
    browser.until(&mark_is("E"));
    drop(browser);
    let ended = program.terminate();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
    let fired: Vec<_> = gestures(&folder.path().join("run/gestures.csv"))
        .into_iter()
        .filter_map(|(_, name, value)| (name == "fire").then_some(value))
        .collect();
    assert_eq!(fired, ["A", "B", "C", "B", "E"]);
}

#[test]
fn a_lever_that_is_dragged_moves_the_engine_and_is_heard() {
    let folder = somewhere();
    let (program, address) = demo(folder.path(), " --log run");
    let browser = ready(&address);
    for mark in ["B", "C"] {
        browser.key("PageDown");
        browser.until(&mark_is(mark));
        std::thread::sleep(A_WHILE);
    }
    // By then she has sung; `wheel` reads what she sang backwards, and at rest nothing is heard.
    let lever = "[data-lever=\"wheel\"] input";
    browser.until("document.querySelector('#since-start').innerText >= '0:08'");
    let sounds = "document.querySelector('[data-lever=\"wheel\"]').dataset.state === 'on'";
    browser.try_until(sounds, || browser.drag(lever, 0.03, 0.8));
    let shown = browser.script(&format!("return Number(document.querySelector('{lever}').value);")).as_f64().unwrap();
    assert!((0.6..=1.0).contains(&shown), "{shown}");
    std::thread::sleep(std::time::Duration::from_secs(3));
    // By arrow keys as well.
    browser.script(&format!("document.querySelector('{lever}').focus();"));
    browser.key("ArrowRight");
    browser.until(&format!("Number(document.querySelector('{lever}').value) > {shown}"));
    drop(browser);
    let ended = program.terminate();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
    let run = folder.path().join("run");
    let moved: Vec<_> =
        gestures(&run.join("gestures.csv")).into_iter().filter(|(_, name, _)| name == "wheel").collect();
    assert!(moved.len() > 3, "a drag is many moves: {moved:?}");
    let (first, ..) = moved[0];
    let last: f64 = moved[moved.len() - 1].2.parse().unwrap();
    assert!(last > shown && last <= 1.0, "the arrow key came last: {last}, {shown}");
    let outputs = channels(&run.join("outputs.wav"));
    let peak = |from: usize, to: usize| outputs.iter().flat_map(|out| &out[from..to]).fold(0f32, |p, x| p.max(x.abs()));
    assert!(peak(first - RATE as usize, first) < 1e-4, "before the lever moves nothing is heard");
    assert!(peak(first, first + 3 * RATE as usize) > 0.01, "then the effect is");
    // With a page open or none, the sound is that of the gestures, bit for bit.
    let again = Program::start(folder.path(), "rehearse run/piece.toml --take run --out again.wav --json", &[]).end();
    assert_eq!(again.status, Some(0), "{}", again.words);
    let again = channels(&folder.path().join("again.wav"));
    assert!(outputs.iter().zip(&again).all(|(a, b)| a.iter().map(|x| x.to_bits()).eq(b.iter().map(|x| x.to_bits()))));
}

#[test]
fn two_pages_agree_and_both_show_what_another_hand_does() {
    let folder = somewhere();
    let (program, address) = demo(folder.path(), "");
    let (one, other) = (ready(&address), ready(&address));
    let watch = "window.seen = null; const mark = document.querySelector('#mark'); \
                 new MutationObserver(() => { window.seen ??= Date.now(); }) \
                 .observe(mark, { childList: true, characterData: true, subtree: true });";
    let mut apart = Vec::new();
    for mark in ["B", "C", "D"] {
        one.script(watch);
        other.script(watch);
        one.click("#fire");
        one.until(&mark_is(mark));
        other.until(&mark_is(mark));
        let at = |browser: &Browser| browser.script("return window.seen;").as_f64().unwrap();
        apart.push((at(&one) - at(&other)).abs());
        // A press that comes too soon after another does nothing.
        std::thread::sleep(A_WHILE);
    }
    println!("the pages changed {apart:?} ms apart");
    other.script("document.querySelector('[data-lever=\"swell\"] input').focus();");
    for _ in 0..5 {
        other.key("ArrowUp");
    }
    let value = "Number(document.querySelector('[data-lever=\"swell\"] input').value)";
    other.until(&format!("{value} > 0"));
    let moved = other.script(&format!("return {value};"));
    one.until(&format!("Math.abs({value} - {moved}) < 0.02"));
    drop((one, other));
    assert_eq!(program.terminate().status, Some(0));
}

#[test]
fn a_page_recovers_by_itself_when_the_program_is_killed_and_starts_again() {
    let folder = somewhere();
    let port = free_port();
    let start = || {
        let arguments = format!("demo --host clock --json --page 127.0.0.1:{port}");
        let mut program = Program::start(folder.path(), &arguments, &[]);
        program.event("started");
        program
    };
    let program = start();
    let browser = ready(&format!("http://127.0.0.1:{port}/"));
    browser.key("PageDown");
    browser.until(&mark_is("B"));
    program.signal("KILL");
    program.end();
    browser.until("document.body.dataset.connected === 'false'");
    assert!(!browser.text("#status").is_empty(), "it says so in words");
    let program = start();
    browser.until(CONNECTED);
    browser.until(&mark_is("A"));
    browser.key("PageDown");
    browser.until(&mark_is("B"));
    drop(browser);
    assert_eq!(program.terminate().status, Some(0));
}

#[test]
fn why_an_effect_does_not_do_what_is_asked_is_said_in_the_same_words_everywhere() {
    let piece = "mics = { voice = 1 }\noutputs = { left = 1 }\n[controllers]\nfoot = {}\nhand = {}\nwheel = {}\n\
                 [[scene]]\nmark = \"A\"\nmic.voice.reverse = { by = \"foot\" }\nmic.voice.freeze = { by = \"hand\" }\n\
                 mic.voice.stretch = { by = \"wheel\", memory = \"1 s\" }\n\
                 [[scene]]\nmark = \"B\"\nmic.voice.double = { by = \"foot\" }\n";
    let folder = folder(piece);
    let arguments = "play piece.toml --host clock --json --page 127.0.0.1:0 --no-journal";
    let mut play = Program::start(folder.path(), arguments, &[]);
    let address = play.event("started")["page"].as_str().expect("there is a page").to_owned();
    let browser = ready(&address);
    let mut socket = Socket::open(&address);
    let shown = |key: &str| format!("document.querySelector('[data-effect=\"{key}\"] .state').innerText");
    // Nobody plays here, and the foot is down when the scene comes that has it too.
    let asked = [
        ("foot", "reverse", "nothing was sounding"),
        ("hand", "freeze", "nothing was sounding"),
        ("wheel", "stretch", "memory full"),
    ];
    for (name, key, why) in asked {
        socket.ask(json!({ "do": "controller", "name": name, "value": 0.7 }));
        let told = loop {
            let told = play.event("effect");
            if told["key"] == key && told["why"] == why {
                break told;
            }
        };
        assert_eq!(told["owner"], "voice");
        // The reverse has heard all there was by its next span.
        if key != "reverse" {
            browser.until(&format!("{} === '{why}'", shown(key)));
            browser.until(&format!("document.querySelector('#words').innerText.includes('voice {key}: {why}')"));
        }
    }
    socket.ask(json!({ "do": "hush", "on": true }));
    for (_, key, _) in asked {
        browser.until(&format!("{} === 'hushed'", shown(key)));
    }
    socket.ask(json!({ "do": "hush", "on": false }));
    for (name, key, _) in asked {
        browser.until(&format!("{} === 'waits for rest: bring {name} to rest first'", shown(key)));
    }
    drop(browser);
    let ended = play.terminate();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
    for (_, key, why) in asked {
        for why in [why, "waits for rest"] {
            assert!(ended.words.contains(&format!("{key} of voice: {why}")), "{key}: {why}\n{}", ended.words);
        }
    }
}

#[test]
fn hush_silences_and_after_its_release_what_waits_is_said() {
    let folder = somewhere();
    let (program, address) = demo(folder.path(), " --log run");
    let browser = ready(&address);
    let lever = "[data-lever=\"pedal\"] input";
    // Where it is, and what is said besides.
    let place = format!(
        "return [document.querySelector('{lever}').getBoundingClientRect().top,
                 [...document.querySelectorAll('#words p:not(.hushed)')].map((line) => line.innerText)];"
    );
    browser.until("document.querySelector('#words').innerText.includes('no sound device')");
    let before = browser.script(&place);
    std::thread::sleep(std::time::Duration::from_secs(2));
    browser.script(&format!("document.querySelector('{lever}').focus();"));
    browser.key("End");
    // End is the piece's own key: hush, and not the lever's end.
    browser.until("document.querySelector('#hush').dataset.hushed === 'true'");
    browser.until("document.querySelector('#words').innerText.includes('Hushed')");
    let hushed = browser.script(&place);
    // A machine that was late meanwhile has more to say than there is room for.
    if [&before, &hushed].iter().all(|seen| seen[1].as_array().unwrap().len() == 1) {
        assert_eq!(hushed[0], before[0], "nothing moves under a hand");
    } else {
        println!("not judged whether anything moves: {before} {hushed}");
    }
    browser.click("#hush");
    browser.until("document.querySelector('#hush').dataset.hushed === 'false'");
    // A line of news that comes meanwhile pushes the lever from under the hand.
    let sounds = "document.querySelector('[data-lever=\"pedal\"]').dataset.state === 'on'";
    browser.try_until(sounds, || browser.drag(lever, 0.03, 0.97));
    // A second tap of a frightened hand does not release it.
    browser.script("const hush = document.querySelector('#hush'); hush.click(); hush.click();");
    browser.until("document.querySelector('#hush').dataset.hushed === 'true'");
    std::thread::sleep(A_WHILE);
    assert_eq!(browser.script("return document.querySelector('#hush').dataset.hushed;"), "true");
    browser.click("#hush");
    browser.until("document.querySelector('#hush').dataset.hushed === 'false'");
    browser.until("document.querySelector('[data-lever=\"pedal\"]').dataset.state === 'waits'");
    browser.until("document.querySelector('#words').innerText.includes('pedal')");
    drop(browser);
    let ended = program.terminate();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
    let run = folder.path().join("run");
    let hushes: Vec<_> =
        gestures(&run.join("gestures.csv")).into_iter().filter(|(_, name, _)| name == "hush").collect();
    let values: Vec<_> = hushes.iter().map(|(_, _, value)| value.as_str()).collect();
    assert_eq!(values, ["1", "0", "1", "0", "1"], "the last is the end of the run");
    let outputs = channels(&run.join("outputs.wav"));
    let (hushed, released) = (hushes[2].0 + RATE as usize / 5, hushes[3].0);
    if hushed < released {
        assert!(outputs.iter().flat_map(|out| &out[hushed..released]).all(|x| *x == 0.0), "silent 200 ms after");
    }
}

#[test]
fn levels_and_mutes_are_gestures_like_any_other() {
    let folder = somewhere();
    let (program, address) = demo(folder.path(), " --log run");
    let browser = ready(&address);
    let mute = "[data-mic=\"viol\"] button";
    browser.click(mute);
    browser.until(&format!("document.querySelector('{mute}').getAttribute('aria-pressed') === 'true'"));
    for output in ["left", "over all"] {
        browser.script(&format!("document.querySelector('[data-level=\"{output}\"] input').focus();"));
        browser.key("ArrowRight");
    }
    std::thread::sleep(std::time::Duration::from_millis(300));
    drop(browser);
    assert_eq!(program.terminate().status, Some(0));
    let names: Vec<_> =
        gestures(&folder.path().join("run/gestures.csv")).into_iter().map(|(_, name, _)| name).collect();
    for name in ["mute/viol", "level/left", "level"] {
        assert!(names.iter().any(|written| written == name), "{name} in {names:?}");
    }
}

#[test]
fn a_mark_that_is_a_word_lies_over_nothing() {
    let scene = |mark: &str, name: &str| format!("[[scene]]\nmark = \"{mark}\"\nname = \"{name}\"\n");
    let scenes = [("Intermezzo", "The bells far away"), ("Interlude for two", ""), ("Unaussprechlichkeiten", "x")];
    let scenes: String = scenes.map(|(mark, name)| scene(mark, name)).concat();
    let folder =
        folder(&format!("title = \"Slate and Rope\"\nmics = {{ voice = 1 }}\noutputs = {{ left = 1 }}\n{scenes}"));
    let arguments = "play piece.toml --host clock --json --page 127.0.0.1:0 --no-journal";
    let mut program = Program::start(folder.path(), arguments, &[]);
    let address = program.event("started")["page"].as_str().expect("there is a page").to_owned();
    let browser = ready(&address);
    for _ in 0..3 {
        for device in [PHONE, TABLET, LAPTOP] {
            let Device { name, .. } = device;
            browser.device(device);
            std::thread::sleep(std::time::Duration::from_millis(300));
            let over = browser.script(
                "const box = (what) => document.querySelector(what).getBoundingClientRect(), mark = box('#mark'); \
                 const others = ['#title', '.head .clocks', '.here .where', '.head .next'].map(box); \
                 const lies = (a, b) => b.width > 0 && a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom; \
                 return others.filter((other) => lies(mark, other)).length + (mark.right > innerWidth || mark.left < 0 ? 1 : 0);",
            );
            assert_eq!(over, Value::from(0), "{name}: {}", browser.text("#mark"));
            browser.script("location.hash = '#cue';");
            browser.until("!document.querySelector('#cue').hidden");
            let cut = browser.script(
                "const mark = document.querySelector('#cue .mark').getBoundingClientRect(); \
                 return mark.right > innerWidth || document.documentElement.scrollWidth > innerWidth;",
            );
            assert_eq!(cut, Value::from(false), "{name}: {}", browser.text("#mark"));
            if let Some(folder) = pictures() {
                browser.picture(&folder.join(format!("cue-word-{name}.png")));
            }
            browser.script("location.hash = '#score';");
            browser.until("!document.querySelector('#score').hidden");
        }
        browser.key("PageDown");
        std::thread::sleep(A_WHILE);
    }
    drop(browser);
    assert_eq!(program.terminate().status, Some(0));
}

#[test]
fn the_desk_learns_a_controller_by_working_it() {
    let folder = common::folder(
        "mics = { voice = 1 }\noutputs = { left = 1 }\ncontrollers = { foot = { cc = 11 } }\n[[scene]]\nmark = \"A\"\n\
         mic.voice.direct = { by = \"foot\" }\n",
    );
    std::fs::write(folder.path().join("hall.toml"), "").unwrap();
    let free = std::net::UdpSocket::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let arguments = format!(
        "soundcheck piece.toml --hall hall.toml --host clock --json --page 127.0.0.1:0 --osc {free} --no-journal"
    );
    let mut program = Program::start(folder.path(), &arguments, &[]);
    let address = program.event("started")["page"].as_str().expect("there is a page").to_owned();
    let browser = ready(&address);
    let row = "[data-controller=\"foot\"]";
    let says = |what: &str, words: &str| {
        browser.until(&format!("document.querySelector('{row} {what}').innerText.includes('{words}')"));
    };
    says(".by", "MIDI control 11");
    browser.click(&format!("{row} button"));
    says(".said", "Press the pedal");
    says("button", "Leave it");
    assert_eq!(rules(&browser), Value::Array(Vec::new()));
    let socket = std::net::UdpSocket::bind("127.0.0.1:0").unwrap();
    for value in [1.0, 0.0] {
        let message = OscMessage { addr: "/reed".to_owned(), args: vec![OscType::Float(value)] };
        socket.send_to(&rosc::encoder::encode(&OscPacket::Message(message)).unwrap(), free).unwrap();
    }
    says(".said", "Written in the hall file");
    says(".by", "OSC /reed");
    says("button", "Learn");
    drop(browser);
    assert_eq!(program.terminate().status, Some(0));
    let hall = std::fs::read_to_string(folder.path().join("hall.toml")).unwrap();
    assert_eq!(hall, "[controllers]\nfoot = { osc = \"/reed\" }\n");
}

#[test]
fn the_desk_moves_an_effects_level_at_its_name_and_has_it_written_into_the_hall() {
    let folder = folder(
        "title = \"Salt and Linen\"\nmics = { voice = 1, viol = 2 }\noutputs = { left = 1, right = 2 }\n\
         controllers = { foot = {}, hand = {} }\n[[scene]]\nmark = \"A\"\nmic.voice.freeze = { by = \"foot\" }\n\
         mic.voice.direct = { by = \"scene\" }\nmic.viol.reverse = { by = \"hand\" }\n",
    );
    let hall = folder.path().join("hall.toml");
    std::fs::write(&hall, "[levels]\n\"viol.reverse\" = \"-2 dB\"\n").unwrap();
    let arguments = "play piece.toml --hall hall.toml --host clock --json --page 127.0.0.1:0 --no-journal";
    let mut program = Program::start(folder.path(), arguments, &[]);
    let address = program.event("started")["page"].as_str().expect("there is a page").to_owned();
    let browser = ready(&address);
    let beside = |effect: &str, words: &str| {
        browser.until(&format!("document.querySelector('[data-effect={effect}] .trim').innerText === '{words}'"));
    };
    beside("reverse", "−2.0 dB");
    beside("freeze", "");
    browser.click("[data-trim=\"voice.freeze\"]");
    browser.until("document.querySelector('[data-effect=freeze] .tonight').offsetParent !== null");
    // By hand to its top and to its foot, then by the keys: half a dB each.
    let level = "[data-trim-level=\"voice.freeze\"] input";
    browser.drag(level, 0.8, 1.0);
    beside("freeze", "+6.0 dB");
    browser.drag(level, 0.9, 0.0);
    beside("freeze", "−24.0 dB");
    browser.script(&format!("document.querySelector('{level}').focus()"));
    browser.key("ArrowRight");
    beside("freeze", "−23.5 dB");
    let differs = "document.querySelector('.night .differs').innerText";
    browser.until(&format!("{differs} === 'voice.freeze −23.5 dB (hall 0.0 dB)'"));
    assert_eq!(rules(&browser), Value::Array(Vec::new()));
    if let Some(folder) = pictures() {
        for device in [PHONE, TABLET, LAPTOP] {
            browser.device(device);
            browser.picture(&folder.join(format!("night-{}.png", device.name)));
        }
        browser.device(LAPTOP);
    }
    browser.click(".night button");
    browser.until("document.querySelector('.night .said').innerText.startsWith('Written in the hall file')");
    browser.until(&format!("{differs} === ''"));
    drop(browser);
    assert_eq!(program.terminate().status, Some(0));
    let written = std::fs::read_to_string(hall).unwrap();
    assert_eq!(written, "[levels]\n\"viol.reverse\" = \"-2 dB\"\n\"voice.freeze\" = \"-23.5 dB\"\n");
}

/// The views, by their addresses.
#[test]
fn what_a_mic_has_just_sung_is_studied_and_written_out_in_the_program_itself() {
    let folder = somewhere();
    let (program, address) = demo(folder.path(), "");
    let browser = ready(&address);
    // By then she has sung.
    browser.until("document.querySelector('#since-start').innerText >= '0:09'");
    browser.click("nav [data-view=study]");
    browser.until("document.querySelector('#study-choose')?.offsetParent");
    browser.click("#study-take");
    browser.until("document.querySelectorAll('.partials tbody tr').length > 4");
    browser.until("document.querySelector('.picture img').naturalWidth > 500");
    // She is a voice that sings: a fundamental within her range, with her piece's names.
    let words = browser.text(".in-words");
    assert!(words.contains("Hz (") && words.contains("cents)"), "{words}");
    browser.click("#study-add");
    let files =
        ["notes.musicxml", "notes.mid", "partials.csv", "spectrum.toml", "piece.toml", "chord.wav", "sound.wav"];
    for name in files {
        let asked = format!("/study/1/{name}?from=3&to=4&for=recorder,viol&step=exact");
        let script = format!(
            "fetch('{asked}').then((answer) => answer.arrayBuffer().then((bytes) => done([answer.status, bytes.byteLength])));"
        );
        let told = browser.eventually(&script);
        assert!(told[0] == 200 && told[1].as_u64() > Some(100), "{name}: {told}");
    }
    if let Some(folder) = pictures() {
        for device in [PHONE, TABLET, LAPTOP] {
            browser.device(device);
            browser.picture(&folder.join(format!("studied-{}.png", device.name)));
        }
    }
    drop(browser);
    assert_eq!(program.terminate().status, Some(0));
}

const VIEWS: [&str; 5] = ["score", "soundcheck", "etudes", "study", "cue"];

/// Where pictures are kept, if they are wanted.
fn pictures() -> Option<PathBuf> {
    std::env::var_os("TENTERHOOK_PICTURES").map(PathBuf::from)
}

/// The rules of WCAG 2.2 A and AA that a machine can check: axe-core, out of the package that
/// `tests/page/requirements.txt` names.
fn axe() -> &'static str {
    static AXE: OnceLock<String> = OnceLock::new();
    AXE.get_or_init(|| {
        let script =
            file(&packages::python("page", &["--no-deps"]), "axe.min.js").expect("the package brings axe.min.js");
        std::fs::read_to_string(script).unwrap()
    })
}

/// The file of this name somewhere below a folder.
fn file(folder: &Path, name: &str) -> Option<PathBuf> {
    let entries = std::fs::read_dir(folder).ok()?.flatten();
    let (folders, files): (Vec<_>, Vec<_>) = entries.map(|entry| entry.path()).partition(|path| path.is_dir());
    let found = files.into_iter().find(|path| path.file_name().is_some_and(|own| own == name));
    found.or_else(|| folders.iter().find_map(|folder| file(folder, name)))
}

/// Which rules the page breaks just now, and where.
fn rules(browser: &Browser) -> Value {
    // The page lets no foreign script in; a test's comes by the driver.
    browser.script(axe());
    browser.eventually(
        "axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'] }) \
         .then(found => done(found.violations.map(one => \
         [one.id, one.help, one.nodes.map(node => node.html).slice(0, 3)])));",
    )
}

#[test]
fn no_view_breaks_the_rules_of_accessibility_in_any_size_or_theme() {
    let folder = somewhere();
    let (program, address) = demo(folder.path(), "");
    let browser = ready(&address);
    for view in VIEWS {
        for device in [PHONE, TABLET, LAPTOP] {
            for dark in [false, true] {
                let Device { name, .. } = device;
                browser.device(device);
                browser.dark(dark);
                browser.script(&format!("location.hash = '#{view}';"));
                browser.until(&format!(
                    "document.body.dataset.view === '{view}' && !document.querySelector('#{view}').hidden"
                ));
                if view == "soundcheck" {
                    browser.script("document.getElementById('look-over').click();");
                    // The device has its line, and each of the other checks of `check --doors`.
                    browser.until("document.querySelectorAll('#machine li').length === 14");
                }
                std::thread::sleep(std::time::Duration::from_millis(300));
                if let Some(folder) = pictures() {
                    let theme = if dark { "dark" } else { "light" };
                    browser.picture(&folder.join(format!("{view}-{name}-{theme}.png")));
                }
                assert_eq!(rules(&browser), Value::Array(Vec::new()), "{view}, {name}, dark: {dark}");
                let wide = browser.script("return document.documentElement.scrollWidth > innerWidth;");
                assert_eq!(wide, Value::Bool(false), "{view}, {name}: nothing lies beside the page");
            }
        }
    }
    // The rules do find what breaks them.
    browser.script("const img = document.createElement('img'); img.src = '/x.png'; document.body.append(img);");
    let found = browser.eventually("axe.run(document).then(found => done(found.violations.map(one => one.id)));");
    assert!(found.as_array().unwrap().iter().any(|id| id == "image-alt"), "{found}");
    drop(browser);
    assert_eq!(program.terminate().status, Some(0));
}

#[test]
fn a_first_visit_moves_less_than_100_kilobytes() {
    let folder = somewhere();
    let (program, address) = demo(folder.path(), "");
    let browser = ready(&address);
    let moved = browser.script(
        "return [...performance.getEntriesByType('navigation'), ...performance.getEntriesByType('resource')] \
         .map(one => one.transferSize).reduce((all, one) => all + one);",
    );
    let moved = moved.as_f64().unwrap();
    println!("{moved} bytes");
    assert!(moved > 10_000.0 && moved < 100_000.0, "{moved} bytes");
    drop(browser);
    assert_eq!(program.terminate().status, Some(0));
}

/// As many mics as an evening has, each with its effect.
fn sixteen() -> String {
    let names: Vec<_> = (1..=16).map(|n| format!("reed{n}")).collect();
    let mics: Vec<_> = names.iter().zip(1..).map(|(name, n)| format!("{name} = {n}\n")).collect();
    let levers: Vec<_> = names.iter().map(|name| format!("hand_{name} = {{}}\n")).collect();
    let effects: Vec<_> =
        names.iter().map(|name| format!("mic.{name}.stretch = {{ by = \"hand_{name}\" }}\n")).collect();
    format!(
        "title = \"Sixteen Reeds\"\n[mics]\n{}[outputs]\nleft = 1\nright = 2\n[controllers]\n{}[[scene]]\nmark = \"A\"\n{}",
        mics.concat(),
        levers.concat(),
        effects.concat()
    )
}

#[test]
fn drawing_sixteen_mics_leaves_time_between_two_pictures() {
    let folder = folder(&sixteen());
    let mut program = Program::start(folder.path(), "play piece.toml --host clock --json --page 127.0.0.1:0", &[]);
    let address = program.event("started")["page"].as_str().unwrap().to_owned();
    let browser = ready(&address);
    // The time from one picture to the next, for two seconds, and the longest task of the page's own.
    let seen = browser.eventually(
        "const times = []; const step = (at) => { times.push(at); \
         if (at - times[0] < 2000) requestAnimationFrame(step); else done(times); }; requestAnimationFrame(step);",
    );
    let times: Vec<f64> = seen.as_array().unwrap().iter().map(|time| time.as_f64().unwrap()).collect();
    let mut steps: Vec<f64> = times.windows(2).map(|pair| pair[1] - pair[0]).collect();
    steps.sort_by(f64::total_cmp);
    println!(
        "{} pictures in 2 s; median {:.1} ms apart, 95 % {:.1} ms",
        steps.len(),
        steps[steps.len() / 2],
        steps[steps.len() * 95 / 100]
    );
    assert!(times.len() > 10, "it is drawn at all");
    if let Some(folder) = pictures() {
        for device in [PHONE, TABLET, LAPTOP] {
            browser.device(device);
            for view in ["score", "soundcheck"] {
                browser.script(&format!("location.hash = '#{view}';"));
                std::thread::sleep(std::time::Duration::from_millis(500));
                browser.picture(&folder.join(format!("sixteen-{view}-{}.png", device.name)));
            }
        }
    }
    drop(browser);
    assert_eq!(program.terminate().status, Some(0));
}

#[test]
#[cfg(target_os = "linux")]
#[ignore = "a measurement: cargo test --release --test page cost -- --ignored --nocapture"]
fn what_pages_cost() {
    for pages in [0, 4, 0, 4, 0, 4] {
        let folder = folder(&sixteen());
        let mut program = Program::start(folder.path(), "play piece.toml --host clock --json --page 127.0.0.1:0", &[]);
        let address = program.event("started")["page"].as_str().unwrap().to_owned();
        let shares = cost::shares(program.id(), &address, pages, &["page", "desk", "hub"]);
        let ended = program.terminate();
        let percent: Vec<_> = shares.iter().map(|share| format!("{:.1}", 100.0 * share)).collect();
        println!(
            "{pages} pages: server {}, desk {}, hub {} % of a core; process {:.2} % of its time",
            percent[0],
            percent[1],
            percent[2],
            100.0 * ended.load()["load"]["mean"].as_f64().unwrap(),
        );
    }
}

//! What is told by OSC, and who may work the show by it.

use std::time::Duration;

use rosc::OscType::{Float, Int, String as Text};
use rosc::{OscMessage, OscType};

use super::common::folder;
use super::common::log::gestures;
use super::common::program::Program;
use super::common::server::within_a_minute;
use super::{NO_SERVER, PIECE, Surface, free};

fn named<'a>(heard: &'a [(usize, Vec<OscMessage>)], address: &str) -> Vec<&'a [OscType]> {
    let all = heard.iter().flat_map(|(_, bundle)| bundle);
    all.filter(|message| message.addr == address).map(|message| message.args.as_slice()).collect()
}

/// A sine of half of full scale: its peak is -6.02 dB, its root mean square 3.01 dB below that.
#[test]
fn an_output_of_a_known_level_is_told_at_that_level() {
    let piece = "mics = { voice = 1 }\noutputs = { left = 1, right = 2 }\ncontrollers = { reel = {} }\n[[scene]]\n\
                 mark = \"A\"\nmic.voice.tape = { by = \"reel\", file = \"sine.wav\", \
                 to = { left = \"0 dB\", right = \"-12 dB\" } }\n";
    let folder = folder(piece);
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut wav = hound::WavWriter::create(folder.path().join("sine.wav"), spec).unwrap();
    // 480 whole waves: it goes round without a step.
    (0..48_000).for_each(|n| wav.write_sample(0.5 * (std::f32::consts::TAU * n as f32 / 100.0).sin()).unwrap());
    wav.finalize().unwrap();
    let (surface, lights, door) = (Surface::new(), Surface::new(), free());
    let arguments = format!("play piece.toml --host clock --json --no-page --osc {door} --osc-to {}", lights.address());
    let mut play = Program::start(folder.path(), &arguments, &[NO_SERVER]);
    play.event("started");
    surface.say(door, "/tenterhook/controller/reel", &[Float(1.0)]);
    for (address, db) in [("left", -6.02), ("right", -18.02)] {
        let mut last = Vec::new();
        within_a_minute("its level is told", || {
            let heard = lights.listen(Duration::from_millis(300));
            last = named(&heard, &format!("/tenterhook/meter/output/{address}"))
                .last()
                .map_or(last.clone(), |one| one.to_vec());
            let [Float(peak), Float(rms)] = last[..] else { return false };
            (peak - db).abs() < 0.1 && (rms - (db - 3.01)).abs() < 0.1
        });
    }
    assert_eq!(play.terminate().status, Some(0));
}

#[test]
fn everything_can_be_worked_and_everything_is_told() {
    let folder = folder(PIECE);
    let (surface, lights, door) = (Surface::new(), Surface::new(), free());
    let arguments =
        format!("play piece.toml --host clock --json --no-page --log run --osc {door} --osc-to {}", lights.address());
    let mut play = Program::start(folder.path(), &arguments, &[NO_SERVER]);
    assert_eq!(play.event("started")["osc"], door.to_string());
    let beginning = lights.listen(Duration::from_secs(1));
    assert_eq!(
        named(&beginning, "/tenterhook/scene").first(),
        Some(&&[Text("A".into()), Text("Threshold".into()), Int(0)][..])
    );

    let said: [(&str, &[OscType]); 9] = [
        ("/tenterhook/controller/pedal", &[Float(0.75)]),
        ("/sway", &[Float(0.0)]),
        ("/tenterhook/fire", &[Text("C".into())]),
        ("/tenterhook/back", &[]),
        ("/tenterhook/level", &[Float(-6.0)]),
        ("/tenterhook/level/right", &[Float(-3.5)]),
        ("/tenterhook/mute/voice", &[Int(1)]),
        ("/tenterhook/hush", &[Int(1)]),
        ("/tenterhook/hush", &[Int(0)]),
    ];
    for (address, arguments) in said {
        surface.say(door, address, arguments);
    }
    let mut heard = lights.listen(Duration::from_secs(2));
    // What was told of its own accord: not the state that is told each second, which says so.
    let is_made = |bundle: &[OscMessage]| bundle[0].addr == "/tenterhook/relay" && bundle[0].args[3] == Int(0);
    let is_last = |one: &OscMessage| one.addr == "/tenterhook/hush" && one.args == [Int(0)];
    within_a_minute("all is told", || {
        heard.extend(lights.listen(Duration::from_millis(200)));
        heard.iter().any(|(_, bundle)| is_made(bundle) && bundle.iter().any(is_last))
    });
    let made = heard.iter().filter(|(_, bundle)| is_made(bundle)).flat_map(|(_, bundle)| &bundle[1..]);
    let made: Vec<_> = made.map(|message| (message.addr.as_str(), message.args.as_slice())).collect();
    let scene = |mark: &str, index| [Text(mark.into()), Text("".into()), Int(index)];
    let (to_c, to_b) = (scene("C", 2), scene("B", 1));
    assert_eq!(
        made,
        [
            ("/tenterhook/controller/pedal", &[Float(0.75)][..]),
            ("/tenterhook/controller/sway", &[Float(0.5)]),
            ("/tenterhook/fire", &[Text("C".into())]),
            ("/tenterhook/scene", &to_c),
            ("/tenterhook/fire", &[Text("B".into())]),
            ("/tenterhook/scene", &to_b),
            ("/tenterhook/level", &[Float(-6.0)]),
            ("/tenterhook/level/right", &[Float(-3.5)]),
            ("/tenterhook/mute/voice", &[Int(1)]),
            ("/tenterhook/hush", &[Int(1)]),
            ("/tenterhook/hush", &[Int(0)]),
        ]
    );
    let longest = heard.iter().map(|(length, _)| *length).max().unwrap();
    let meters = heard.iter().filter(|(_, bundle)| bundle[0].addr.starts_with("/tenterhook/meter/")).count();
    println!("{} packets in 2 s, the longest of {longest} bytes; {meters} with meters", heard.len());
    assert!(longest <= 1472);
    // 30 a second, where the machine does not stall.
    assert!(meters > 0, "meters are told");
    for address in ["/tenterhook/meter/mic/voice", "/tenterhook/meter/output/left", "/tenterhook/meter/output/right"] {
        let told = named(&heard, address);
        assert!(!told.is_empty() && told.iter().all(|values| *values == [Float(-160.0), Float(-160.0)]), "{address}");
    }

    let ended = play.terminate();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
    assert!(ended.words.contains("photosensitive epilepsy"), "{}", ended.words);
    assert_eq!(ended.load()["osc_refused"]["senseless"], 0);
    // Nobody is told that the program itself ends: who follows goes on.
    assert_eq!(named(&lights.listen(Duration::from_millis(200)), "/tenterhook/hush").len(), 0);
    let written = gestures(&folder.path().join("run/gestures.csv"));
    let written: Vec<_> = written.iter().skip(1).map(|(_, name, value)| format!("{name},{value}")).collect();
    let expected = [
        "pedal,0.75",
        "sway,0.5",
        "fire,C",
        "fire,B",
        "level,-6",
        "level/right,-3.5",
        "mute/voice,1",
        "hush,1",
        "hush,0",
        // Its own end.
        "hush,1",
    ];
    assert_eq!(written, expected);
}

#[test]
fn without_being_asked_it_opens_no_door_but_the_pieces_own() {
    let folder = folder(&PIECE.replace("sway = { osc = \"/sway\", from = -1.0, to = 1.0 }", "sway = {}"));
    let play = Program::start(folder.path(), "play piece.toml --host clock --json --no-page", &[NO_SERVER]);
    let mut play = play;
    assert_eq!(play.event("started")["osc"], serde_json::Value::Null);
    assert_eq!(play.terminate().status, Some(0));
}

#[test]
fn a_receiver_that_cannot_be_reached_disturbs_nothing_and_is_said_once() {
    let folder = folder(PIECE);
    let (lights, nobody) = (Surface::new(), free());
    let arguments = format!(
        "play piece.toml --host clock --json --no-page --osc 127.0.0.1:0 --osc-to {nobody} --osc-to {}",
        lights.address()
    );
    let mut play = Program::start(folder.path(), &arguments, &[NO_SERVER]);
    play.event("started");
    let heard = lights.listen(Duration::from_secs(2));
    let ended = play.terminate();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
    assert!(!heard.is_empty(), "the other one hears");
    assert_eq!(ended.words.matches(&format!("OSC does not reach {nobody}")).count(), 1, "{}", ended.words);
    let refused = ended.load()["osc_told"]["refused"].as_u64().unwrap();
    println!("{refused} packets were refused; {} arrived at the other", heard.len());
    assert!(refused > 0);
}

#[test]
fn a_receiver_that_is_written_wrong_is_an_error_before_anything_begins() {
    let folder = folder(PIECE);
    for to in ["127.0.0.1", "127.0.0.1:lights", "127.0.0.1:70000"] {
        let arguments = format!("play piece.toml --host clock --json --no-page --osc-to {to}");
        let ended = Program::start(folder.path(), &arguments, &[NO_SERVER]).end();
        assert_eq!(ended.status, Some(2), "{}", ended.words);
        assert!(ended.words.contains(&format!("cannot send OSC to `{to}`")), "{}", ended.words);
        assert!(ended.words.contains("write HOST:PORT"), "{}", ended.words);
    }
}

#[test]
fn an_open_door_is_said_in_words() {
    let folder = folder(PIECE);
    let arguments = "play piece.toml --host clock --json --no-page --osc 0.0.0.0:0";
    let mut play = Program::start(folder.path(), arguments, &[NO_SERVER]);
    play.event("started");
    let ended = play.terminate();
    assert!(ended.words.contains("whoever reaches it over the network can work the show"), "{}", ended.words);
}

//! The commands as a person calls them, and what happens when something is wrong.

use std::fs;
use std::io::Write;
use std::process::{Command, Stdio};

use serde_json::Value;
use tenterhook_io::WavWriter;

mod files;
#[cfg(target_os = "linux")]
mod memory;
mod room;

use room::{GESTURES, PIECE, Room, read};

#[test]
fn a_rehearsal_is_the_same_file_for_any_block_and_as_long_as_the_recording_and_its_tail() {
    let room = Room::new();
    for block in [1, 100, 1024] {
        let line = format!(
            "rehearse piece.toml --mics mics.wav --gestures gestures.csv --block {block} --tail 250ms --out {block}.wav"
        );
        let output = room.run(&line);
        assert!(output.status.success(), "{output:?}");
    }
    assert_eq!(read(&room.path("1.wav")), read(&room.path("1024.wav")));
    assert_eq!(read(&room.path("100.wav")), read(&room.path("1024.wav")));
    let out = tenterhook_io::read_wav(&room.path("100.wav")).unwrap();
    // Outputs on channels 1 and 3: the gap between them is silent.
    assert_eq!((out.channels.len(), out.channels[0].len(), out.rate), (3, 57_600 + 12_000, 48_000));
    assert!(out.channels[1].iter().all(|&sample| sample == 0.0));
    assert!(out.channels[0].iter().any(|&sample| sample.abs() > 0.05));
}

#[test]
fn standard_input_and_standard_output_are_files_too() {
    let room = Room::new();
    let mut child = Command::new(env!("CARGO_BIN_EXE_tenterhook"))
        .args(["rehearse", "piece.toml", "--mics", "mics.wav", "--gestures", "-", "--out", "-"])
        .current_dir(room.0.path())
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all(GESTURES.as_bytes()).unwrap();
    let streamed = child.wait_with_output().unwrap();
    assert!(streamed.status.success());
    assert!(room.run("rehearse piece.toml --mics mics.wav --gestures gestures.csv --out out.wav").status.success());
    assert!(streamed.stdout == read(&room.path("out.wav")));
}

#[test]
fn the_summary_says_what_came_out() {
    let room = Room::new();
    let output = room.run("rehearse piece.toml --mics mics.wav --gestures gestures.csv --json");
    let summary: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!((&summary["frames"], &summary["rate"]), (&57_600.into(), &48_000.into()));
    assert_eq!(summary["outputs"][0]["name"], "left");
    assert!(summary["outputs"][0]["peak_db"].as_f64().unwrap() > -30.0);
}

#[test]
fn what_is_wrong_with_the_request_is_said_once_with_place_reason_and_remedy_and_status_2() {
    let room = Room::new();
    room.write("words.wav", "not a WAV at all, but long enough to hold a header of forty-four bytes");
    room.write("back.csv", "seconds,controller,value\n2,pedal,1\n1.5,pedal,0\n");
    room.write("bytes.toml", [0x74, 0xFF, 0xFE]);
    room.recording("mono.wav", 1);
    // The rate, and the bytes a second, stand in the eight bytes from the 24th on.
    let mut still = read(&room.path("mono.wav"));
    still[24..32].fill(0);
    room.write("still.wav", still);
    let base = "rehearse piece.toml --mics mics.wav";
    for (arguments, words) in [
        ("check nowhere.toml", &["nowhere.toml", "check the name"][..]),
        ("check bytes.toml", &["bytes.toml", "UTF-8"]),
        ("check piece.toml --hall nowhere.toml", &["nowhere.toml"]),
        ("rehearse piece.toml --mics nowhere.wav", &["nowhere.wav", "check the name"]),
        ("rehearse piece.toml --mics words.wav", &["words.wav is not a WAV file", "export"]),
        ("rehearse piece.toml --mics mono.wav", &["mic `viol` is on input 2", "mono.wav has 1 channel:", "hall file"]),
        (&format!("{base} --gestures back.csv"), &["back.csv:3:", "1.5"]),
        (&format!("{base} --from Q"), &["no mark `Q`", "`A`"]),
        (&format!("{base} --out nowhere/out.wav"), &["nowhere/out.wav"]),
        (&format!("{base} --out mics.wav"), &["mics.wav", "made from", "another name"]),
        (&format!("{base} --out /dev/null"), &["/dev/null", "no plain file", "another name"]),
        ("rehearse piece.toml --mics still.wav", &["still.wav says 0 Hz", "8000"]),
        (&format!("{base} --tail 5"), &["--tail", "5 s"]),
        (&format!("{base} --block 0"), &["--block"]),
        ("rehearse piece.toml", &["--mics"]),
        ("load nowhere.toml", &["nowhere.toml", "check the name"]),
        ("load piece.toml --block 0", &["--block", "1..=8192"]),
        ("load piece.toml --rate 1", &["--rate", "8000..=192000"]),
        ("etudes nothing", &["no étude `nothing`", "freeze"]),
        ("play piece.toml --page localhost:4250", &["localhost:4250", "--page", "as in 127.0.0.1:4250"]),
        ("play piece.toml --osc 4251", &["--osc", "an address in numbers and a port, as in 127.0.0.1:4251"]),
        ("play piece.toml --host elsewhere", &["elsewhere", "jack", "clock"]),
    ] {
        let (status, said) = room.refused(arguments);
        assert_eq!(status, 2, "{arguments}: {said}");
        for word in words {
            assert!(said.contains(word), "{arguments}: no {word:?} in\n{said}");
        }
    }
}

#[test]
fn all_errors_of_a_piece_are_shown_at_once_in_their_order() {
    let room = Room::new();
    room.write(
        "wrong.toml",
        "[mics]\nvoice = 1\nviol = 1\n[outputs]\nleft = 1\n[controllers]\npedal = { cc = 64, fall = 4 }\n\
         [[scene]]\nmark = \"A\"\nmic.voice.freez = { by = \"pedal\" }\nmic.voice.stretch = { by = \"pedla\", most = 99 }\n",
    );
    let (status, said) = room.refused("check wrong.toml");
    assert_eq!(status, 2);
    let places: Vec<_> =
        ["wrong.toml:3:8", "wrong.toml:7:27", "wrong.toml:10:11", "wrong.toml:11:28", "wrong.toml:11:44"]
            .map(|place| said.find(place).unwrap_or_else(|| panic!("no {place} in\n{said}")))
            .to_vec();
    assert!(places.is_sorted(), "{said}");
    for remedy in ["\"4 s\"", "freeze", "pedal"] {
        assert!(said.contains(remedy), "no {remedy} in\n{said}");
    }
    // What cannot be checked cannot be measured: it says the same.
    assert_eq!(room.refused("load wrong.toml"), (status, said));
    let output = room.run("check wrong.toml --json");
    let found: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!((output.status.code(), &found["ok"]), (Some(2), &false.into()));
    assert_eq!((&found["found"][0]["line"], &found["found"][0]["column"]), (&3.into(), &8.into()));
}

#[test]
fn the_load_is_told_for_each_block_size_and_its_worst_block_has_a_cause() {
    let room = Room::new();
    let two = format!("{PIECE}[[scene]]\nmark = \"B\"\nmic.viol.direct = {{ by = \"scene\" }}\n");
    room.write("two.toml", two);
    for (piece, scenes) in [("piece.toml", &["A"][..]), ("two.toml", &["A", "B"])] {
        let output = room.run(&format!("load {piece} --runs 1 --block 64 --json"));
        assert!(output.status.success() && output.stderr.is_empty(), "{output:?}");
        let told: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
        assert_eq!((&told["mics"], &told["rate"], &told["runs"]), (&2.into(), &48_000.into(), &1.into()));
        let mut marks: Vec<_> = told["scenes"].as_array().unwrap().iter().map(|mark| mark.as_str().unwrap()).collect();
        marks.sort_unstable();
        assert_eq!(marks, scenes);
        assert_eq!(told["blocks"].as_array().unwrap().len(), 1);
        let block = &told["blocks"][0];
        assert_eq!(block["block"], 64);
        let share = |key: &str| block[key].as_f64().unwrap_or_else(|| panic!("no {key} in {told}"));
        assert!(share("worst") >= share("percentile_99_9"), "{told}");
        assert!(share("percentile_99_9") >= share("mean") && share("mean") > 0.0, "{told}");
        let causes = block["causes"].as_object().unwrap();
        let worst = causes.values().filter_map(serde_json::Value::as_f64).fold(0.0, f64::max);
        assert_eq!(worst, share("worst"), "{told}");
        assert_eq!(causes[block["worst_cause"].as_str().unwrap()].as_f64(), Some(worst), "{told}");
        assert!(causes["engaging"].is_f64() && causes["firing"].is_f64(), "{told}");
        assert!(told["memory"]["kept_bytes"].as_u64().unwrap() > 0);
        let advice = told["advice"].as_array().unwrap();
        assert!((1..=2).contains(&advice.len()), "{told}");
    }
    // In words it fits on a terminal of 80 columns.
    let output = room.run("load two.toml --runs 1 --block 64");
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(said.contains("worst") && said.lines().all(|line| line.chars().count() <= 80), "{said}");
}

#[test]
fn the_schema_of_a_piece_and_of_a_hall_are_printed_as_json() {
    let room = Room::new();
    let told = |arguments: &str| -> serde_json::Value {
        let output = room.run(arguments);
        assert!(output.status.success() && output.stderr.is_empty(), "{output:?}");
        serde_json::from_slice(&output.stdout).unwrap()
    };
    let piece = told("schema");
    assert_eq!(piece["$schema"], "https://json-schema.org/draft/2020-12/schema");
    assert_eq!((&piece, &piece["required"]), (&told("schema piece"), &serde_json::json!(["mics", "outputs", "scene"])));
    assert!(told("schema hall")["properties"]["device"].is_object() && piece["properties"]["device"].is_null());
    assert_eq!(room.refused("schema stage").0, 2);
}

#[test]
fn who_is_like_whom_is_listed_and_programs_are_shown_scenes_whole() {
    let room = Room::new();
    room.write(
        "like.toml",
        "mics = { voice = 1 }\noutputs = { left = 1 }\ncontrollers = { pedal = { cc = 64 }, foot = { cc = 11 } }\n\
         [[scene]]\nmark = \"A\"\nlike = \"B\"\n[[scene]]\nmark = \"B\"\ncue = \"now\"\nmic.voice.freeze = { by = \"pedal\" }\n\
         mic.voice.stretch = { by = \"foot\", most = 3, level = \"-6 dB\", after = \"freeze\" }\n\
         [[scene]]\nmark = \"C\"\nlike = \"B\"\nmic.voice.stretch = \"none\"\n",
    );
    let said = String::from_utf8(room.run("check like.toml").stdout).unwrap();
    assert!(said.contains("Of the scenes A and C are like B."), "{said}");
    let told: Value = serde_json::from_slice(&room.run("check like.toml --json").stdout).unwrap();
    let keys = |scene: &Value| {
        let effects = scene["effects"].as_array().unwrap().iter();
        effects.map(|one| one["key"].as_str().unwrap().to_owned()).collect::<Vec<_>>()
    };
    let scenes = told["scenes"].as_array().unwrap();
    assert_eq!(
        scenes.iter().map(keys).collect::<Vec<_>>(),
        [vec!["freeze", "stretch"], vec!["freeze", "stretch"], vec!["freeze"]]
    );
    assert_eq!(scenes[0]["effects"], scenes[1]["effects"]);
    assert_eq!((&scenes[0]["like"], &scenes[0]["cue"], &scenes[1]["cue"]), (&"B".into(), &Value::Null, &"now".into()));
    let stretch = &scenes[0]["effects"][1];
    assert_eq!(
        (&stretch["by"], &stretch["after"], &stretch["mic"]),
        (&"foot".into(), &"freeze".into(), &"voice".into())
    );
    assert_eq!(
        (&stretch["settings"]["most"], &stretch["to"]),
        (&3.0.into(), &serde_json::json!([{ "output": "left", "db": -6.0 }]))
    );
}

#[test]
fn before_the_doors_the_machine_is_looked_at_and_only_the_piece_decides_the_status() {
    let room = Room::new();
    let before = room.names();
    let output = room.run("check piece.toml --doors --log show --json");
    assert!(output.status.success() && output.stderr.is_empty(), "{output:?}");
    let told: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let doors = told["doors"].as_array().unwrap();
    for what in ["power", "sleep", "wireless", "notifications", "disk space", "disk speed", "real time", "other work"] {
        let line = doors.iter().find(|line| line["what"] == what).unwrap_or_else(|| panic!("no {what} in {told}"));
        let state = line["state"].as_str().unwrap();
        assert!(["good", "look", "cannot be seen"].contains(&state), "{line}");
        assert_eq!(line["to_do"].is_null(), state == "good", "{line}");
    }
    assert_eq!(room.names(), before, "nothing stays of the trial");
    // Two inputs and the three outputs up to the last that has a name, four bytes a sample.
    room.write("fast.toml", "[device]\nrate = 96_000\n");
    let found = |arguments: &str, what: &str| {
        let told: serde_json::Value = serde_json::from_slice(&room.run(arguments).stdout).unwrap();
        let line = told["doors"].as_array().unwrap().iter().find(|line| line["what"] == what).unwrap();
        line["found"].as_str().unwrap().to_owned()
    };
    for (hall, takes) in [("", "1.0 MB/s"), (" --hall fast.toml", "1.9 MB/s")] {
        let found = found(&format!("check piece.toml --doors{hall} --json"), "disk speed");
        assert!(found.ends_with(&format!("the log takes {takes}")), "{found}");
    }
    if cfg!(target_os = "linux") {
        // Where there is no room at all.
        let found = found("check piece.toml --doors --log /proc/show --json", "disk space");
        assert_eq!(found, "0.0 GB free, 0.0 hours of the log");
    }
    fs::remove_file(room.path("fast.toml")).unwrap();
    let output = room.run("check piece.toml --doors");
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success() && said.contains("no errors") && said.contains("notifications: "), "{said}");
    assert!(said.lines().all(|line| line.chars().count() <= 80), "{said}");
    room.write("wrong.toml", "mics = { a = 0 }\n");
    assert_eq!(room.refused("check wrong.toml --doors").0, 2);
    assert_eq!(room.refused("check piece.toml --log show").0, 2);
}

#[test]
fn signs_that_work_a_terminal_are_spelled_out_by_every_command() {
    let room = Room::new();
    // A title, a file's name and an argument with an escape sequence, an end of line, and a control character of 8 bits.
    let piece = format!("title = \"Dusk\\u001B[2J\\n\\u009b1m\"\n{PIECE}");
    room.write("pi\u{1b}[1mece\n.toml", &piece);
    let run = |arguments: &[&str]| {
        let output = Command::new(env!("CARGO_BIN_EXE_tenterhook"))
            .args(arguments)
            .current_dir(room.0.path())
            .stdin(Stdio::null())
            .output()
            .unwrap();
        let (out, err) = (String::from_utf8(output.stdout).unwrap(), String::from_utf8(output.stderr).unwrap());
        for line in out.lines().chain(err.lines()) {
            assert!(!line.contains(tenterhook_plan::is_hidden), "{arguments:?}: {line:?}");
        }
        (out, err)
    };
    let name = "pi\u{1b}[1mece\n.toml";
    let title = "Dusk\\u001b[2J\\n\\u009b1m: ";
    assert!(run(&["check", name]).0.starts_with(title));
    assert!(run(&["rehearse", name, "--mics", "mics.wav"]).0.starts_with(title));
    let json = run(&["rehearse", name, "--mics", "mics.wav", "--json"]).0;
    let told: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!(told["title"], "Dusk\u{1b}[2J\n\u{9b}1m", "programs read what was written");
    assert!(run(&["check", "no\u{1b}[1m.toml"]).1.contains("no\\u001b[1m.toml"));
    assert!(run(&["rehearse", name, "--mics", "mics.wav", "--from", "\u{9b}2J"]).1.contains("\\u009b2J"));
    // What the command line itself refuses is said without them.
    assert!(run(&["\u{1b}[31mplay"]).1.contains("unrecognized subcommand"));
    assert!(run(&["play", name, "\u{1b}]0;x\u{9b}"]).1.contains("unexpected argument"));
    room.write("bad\u{7}.toml", piece.replace("by = \"pedal\"", "by = \"\\u0007\""));
    assert!(run(&["check", "bad\u{7}.toml"]).1.contains("bad\\u0007.toml"));
    // What turns the direction of writing round, in a name that is told while a piece plays: to people and to programs.
    let turned = PIECE.replace("{ voice", "{ \"voi\\u202Ece\"").replace("mic.voice", "mic.\"voi\\u202Ece\"");
    room.write("turned.toml", turned);
    let mut loud = WavWriter::create(&room.path("loud.wav"), 2, 48_000).unwrap();
    loud.write(&[&[2.0; 48_000], &[0.0; 48_000]]).unwrap();
    loud.finish().unwrap();
    let aloud = ["rehearse", "turned.toml", "--mics", "loud.wav", "--aloud", "--host", "clock", "--no-page", "--json"];
    let (out, err) = run(&aloud);
    assert!(err.contains("voi\\u202ece: its signal stands beside zero"), "{err}");
    let told = out.lines().map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap());
    assert!(told.into_iter().any(|event| event["subject"] == "voi\u{202e}ce"), "{out}");
}

#[test]
fn cautions_are_shown_in_words_and_to_programs() {
    let room = Room::new();
    room.write(
        "idle.toml",
        PIECE.replace("outputs = { left = 1,", "outputs = { \"spare\" = 7, left = { output = 1, ceiling = \"0 dB\" },"),
    );
    let output = room.run("check idle.toml");
    let (out, err) = (String::from_utf8(output.stdout).unwrap(), String::from_utf8(output.stderr).unwrap());
    assert!(output.status.success() && out.contains("no errors; 1 caution, 2 mics, 3 outputs"), "{out}");
    let seen = "caution: the ceiling of \"left\" leaves no room below full scale\n --> idle.toml:3:57\n";
    assert!(err.starts_with(seen) && err.contains("= help: write \"-1 dB\""), "{err}");
    let told: serde_json::Value = serde_json::from_slice(&room.run("check idle.toml --json").stdout).unwrap();
    assert_eq!(told["ok"], true);
    assert_eq!(told["found"].as_array().map(Vec::len), Some(1), "{told}");
    let found = &told["found"][0];
    assert_eq!(
        (&found["severity"], &found["kind"], &found["line"]),
        (&"caution".into(), &"high-ceiling".into(), &3.into())
    );
}

#[test]
fn the_demo_as_a_file_is_played_by_its_gestures() {
    let room = Room::new();
    let output = room.run("demo --out demo.wav --json");
    let summary: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let lines = include_str!("../../scenes/demo.csv").lines().count() as u64 - 1;
    assert!(output.status.success() && summary["gestures"].as_u64().unwrap() >= lines, "{summary} of {lines}");
    let sound = tenterhook_io::read_wav(&room.path("demo.wav")).unwrap();
    assert_eq!(sound.channels[0].len() as u64, summary["frames"].as_u64().unwrap());
    assert!(sound.channels.iter().flatten().any(|x| x.abs() > 0.05));
}

#[test]
fn a_busy_osc_port_keeps_no_show_from_beginning_unless_it_was_asked_for() {
    use std::io::{BufRead, BufReader};
    let room = Room::new();
    room.write("osc.toml", PIECE.replace("foot = { cc = 11 }", "foot = { osc = \"/foot\" }"));
    // Whoever has it, it is busy.
    let taken = std::net::UdpSocket::bind("127.0.0.1:4151");
    let mut child = Command::new(env!("CARGO_BIN_EXE_tenterhook"))
        .args(["play", "osc.toml", "--host", "clock", "--no-page", "--no-journal", "--json"])
        .current_dir(room.0.path())
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let mut events = lines.map(|line| serde_json::from_str::<serde_json::Value>(&line.unwrap()).unwrap());
    let mut unheard = |holds: bool| events.find(|event| event["topic"] == "osc-unheard" && event["holds"] == holds);
    let said = unheard(true).expect("the show begins, and it is said");
    assert!(said["grave"] == true && said["text"].as_str().unwrap().contains("127.0.0.1:4151"), "{said}");
    if let Ok(taken) = taken {
        let port = taken.local_addr().unwrap();
        let (status, asked) = room.refused(&format!("play osc.toml --host clock --no-page --no-journal --osc {port}"));
        assert!(status == 2 && asked.contains("cannot listen for OSC on 127.0.0.1:4151"), "{asked}");
        drop(taken);
        assert!(unheard(false).is_some(), "it is tried again");
    }
    child.kill().unwrap();
    child.wait().unwrap();
}

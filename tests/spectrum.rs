//! From a sound to notes, as a composer goes: the whole program on files, on a run that was kept, on a mic.

mod common;

use std::f64::consts::TAU;
use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use common::client::{Part, RATE, Recorder, Singer, change};
use common::server::Server;
use serde_json::Value;
use tenterhook_io::{WavWriter, read_wav};

/// Set in the process that runs a test itself, with the server chosen.
const INSIDE: &str = "TENTERHOOK_TEST_SPECTRUM";

/// What the program says in this folder.
fn tenterhook(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_tenterhook")).args(arguments).current_dir(folder).output().unwrap()
}

fn said(output: &Output) -> String {
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout.clone()).unwrap()
}

fn told(folder: &Path, arguments: &[&str]) -> Value {
    serde_json::from_str(&said(&tenterhook(folder, arguments))).unwrap()
}

/// What it refuses with status 2, in one error.
fn refused(folder: &Path, arguments: &[&str]) -> String {
    let output = tenterhook(folder, arguments);
    let words = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(2), "{arguments:?}: {words}");
    assert!(output.stdout.is_empty() && words.lines().filter(|line| line.starts_with("error")).count() == 1, "{words}");
    words
}

/// Sines of (Hz, dBFS), faded in and out, at [`RATE`].
fn tones(partials: &[(f64, f64)], seconds: f64) -> Vec<f32> {
    let frames = (seconds * f64::from(RATE)) as usize;
    let sine =
        |n: usize, (hz, db): (f64, f64)| 10f64.powf(db / 20.0) * (TAU * hz * n as f64 / f64::from(RATE) + hz).sin();
    let ends = |n: usize| (n.min(frames - n) as f64 / 2400.0).min(1.0);
    (0..frames).map(|n| (ends(n) * partials.iter().map(|one| sine(n, *one)).sum::<f64>()) as f32).collect()
}

fn write(path: &Path, channels: &[&[f32]]) {
    let mut writer = WavWriter::create(path, channels.len(), RATE).unwrap();
    writer.write(channels).unwrap();
    writer.finish().unwrap();
}

fn cents(one: f64, other: f64) -> f64 {
    1200.0 * (one / other).log2()
}

/// A bell of our own: no two partials in a simple ratio.
const BELL: [(f64, f64); 6] =
    [(212.3, -14.0), (331.9, -17.0), (498.1, -20.0), (743.7, -23.0), (1010.2, -26.0), (1893.4, -30.0)];

#[test]
fn a_piece_says_whom_notes_are_written_for_and_how_far_they_reach() {
    let folder = tempfile::tempdir().unwrap();
    write(&folder.path().join("bell.wav"), &[&tones(&[(34.6, -14.0), (65.4, -15.0), (1760.0, -17.0)], 2.0)]);
    let piece = "tuning = \"440 Hz\"\nmics = { voice = 1 }\noutputs = { left = 1 }\ncontrollers = { pedal = { cc = 64 } }\n\
                 [players]\nMara = { like = \"soprano\", high = \"A6\" }\ntheorbo = { open = \"C#1\" }\ncello = { low = \"C2\", high = \"C2\" }\n\
                 [[scene]]\nmark = \"A\"\nmic.voice.freeze = { by = \"pedal\" }\n";
    fs::write(folder.path().join("piece.toml"), piece).unwrap();
    let plays = |players: &str, more: &[&str]| {
        let words = said(&tenterhook(folder.path(), &[&["spectrum", "bell.wav", "--for", players], more].concat()));
        let of = |name: &str| {
            let mut lines = words.lines().filter_map(|line| line.strip_prefix(name));
            lines.next().map(|rest| rest.trim().to_owned()).unwrap_or_else(|| panic!("{name}: {words}"))
        };
        players.split(',').map(of).collect::<Vec<_>>()
    };
    assert_eq!(plays("soprano,theorbo", &[]), ["rests", "C2"]);
    assert_eq!(plays("Mara,theorbo,cello", &["--piece", "piece.toml"]), ["A6", "C#1", "C2"]);
    assert!(refused(folder.path(), &["spectrum", "bell.wav", "--for", "Mara"]).contains("no player `Mara`"));
}

#[test]
fn the_partials_of_a_bell_are_told_strongest_first_with_their_notes() {
    let folder = tempfile::tempdir().unwrap();
    write(&folder.path().join("bell.wav"), &[&tones(&BELL, 2.0)]);
    let told = told(folder.path(), &["spectrum", "bell.wav", "--tuning", "415 Hz", "--json"]);
    let partials = told["partials"].as_array().unwrap();
    for (partial, (hz, db)) in partials.iter().zip(BELL) {
        let keys: Vec<_> = partial.as_object().unwrap().keys().map(String::as_str).collect();
        for key in ["hz", "db", "note", "cents", "confidence"] {
            assert!(keys.contains(&key), "{keys:?}");
        }
        let found = partial["hz"].as_f64().unwrap();
        assert!(cents(found, hz).abs() < 1.0, "{found} Hz instead of {hz} Hz");
        assert!((partial["db"].as_f64().unwrap() - db).abs() < 0.5, "{partial}");
        assert!(partial["confidence"].as_f64().unwrap() > 0.9, "{partial}");
        // The note and its cents are the frequency again (equal temperament at a' = 415 Hz).
        let note = tenterhook_plan::pitch::parse_note(partial["note"].as_str().unwrap()).unwrap();
        let note = 415.0 * ((f64::from(note) - 69.0) / 12.0 + partial["cents"].as_f64().unwrap() / 1200.0).exp2();
        assert!(cents(note, found).abs() < 0.05, "{partial}");
    }
    let table = said(&tenterhook(folder.path(), &["spectrum", "bell.wav", "--tuning", "415 Hz"]));
    assert!(table.contains("212.3") && table.contains("A3"), "{table}");
}

#[test]
fn what_is_written_out_and_played_by_sines_has_the_same_partials() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    write(&folder.join("bell.wav"), &[&tones(&BELL, 2.0)]);
    let asked = "spectrum bell.wav --step exact --tuning 415Hz --for sine,sine,sine,sine,sine,sine --out notes";
    said(&tenterhook(folder, &asked.split(' ').collect::<Vec<_>>()));
    // Columns by their names: what is played, and how loud.
    let csv = fs::read_to_string(folder.join("notes/partials.csv")).unwrap();
    let rows: Vec<Vec<&str>> = csv.lines().map(|line| line.split(',').collect()).collect();
    let column = |name: &str| rows[0].iter().position(|title| *title == name).unwrap_or_else(|| panic!("{csv}"));
    let (hz, db) = (column("hz"), column("db"));
    let played: Vec<(f64, f64)> =
        rows[1..].iter().map(|row| (row[hz].parse().unwrap(), row[db].parse().unwrap())).collect();
    assert_eq!(played.len(), BELL.len());
    write(&folder.join("again.wav"), &[&tones(&played, 2.0)]);
    let again = told(folder, &["spectrum", "again.wav", "--json"]);
    for (partial, (hz, db)) in again["partials"].as_array().unwrap().iter().zip(BELL) {
        assert!(cents(partial["hz"].as_f64().unwrap(), hz).abs() < 1.5, "{partial}");
        assert!((partial["db"].as_f64().unwrap() - db).abs() < 1.0, "{partial}");
    }
}

#[test]
fn all_files_are_written_or_none_and_nothing_is_written_over() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    write(&folder.join("bell.wav"), &[&tones(&BELL, 2.0)]);
    said(&tenterhook(folder, &["spectrum", "bell.wav", "--for", "violin,viola,viol", "--out", "notes"]));
    let mut names: Vec<_> = fs::read_dir(folder.join("notes"))
        .unwrap()
        .map(|one| one.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    assert_eq!(names, ["notes.mid", "notes.musicxml", "partials.csv", "picture.png", "picture.svg", "spectrum.toml"]);
    let read = |name: &str| fs::read(folder.join("notes").join(name)).unwrap();
    // Each begins as its standard says: PNG's signature, a Standard MIDI File's header.
    assert!(read("picture.png").starts_with(b"\x89PNG\r\n\x1a\n") && read("notes.mid").starts_with(b"MThd"));
    let before = read("notes.musicxml");
    let words = refused(folder, &["spectrum", "bell.wav", "--out", "notes"]);
    assert!(words.contains("notes.musicxml") || words.contains("notes.mid"), "{words}");
    assert_eq!(read("notes.musicxml"), before);
    assert!(words.contains("--replace"), "{words}");
    fs::write(folder.join("notes/notes.mid"), "somebody's own").unwrap();
    said(&tenterhook(folder, &["spectrum", "bell.wav", "--for", "violin,viola", "--out", "notes", "--replace"]));
    assert!(read("notes.mid").starts_with(b"MThd") && read("notes.musicxml") != before);
    assert_eq!(fs::read_dir(folder.join("notes")).unwrap().count(), names.len(), "nothing is left beside them");

    // Where nothing can be written out, no folder is begun.
    write(&folder.join("silence.wav"), &[&vec![0.0; 48_000]]);
    let silent = tenterhook(folder, &["spectrum", "silence.wav", "--out", "none"]);
    assert_eq!(silent.status.code(), Some(1));
    assert!(!folder.join("none").exists());
    // A silence is told as what it is.
    assert!(said(&tenterhook(folder, &["spectrum", "silence.wav"])).contains("no partials"));
}

#[test]
fn a_spectrum_that_was_written_rings_in_a_piece() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    write(&folder.join("bell.wav"), &[&tones(&BELL, 2.0)]);
    said(&tenterhook(folder, &["spectrum", "bell.wav", "--out", "."]));
    let piece = "mics = { voice = 1 }\noutputs = { left = 1 }\ncontrollers = { pedal = { cc = 64 } }\n[[scene]]\nmark = \"A\"\n\
                 mic.voice.sympathetic = { by = \"pedal\", tuned = \"spectrum.toml\", decay = \"2 s\" }\n";
    fs::write(folder.join("piece.toml"), piece).unwrap();
    fs::write(folder.join("gestures.csv"), "seconds,controller,value\n0,pedal,1\n").unwrap();
    // A knock: everything that the spectrum has is excited, and nothing else rings on.
    let mut knock = vec![0.0; 96_000];
    knock[4800] = 0.9;
    write(&folder.join("knock.wav"), &[&knock]);
    let asked = "rehearse piece.toml --mics knock.wav --gestures gestures.csv --out rung.wav";
    said(&tenterhook(folder, &asked.split(' ').collect::<Vec<_>>()));
    let rung = told(folder, &["spectrum", "rung.wav", "--from", "300 ms", "--to", "1.3 s", "--json"]);
    let partials = rung["partials"].as_array().unwrap();
    for (hz, _) in BELL {
        let near = partials.iter().map(|one| cents(one["hz"].as_f64().unwrap(), hz).abs()).fold(f64::MAX, f64::min);
        assert!(near < 2.0, "{hz} Hz does not ring: {rung}");
    }
    assert!(read_wav(&folder.join("rung.wav")).unwrap().channels[0].iter().all(|x| x.abs() < 1.0));
}

#[test]
fn of_a_run_that_was_kept_one_mic_is_studied_between_two_marks() {
    let folder = tempfile::tempdir().unwrap();
    let take = folder.path().join("evening");
    fs::create_dir(&take).unwrap();
    let piece = "tuning = \"415 Hz\"\nmics = { voice = 1, viol = 2 }\noutputs = { left = 1 }\n\
                 [[scene]]\nmark = \"A\"\n[[scene]]\nmark = \"B\"\n[[scene]]\nmark = \"C\"\n";
    fs::write(take.join("piece.toml"), piece).unwrap();
    fs::write(take.join("gestures.csv"), "seconds,controller,value\n0,fire,A\n2,fire,B\n4,fire,C\n").unwrap();
    // The viol plays another tone in each scene, the voice something else throughout.
    let viol: Vec<f32> = [180.0, 233.0, 307.0].iter().flat_map(|hz| tones(&[(*hz, -12.0)], 2.0)).collect();
    write(&take.join("mics.wav"), &[&tones(&[(500.0, -12.0)], 6.0), &viol]);
    let strongest = |arguments: &[&str]| {
        let told = told(folder.path(), arguments);
        (told["partials"][0]["hz"].as_f64().unwrap(), told["sound"]["seconds"].as_f64().unwrap())
    };
    for (marks, hz) in [(["A", "B"], 180.0), (["B", "C"], 233.0)] {
        let (found, seconds) =
            strongest(&["spectrum", "evening", "--mic", "viol", "--from", marks[0], "--to", marks[1], "--json"]);
        assert!(cents(found, hz).abs() < 1.0 && (seconds - 2.0).abs() < 1e-3, "{found} Hz, {seconds} s");
    }
    let (found, _) = strongest(&["spectrum", "evening", "--mic", "viol", "--from", "C", "--json"]);
    assert!(cents(found, 307.0).abs() < 1.0, "{found}");
    let (found, _) = strongest(&["spectrum", "evening", "--mic", "2", "--from", "1 s", "--to", "1.9 s", "--json"]);
    assert!(cents(found, 180.0).abs() < 1.0, "{found}");
    for (arguments, words) in
        [(["--mic", "viol", "--from", "D"], "`A`, `B`, `C`"), (["--mic", "harp", "--from", "A"], "`voice`, `viol`")]
    {
        let said = refused(folder.path(), &[&["spectrum", "evening"], &arguments[..]].concat());
        assert!(said.contains(words), "{said}");
    }
    assert!(refused(folder.path(), &["spectrum", "evening"]).contains("--mic"));
    // A whole evening is no moment, and would not fit into memory: it goes on in a second part, of silence.
    fs::rename(take.join("mics.wav"), take.join("mics-2.wav")).unwrap();
    let silence = vec![0.0; 301 * RATE as usize];
    write(&take.join("mics.wav"), &[&silence, &silence]);
    let said = refused(folder.path(), &["spectrum", "evening", "--mic", "viol"]);
    assert!(said.contains("these are 5.1 minutes, and at most 5") && said.contains("--from and --to"), "{said}");
    let (found, _) = strongest(&["spectrum", "evening", "--mic", "viol", "--from", "301 s", "--to", "303 s", "--json"]);
    assert!(cents(found, 180.0).abs() < 1.0, "a part that is asked for: {found}");
    let backwards = refused(folder.path(), &["spectrum", "evening", "--mic", "viol", "--from", "C", "--to", "B"]);
    assert!(backwards.contains("before"), "{backwards}");
}

#[test]
fn a_mic_is_listened_to() {
    if std::env::var_os(INSIDE).is_none() {
        let configuration = tempfile::NamedTempFile::new().unwrap();
        let text = "</usr/share/alsa/alsa.conf>\npcm.!default {\n type plug\n slave.pcm { type jack \
                    playback_ports { 0 \"recorder:heard_1\" } capture_ports { 0 \"singer:voice\" } }\n}\n";
        fs::write(configuration.path(), text).unwrap();
        return Server::start().run("a_mic_is_listened_to", INSIDE, &[("ALSA_CONFIG_PATH", configuration.path())]);
    }
    let folder = tempfile::tempdir().unwrap();
    // A second of ten harmonics of 220 Hz, round and round without a seam.
    let tone = |n: u32| {
        let turn = std::f64::consts::TAU * 220.0 * f64::from(n) / f64::from(RATE);
        (1..=10).map(|k| 0.1 / f64::from(k) * (f64::from(k) * turn).sin()).sum::<f64>() as f32
    };
    let singer = Singer::ready(Part { voice: (0..RATE).map(tone).collect(), pedals: vec![(0, change(64, 0))] });
    let _recorder = Recorder::ready(1, 60.0);
    singer.begin();
    let asked = "spectrum --mic 1 --listen 3s --host alsa --tuning 415Hz --json";
    let told = told(folder.path(), &asked.split(' ').collect::<Vec<_>>());
    assert!((told["sound"]["seconds"].as_f64().unwrap() - 3.0).abs() < 0.01);
    let fundamental = told["fundamental_hz"].as_f64().expect("a tone");
    assert!((fundamental / 220.0 - 1.0).abs() < 0.005, "{told}");
    assert!(told["harmonicity"].as_f64().unwrap() > 0.8, "{told}");
}

#[test]
fn what_makes_no_sense_is_refused_with_its_reason_and_remedy() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    write(&folder.join("bell.wav"), &[&tones(&BELL, 1.0)]);
    fs::write(folder.join("letter.mp3"), "dear sir").unwrap();
    for (arguments, words) in [
        (vec!["gone.flac"], "check the name"),
        (vec!["letter.mp3"], "export it"),
        (vec!["bell.wav", "--for", "violin,voila"], "viola"),
        (vec!["bell.wav", "--mic", "3"], "has no channel 3"),
        (vec!["bell.wav", "--mic", "viol"], "counted from 1"),
        (vec!["bell.wav", "--from", "2 s"], "lasts 1.00 s"),
        (vec!["bell.wav", "--from", "1"], "the unit is missing"),
        (vec!["--mic", "1", "--listen", "1 min"], "2 s"),
        (vec!["--mic", "1", "--listen", "60 s"], "20 s"),
        (vec!["bell.wav", "--tuning", "415"], "415 Hz"),
    ] {
        let said = refused(folder, &[&["spectrum"], &arguments[..]].concat());
        assert!(said.contains(words), "{arguments:?}: {said}");
    }
    // A dry run of somebody's hand: no panic for any sound.
    for (name, sound) in [("one.wav", vec![0.5; 1]), ("dc.wav", vec![1.0; 4000]), ("nan.wav", vec![f32::NAN; 48_000])] {
        write(&folder.join(name), &[&sound]);
        said(&tenterhook(folder, &["spectrum", name]));
    }
}

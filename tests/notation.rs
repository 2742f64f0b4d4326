//! Written scores before libraries that are not ours: MusicXML against the standard's schema (lxml) and read by music21,
//! MIDI read by mido.

#[path = "../engine/notes/tests/common/mod.rs"]
mod common;
#[path = "common/packages.rs"]
mod packages;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::OnceLock;

use common::{Commission, commissions};
use proptest::strategy::{Strategy, ValueTree};
use proptest::test_runner::TestRunner;
use serde_json::{Value, json};
use tenterhook_notes::{Rhythm, SharedOut};

const ROOT: &str = env!("CARGO_MANIFEST_DIR");

/// The Python that has what `tests/notation/requirements.txt` names.
fn python() -> &'static Path {
    static PYTHON: OnceLock<PathBuf> = OnceLock::new();
    PYTHON.get_or_init(|| packages::python("notation", &[]).join("bin/python"))
}

/// What is said of the scores in a folder.
fn judged(folder: &Path) -> Output {
    let script = Path::new(ROOT).join("tests/notation/check.py");
    Command::new(python()).arg(script).arg(folder).output().unwrap()
}

/// What each player should sound, and when, in quarters.
fn meant(commission: &Commission, shared: &SharedOut) -> Value {
    let quarters = |seconds: f64, tempo: f64| (seconds * tempo / 15.0).round() / 4.0;
    let parts = shared.parts.iter().map(|part| {
        let notes = part.notes.iter().map(|note| {
            let span = &commission.chords[note.chord].span;
            let hz = note.hz(commission.tuning_hz);
            match commission.rhythm {
                Rhythm::Held => json!([hz, 4.0 * note.chord as f64, 4.0]),
                Rhythm::Timed { tempo } => {
                    let from = quarters(span.start, tempo);
                    json!([hz, from, quarters(span.end, tempo) - from])
                }
            }
        });
        json!({ "name": part.player.name, "notes": notes.collect::<Vec<_>>() })
    });
    json!({ "tuning": commission.tuning_hz, "parts": parts.collect::<Vec<_>>() })
}

/// Writes this many random scores.
fn write(folder: &Path, scores: usize) {
    let (mut runner, strategy) = (TestRunner::deterministic(), commissions(8));
    let mut written = 0;
    while written < scores {
        let commission = strategy.new_tree(&mut runner).unwrap().current();
        let Some((shared, score)) = commission.score() else { continue };
        let file = |kind: &str| folder.join(format!("{written}.{kind}"));
        fs::write(file("musicxml"), score.musicxml()).unwrap();
        fs::write(file("mid"), score.midi().unwrap()).unwrap();
        fs::write(file("json"), meant(&commission, &shared).to_string()).unwrap();
        written += 1;
    }
}

#[test]
fn scores_are_valid_and_are_read_elsewhere_as_they_are_meant() {
    let folder = tempfile::tempdir().unwrap();
    write(folder.path(), 200);
    let output = judged(folder.path());
    let told = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{told}{}", String::from_utf8_lossy(&output.stderr));
    assert!(told.starts_with("200 scores, "), "{told}");
    print!("{told}");
}

#[test]
fn the_judges_see_what_is_wrong() {
    let spoil = |kind: &str, from: &str, to: &str| {
        let folder = tempfile::tempdir().unwrap();
        write(folder.path(), 1);
        let file = folder.path().join(format!("0.{kind}"));
        let text = fs::read_to_string(&file).unwrap();
        assert!(text.contains(from), "{text}");
        fs::write(&file, text.replacen(from, to, 1)).unwrap();
        let output = judged(folder.path());
        assert_eq!(output.status.code(), Some(1));
        String::from_utf8_lossy(&output.stderr).into_owned()
    };
    assert!(spoil("musicxml", "<voice>1</voice>", "<voicing>1</voicing>").contains("voicing"));
    assert!(spoil("musicxml", "<divisions>4<", "<divisions>8<").contains("differs"));
    assert!(spoil("json", "\"notes\":[[", "\"notes\":[[1").contains(".musicxml"));
}

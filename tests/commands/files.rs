//! What stands where something is to be written or read.

use std::fs;
use std::process::{Command, Stdio};

use super::room::{PIECE, Room, limited, read};

#[test]
fn an_output_that_cannot_be_finished_is_not_there_under_its_name() {
    let room = Room::new();
    let before = room.names();
    // The gestures are wrong: nothing is written at all.
    room.write("back.csv", "seconds,controller,value\n2,pedal,1\n1.5,pedal,0\n");
    assert_eq!(room.refused("rehearse piece.toml --mics mics.wav --gestures back.csv --out out.wav").0, 2);
    fs::remove_file(room.path("back.csv")).unwrap();
    assert_eq!(room.names(), before);
    // The disk is full, as far as this process can tell: the system limits its files to some kilobytes.
    let limited = limited(&room, "trap '' XFSZ; ulimit -f 64", "rehearse piece.toml --mics mics.wav --out out.wav");
    let said = String::from_utf8(limited.stderr).unwrap();
    assert_eq!(limited.status.code(), Some(1), "{said}");
    assert!(said.contains("out.wav"), "{said}");
    assert_eq!(room.names(), before);
}

#[test]
fn what_is_there_is_written_over_only_if_one_says_so() {
    let room = Room::new();
    let base = "rehearse piece.toml --mics mics.wav --gestures gestures.csv";
    room.write("dear.txt", "dear");
    room.write("out.wav", "dear");
    for (link, target) in [("link.wav", "dear.txt"), ("astray.wav", "nowhere")] {
        std::os::unix::fs::symlink(target, room.path(link)).unwrap();
    }
    let before = room.names();
    for arguments in [base, "demo"] {
        for name in ["out.wav", "link.wav", "astray.wav"] {
            let (status, said) = room.refused(&format!("{arguments} --out {name}"));
            assert_eq!(status, 2, "{arguments}: {said}");
            assert!(said.contains(&format!("{name} is there already")) && said.contains("--replace"), "{said}");
            assert!(name == "out.wav" || said.contains("a link to"), "{said}");
        }
    }
    assert_eq!(room.names(), before);
    assert_eq!((read(&room.path("out.wav")), read(&room.path("dear.txt"))), (b"dear".to_vec(), b"dear".to_vec()));

    for name in ["out.wav", "link.wav", "astray.wav"] {
        assert!(room.run(&format!("{base} --out {name} --replace")).status.success());
        assert!(read(&room.path(name)).starts_with(b"RIFF"), "{name}");
    }
    // The file that the link leads to is the one; where it leads nowhere, the link is.
    assert!(room.path("link.wav").is_symlink() && read(&room.path("dear.txt")).starts_with(b"RIFF"));
    assert_eq!(room.names(), before);

    // What it is made from is never written over.
    for name in ["mics.wav", "piece.toml", "gestures.csv"] {
        let before = read(&room.path(name));
        let (status, said) = room.refused(&format!("{base} --out {name} --replace"));
        assert!(status == 2 && said.contains("made from"), "{said}");
        assert!(read(&room.path(name)) == before);
    }
    room.recording("drip.wav", 1);
    room.write("hall.toml", "[mics]\nvoice = 1\n");
    room.write("taped.toml", PIECE.replace("freeze = {", "tape = { file = \"drip.wav\","));
    for name in ["hall.toml", "drip.wav"] {
        let before = read(&room.path(name));
        let (status, said) =
            room.refused(&format!("rehearse taped.toml --hall hall.toml --mics mics.wav --out {name} --replace"));
        assert!(status == 2 && said.contains(&format!("{name} is what the rehearsal is made from")), "{said}");
        assert!(read(&room.path(name)) == before);
    }
    fs::create_dir(room.path("take")).unwrap();
    for name in ["mics.wav", "mics-2.wav", "outputs.wav"] {
        fs::copy(room.path("mics.wav"), room.path("take").join(name)).unwrap();
    }
    std::os::unix::fs::symlink("take/mics-2.wav", room.path("second.wav")).unwrap();
    let (status, said) = room.refused("rehearse piece.toml --take take --out second.wav --replace");
    assert!(status == 2 && said.contains("made from"), "{said}");
    assert!(read(&room.path("take/mics-2.wav")) == read(&room.path("mics.wav")));
    let (status, said) = room.refused("rehearse piece.toml --take take --out take/outputs.wav --replace");
    assert!(status == 2 && said.contains("made from"), "{said}");
    assert!(read(&room.path("take/outputs.wav")) == read(&room.path("mics.wav")));
    assert_eq!(room.refused("etudes demo --replace").0, 2, "there is nothing that could be replaced");
}

#[test]
fn of_two_programs_that_write_one_file_one_does_and_the_other_says_where_its_own_is() {
    let room = Room::new();
    let arguments = "rehearse piece.toml --mics mics.wav --gestures gestures.csv --block 1 --tail 9s --out out.wav";
    let begin = || {
        let mut program = Command::new(env!("CARGO_BIN_EXE_tenterhook"));
        let program = program.args(arguments.split(' ')).current_dir(room.0.path()).stdin(Stdio::null());
        program.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap()
    };
    let ended = [begin(), begin()].map(|program| program.wait_with_output().unwrap());
    assert_eq!(ended.iter().filter(|ended| ended.status.success()).count(), 1, "{ended:?}");
    let other = ended.iter().find(|ended| !ended.status.success()).unwrap();
    let said = String::from_utf8_lossy(&other.stderr);
    // Where one had ended before the other looked, that made nothing.
    match other.status.code() {
        Some(2) => assert!(said.contains("out.wav is there already"), "{said}"),
        _ => {
            assert!(said.contains("out.wav has come while it was being made") && said.contains("unfinished"), "{said}")
        }
    }
    assert!(read(&room.path("out.wav")).starts_with(b"RIFF"));
}

#[test]
fn a_file_of_the_same_unfinished_name_is_left_alone() {
    let room = Room::new();
    room.write("out.unfinished.wav", "somebody's own");
    assert!(room.run("rehearse piece.toml --mics mics.wav --out out.wav").status.success());
    assert_eq!(read(&room.path("out.unfinished.wav")), b"somebody's own");
    assert!(room.path("out.wav").exists() && !room.path("out.unfinished-2.wav").exists());
}

#[test]
fn a_reader_that_has_read_enough_is_no_failure_and_a_full_disk_is_one() {
    let program = env!("CARGO_BIN_EXE_tenterhook");
    let shell = |line: &str| Command::new("bash").args(["-c", line, program]).output().unwrap();
    let enough = shell("set -o pipefail; \"$0\" etudes demo | head -c 10");
    assert!(enough.status.success() && enough.stderr.is_empty(), "{enough:?}");
    let full = shell("\"$0\" etudes demo > /dev/full");
    assert_eq!(full.status.code(), Some(1));
    assert!(String::from_utf8(full.stderr).unwrap().contains("cannot write to standard output"));
}

#[test]
fn what_is_no_file_is_refused_at_once_and_so_is_what_is_too_large() {
    let room = Room::new();
    assert!(Command::new("mkfifo").arg(room.path("pipe.toml")).status().unwrap().success());
    fs::File::create(room.path("large.toml")).unwrap().set_len(5 << 20).unwrap();
    fs::File::create(room.path("large.csv")).unwrap().set_len(65 << 20).unwrap();
    room.write("tape.toml", PIECE.replace("freeze = {", "tape = { file = \"pipe.toml\","));
    room.write("tuned.toml", PIECE.replace("freeze = {", "sympathetic = { tuned = \"large.toml\","));
    let base = "rehearse piece.toml --mics";
    for (arguments, words) in [
        ("check pipe.toml", &["pipe.toml is no file but a device or a pipe", "name that file"][..]),
        ("check /dev/zero", &["/dev/zero is no file"]),
        ("check .", &[". is a folder", "name a file in it"]),
        ("check large.toml", &["large.toml has 5 MB, and no more than 4 MB are read", "that was meant"]),
        ("check piece.toml --hall pipe.toml", &["pipe.toml is no file"]),
        ("check tape.toml", &["pipe.toml is no file"]),
        ("check tuned.toml", &["large.toml has 5 MB"]),
        (&format!("{base} pipe.toml"), &["pipe.toml is no file"]),
        (&format!("{base} mics.wav --gestures pipe.toml"), &["pipe.toml is no file"]),
        (&format!("{base} mics.wav --gestures large.csv"), &["large.csv has 65 MB, and no more than 64 MB"]),
        ("spectrum pipe.toml", &["pipe.toml is no file"]),
        ("check mics.wav", &["mics.wav is a sound, and no piece", "rehearse PIECE --mics mics.wav"]),
        ("play mics.wav --host clock", &["mics.wav is a sound, and no piece"]),
    ] {
        let (status, said) = room.refused(arguments);
        assert_eq!(status, 2, "{arguments}: {said}");
        for word in words {
            assert!(said.contains(word), "{arguments}: no {word:?} in\n{said}");
        }
    }
}

//! The commands as a person calls them, and what happens when something is wrong.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use tempfile::TempDir;
use tenterhook_io::WavWriter;

const PIECE: &str = r#"
mics = { voice = 1, viol = 2 }
outputs = { left = 1, right = 3 }
controllers = { pedal = { cc = 64 }, foot = { cc = 11 } }
[[scene]]
mark = "A"
mic.voice.freeze = { by = "pedal" }
mic.viol.direct = { by = "foot" }
"#;

const GESTURES: &str = "seconds,controller,value\n0.3,pedal,1\n0.4,foot,0.5\n0.9,pedal,0\n1.1,foot,0\n";

struct Room(TempDir);

impl Room {
    /// A folder with a piece, a recording of two channels, and gestures.
    fn new() -> Self {
        let room = Self(tempfile::tempdir().unwrap());
        room.write("piece.toml", PIECE);
        room.write("gestures.csv", GESTURES);
        room.recording("mics.wav", 2);
        room
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn write(&self, name: &str, text: impl AsRef<[u8]>) {
        fs::write(self.path(name), text).unwrap();
    }

    fn recording(&self, name: &str, channels: usize) {
        let tone =
            |k: usize| -> Vec<f32> { (0..57_600).map(|i| (i as f32 * 0.03 * (k + 1) as f32).sin() * 0.2).collect() };
        let sound: Vec<Vec<f32>> = (0..channels).map(tone).collect();
        let mut writer = WavWriter::create(&self.path(name), channels, 48_000).unwrap();
        writer.write(&sound.iter().map(Vec::as_slice).collect::<Vec<_>>()).unwrap();
        writer.finish().unwrap();
    }

    fn names(&self) -> Vec<String> {
        let mut names: Vec<_> = fs::read_dir(self.0.path())
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }

    /// Runs the program here.
    fn run(&self, arguments: &str) -> Output {
        Command::new(env!("CARGO_BIN_EXE_tenterhook"))
            .args(arguments.split(' '))
            .current_dir(self.0.path())
            .stdin(Stdio::null())
            .output()
            .unwrap()
    }

    /// Runs the program, which must refuse: its exit status and what it says on standard error.
    fn refused(&self, arguments: &str) -> (i32, String) {
        let output = self.run(arguments);
        assert!(output.stdout.is_empty(), "results go to standard output, messages do not");
        (output.status.code().unwrap(), String::from_utf8(output.stderr).unwrap())
    }
}

fn read(path: &Path) -> Vec<u8> {
    fs::read(path).unwrap()
}

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
        ("rehearse piece.toml --mics mono.wav", &["mic `viol` is on input 2", "mono.wav has 1 channels", "hall file"]),
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
    let output = room.run("check piece.toml --doors");
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success() && said.contains("no errors") && said.contains("notifications: "), "{said}");
    assert!(said.lines().all(|line| line.chars().count() <= 80), "{said}");
    room.write("wrong.toml", "mics = { a = 0 }\n");
    assert_eq!(room.refused("check wrong.toml --doors").0, 2);
    assert_eq!(room.refused("check piece.toml --log show").0, 2);
}

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
    let limited = Command::new("bash")
        .args(["-c", "trap '' XFSZ; ulimit -f 64; exec \"$0\" rehearse piece.toml --mics mics.wav --out out.wav"])
        .arg(env!("CARGO_BIN_EXE_tenterhook"))
        .current_dir(room.0.path())
        .output()
        .unwrap();
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
    fs::create_dir(room.path("take")).unwrap();
    for name in ["mics.wav", "outputs.wav"] {
        fs::copy(room.path("mics.wav"), room.path("take").join(name)).unwrap();
    }
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

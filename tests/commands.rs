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

/// 1.5 GB of addresses, in kB.
#[cfg(target_os = "linux")]
const MEMORY: &str = "ulimit -v 1500000";

/// A command under a limit that the shell sets first.
fn limited(room: &Room, limit: &str, arguments: &str) -> Output {
    let line = format!("{limit}; exec \"$0\" {arguments}");
    let mut command = Command::new("bash");
    command.args(["-c", &line, env!("CARGO_BIN_EXE_tenterhook")]).current_dir(room.0.path()).output().unwrap()
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

#[cfg(target_os = "linux")]
#[test]
fn a_hundred_thousand_scenes_take_no_half_gigabyte() {
    let room = Room::new();
    let scenes: String = (0..100_000).map(|n| format!("[[scene]]\nmark = \"{n}\"\nbar = {n}\n")).collect();
    room.write("long.toml", format!("mics = {{ a = 1 }}\noutputs = {{ l = 1 }}\n{scenes}"));
    // bash's limit of memory is in kilobytes of addresses.
    let limited = limited(&room, "ulimit -v 500000", "check long.toml");
    let said = String::from_utf8(limited.stderr).unwrap();
    assert!(limited.status.code() == Some(2) && said.contains("more than 1000 scenes"), "{said}");
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
    let lines = include_str!("../scenes/demo.csv").lines().count() as u64 - 1;
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

/// A piece of some 2 GB: sixteen groups, each with two minutes to be stretched.
fn many() -> String {
    let each = |what: &dyn Fn(usize) -> String| (1..=16).map(what).collect::<String>();
    let groups = each(&|n| format!("g{n} = [\"voice\"]\n"));
    let hands = each(&|n| format!("c{n} = {{}}\n"));
    let effects = each(&|n| format!("mic.g{n}.stretch = {{ by = \"c{n}\", memory = \"120 s\" }}\n"));
    format!(
        "mics = {{ voice = 1 }}\noutputs = {{ left = 1 }}\n[groups]\n{groups}[controllers]\n{hands}[[scene]]\nmark = \"A\"\n\
         {effects}"
    )
}

#[cfg(target_os = "linux")]
#[test]
fn a_piece_that_does_not_fit_into_memory_is_refused_by_every_command_that_plays() {
    let room = Room::new();
    room.write("many.toml", many());
    // It takes some 2 GB, and would be built until the system gives no more.
    for asked in [
        "rehearse many.toml --mics mics.wav --out out.wav",
        "load many.toml --runs 1",
        "play many.toml --host clock --no-page",
        "soundcheck many.toml --host clock --no-page",
    ] {
        let output = limited(&room, MEMORY, asked);
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{asked}: {said}");
        for part in
            ["error: ", "MB of memory", "this process may still take", "stretch on 16 sources", "shorter `memory`"]
        {
            assert!(said.contains(part), "{asked}: {said}");
        }
        assert!(!said.contains("panicked"), "{said}");
    }
    assert!(!room.names().iter().any(|name| name == "out.wav"), "{:?}", room.names());
    let output = limited(&room, MEMORY, "check many.toml");
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(
        output.status.success() && said.contains("caution: ") && said.contains("would not be played here"),
        "{said}"
    );
    let output = limited(&room, MEMORY, "check many.toml --json");
    let told: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert!(told["memory"]["bytes"].as_u64().is_some_and(|bytes| bytes > 1 << 30), "{told}");
    assert_eq!(told["memory"]["fits"], false);
    // One that fits is stated, and not worth a word of caution where enough is free.
    let output = limited(&room, MEMORY, "check piece.toml");
    let said = String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    assert!(said.contains("MB of memory") && !said.contains("half of the"), "{said}");
}

#[cfg(target_os = "linux")]
#[test]
fn a_saved_version_that_does_not_fit_into_memory_leaves_the_one_before_playing() {
    use std::io::{BufRead, BufReader};
    let room = Room::new();
    let line = format!(
        "ulimit -v 1500000; exec {} play piece.toml --follow --host clock --no-page --json --no-journal",
        env!("CARGO_BIN_EXE_tenterhook")
    );
    let mut child = Command::new("sh")
        .args(["-c", &line])
        .current_dir(room.0.path())
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let mut until = |event: &str| -> serde_json::Value {
        loop {
            let line = lines.next().unwrap_or_else(|| panic!("it ended before it said {event}")).unwrap();
            let told: serde_json::Value = serde_json::from_str(&line).unwrap();
            if told["event"] == event {
                return told;
            }
        }
    };
    until("started");
    room.write("piece.toml", many());
    let told = until("broken");
    assert!(told["found"].to_string().contains("MB of memory"), "{told}");
    // The next save that fits takes over.
    room.write("piece.toml", PIECE.replace("mark = \"A\"", "mark = \"B\""));
    until("changed");
    child.kill().unwrap();
    child.wait().unwrap();
}

//! A folder in which commands are called.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use tempfile::TempDir;
use tenterhook_io::WavWriter;

pub const PIECE: &str = r#"
mics = { voice = 1, viol = 2 }
outputs = { left = 1, right = 3 }
controllers = { pedal = { cc = 64 }, foot = { cc = 11 } }
[[scene]]
mark = "A"
mic.voice.freeze = { by = "pedal" }
mic.viol.direct = { by = "foot" }
"#;

pub const GESTURES: &str = "seconds,controller,value\n0.3,pedal,1\n0.4,foot,0.5\n0.9,pedal,0\n1.1,foot,0\n";

pub struct Room(pub TempDir);

impl Room {
    /// A folder with a piece, a recording of two channels, and gestures.
    pub fn new() -> Self {
        let room = Self(tempfile::tempdir().unwrap());
        room.write("piece.toml", PIECE);
        room.write("gestures.csv", GESTURES);
        room.recording("mics.wav", 2);
        room
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    pub fn write(&self, name: &str, text: impl AsRef<[u8]>) {
        fs::write(self.path(name), text).unwrap();
    }

    pub fn recording(&self, name: &str, channels: usize) {
        let tone =
            |k: usize| -> Vec<f32> { (0..57_600).map(|i| (i as f32 * 0.03 * (k + 1) as f32).sin() * 0.2).collect() };
        let sound: Vec<Vec<f32>> = (0..channels).map(tone).collect();
        let mut writer = WavWriter::create(&self.path(name), channels, 48_000).unwrap();
        writer.write(&sound.iter().map(Vec::as_slice).collect::<Vec<_>>()).unwrap();
        writer.finish().unwrap();
    }

    pub fn names(&self) -> Vec<String> {
        let mut names: Vec<_> = fs::read_dir(self.0.path())
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }

    /// Runs the program here.
    pub fn run(&self, arguments: &str) -> Output {
        Command::new(env!("CARGO_BIN_EXE_tenterhook"))
            .args(arguments.split(' '))
            .current_dir(self.0.path())
            .stdin(Stdio::null())
            .output()
            .unwrap()
    }

    /// Runs the program, which must refuse: its exit status and what it says on standard error.
    pub fn refused(&self, arguments: &str) -> (i32, String) {
        let output = self.run(arguments);
        assert!(output.stdout.is_empty(), "results go to standard output, messages do not");
        (output.status.code().unwrap(), String::from_utf8(output.stderr).unwrap())
    }
}

pub fn read(path: &Path) -> Vec<u8> {
    fs::read(path).unwrap()
}

/// A command under a limit that the shell sets first.
pub fn limited(room: &Room, limit: &str, arguments: &str) -> Output {
    let line = format!("{limit}; exec \"$0\" {arguments}");
    let mut command = Command::new("bash");
    command.args(["-c", &line, env!("CARGO_BIN_EXE_tenterhook")]).current_dir(room.0.path()).output().unwrap()
}

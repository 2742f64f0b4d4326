//! Libraries by the commands that come with them, each where it is installed.

use std::path::Path;
use std::process::{Command, Stdio};

use super::Stretcher;
use crate::wav;

/// A command's arguments, made of the ratio, the file to read and the file to write.
type Arguments = fn(f64, &str, &str) -> Vec<String>;

fn words(options: &[&str], files: &[&str]) -> Vec<String> {
    options.iter().chain(files).map(|word| (*word).to_owned()).collect()
}

const LIBROSA: &str = "import sys, soundfile, librosa\n\
    x, rate = soundfile.read(sys.argv[2], dtype='float32')\n\
    y = librosa.effects.time_stretch(x, rate=1 / float(sys.argv[1]))\n\
    soundfile.write(sys.argv[3], y, rate, subtype='FLOAT')\n";

/// Name, command, what it is asked to see whether it is there, and its arguments. They all take their own latency away.
const COMMANDS: [(&str, &str, &[&str], Arguments); 6] = [
    ("RB R2", "rubberband", &["--version"], |ratio, source, result| {
        words(&["-q", "-2", "-t", &ratio.to_string()], &[source, result])
    }),
    ("RB R2 smooth", "rubberband", &["--version"], |ratio, source, result| {
        let smooth = ["--no-transients", "--no-lamination", "--window-long"];
        words(&[&["-q", "-2"], &smooth[..], &["-t", &ratio.to_string()]].concat(), &[source, result])
    }),
    ("RB R3", "rubberband", &["--version"], |ratio, source, result| {
        words(&["-q", "-3", "-t", &ratio.to_string()], &[source, result])
    }),
    ("ST", "soundstretch", &[], |ratio, source, result| {
        words(&[source, result, &format!("-tempo={}", 100.0 / ratio - 100.0)], &[])
    }),
    ("ST speech", "soundstretch", &[], |ratio, source, result| {
        words(&[source, result, &format!("-tempo={}", 100.0 / ratio - 100.0), "-speech"], &[])
    }),
    ("librosa", "python3", &["-c", "import librosa, soundfile"], |ratio, source, result| {
        words(&["-c", LIBROSA, &ratio.to_string()], &[source, result])
    }),
];

fn quiet(command: &mut Command) -> &mut Command {
    command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null())
}

fn run(command: &str, arguments: Arguments, source: &[f64], ratio: f64) -> Result<Vec<f64>, String> {
    let folder = tempfile::tempdir().map_err(|why| why.to_string())?;
    let file = |name: &str| folder.path().join(name).to_string_lossy().into_owned();
    let (before, after) = (file("before.wav"), file("after.wav"));
    // soundstretch takes the bits of floats for integers.
    let write = if command == "soundstretch" { wav::write_integers } else { wav::write };
    write(Path::new(&before), source).map_err(|why| why.to_string())?;
    let status = quiet(Command::new(command).args(arguments(ratio, &before, &after))).status();
    match status.map_err(|why| why.to_string())? {
        done if done.success() => Ok(wav::read(Path::new(&after)).map_err(|why| why.to_string())?.0),
        failed => Err(format!("{command} at ratio {ratio}: {failed}")),
    }
}

/// All of them; those that are not installed say so.
pub fn stretchers() -> Vec<Stretcher> {
    let of = |(name, command, probe, arguments): (&str, &'static str, &[&str], Arguments)| {
        // Some say how they are used, with a status of failure, when nothing is asked.
        let told = quiet(Command::new(command).args(probe)).status();
        let there = told.is_ok_and(|status| status.success() || probe.is_empty());
        let stretch = move |source: &[f64], ratio: f64| match there {
            true => run(command, arguments, source, ratio),
            false => Err("not installed".to_owned()),
        };
        Stretcher { name: name.to_owned(), run: Box::new(stretch) }
    };
    COMMANDS.into_iter().map(of).collect()
}

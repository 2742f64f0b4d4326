//! The files of a run, finished or not, read back.

use std::fs;
use std::path::Path;

use super::client::{RATE, sample};
use super::server::within_a_minute;

/// A WAV file's channels, as they are read by a library.
pub fn channels(path: &Path) -> Vec<Vec<f32>> {
    let mut reader = hound::WavReader::open(path).unwrap_or_else(|why| panic!("{}: {why}", path.display()));
    let spec = reader.spec();
    assert_eq!((spec.sample_rate, spec.bits_per_sample), (RATE, 32));
    let mut channels = vec![Vec::new(); usize::from(spec.channels)];
    for (n, sample) in reader.samples::<f32>().enumerate() {
        channels[n % usize::from(spec.channels)].push(sample.unwrap());
    }
    channels
}

/// The rows of a file of gestures: frame, controller, value.
pub fn gestures(path: &Path) -> Vec<(usize, String, String)> {
    let text = fs::read_to_string(path).unwrap();
    let mut lines = text.lines();
    assert_eq!(lines.next(), Some("seconds,controller,value"));
    let row = |line: &str| {
        let cells: Vec<_> = line.split(',').collect();
        let [seconds, controller, value] = cells[..] else { panic!("three cells: {line}") };
        (sample(seconds.parse().unwrap()) as usize, controller.to_owned(), value.to_owned())
    };
    lines.map(row).collect()
}

/// Frames of a log that is worth reading.
pub const ENOUGH: usize = RATE as usize / 4;

/// Waits until a sound file on disk holds enough.
pub fn grown(path: &Path) {
    let frames = || hound::WavReader::open(path).map_or(0, |reader| reader.duration() as usize);
    within_a_minute("the log has grown", || frames() >= ENOUGH);
}

/// The names of the files in a folder, sorted.
pub fn names(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).unwrap();
    entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect()
}

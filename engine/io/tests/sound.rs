//! Sound files written by another program (sox) are read as what they are.

use std::f64::consts::TAU;
use std::path::{Path, PathBuf};
use std::process::Command;

use tenterhook_io::{SoundError, decode_sound, read_sound};

const RATE: u32 = 44_100;

/// Two seconds of two sines, written by hound.
fn original(folder: &Path) -> (PathBuf, Vec<Vec<f32>>) {
    let sine = |hz: f64| (0..2 * RATE).map(move |n| (0.4 * (TAU * hz * f64::from(n) / f64::from(RATE)).sin()) as f32);
    let channels: Vec<Vec<f32>> = vec![sine(440.0).collect(), sine(660.0).collect()];
    let path = folder.join("original.wav");
    let spec =
        hound::WavSpec { channels: 2, sample_rate: RATE, bits_per_sample: 16, sample_format: hound::SampleFormat::Int };
    let mut writer = hound::WavWriter::create(&path, spec).unwrap();
    for (left, right) in channels[0].iter().zip(&channels[1]) {
        for x in [left, right] {
            writer.write_sample((x * 32_768.0).round() as i16).unwrap();
        }
    }
    writer.finalize().unwrap();
    (path, channels)
}

/// The same as another kind of file.
fn converted(from: &Path, to: &str) -> PathBuf {
    let to = from.with_file_name(to);
    let done = Command::new("sox").arg(from).arg(&to).output();
    let done = done.expect("sox is needed: apt-get install sox libsox-fmt-base libsox-fmt-mp3");
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    to
}

/// How far two sounds are apart in their middle, in dB relative to the first; the other may be late by `late` frames.
fn apart(one: &[f32], other: &[f32], late: usize) -> f64 {
    let middle = 30_000..36_000;
    let power: f64 = middle.clone().map(|n| f64::from(one[n]).powi(2)).sum();
    let off = |late| middle.clone().map(|n| f64::from(one[n] - other[n + late]).powi(2)).sum::<f64>();
    let least = (0..=late).map(off).fold(f64::INFINITY, f64::min);
    10.0 * (least / power).log10()
}

#[test]
fn every_usual_kind_of_file_is_read() {
    let folder = tempfile::tempdir().unwrap();
    let (path, channels) = original(folder.path());
    // Lossless kinds to their last bit's worth. Encoders of MP3 put silence before the sound, and not all say how much.
    for (name, most, late) in
        [("a.wav", -85.0, 0), ("a.aiff", -85.0, 0), ("a.flac", -85.0, 0), ("a.ogg", -20.0, 0), ("a.mp3", -20.0, 2400)]
    {
        let path = converted(&path, name);
        let bytes = decode_sound(name, std::fs::read(&path).unwrap(), 60.0).unwrap();
        let read = read_sound(&path).unwrap();
        assert_eq!((read.rate, read.channels.len()), (RATE, 2), "{name}");
        for (n, channel) in channels.iter().enumerate() {
            let off = read.channels[n].len().abs_diff(channel.len());
            assert!(off <= 2400, "{name}: {off} frames off in length");
            let found = apart(channel, &read.channels[n], late);
            assert!(found < most, "{name}: {found:.1} dB apart");
            assert!(apart(&read.channels[n], &bytes.channels[n], 0) < -85.0, "{name} from memory");
        }
    }
}

#[test]
fn what_is_no_sound_is_refused_in_words() {
    let folder = tempfile::tempdir().unwrap();
    let (path, _) = original(folder.path());
    let flac = std::fs::read(converted(&path, "b.flac")).unwrap();
    for (name, bytes) in [
        ("empty.mp3", Vec::new()),
        ("text.flac", b"this is a letter".to_vec()),
        ("noise.ogg", (0..50_000u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 24) as u8).collect()),
    ] {
        let why = decode_sound(name, bytes, 60.0).expect_err(name);
        assert!(why.to_string().contains(name), "{why}");
    }
    // Cut anywhere it gives what is there or says where it ends, and never panics.
    for cut in (0..flac.len()).step_by(flac.len() / 40) {
        if let Err(why) = decode_sound("cut.flac", flac[..cut].to_vec(), 60.0) {
            assert!(!why.to_string().is_empty());
        }
    }
    let mut damaged = flac.clone();
    let middle = damaged.len() / 2;
    damaged[middle..middle + 2000].fill(0);
    match decode_sound("damaged.flac", damaged, 60.0).expect_err("a part is missing") {
        SoundError::Missing { announced, found, .. } => assert!(announced == 2 * u64::from(RATE) && found < announced),
        SoundError::Damaged { seconds, .. } => assert!((0.5..1.5).contains(&seconds), "{seconds}"),
        other => panic!("{other}"),
    }
    let long = decode_sound("long.flac", flac, 1.0).expect_err("twice as long as it may be");
    assert!(matches!(long, SoundError::TooLong { .. }), "{long}");
    assert!(matches!(read_sound(&folder.path().join("none.flac")), Err(SoundError::Unread(_))));
}

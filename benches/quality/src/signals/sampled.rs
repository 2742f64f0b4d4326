//! Sampled instruments and a spoken vowel, by the commands `fluidsynth` and `espeak-ng` where they are installed.

use std::path::Path;
use std::process::{Command, Stdio};

use midly::num::{u4, u7, u15, u24, u28};
use midly::{Format, Header, MetaMessage, MidiMessage, Smf, Timing, TrackEvent, TrackEventKind};

use super::{Kind, LEVEL, Scale, Signal};
use crate::RATE;
use crate::metrics::spectra::{power, samples};
use crate::wav;

/// A note: when and how long (seconds), key, velocity.
type Note = (f64, f64, u8, u8);

/// A Standard MIDI File of 1000 ticks a second.
fn score(program: u8, notes: &[Note], file: &Path) -> std::io::Result<()> {
    let tick = |seconds: f64| (seconds * 1000.0) as u32;
    let message = |message| TrackEventKind::Midi { channel: u4::new(0), message };
    let mut events = vec![(0, message(MidiMessage::ProgramChange { program: u7::new(program) }))];
    for &(start, length, key, velocity) in notes {
        let (key, vel) = (u7::new(key), u7::new(velocity));
        events.push((tick(start), message(MidiMessage::NoteOn { key, vel })));
        events.push((tick(start + length), message(MidiMessage::NoteOff { key, vel: u7::new(0) })));
    }
    // A note ends before the next begins.
    events.sort_by_key(|(at, kind)| {
        (*at, !matches!(kind, TrackEventKind::Midi { message: MidiMessage::NoteOff { .. }, .. }))
    });
    let mut track =
        vec![TrackEvent { delta: u28::new(0), kind: TrackEventKind::Meta(MetaMessage::Tempo(u24::new(500_000))) }];
    let mut now = 0;
    for (at, kind) in events {
        track.push(TrackEvent { delta: u28::new(at - now), kind });
        now = at;
    }
    track.push(TrackEvent { delta: u28::new(0), kind: TrackEventKind::Meta(MetaMessage::EndOfTrack) });
    let header = Header::new(Format::SingleTrack, Timing::Metrical(u15::new(500)));
    Smf { header, tracks: vec![track] }.save(file)
}

fn to_level(mut sound: Vec<f64>, seconds: f64) -> Vec<f64> {
    sound.resize(samples(seconds), 0.0);
    let gain = LEVEL / power(&sound).sqrt().max(1e-9);
    sound.iter_mut().for_each(|x| *x *= gain);
    sound
}

/// Notes by fluidsynth's default General MIDI sounds, dry; `None` where they are not installed.
pub fn soundfont(program: u8, notes: &[Note], seconds: f64) -> Option<Vec<f64>> {
    let folder = tempfile::tempdir().ok()?;
    let (file, audio) = (folder.path().join("score.mid"), folder.path().join("audio.wav"));
    score(program, notes, &file).ok()?;
    let mut command = Command::new("fluidsynth");
    command.args(["-niq", "-R", "0", "-C", "0", "-g", "0.6", "-r", "48000", "-F"]).arg(&audio).arg(&file);
    let done = command.stdout(Stdio::null()).stderr(Stdio::null()).status().ok()?.success();
    let (sound, rate) = wav::read(&audio).ok()?;
    (done && f64::from(rate) == RATE && power(&sound) > 0.0).then(|| to_level(sound, seconds))
}

/// A vowel held by espeak-ng's formant synthesiser; `None` where it is not installed.
fn spoken(seconds: f64) -> Option<Vec<f64>> {
    let folder = tempfile::tempdir().ok()?;
    let audio = folder.path().join("vowel.wav");
    let vowel = format!("[[{}]]", "A:".repeat(12));
    let mut command = Command::new("espeak-ng");
    command.args(["-v", "en", "-s", "80", "-p", "45", "-w"]).arg(&audio).arg(vowel);
    let done = command.stdout(Stdio::null()).stderr(Stdio::null()).status().ok()?.success();
    let (sound, rate) = wav::read(&audio).ok()?;
    done.then(|| to_level(resampled(&sound, f64::from(rate)), seconds))
}

/// At [`RATE`], by a windowed sinc of 32 lobes to each side: what it does at the edge of the band is no matter here.
fn resampled(sound: &[f64], rate: f64) -> Vec<f64> {
    let reach = 32i64;
    let length = (sound.len() as f64 * RATE / rate) as usize;
    let at = |i: usize| {
        let place = i as f64 * rate / RATE;
        let centre = place.floor() as i64;
        let tap = |n: i64| {
            let away = (place - n as f64) * std::f64::consts::PI;
            let sinc = if away.abs() < 1e-9 { 1.0 } else { away.sin() / away };
            let window = (0.5 * away / reach as f64).cos().powi(2);
            usize::try_from(n).ok().and_then(|n| sound.get(n)).map_or(0.0, |x| x * sinc * window)
        };
        (centre - reach + 1..=centre + reach).map(tap).sum()
    };
    (0..length).map(at).collect()
}

/// The phrase that every instrument plays: semitones over its lowest key.
const PHRASE: [Note; 5] =
    [(0.1, 0.6, 0, 90), (0.7, 0.6, 4, 80), (1.3, 0.3, 5, 90), (1.6, 0.3, 7, 90), (1.9, 1.8, 2, 95)];

/// Those that are installed. They have only a source.
pub fn signals() -> Vec<Signal> {
    let instruments = [
        ("sf_recorder", 74, 74),
        ("sf_violin", 40, 69),
        ("sf_viola", 41, 60),
        ("sf_cello", 42, 48),
        ("sf_harpsichord", 6, 60),
    ];
    let fixed = |name: &str, seconds: f64, sound: Vec<f64>| {
        Signal::new(name, Kind::Sampled, seconds, Scale::None, move |_, _| sound.clone())
    };
    let phrase = |(name, program, low): (&str, u8, u8)| {
        let notes = PHRASE.map(|(start, length, key, velocity)| (start, length, low + key, velocity));
        Some(fixed(name, 4.2, soundfont(program, &notes, 4.2)?))
    };
    let mut found: Vec<Signal> = instruments.into_iter().filter_map(phrase).collect();
    found.extend(spoken(4.0).map(|sound| fixed("vowel_spoken", 4.0, sound)));
    found
}

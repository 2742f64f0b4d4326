//! Sound files of any usual kind: WAV, AIFF, FLAC, OGG Vorbis, MP3.

use crate::files::reading::{ReadError, most, open_file};
use crate::files::wav::header::{HeaderPlace, Length};
use crate::{WavError, WavReader, WavRecording};
use std::io::{Cursor, Read, Seek};
use std::path::Path;
use std::sync::Arc;
use symphonia::core::codecs::audio::AudioDecoderOptions;
use symphonia::core::errors::Error;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, TrackType};
use symphonia::core::io::{MediaSource, MediaSourceStream};
use symphonia::core::meta::MetadataOptions;

/// The longest sound file that is read, in seconds: an hour.
const LONGEST: f64 = 3600.0;

/// Samples of all channels that are read for each second that may be: two channels at 96 kHz.
const SAMPLES_A_SECOND: f64 = 192_000.0;

/// Frames that a header may count too many: less than one packet of the kinds that tell no exact length.
const SLACK: u64 = 2400;

/// The rates that are read, in Hz.
const RATES: std::ops::RangeInclusive<u32> = 8_000..=384_000;

/// Why a sound file cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum SoundError {
    /// It is not read.
    #[error(transparent)]
    Unread(#[from] ReadError),
    /// It is no sound of a kind that is read.
    #[error("{name} is no sound that is read here ({why}): export it as WAV, AIFF, FLAC, OGG Vorbis or MP3")]
    Kind {
        /// The file.
        name: String,
        /// What is wrong with it.
        why: String,
    },
    /// It holds no sound.
    #[error("{name} holds no sound: export it again")]
    Empty {
        /// The file.
        name: String,
    },
    /// Its rate is none that is read.
    #[error("{name} says {rate} Hz: convert it to a rate from 8000 to 384000 Hz")]
    Rate {
        /// The file.
        name: String,
        /// What it says, in Hz.
        rate: u32,
    },
    /// It is damaged.
    #[error("{name} is damaged after {seconds:.2} s ({why}): copy it again from where it came")]
    Damaged {
        /// The file.
        name: String,
        /// How far it can be read.
        seconds: f64,
        /// What is wrong with it.
        why: String,
    },
    /// Parts of it are missing.
    #[error(
        "{name} is cut off or damaged: of {announced} frames only {found} can be read; copy it again from where it came"
    )]
    Missing {
        /// The file.
        name: String,
        /// Frames by its header.
        announced: u64,
        /// Frames that are there.
        found: u64,
    },
    /// It is too long to be read whole.
    #[error("{name} is longer than {minutes:.0} minutes, or has very many channels: cut out what is wanted")]
    TooLong {
        /// The file.
        name: String,
        /// How long it may be.
        minutes: f64,
    },
}

/// Reads a whole sound file.
///
/// # Errors
/// [`SoundError`]: what is wrong with it, and what to do.
pub fn read_sound(path: &Path) -> Result<WavRecording, SoundError> {
    let mut file = open_file(path, most::SOUND)?;
    if lacks_length(&mut file) {
        return unfinished(&path.display().to_string(), file, LONGEST);
    }
    decode(&path.display().to_string(), Box::new(file), LONGEST)
}

/// Reads a whole sound file that is in memory; `name` is its name in messages, and its ending a hint. It may last `most`
/// seconds.
///
/// # Errors
/// As [`read_sound`].
pub fn decode_sound(name: &str, bytes: Vec<u8>, most: f64) -> Result<WavRecording, SoundError> {
    if lacks_length(&mut Cursor::new(&bytes)) {
        return unfinished(name, Cursor::new(bytes), most);
    }
    decode(name, Box::new(Cursor::new(bytes)), most)
}

/// What is to be said of a sound file that is read although it was never finished.
pub fn sound_file_caution(path: &Path) -> Option<String> {
    let mut file = open_file(path, most::SOUND).ok()?;
    lacks_length(&mut file).then(|| WavReader::of(path, file, 0, false).ok()?.caution()).flatten()
}

/// Whether it is a WAV file that does not tell its length, or breaks off within a frame. Then the file stands where it
/// stood.
fn lacks_length(file: &mut (impl Read + Seek)) -> bool {
    let found = HeaderPlace::find(file);
    // What cannot be looked at twice is read as it comes.
    let back = file.rewind().is_ok();
    back && matches!(found, Ok(Some(HeaderPlace { length: Length::Unfinished | Length::Torn, .. })))
}

/// Reads it to where it ends.
fn unfinished(name: &str, file: impl Read + Seek, most: f64) -> Result<WavRecording, SoundError> {
    let kind = |why: WavError| match why {
        WavError::Rate { rate, .. } => SoundError::Rate { name: name.to_owned(), rate },
        why => SoundError::Kind { name: name.to_owned(), why: why.to_string() },
    };
    let reader = WavReader::of(Path::new(name), file, 0, false).map_err(kind)?;
    let seconds = reader.frames() as f64 / f64::from(reader.rate());
    if reader.frames() == 0 {
        return Err(SoundError::Empty { name: name.to_owned() });
    }
    if seconds > most || (reader.frames() * reader.channels() as u64) as f64 > most * SAMPLES_A_SECOND {
        return Err(SoundError::TooLong { name: name.to_owned(), minutes: most / 60.0 });
    }
    reader.whole().map_err(kind)
}

fn decode(name: &str, source: Box<dyn MediaSource>, most: f64) -> Result<WavRecording, SoundError> {
    let kind = |why: &dyn ToString| SoundError::Kind { name: name.to_owned(), why: why.to_string() };
    let stream = MediaSourceStream::new(source, Default::default());
    let mut hint = Hint::new();
    if let Some(ending) = Path::new(name).extension().and_then(|ending| ending.to_str()) {
        hint.with_extension(ending);
    }
    let probe = symphonia::default::get_probe();
    let mut format =
        probe.probe(&hint, stream, FormatOptions::default(), MetadataOptions::default()).map_err(|why| kind(&why))?;
    let track = format.default_track(TrackType::Audio).ok_or_else(|| kind(&"no sound in it"))?;
    let announced = track.num_frames;
    let (id, parameters) = (track.id, track.codec_params.as_ref().and_then(|parameters| parameters.audio()));
    let mut decoder = symphonia::default::get_codecs()
        .make_audio_decoder(parameters.ok_or_else(|| kind(&"no sound in it"))?, &AudioDecoderOptions::default())
        .map_err(|why| kind(&why))?;
    let mut recording = WavRecording { rate: 0, channels: Vec::new() };
    let mut planes: Vec<Vec<f32>> = Vec::new();
    loop {
        let seconds = recording.channels.first().map_or(0, Vec::len) as f64 / f64::from(recording.rate.max(1));
        let damaged = |why: &Error| SoundError::Damaged { name: name.to_owned(), seconds, why: why.to_string() };
        let packet = match format.next_packet() {
            Ok(Some(packet)) if packet.track_id == id => packet,
            Ok(Some(_)) => continue,
            // A second stream in the same file is another sound.
            Ok(None) | Err(Error::ResetRequired) => break,
            Err(why) => return Err(damaged(&why)),
        };
        let buffer = decoder.decode(&packet).map_err(|why| damaged(&why))?;
        let rate = buffer.spec().rate();
        if !RATES.contains(&rate) {
            return Err(SoundError::Rate { name: name.to_owned(), rate });
        }
        let samples = recording.channels.iter().map(Vec::len).sum::<usize>() as f64;
        if seconds > most || samples > most * SAMPLES_A_SECOND {
            return Err(SoundError::TooLong { name: name.to_owned(), minutes: most / 60.0 });
        }
        buffer.copy_to_vecs_planar(&mut planes);
        if recording.rate == 0 {
            recording = WavRecording { rate, channels: vec![Vec::new(); planes.len()] };
        }
        if rate != recording.rate || planes.len() != recording.channels.len() {
            return Err(kind(&"its rate or its channels change on the way"));
        }
        for (channel, plane) in recording.channels.iter_mut().zip(&planes) {
            channel.extend(plane.iter().map(|x| if x.is_finite() { *x } else { 0.0 }));
        }
    }
    let found = recording.channels.first().map_or(0, Vec::len) as u64;
    match announced {
        _ if found == 0 => Err(SoundError::Empty { name: name.to_owned() }),
        // Some headers count the silence that encoders add.
        Some(announced) if found + SLACK < announced => {
            Err(SoundError::Missing { name: name.to_owned(), announced, found })
        }
        _ => Ok(recording),
    }
}

impl WavRecording {
    /// One channel: the mean of all.
    pub fn mono(&self) -> Arc<[f32]> {
        let frames = self.channels.first().map_or(0, Vec::len);
        let share = 1.0 / self.channels.len().max(1) as f32;
        let frame = |n| self.channels.iter().filter_map(|channel: &Vec<f32>| channel.get(n)).sum::<f32>() * share;
        (0..frames).map(frame).collect()
    }
}

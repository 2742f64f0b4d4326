//! WAV files: read whole or a piece at a time, written under another name until they are complete.

pub(crate) mod header;
mod reader;

pub use reader::WavReader;

use crate::files::place::{self, Over, Taken};
use crate::files::reading::ReadError;
use header::HeaderPlace;
use hound::{SampleFormat, WavSpec};
use std::fs::{self, File};
use std::io::{self, BufWriter, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// The most bytes of samples in one file: the format counts them in 32 bits, and the header takes some too.
pub const MOST_WAV_BYTES: u64 = u32::MAX as u64 - 4096;

const BYTES_PER_SAMPLE: u64 = 4;

/// The rates that are read, in Hz: a hall's.
const RATES: std::ops::RangeInclusive<u32> = 8_000..=384_000;

/// A sound from a file.
#[derive(Clone, Debug, PartialEq)]
pub struct WavRecording {
    /// Samples a second, in Hz.
    pub rate: u32,
    /// The channels, all of one length, full scale = 1.
    pub channels: Vec<Vec<f32>>,
}

/// Why a WAV file cannot be read or written.
#[derive(Debug, thiserror::Error)]
pub enum WavError {
    /// It is not read.
    #[error(transparent)]
    Unread(#[from] ReadError),
    /// It was opened, and then it could not be read.
    #[error("cannot read {path} ({why}): copy it to another disk")]
    Open {
        /// The file.
        path: PathBuf,
        /// What the system said.
        why: io::Error,
    },
    /// It is something else.
    #[error("{path} is not a WAV file ({why}): export it as WAV, 16 or 24-bit or 32-bit float")]
    NotWav {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        why: String,
    },
    /// It is a WAV file of a kind that is not read.
    #[error("{path} holds a kind of WAV that is not read here: export it as plain 16 or 24-bit or 32-bit float")]
    Unsupported {
        /// The file.
        path: PathBuf,
    },
    /// It holds no sound.
    #[error("{path} holds no sound: its header announces no frame at all")]
    Empty {
        /// The file.
        path: PathBuf,
    },
    /// Its rate is none that an engine runs at.
    #[error("{path} says {rate} Hz: convert it to a rate from 8000 to 384000 Hz")]
    Rate {
        /// The file.
        path: PathBuf,
        /// What it says, in Hz.
        rate: u32,
    },
    /// Something has its name.
    #[error(transparent)]
    Taken(#[from] Taken),
    /// Something has come by its name while it was made.
    #[error("{path} has come while it was being made, and is not written over: what was made is {made}")]
    Came {
        /// The name.
        path: PathBuf,
        /// Where it is instead.
        made: PathBuf,
    },
    /// It ends too early.
    #[error(
        "{path} is cut off: its header announces {announced} frames, but it ends after {found}; copy it again from where \
         it came"
    )]
    Truncated {
        /// The file.
        path: PathBuf,
        /// Frames by its header.
        announced: u32,
        /// Whole frames that are there.
        found: u32,
    },
    /// It cannot be written.
    #[error("cannot write {path} ({why}): see that the folder is there, may be written to, and has room")]
    Write {
        /// The file.
        path: PathBuf,
        /// What the system said.
        why: io::Error,
    },
    /// It would be too long for the format.
    #[error("{path} would pass the 4 GiB that a WAV file can hold: write fewer channels or less time")]
    TooLong {
        /// The file.
        path: PathBuf,
    },
    /// No channels, or more than the format can count.
    #[error("{path} cannot have {channels} channels: a WAV file has 1 to 65535")]
    Channels {
        /// The file.
        path: PathBuf,
        /// How many were asked for.
        channels: usize,
    },
}

/// Reads a whole WAV file, as [`WavReader`] does.
///
/// # Errors
/// [`WavError`]: what is wrong with it, and where.
pub fn read_wav(path: &Path) -> Result<WavRecording, WavError> {
    WavReader::open(path)?.whole()
}

fn refused(path: &Path, why: hound::Error) -> WavError {
    let path = path.to_owned();
    match why {
        hound::Error::Unsupported => WavError::Unsupported { path },
        why => WavError::NotWav { path, why: why.to_string() },
    }
}

/// A whole WAV file of 32-bit floats, in memory; channels that end early are silent from there on.
///
/// # Errors
/// [`WavError`] if the format cannot hold it.
pub fn wav_bytes(channels: &[&[f32]], rate: u32) -> Result<Vec<u8>, WavError> {
    let path = PathBuf::from("the sound");
    let count = match u16::try_from(channels.len()) {
        Ok(count) if count > 0 => count,
        _ => return Err(WavError::Channels { path, channels: channels.len() }),
    };
    let frames = channels.iter().map(|channel| channel.len()).max().unwrap_or(0);
    if (frames * channels.len()) as u64 * BYTES_PER_SAMPLE > MOST_WAV_BYTES {
        return Err(WavError::TooLong { path });
    }
    let spec = WavSpec { channels: count, sample_rate: rate, bits_per_sample: 32, sample_format: SampleFormat::Float };
    let mut bytes = io::Cursor::new(Vec::new());
    let written = hound::WavWriter::new(&mut bytes, spec).and_then(|mut writer| {
        for frame in 0..frames {
            for channel in channels {
                writer.write_sample(channel.get(frame).copied().unwrap_or(0.0))?;
            }
        }
        writer.finalize()
    });
    written.map(|()| bytes.into_inner()).map_err(|why| refused(&path, why))
}

/// Writes a 32-bit float WAV file. Until [`finish`](WavWriter::finish) it stands beside its place, under a name that
/// says that it is unfinished.
pub struct WavWriter {
    path: PathBuf,
    unfinished: PathBuf,
    // `None` once nothing more is written.
    writer: Option<hound::WavWriter<BufWriter<File>>>,
    channels: usize,
    bytes: u64,
    /// The most bytes of samples that it takes.
    most: u64,
    keep: bool,
    over: Over,
}

/// A new file beside a place, under a name that says that it is unfinished and that nothing else has.
fn beside(path: &Path) -> io::Result<(PathBuf, File)> {
    let ending = |n: u32| if n == 1 { "unfinished.wav".to_owned() } else { format!("unfinished-{n}.wav") };
    let mut n = 1;
    loop {
        let unfinished = path.with_extension(ending(n));
        match File::options().read(true).write(true).create_new(true).open(&unfinished) {
            Err(why) if why.kind() == io::ErrorKind::AlreadyExists && n < 100 => n += 1,
            file => return Ok((unfinished, file?)),
        }
    }
}

impl WavWriter {
    /// Begins the file `path` of `channels` channels at `rate` Hz, over nothing that is there. Dropped unfinished, it leaves
    /// nothing behind.
    ///
    /// # Errors
    /// [`WavError`] if it cannot be written.
    pub fn create(path: &Path, channels: usize, rate: u32) -> Result<Self, WavError> {
        Self::create_over(path, channels, rate, Over::Nothing)
    }

    /// The same, over what one says.
    ///
    /// # Errors
    /// As [`create`](WavWriter::create).
    pub fn create_over(path: &Path, channels: usize, rate: u32, over: Over) -> Result<Self, WavError> {
        let count = match u16::try_from(channels) {
            Ok(count) if count > 0 => count,
            _ => return Err(WavError::Channels { path: path.to_owned(), channels }),
        };
        let path = &place::free(path, over)?;
        let (unfinished, file) = beside(path).map_err(|why| WavError::Write { path: path.clone(), why })?;
        let spec =
            WavSpec { channels: count, sample_rate: rate, bits_per_sample: 32, sample_format: SampleFormat::Float };
        let writer = hound::WavWriter::new(BufWriter::new(file), spec).map_err(|why| failed(path, why))?;
        Ok(Self {
            path: path.to_owned(),
            unfinished,
            writer: Some(writer),
            channels,
            bytes: 0,
            most: MOST_WAV_BYTES,
            keep: false,
            over,
        })
    }

    /// Keeps what was written even if the file is never finished.
    pub fn keep(&mut self) {
        self.keep = true;
    }

    /// The file once more, opened anew.
    ///
    /// # Errors
    /// [`WavError`] if it cannot be opened.
    pub(crate) fn second(&self) -> Result<File, WavError> {
        let file = File::options().read(true).write(true).open(&self.unfinished);
        file.map_err(|why| WavError::Write { path: self.path.clone(), why })
    }

    /// Frames that were written.
    pub(crate) fn frames(&self) -> u64 {
        self.bytes / self.frame()
    }

    fn frame(&self) -> u64 {
        (self.channels as u64).max(1) * BYTES_PER_SAMPLE
    }

    /// Writes nothing more, however much of it the disk has taken; how many whole frames lie there.
    pub(crate) fn close(&mut self) -> u64 {
        // What it still holds goes where there is room; that there may be none is why this is called.
        drop(self.writer.take());
        let place = self.second().and_then(|mut file| self.place(&mut file));
        if let Ok(place) = place {
            self.bytes = place.there;
        }
        self.frames()
    }

    /// Of a closed file only the first `frames` stay, and its header tells of them.
    ///
    /// # Errors
    /// [`WavError`] if it cannot be written.
    pub(crate) fn cut(&mut self, frames: u64) -> Result<(), WavError> {
        let mut file = self.second()?;
        let place = self.place(&mut file)?;
        let bytes = place.there.min(frames * self.frame());
        let all = place.begin + bytes;
        let count = |bytes: u64| u32::try_from(bytes).unwrap_or(u32::MAX).to_le_bytes();
        let mut cut = || -> io::Result<()> {
            file.set_len(all)?;
            for (at, bytes) in [(4, all.saturating_sub(8)), (place.begin.saturating_sub(4), bytes)] {
                file.seek(SeekFrom::Start(at))?;
                file.write_all(&count(bytes))?;
            }
            Ok(())
        };
        cut().map_err(|why| WavError::Write { path: self.path.clone(), why })?;
        self.bytes = bytes;
        Ok(())
    }

    fn place(&self, file: &mut File) -> Result<HeaderPlace, WavError> {
        let failed = |why| WavError::Write { path: self.path.clone(), why };
        let place =
            HeaderPlace::find(file).and_then(|place| place.map(|place| place.reaching_the_end(file)).transpose());
        place.map_err(failed)?.ok_or_else(|| failed(io::ErrorKind::UnexpectedEof.into()))
    }

    /// Takes no more than `bytes` of samples.
    pub(crate) fn holding(mut self, bytes: u64) -> Self {
        self.most = bytes.min(MOST_WAV_BYTES);
        self
    }

    /// Whether `frames` more fit into the file.
    pub fn has_room(&self, frames: usize) -> bool {
        self.bytes + (frames * self.channels) as u64 * BYTES_PER_SAMPLE <= self.most
    }

    /// Appends a block: one slice per channel, all of one length; channels that are missing are silent.
    ///
    /// # Errors
    /// [`WavError`] if it cannot be written, or the file would be too long.
    pub fn write(&mut self, block: &[&[f32]]) -> Result<(), WavError> {
        let (frames, channels) = (block.first().map_or(0, |channel| channel.len()), self.channels);
        self.write_interleaved(frames, |frame| {
            (0..channels).map(move |n| block.get(n).and_then(|channel| channel.get(frame)).copied().unwrap_or(0.0))
        })
    }

    /// Appends `frames` frames of silence.
    ///
    /// # Errors
    /// As [`write`](WavWriter::write).
    pub fn write_silence(&mut self, frames: usize) -> Result<(), WavError> {
        let channels = self.channels;
        self.write_interleaved(frames, |_| std::iter::repeat_n(0.0, channels))
    }

    fn write_interleaved<I>(&mut self, frames: usize, frame: impl Fn(usize) -> I) -> Result<(), WavError>
    where
        I: Iterator<Item = f32>,
    {
        if !self.has_room(frames) {
            return Err(WavError::TooLong { path: self.path.clone() });
        }
        let Some(writer) = &mut self.writer else { return Ok(()) };
        for sample in (0..frames).flat_map(frame) {
            writer.write_sample(sample).map_err(|why| failed(&self.path, why))?;
        }
        self.bytes += (frames * self.channels) as u64 * BYTES_PER_SAMPLE;
        Ok(())
    }

    /// Brings the file on disk up to what was written, header and all, so that it can be read even if the program dies
    /// the next moment.
    ///
    /// # Errors
    /// [`WavError`] if it cannot be written.
    pub fn flush(&mut self) -> Result<(), WavError> {
        let Some(writer) = &mut self.writer else { return Ok(()) };
        writer.flush().map_err(|why| failed(&self.path, why))
    }

    /// Completes the file and gives it its name.
    ///
    /// # Errors
    /// [`WavError`] if it cannot be written.
    pub fn finish(mut self) -> Result<(), WavError> {
        // One that was closed is as it is.
        let writer = self.writer.take();
        let whole = writer.map_or(Ok(()), |writer| writer.finalize().map_err(|why| failed(&self.path, why)));
        let result = whole.and_then(|()| {
            let settled = File::options().write(true).open(&self.unfinished).and_then(|file| file.sync_all());
            let named = settled.and_then(|()| place::take(&self.unfinished, &self.path, self.over));
            named.map_err(|why| match why.kind() {
                io::ErrorKind::AlreadyExists => {
                    WavError::Came { path: self.path.clone(), made: self.unfinished.clone() }
                }
                _ => WavError::Write { path: self.path.clone(), why },
            })
        });
        self.keep |= result.as_ref().map_or_else(|why| matches!(why, WavError::Came { .. }), |()| true);
        result
    }
}

impl Drop for WavWriter {
    fn drop(&mut self) {
        drop(self.writer.take());
        if !self.keep {
            // Best effort: what matters is that the first error is told.
            let _ = fs::remove_file(&self.unfinished);
        }
    }
}

fn failed(path: &Path, why: hound::Error) -> WavError {
    let why = match why {
        hound::Error::IoError(why) => why,
        other => io::Error::other(other.to_string()),
    };
    WavError::Write { path: path.to_owned(), why }
}

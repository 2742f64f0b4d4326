//! WAV files read a piece at a time.

use super::header::{HeaderPlace, Length};
use super::{RATES, WavError, WavRecording, refused};
use crate::files::reading::{most, open_file};
use dasp_sample::Sample;
use hound::{SampleFormat, WavSpec};
use std::fs::File;
use std::io::{self, BufReader, Chain, Cursor, Read, Seek, SeekFrom, Take};
use std::path::{Path, PathBuf};

/// A file behind a header that tells how long it is.
type Mended<R> = Chain<Cursor<Vec<u8>>, Take<BufReader<R>>>;

/// A WAV file that is read a piece at a time: integers of 8 to 32 bits, or 32-bit float, plain or extensible. One whose
/// length was never written, or whose last frame is torn, is read to where it ends; [`caution`](WavReader::caution) says
/// so.
pub struct WavReader<R = File> {
    path: PathBuf,
    samples: hound::WavReader<Mended<R>>,
    spec: WavSpec,
    /// Frames that are there, and those of them that were read.
    frames: u64,
    read: u64,
    /// Frames that the header announces.
    announced: u64,
    length: Length,
}

impl WavReader {
    /// Opens a file.
    ///
    /// # Errors
    /// [`WavError`]: what is wrong with it.
    pub fn open(path: &Path) -> Result<Self, WavError> {
        let file = open_file(path, most::SOUND)?;
        let opened = Self::of(path, file, 0, false)?;
        if opened.frames == 0 {
            return Err(WavError::Empty { path: path.to_owned() });
        }
        if opened.length == Length::Short {
            let frames = |count: u64| u32::try_from(count).unwrap_or(u32::MAX);
            let (announced, found) = (frames(opened.announced), frames(opened.frames));
            return Err(WavError::Truncated { path: path.to_owned(), announced, found });
        }
        Ok(opened)
    }

    /// Opens a file at the frame `from`, for what was opened before.
    pub(crate) fn at(path: &Path, from: u64) -> Result<Self, WavError> {
        let file = open_file(path, most::SOUND)?;
        Self::of(path, file, from, false)
    }

    /// Opens a file of our own that may never have been finished, at the frame `from`; it may hold nothing.
    pub(crate) fn as_it_lies(path: &Path, from: u64) -> Result<Self, WavError> {
        let file = open_file(path, most::SOUND)?;
        Self::of(path, file, from, true)
    }
}

impl<R: Read + Seek> WavReader<R> {
    /// The sound of `file` from the frame `from` on. To its end: nothing follows the sound.
    pub(crate) fn of(path: &Path, mut file: R, from: u64, to_the_end: bool) -> Result<Self, WavError> {
        let open = |why| WavError::Open { path: path.to_owned(), why };
        let Some(mut place) = HeaderPlace::find(&mut file).map_err(open)? else {
            let why = "it does not begin as one, or ends before its sound".to_owned();
            return Err(WavError::NotWav { path: path.to_owned(), why });
        };
        if to_the_end {
            place = place.reaching_the_end(&mut file).map_err(open)?;
        }
        let skipped = (from * place.frame).min(place.there);
        file.seek(SeekFrom::Start(place.begin + skipped)).map_err(open)?;
        let bytes = place.there - skipped;
        let header = Cursor::new(place.header(bytes));
        let samples = hound::WavReader::new(header.chain(BufReader::new(file).take(bytes)));
        let samples = samples.map_err(|why| refused(path, why))?;
        let spec = samples.spec();
        if !RATES.contains(&spec.sample_rate) {
            return Err(WavError::Rate { path: path.to_owned(), rate: spec.sample_rate });
        }
        let (frames, announced) = (place.there / place.frame, place.announced / place.frame);
        let read = skipped / place.frame;
        Ok(Self { path: path.to_owned(), samples, spec, frames, read, announced, length: place.length })
    }

    /// Samples a second, in Hz.
    pub fn rate(&self) -> u32 {
        self.spec.sample_rate
    }

    /// How many channels it has.
    pub fn channels(&self) -> usize {
        usize::from(self.spec.channels)
    }

    /// How many frames it has.
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// What is not as it should be, where it is read all the same.
    pub fn caution(&self) -> Option<String> {
        let (path, seconds) = (self.path.display(), self.frames as f64 / f64::from(self.rate()));
        let what = match self.length {
            Length::Told => return None,
            Length::Unfinished => "was never finished: its header does not tell how long it is",
            Length::Torn => "breaks off within a frame",
            Length::Short => "is shorter than its header says",
        };
        Some(format!("{path} {what}; it is read to where it ends, after {seconds:.2} s"))
    }

    /// Appends up to `frames` frames to the channels, one list each; how many there were. None: it is at its end.
    ///
    /// # Errors
    /// [`WavError`] if it cannot be read.
    pub fn read(&mut self, frames: usize, into: &mut [Vec<f32>]) -> Result<usize, WavError> {
        let count = usize::try_from(self.frames - self.read).unwrap_or(usize::MAX).min(frames);
        let channels = self.channels();
        let failed = |why: hound::Error| match why {
            hound::Error::IoError(why) if why.kind() != io::ErrorKind::InvalidData => {
                WavError::Open { path: self.path.clone(), why }
            }
            why => refused(&self.path, why),
        };
        let mut place = 0;
        let mut put = |sample: f32| {
            if let Some(channel) = into.get_mut(place) {
                channel.push(sample);
            }
            place = (place + 1) % channels;
        };
        match self.spec.sample_format {
            SampleFormat::Float => {
                for sample in self.samples.samples::<f32>().take(count * channels) {
                    put(sample.map_err(failed)?);
                }
            }
            SampleFormat::Int => {
                // Whatever its bits, full scale is that of 32; up to 24 the number is exact.
                let shift = 32_u16.saturating_sub(self.spec.bits_per_sample);
                for sample in self.samples.samples::<i32>().take(count * channels) {
                    put((sample.map_err(failed)? << shift).to_sample());
                }
            }
        }
        self.read += count as u64;
        Ok(count)
    }

    /// All that is left.
    ///
    /// # Errors
    /// [`WavError`] if it cannot be read.
    pub(crate) fn whole(mut self) -> Result<WavRecording, WavError> {
        let mut channels = vec![Vec::new(); self.channels()];
        self.read(usize::try_from(self.frames).unwrap_or(usize::MAX), &mut channels)?;
        Ok(WavRecording { rate: self.rate(), channels })
    }
}

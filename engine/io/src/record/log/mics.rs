//! The mics of a run that was kept, as its files lie: finished or not, in as many parts as there are.

use super::LOST;
use super::text::unfinished;
use crate::files::reading::{most, read_file};
use crate::{WavError, WavReader};
use std::fs;
use std::path::{Path, PathBuf};

/// Why the mics of a run cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum KeptError {
    /// There are none.
    #[error("{dir} holds no mics.wav and no mics.unfinished.wav: name the folder of a run that was kept with --log")]
    None {
        /// The folder.
        dir: PathBuf,
    },
    /// All files of it are empty.
    #[error("the run in {dir} broke off before its first second was on the disk: it holds no sound")]
    Empty {
        /// The folder.
        dir: PathBuf,
    },
    /// One part is not there, and later ones are.
    #[error("{missing} is missing, and {found} is there: copy the whole folder again from where it came")]
    Missing {
        /// The part that is not there.
        missing: PathBuf,
        /// One that comes after it.
        found: PathBuf,
    },
    /// The parts are not of one run.
    #[error("{path} has {found}, and the part before it {wanted}: they are not of one run")]
    Differs {
        /// The part.
        path: PathBuf,
        /// What it has.
        found: String,
        /// What it should have.
        wanted: String,
    },
    /// A file cannot be read.
    #[error(transparent)]
    Wav(#[from] WavError),
}

/// Sound for the mics that lies on the disk, read a piece at a time: channel n is input n.
pub struct MicFiles {
    parts: Vec<LogPart>,
    rate: u32,
    channels: usize,
    frames: u64,
    cautions: Vec<String>,
    /// The part that is being read, and which it is.
    reader: Option<(usize, WavReader)>,
    /// The next frame.
    at: u64,
}

#[derive(Clone)]
struct LogPart {
    /// `None`: nothing lies on the disk, since that took nothing at the time.
    path: Option<PathBuf>,
    /// The first frame of it.
    from: u64,
    frames: u64,
    /// Of a run that was kept: read to its end, whatever its header says.
    kept: bool,
}

impl MicFiles {
    /// The mics of the run that was kept in a folder.
    ///
    /// # Errors
    /// [`KeptError`]: what is wrong with them, and what to do.
    pub fn kept(dir: &Path) -> Result<Self, KeptError> {
        let mut files = Self::none();
        let holes = holes(dir);
        for path in paths(dir)? {
            files.leave_out(&holes);
            let whole = path.file_stem().is_some_and(|stem| !stem.to_string_lossy().ends_with(".unfinished"));
            let reader = WavReader::as_it_lies(&path, 0)?;
            files.add(path, &reader, true)?;
            files.cautions.extend(reader.caution());
            if !whole
                && reader.caution().is_none()
                && let Some(LogPart { path: Some(path), .. }) = files.parts.last()
            {
                files.cautions.push(format!("{} was never finished; it is read to where it ends", path.display()));
            }
        }
        files.leave_out(&holes);
        if files.frames == 0 {
            return Err(KeptError::Empty { dir: dir.to_owned() });
        }
        Ok(files)
    }

    /// One sound file.
    ///
    /// # Errors
    /// [`WavError`]: what is wrong with it.
    pub fn one(path: &Path) -> Result<Self, WavError> {
        let reader = WavReader::open(path)?;
        let part = LogPart { path: Some(path.to_owned()), from: 0, frames: reader.frames(), kept: false };
        let (rate, channels, frames) = (reader.rate(), reader.channels(), reader.frames());
        let cautions = reader.caution().into_iter().collect();
        Ok(Self { parts: vec![part], rate, channels, frames, cautions, reader: Some((0, reader)), at: 0 })
    }

    fn none() -> Self {
        Self { parts: Vec::new(), rate: 0, channels: 0, frames: 0, cautions: Vec::new(), reader: None, at: 0 }
    }

    fn add(&mut self, path: PathBuf, reader: &WavReader, kept: bool) -> Result<(), KeptError> {
        let words = |rate: u32, channels: usize| format!("{channels} channels at {rate} Hz");
        if self.parts.is_empty() {
            (self.rate, self.channels) = (reader.rate(), reader.channels());
        } else if (self.rate, self.channels) != (reader.rate(), reader.channels()) {
            let (found, wanted) = (words(reader.rate(), reader.channels()), words(self.rate, self.channels));
            return Err(KeptError::Differs { path, found, wanted });
        }
        self.parts.push(LogPart { path: Some(path), from: self.frames, frames: reader.frames(), kept });
        self.frames += reader.frames();
        Ok(())
    }

    /// Goes on behind a hole, if one is here.
    fn leave_out(&mut self, holes: &[(u64, u64)]) {
        if let Some((_, end)) = holes.iter().find(|(from, end)| (*from..*end).contains(&self.frames)) {
            let frames = end - self.frames;
            let seconds = |frames: u64| frames as f64 / f64::from(self.rate.max(1));
            self.cautions.push(format!(
                "{:.2} s are missing from {:.2} s on, since the disk took nothing: silence takes their place",
                seconds(frames),
                seconds(self.frames)
            ));
            self.parts.push(LogPart { path: None, from: self.frames, frames, kept: true });
            self.frames = *end;
        }
    }

    /// The same from their beginning, to be read beside these.
    pub fn again(&self) -> Self {
        let parts = self.parts.clone();
        Self { parts, cautions: self.cautions.clone(), reader: None, at: 0, ..*self }
    }

    /// Samples a second, in Hz.
    pub fn rate(&self) -> u32 {
        self.rate
    }

    /// How many channels there are.
    pub fn channels(&self) -> usize {
        self.channels
    }

    /// How many frames there are, in all parts together.
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// What is not as it should be, where it is read all the same.
    pub fn cautions(&self) -> &[String] {
        &self.cautions
    }

    /// The files, in their order.
    pub fn paths(&self) -> impl Iterator<Item = &Path> {
        self.parts.iter().filter_map(|part| part.path.as_deref())
    }

    /// Reads on from this frame.
    pub fn go_to(&mut self, frame: u64) {
        (self.at, self.reader) = (frame, None);
    }

    /// Appends the next frames, at most `frames`, to the channels, one list each; how many there were. None: it is over.
    ///
    /// # Errors
    /// [`WavError`] if a file cannot be read.
    pub fn read(&mut self, frames: usize, into: &mut [Vec<f32>]) -> Result<usize, WavError> {
        let mut got = 0;
        while got < frames {
            let here = |part: &LogPart| (part.from..part.from + part.frames).contains(&self.at);
            let Some(n) = self.parts.iter().position(here) else { break };
            let left = self.parts[n].from + self.parts[n].frames - self.at;
            let wanted = usize::try_from(left).unwrap_or(usize::MAX).min(frames - got);
            let Some(path) = &self.parts[n].path else {
                into.iter_mut().for_each(|channel| channel.resize(channel.len() + wanted, 0.0));
                got += wanted;
                self.at += wanted as u64;
                continue;
            };
            if self.reader.as_ref().is_none_or(|(open, _)| *open != n) {
                let LogPart { from, kept, .. } = &self.parts[n];
                let reader = match kept {
                    true => WavReader::as_it_lies(path, self.at - from)?,
                    false => WavReader::at(path, self.at - from)?,
                };
                self.reader = Some((n, reader));
            }
            let Some((_, reader)) = &mut self.reader else { break };
            let read = reader.read(wanted, into)?;
            if read == 0 {
                // The file has become shorter since it was opened.
                break;
            }
            got += read;
            self.at += read as u64;
        }
        Ok(got)
    }
}

/// The frames of which nothing lies on the disk, as `lost.csv` tells, finished or not: each from the first to the one after
/// the last. A line that cannot be read tells nothing.
fn holes(dir: &Path) -> Vec<(u64, u64)> {
    let path = dir.join(LOST);
    let text = [unfinished(&path), path].iter().find_map(|path| read_file(path, most::TEXT).ok()).unwrap_or_default();
    let hole = |line: &str| {
        let [_, from, frames, "nothing"] = line.split(',').collect::<Vec<_>>()[..] else { return None };
        let from: u64 = from.parse().ok()?;
        Some((from, from.checked_add(frames.parse().ok()?)?))
    };
    String::from_utf8_lossy(&text).lines().filter_map(hole).collect()
}

/// The files of the mics, in their order.
fn paths(dir: &Path) -> Result<Vec<PathBuf>, KeptError> {
    let name = |n: usize| if n == 1 { "mics".to_owned() } else { format!("mics-{n}") };
    let found = |n: usize| {
        let names = [format!("{}.wav", name(n)), format!("{}.unfinished.wav", name(n))];
        names.into_iter().map(|name| dir.join(name)).find(|path| path.exists())
    };
    let paths: Vec<_> = (1..).map_while(found).collect();
    // A later one that is there shows that one is missing.
    let number = |name: &str| name.strip_prefix("mics-")?.split('.').next()?.parse::<usize>().ok();
    let later = fs::read_dir(dir).into_iter().flatten().flatten().find(|entry| {
        let name = entry.file_name().to_string_lossy().into_owned();
        name.ends_with(".wav") && number(&name).is_some_and(|n| n > paths.len() + 1)
    });
    match later {
        Some(later) => {
            let missing = dir.join(format!("{}.wav", name(paths.len() + 1)));
            Err(KeptError::Missing { missing, found: later.path() })
        }
        None if paths.is_empty() => Err(KeptError::None { dir: dir.to_owned() }),
        None => Ok(paths),
    }
}

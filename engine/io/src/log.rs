//! The log of a live run: what went into the engine, what came out, and every gesture that was applied.

mod folder;
mod mics;

pub use folder::{is_inside, is_own};
pub use mics::{KeptError, MicFiles};

use crate::place::{self, Over};
use crate::tap::{self, Span, TapEnd};
use crate::{Done, MOST_WAV_BYTES, Tap, WavError, WavWriter};
use crossbeam_channel::Receiver;
use ringbuf::traits::Consumer;
use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tenterhook_config::{CSV_HEADER, WHO_HEADER, gesture_line, who_line};

/// Seconds of sound that wait in memory when the disk stalls.
const RING_SECONDS: f64 = 8.0;
/// How often the rings are emptied.
const PAUSE: Duration = Duration::from_millis(20);
/// How often the files on disk are made readable as they stand.
const FLUSH: Duration = Duration::from_secs(1);
/// Frames that are written at a time.
const CHUNK: usize = 1024;

const GESTURES: &str = "gestures.csv";
const WHO: &str = "who.csv";
const LOST: &str = "lost.csv";

/// Why a log cannot be kept.
#[derive(Debug, thiserror::Error)]
pub enum LogError {
    /// The folder has one already, and so have all that would be taken instead.
    #[error("{dir} already holds the log of a run ({found}): name another folder, or move that one away")]
    AlreadyThere {
        /// The folder.
        dir: PathBuf,
        /// The file that was found in it.
        found: String,
    },
    /// The piece names a file as the log names its own.
    #[error("the piece names a file `{name}`, and the log has files of such names itself: give that file another name")]
    OwnName {
        /// The name.
        name: String,
    },
    /// A file of it cannot be written.
    #[error("cannot write {path} ({why}): see that the folder may be written to and has room")]
    Write {
        /// The file.
        path: PathBuf,
        /// What the system said.
        why: io::Error,
    },
    /// A sound file of it cannot be written.
    #[error(transparent)]
    Wav(#[from] WavError),
    /// The system gave no thread.
    #[error("the system gives no further thread ({why}): close other programs")]
    Thread {
        /// What the system said.
        why: io::Error,
    },
    /// The writer ended before its time.
    #[error("the log's writer ended before its time: keep the unfinished files, they can be read as they are")]
    Writer,
}

/// What a log holds.
#[derive(Clone, Copy)]
pub struct LogSettings<'a> {
    /// Its folder, made if it is not there. Where something of a run lies there already the next name that is free is
    /// taken: `run-2`, `run-3` …
    pub dir: &'a Path,
    /// The engine's rate, in Hz.
    pub rate: u32,
    /// Input channels.
    pub inputs: usize,
    /// Output channels.
    pub outputs: usize,
    /// Files that are written at once: name in the folder and text.
    pub texts: &'a [(&'a str, &'a str)],
    /// Files that are copied at once: name in the folder, and where they lie.
    pub files: &'a [(String, PathBuf)],
}

/// What a finished log holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LogEnd {
    /// Frames of the run: all sound files are as long.
    pub frames: u64,
    /// Frames of these that were lost and stand there as silence.
    pub lost: u64,
}

/// A log that is being written, by a thread of its own.
pub struct Log {
    dir: PathBuf,
    stop: Arc<AtomicBool>,
    trouble: Arc<Mutex<Option<String>>>,
    thread: JoinHandle<Result<LogEnd, LogError>>,
}

impl Log {
    /// Begins a log. The tap goes to the [`Player`](crate::Player), `applied` comes from the [`Hub`](crate::Hub).
    ///
    /// # Errors
    /// [`LogError`] if the folder cannot be written to.
    pub fn start(settings: LogSettings<'_>, applied: Receiver<Done>) -> Result<(Self, Tap), LogError> {
        let room = (RING_SECONDS * f64::from(settings.rate)) as usize;
        let begin = |dir: &Path| Writer::begin(LogSettings { dir, ..settings }, applied.clone(), room);
        let mut begun = begin(settings.dir);
        let mut names = folder::names(settings.dir).skip(1);
        while let Err(LogError::AlreadyThere { .. }) = &begun
            && let Some(dir) = names.next()
        {
            begun = begin(&dir);
        }
        let (mut writer, tap) = begun?;
        let dir = writer.dir.clone();
        let stop = Arc::new(AtomicBool::new(false));
        let trouble = Arc::new(Mutex::new(None));
        let (stopped, told) = (Arc::clone(&stop), Arc::clone(&trouble));
        let run = move || {
            let mut flushed = Instant::now();
            // Read before the last emptying: what came before it is then surely written.
            while !stopped.load(Ordering::Acquire) {
                let mut result = writer.drain();
                if flushed.elapsed() >= FLUSH {
                    result = result.and_then(|()| writer.flush());
                    flushed = Instant::now();
                }
                if let Err(why) = result {
                    *told.lock().unwrap_or_else(PoisonError::into_inner) = Some(why.to_string());
                    return Err(why);
                }
                std::thread::sleep(PAUSE);
            }
            writer.finish()
        };
        let thread = std::thread::Builder::new().name("log".to_owned()).spawn(run);
        let thread = thread.map_err(|why| LogError::Thread { why })?;
        Ok((Self { dir, stop, trouble, thread }, tap))
    }

    /// Where it is: the folder that was asked for, or the next that was free.
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// What went wrong while it ran, in words; the run itself goes on without the log.
    pub fn trouble(&self) -> Option<String> {
        self.trouble.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Writes what is still there and gives the files their names. The source is to be stopped before, so that nothing
    /// more comes.
    ///
    /// # Errors
    /// [`LogError`]: the first that it met. What was written until then stays, under unfinished names.
    pub fn finish(self) -> Result<LogEnd, LogError> {
        self.stop.store(true, Ordering::Release);
        self.thread.join().map_err(|_| LogError::Writer)?
    }
}

/// The writer without its thread.
struct Writer {
    dir: PathBuf,
    rate: u32,
    end: TapEnd,
    applied: Receiver<Done>,
    gestures: BufWriter<File>,
    who: BufWriter<File>,
    lost: Option<BufWriter<File>>,
    mics: Parts,
    outs: Parts,
    /// The next frame to be written.
    at: u64,
    lost_frames: u64,
    interleaved: Vec<f32>,
    planar: Vec<Vec<f32>>,
}

impl Writer {
    fn begin(settings: LogSettings<'_>, applied: Receiver<Done>, room: usize) -> Result<(Self, Tap), LogError> {
        let LogSettings { dir, rate, inputs, outputs, texts, files } = settings;
        let mut gestures = folder::take(dir, texts, files, GESTURES)?;
        write(dir, GESTURES, &mut gestures, &format!("{CSV_HEADER}\r\n"))?;
        let mut who = create(dir, WHO)?;
        write(dir, WHO, &mut who, &format!("{WHO_HEADER}\r\n"))?;
        // A file has at least one channel; where there is none it is silent.
        let (inputs, outputs) = (inputs.max(1), outputs.max(1));
        let (tap, end) = tap::tap(inputs, outputs, room);
        let mut writer = Self {
            rate,
            end,
            applied,
            gestures,
            who,
            lost: None,
            mics: Parts::begin(dir, "mics", inputs, rate, MOST_WAV_BYTES)?,
            outs: Parts::begin(dir, "outputs", outputs, rate, MOST_WAV_BYTES)?,
            at: 0,
            lost_frames: 0,
            interleaved: vec![0.0; CHUNK * (inputs + outputs)],
            planar: vec![vec![0.0; CHUNK]; inputs + outputs],
            dir: dir.to_owned(),
        };
        writer.flush()?;
        Ok((writer, tap))
    }

    /// Writes what the rings hold.
    fn drain(&mut self) -> Result<(), LogError> {
        while let Some(Span { at, frames }) = self.end.spans.try_pop() {
            self.silence_until(at)?;
            let mut left = frames as usize;
            while left > 0 {
                let length = left.min(CHUNK);
                self.chunk(length)?;
                left -= length;
            }
        }
        while let Ok(Done { applied, plan }) = self.applied.try_recv() {
            if let Some(line) = gesture_line(&applied, self.rate, &plan) {
                write(&self.dir, GESTURES, &mut self.gestures, &line)?;
            }
            if let Some(line) = who_line(&applied, &plan) {
                write(&self.dir, WHO, &mut self.who, &line)?;
            }
        }
        Ok(())
    }

    fn chunk(&mut self, length: usize) -> Result<(), LogError> {
        let channels = self.planar.len();
        let interleaved = &mut self.interleaved[..length * channels];
        let got = self.end.samples.pop_slice(interleaved);
        debug_assert_eq!(got, interleaved.len(), "a span comes after its samples");
        for (n, channel) in self.planar.iter_mut().enumerate() {
            for (to, from) in channel.iter_mut().zip(interleaved.iter().skip(n).step_by(channels)) {
                *to = *from;
            }
        }
        let block: Vec<&[f32]> = self.planar.iter().map(|channel| &channel[..length]).collect();
        let (mics, outs) = block.split_at(self.mics.channels);
        self.mics.write(mics)?;
        self.outs.write(outs)?;
        self.at += length as u64;
        Ok(())
    }

    /// Marks what is missing before the frame `until`, and writes silence in its place.
    fn silence_until(&mut self, until: u64) -> Result<(), LogError> {
        let missing = until.saturating_sub(self.at);
        if missing == 0 {
            return Ok(());
        }
        if self.lost.is_none() {
            let mut lost = create(&self.dir, LOST)?;
            write(&self.dir, LOST, &mut lost, "seconds,frame,frames\r\n")?;
            self.lost = Some(lost);
        }
        if let Some(lost) = &mut self.lost {
            let line = format!("{},{},{missing}\r\n", self.at as f64 / f64::from(self.rate), self.at);
            write(&self.dir, LOST, lost, &line)?;
        }
        let silence = vec![0.0; CHUNK];
        let block = vec![silence.as_slice(); self.planar.len()];
        while self.at < until {
            let length = (until - self.at).min(CHUNK as u64) as usize;
            let cut: Vec<&[f32]> = block.iter().map(|channel| &channel[..length]).collect();
            self.mics.write(&cut[..self.mics.channels])?;
            self.outs.write(&cut[self.mics.channels..])?;
            self.at += length as u64;
        }
        self.lost_frames += missing;
        Ok(())
    }

    /// Brings the files on disk up to date.
    fn flush(&mut self) -> Result<(), LogError> {
        self.mics.flush()?;
        self.outs.flush()?;
        flush(&self.dir, GESTURES, &mut self.gestures)?;
        flush(&self.dir, WHO, &mut self.who)?;
        match &mut self.lost {
            Some(lost) => flush(&self.dir, LOST, lost),
            None => Ok(()),
        }
    }

    fn finish(mut self) -> Result<LogEnd, LogError> {
        self.drain()?;
        // What was lost at the very end has no span after it.
        let seen = self.end.ends.seen.load(Ordering::Acquire);
        self.drain()?;
        self.silence_until(seen)?;
        self.flush()?;
        self.mics.finish()?;
        self.outs.finish()?;
        settle(&self.dir, GESTURES, self.gestures)?;
        settle(&self.dir, WHO, self.who)?;
        if let Some(lost) = self.lost {
            settle(&self.dir, LOST, lost)?;
        }
        Ok(LogEnd { frames: self.at, lost: self.lost_frames })
    }
}

/// A sound of any length, in as many files as the format makes necessary: `mics.wav`, `mics-2.wav` …
struct Parts {
    dir: PathBuf,
    stem: &'static str,
    channels: usize,
    rate: u32,
    part: u32,
    writer: WavWriter,
    /// Bytes of samples in one file.
    most: u64,
    // Parts that are full and wait for their names; they are closed already as far as the samples go.
    full: Vec<WavWriter>,
}

impl Parts {
    fn begin(dir: &Path, stem: &'static str, channels: usize, rate: u32, most: u64) -> Result<Self, WavError> {
        let writer = Self::part(dir, &format!("{stem}.wav"), channels, rate, most)?;
        Ok(Self { dir: dir.to_owned(), stem, channels, rate, part: 1, writer, most, full: Vec::new() })
    }

    fn part(dir: &Path, name: &str, channels: usize, rate: u32, most: u64) -> Result<WavWriter, WavError> {
        Ok(WavWriter::create(&dir.join(name), channels, rate)?.keep_unfinished().holding(most))
    }

    fn write(&mut self, block: &[&[f32]]) -> Result<(), WavError> {
        let frames = block.first().map_or(0, |channel| channel.len());
        if !self.writer.has_room(frames) {
            self.part += 1;
            let name = format!("{}-{}.wav", self.stem, self.part);
            let next = Self::part(&self.dir, &name, self.channels, self.rate, self.most)?;
            self.writer.flush()?;
            self.full.push(std::mem::replace(&mut self.writer, next));
        }
        self.writer.write(block)
    }

    fn flush(&mut self) -> Result<(), WavError> {
        self.writer.flush()
    }

    fn finish(self) -> Result<(), WavError> {
        self.full.into_iter().chain([self.writer]).try_for_each(WavWriter::finish)
    }
}

/// The name of a file that is being written.
fn unfinished(path: &Path) -> PathBuf {
    let extension = path.extension().unwrap_or_default().to_string_lossy();
    path.with_extension(format!("unfinished.{extension}"))
}

fn create(dir: &Path, name: &str) -> Result<BufWriter<File>, LogError> {
    let path = unfinished(&dir.join(name));
    let file = File::options().write(true).create_new(true).open(&path);
    file.map(BufWriter::new).map_err(|why| match why.kind() {
        io::ErrorKind::AlreadyExists => LogError::AlreadyThere { dir: dir.to_owned(), found: name.to_owned() },
        _ => LogError::Write { path, why },
    })
}

fn write(dir: &Path, name: &str, file: &mut impl Write, text: &str) -> Result<(), LogError> {
    file.write_all(text.as_bytes()).map_err(|why| LogError::Write { path: dir.join(name), why })
}

fn flush(dir: &Path, name: &str, file: &mut impl Write) -> Result<(), LogError> {
    file.flush().map_err(|why| LogError::Write { path: dir.join(name), why })
}

/// Gives a complete file its name.
fn settle(dir: &Path, name: &str, file: BufWriter<File>) -> Result<(), LogError> {
    let path = dir.join(name);
    let file = file.into_inner().map_err(io::IntoInnerError::into_error);
    let settled = file.and_then(|file| file.sync_all());
    let settled = settled.and_then(|()| place::take(&unfinished(&path), &path, Over::Nothing));
    settled.map_err(|why| LogError::Write { path, why })
}

#[cfg(test)]
mod tests;

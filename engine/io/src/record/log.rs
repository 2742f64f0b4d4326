//! The log of a live run: what went into the engine, what came out, and every gesture that was applied.

mod folder;
mod mics;
mod parts;
mod room;
mod sync;
mod take;
mod text;
mod writer;

pub use folder::{is_inside, is_own};
pub use mics::{KeptError, MicFiles};
pub use take::{Ended, TakeSettings};

use crate::{Done, Tap, WavError};
use crossbeam_channel::Receiver;
use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use writer::Writer;

/// Seconds of sound that wait in memory when the disk stalls.
const RING_SECONDS: f64 = 10.0;
/// How often the rings are emptied.
const PAUSE: Duration = Duration::from_millis(20);
/// How often the files are made readable as they stand, and the disk is asked to take them: twice within the 0.8 s after
/// which a power cut may not reach.
const FLUSH: Duration = Duration::from_millis(400);
/// Frames that are written at a time.
const CHUNK: usize = 1024;

const GESTURES: &str = "gestures.csv";
const WHO: &str = "who.csv";
const LOST: &str = "lost.csv";
const TAKE: &str = "take.json";

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
    /// It takes no sound just now.
    #[error("{why}; it goes on in a new part when there is room")]
    Stopped {
        /// Why.
        why: String,
    },
    /// The disk does not confirm what was written.
    #[error("the disk does not take what was written to {dir} ({why}): see its cable, and keep the log on another one")]
    Sync {
        /// The folder.
        dir: PathBuf,
        /// What the system said.
        why: String,
    },
    /// Its folder is not where it was.
    #[error("its folder {dir} was removed or moved: bring it back, or end and start again, which begins another log")]
    Gone {
        /// The folder.
        dir: PathBuf,
    },
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
    /// On what the run is played.
    pub take: TakeSettings<'a>,
}

/// What a finished log holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LogEnd {
    /// Frames of the run.
    pub frames: u64,
    /// Frames of these that were lost: silence stands in the files, or, where the disk took nothing more, nothing.
    pub lost: u64,
}

/// A log that is being written, by a thread of its own.
pub struct Log {
    dir: PathBuf,
    stop: Arc<AtomicBool>,
    trouble: Arc<Mutex<Option<String>>>,
    thread: JoinHandle<Writer>,
}

impl Log {
    /// Begins a log. The tap goes to the [`Player`](crate::Player), `applied` comes from the [`Hub`](crate::Hub).
    ///
    /// # Errors
    /// [`LogError`] if the folder cannot be written to.
    pub fn start(settings: LogSettings<'_>, applied: Receiver<Done>) -> Result<(Self, Tap), LogError> {
        Self::synced_by(File::sync_data, settings, applied)
    }

    fn synced_by(
        sync: sync::Sync,
        settings: LogSettings<'_>,
        applied: Receiver<Done>,
    ) -> Result<(Self, Tap), LogError> {
        let room = (RING_SECONDS * f64::from(settings.rate)) as usize;
        let begin = |dir: &Path| Writer::begin(&LogSettings { dir, ..settings }, applied.clone(), room, sync);
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
                writer.drain();
                if flushed.elapsed() >= FLUSH {
                    let words = writer.flush().err().map(|why| why.to_string());
                    *told.lock().unwrap_or_else(PoisonError::into_inner) = words;
                    flushed = Instant::now();
                }
                std::thread::sleep(PAUSE);
            }
            writer
        };
        let thread = std::thread::Builder::new().name("log".to_owned()).spawn(run);
        let thread = thread.map_err(|why| LogError::Thread { why })?;
        Ok((Self { dir, stop, trouble, thread }, tap))
    }

    /// Where it is: the folder that was asked for, or the next that was free.
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// Why it is not kept just now, in words; the run itself goes on.
    pub fn trouble(&self) -> Option<String> {
        self.trouble.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Writes what is still there and gives the files their names. The source is to be stopped before, so that nothing
    /// more comes.
    ///
    /// # Errors
    /// [`LogError`]: the first that it met. What was written until then stays.
    pub fn finish(self, ended: Ended) -> Result<LogEnd, LogError> {
        self.stop.store(true, Ordering::Release);
        self.thread.join().map_err(|_| LogError::Writer)?.finish(ended)
    }
}

#[cfg(test)]
mod tests;

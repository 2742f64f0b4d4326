//! The journal of a live run: where it stands, so that a run after a crash or a power cut can begin there.
//!
//! A text file that only grows while a run lasts. Each line is eight hexadecimal digits, the CRC-32 (ISO-HDLC) of the
//! rest, a blank, and a value in JSON:
//!
//! ```text
//! 5d0f3c21 {"piece":{"version":1,"path":"/home/…/piece.toml","crc":305419896,"marks":["A","B"]}}
//! 91b2a77e {"stands":{"mark":"B","hushed":false,"muted":["viol"],"level_db":0.0,"levels_db":{"left":-3.0}}}
//! 0c8e1f43 "ended"
//! ```
//! A piece's line stands where a run begins and where a changed piece has taken over. How things stand is always told
//! whole, so that the last line that is whole tells all. A run that was ended says so last.
//!
//! A file that begins otherwise is somebody else's: it is never written to.

mod lines;
mod writer;

use crate::files::place::{self, Over};
use crate::{Done, Error};
use crossbeam_channel::Receiver;
use lines::Begins;
use std::collections::BTreeMap;
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{self, Read, Seek, SeekFrom};
use std::ops::{Deref, DerefMut};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU8, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tenterhook_plan::{EngineState, Plan, SceneId};

/// Bytes at the end of the file that are read: many hours of shows.
const MOST_BYTES: u64 = 1 << 20;
/// From one line to the next at least: a lever that is drawn writes ten lines a second and not a hundred.
const PACE: Duration = Duration::from_millis(100);
/// How often the thread looks whether it is to end.
const PAUSE: Duration = Duration::from_millis(20);
/// After a failure it is tried again as often as this, should nothing change.
const AGAIN: Duration = Duration::from_secs(2);
/// How long one waits for a run that is just ending: it fades out and closes its files.
const ENDING: Duration = Duration::from_secs(4);
/// Bytes by which one sees how a file begins.
const FIRST_BYTES: u64 = 4096;
/// How many names are tried for what is set aside.
const MOST_NAMES: u32 = 1000;

const GOES_ON: u8 = 0;
const LEFT: u8 = 1;
const ENDED: u8 = 2;

/// Why a journal cannot be kept.
#[derive(Debug, thiserror::Error)]
pub enum JournalError {
    /// Another program keeps it.
    #[error(
        "the journal {path} is kept by another run of this piece: end that, or give this one another with --journal"
    )]
    Held {
        /// The file.
        path: PathBuf,
    },
    /// It is another file.
    #[error(
        "{path} is no journal, for it begins otherwise; it stays as it is: name another file with --journal, or leave that out"
    )]
    Foreign {
        /// The file.
        path: PathBuf,
    },
    /// It is none.
    #[error(
        "a journal cannot be kept in {path}, which is no plain file: name another with --journal, or leave that out"
    )]
    NoFile {
        /// What is there.
        path: PathBuf,
    },
    /// It cannot be read or written.
    #[error(
        "the journal {path} cannot be used ({why}): see that it may be written to and that the disk has room, or name another with --journal"
    )]
    File {
        /// The file.
        path: PathBuf,
        /// What the system said.
        why: io::Error,
    },
    /// The system gave no thread.
    #[error(transparent)]
    Thread(#[from] Error),
}

/// How a run stood that nobody had ended.
#[derive(Clone, Debug, PartialEq)]
pub struct Interrupted {
    /// The mark of its scene.
    pub mark: String,
    /// The marks of its piece, in order.
    pub marks: Vec<String>,
    /// The CRC-32 of its piece's text, see [`checksum`].
    pub crc: u32,
    /// Whether everything was hushed.
    pub hushed: bool,
    /// The mics that were shut off.
    pub muted: Vec<String>,
    /// The level of all outputs together, in dB.
    pub level_db: f32,
    /// The outputs whose own level was not 0 dB.
    pub levels_db: BTreeMap<String, f32>,
    /// The levels of effects that were not what the hall says: by their mic or group, and by their key there.
    pub trims_db: BTreeMap<String, BTreeMap<String, f32>>,
}

impl Interrupted {
    /// The scene of a piece at which to go on: the one of the mark, else that of the nearest mark before it which is
    /// still there, else the first.
    pub fn scene(&self, plan: &Plan) -> SceneId {
        let place = |mark: &String| plan.scenes.iter().position(|scene| scene.mark == *mark);
        let until = self.marks.iter().position(|mark| *mark == self.mark).map_or(0, |place| place + 1);
        let found = place(&self.mark).or_else(|| self.marks[..until].iter().rev().find_map(place));
        SceneId::new(found.unwrap_or(0))
    }
}

/// What a journal held when it was opened.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Found {
    /// How the last run stood, if nobody had ended it.
    pub interrupted: Option<Interrupted>,
    /// Lines that were damaged or cut off, and left out.
    pub damaged: usize,
    /// The version of the lines, where a later program wrote them: nothing of theirs is taken up.
    pub later: Option<u64>,
    /// Where the file is now that was in the journal's place, and is none.
    pub set_aside: Option<PathBuf>,
}

impl Found {
    /// What the bytes of a journal of the piece `piece` tell.
    pub fn of(bytes: &[u8], piece: &str) -> Self {
        lines::read(bytes, false, piece)
    }
}

/// The checksum (CRC-32) of a line of the journal, and that by which the text of a piece is known.
pub fn checksum(text: &[u8]) -> u32 {
    crc32fast::hash(text)
}

/// Waits until the disk has what was written to a file.
type Sync = fn(&File) -> io::Result<()>;

/// A journal that is held by this program, and not written yet.
pub struct Journal {
    path: PathBuf,
    file: Locked,
    piece: String,
    /// From where on the file is a journal.
    from: u64,
    /// Whether what it holds may be dropped.
    is_ours: bool,
}

impl Journal {
    /// Opens, or makes, the journal of the piece `piece` in a file that somebody named; keeps other programs out, and reads
    /// what it holds. What is no journal is not touched. Of a link what it leads to counts.
    ///
    /// # Errors
    /// [`JournalError`] if there is something else, another program keeps it, or it cannot be read or written.
    pub fn open(path: &Path, piece: &str) -> Result<(Self, Found), JournalError> {
        Self::open_in(path, piece, false)
    }

    /// The same at the journal's own place: what stands there and is no journal, or has lost its beginning, is set aside
    /// under the next name that is free, `….damaged`.
    ///
    /// # Errors
    /// [`JournalError`] if another program keeps it, or it cannot be read or written.
    pub fn open_at_own_place(path: &Path, piece: &str) -> Result<(Self, Found), JournalError> {
        Self::open_in(path, piece, true)
    }

    fn open_in(path: &Path, piece: &str, own: bool) -> Result<(Self, Found), JournalError> {
        let failed = |why| JournalError::File { path: path.to_owned(), why };
        // A pipe would keep us waiting.
        if fs::metadata(path).is_ok_and(|about| !about.is_file()) {
            return Err(JournalError::NoFile { path: path.to_owned() });
        }
        if !own && first_bytes(path).is_ok_and(|bytes| Begins::of(&bytes) == Begins::Otherwise) {
            return Err(JournalError::Foreign { path: path.to_owned() });
        }
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        fs::create_dir_all(folder).map_err(failed)?;
        let mut set_aside = None;
        loop {
            let is_new = !path.exists();
            let mut file = Locked::open(path)?;
            if is_new {
                keep_name(folder);
            }
            let length = file.metadata().map_err(failed)?.len();
            let mut bytes = Vec::new();
            file.seek(SeekFrom::Start(0)).map_err(failed)?;
            (&mut *file).take(FIRST_BYTES).read_to_end(&mut bytes).map_err(failed)?;
            let begins = Begins::of(&bytes);
            if begins == Begins::Otherwise && !own {
                return Err(JournalError::Foreign { path: path.to_owned() });
            }
            let start = length.saturating_sub(MOST_BYTES);
            bytes.clear();
            file.seek(SeekFrom::Start(start)).map_err(failed)?;
            (&mut *file).take(MOST_BYTES).read_to_end(&mut bytes).map_err(failed)?;
            let mut found = lines::read(&bytes, start > 0, piece);
            if begins == Begins::Otherwise {
                // Held meanwhile: nobody else moves it.
                set_aside = Some((aside(path).map_err(failed)?, found));
                continue;
            }
            if let Some((place, was)) = set_aside {
                // What was whole in it counts all the same.
                found = Found { interrupted: was.interrupted, set_aside: Some(place), ..found };
            }
            let from = if let Begins::AsOne(at) = begins { at as u64 } else { length };
            let is_ours = found.later.is_none();
            return Ok((Self { path: path.to_owned(), file, piece: piece.to_owned(), from, is_ours }, found));
        }
    }

    /// Begins to write. `applied` comes from the [`Hub`](crate::Hub) and tells every gesture from the first on; `crc` is
    /// the [`checksum`] of the piece's text; `anew` drops what the journal held, but nothing of a later program's.
    ///
    /// # Errors
    /// [`Error::Thread`] if the system gives no thread.
    pub fn begin(self, plan: &Arc<Plan>, crc: u32, anew: bool, applied: Receiver<Done>) -> Result<Keeping, Error> {
        self.synced_by(File::sync_data, plan, crc, anew, applied)
    }

    fn synced_by(
        self,
        sync: Sync,
        plan: &Arc<Plan>,
        crc: u32,
        anew: bool,
        applied: Receiver<Done>,
    ) -> Result<Keeping, Error> {
        let state = Arc::new(AtomicU8::new(GOES_ON));
        let trouble = Arc::<Mutex<Option<String>>>::default();
        let changed = Arc::new(Mutex::new((Arc::clone(plan), crc)));
        let mut writer = writer::JournalWriter {
            path: self.path,
            file: self.file,
            piece: self.piece,
            state: EngineState::new(Arc::clone(plan)),
            newest: Arc::clone(&changed),
            told_piece: None,
            told: None,
            anew: (anew && self.is_ours).then_some(self.from),
            since_piece: 0,
            sync,
        };
        let (goes_on, words) = (Arc::clone(&state), Arc::clone(&trouble));
        let run = move || writer.run(&applied, &goes_on, &words);
        let thread = std::thread::Builder::new().name("journal".to_owned()).spawn(run);
        let thread = thread.map_err(|why| Error::Thread { why: why.to_string() })?;
        Ok(Keeping { state, trouble, changed, thread: Some(thread) })
    }
}

/// A file that other programs keep away from until this is dropped.
struct Locked(File);

impl Locked {
    /// Opens or makes it. Who has it and is about to end is waited for.
    fn open(path: &Path) -> Result<Self, JournalError> {
        let failed = |why| JournalError::File { path: path.to_owned(), why };
        let until = Instant::now() + ENDING;
        loop {
            let file = OpenOptions::new().read(true).append(true).create(true).open(path).map_err(failed)?;
            match Self::of(file, path) {
                Ok(Some(held)) => return Ok(held),
                Ok(None) => {}
                Err(TryLockError::WouldBlock) if Instant::now() < until => std::thread::sleep(PAUSE),
                Err(TryLockError::WouldBlock) => return Err(JournalError::Held { path: path.to_owned() }),
                Err(TryLockError::Error(why)) => return Err(failed(why)),
            }
        }
    }
}

impl Locked {
    /// Keeps others away from a file; `None` if it has lost its name, since who had it may have set it aside.
    fn of(file: File, path: &Path) -> Result<Option<Self>, TryLockError> {
        file.try_lock()?;
        let held = Self(file);
        Ok(is_at(&held, path).then_some(held))
    }
}

impl Drop for Locked {
    /// Closing it alone would not do: the lock goes with the last of its copies, and a program that is just being started
    /// from this one has a copy of every open file until it runs.
    fn drop(&mut self) {
        let _ = self.0.unlock();
    }
}

impl Deref for Locked {
    type Target = File;

    fn deref(&self) -> &File {
        &self.0
    }
}

impl DerefMut for Locked {
    fn deref_mut(&mut self) -> &mut File {
        &mut self.0
    }
}

/// Whether a file that is open still has its name.
#[cfg(unix)]
fn is_at(file: &File, path: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    let which = |about: fs::Metadata| (about.dev(), about.ino());
    file.metadata().is_ok_and(|one| fs::metadata(path).is_ok_and(|other| which(one) == which(other)))
}

#[cfg(not(unix))]
fn is_at(_: &File, _: &Path) -> bool {
    true
}

fn first_bytes(path: &Path) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    File::open(path)?.take(FIRST_BYTES).read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// Renames what stands at a journal's place; its name then. Of a link the link itself.
fn aside(path: &Path) -> io::Result<PathBuf> {
    let name = |n: u32| {
        let mut name = path.as_os_str().to_owned();
        name.push(if n == 1 { ".damaged".to_owned() } else { format!(".damaged-{n}") });
        PathBuf::from(name)
    };
    for name in (1..MOST_NAMES).map(name) {
        match place::take(path, &name, Over::Nothing) {
            Err(why) if why.kind() == io::ErrorKind::AlreadyExists => {}
            taken => return taken.map(|()| name),
        }
    }
    Err(io::Error::other("there are too many of them that are damaged"))
}

/// A journal that is being written, by a thread of its own. Dropped, it is left as if the run had broken off.
pub struct Keeping {
    state: Arc<AtomicU8>,
    trouble: Arc<Mutex<Option<String>>>,
    changed: Arc<Mutex<(Arc<Plan>, u32)>>,
    thread: Option<JoinHandle<()>>,
}

impl Keeping {
    /// Why the last line could not be written, in words; `None`: all is well.
    pub fn trouble(&self) -> Option<String> {
        self.trouble.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// A changed piece takes over; `crc` is the [`checksum`] of its text.
    pub fn change(&self, plan: &Arc<Plan>, crc: u32) {
        *self.changed.lock().unwrap_or_else(PoisonError::into_inner) = (Arc::clone(plan), crc);
    }

    /// The run was ended by someone: the next one begins afresh.
    pub fn end(mut self) {
        self.finish(ENDED);
    }

    fn finish(&mut self, how: u8) {
        self.state.store(how, Ordering::Release);
        if let Some(thread) = self.thread.take() {
            // It has no way to panic; were there one, there would be nothing to do here.
            let _ = thread.join();
        }
    }
}

impl Drop for Keeping {
    fn drop(&mut self) {
        self.finish(LEFT);
    }
}

/// A new file's name is on the disk only with its folder. Not every system can say so; the file itself matters more.
fn keep_name(folder: &Path) {
    if cfg!(unix) {
        let _ = File::open(folder).and_then(|folder| folder.sync_all());
    }
}

#[cfg(test)]
mod tests;

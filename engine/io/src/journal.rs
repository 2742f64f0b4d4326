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

use crate::hub::Snapshot;
use crate::{Done, Error};
use crossbeam_channel::{Receiver, RecvTimeoutError};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU8, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tenterhook_plan::{Plan, SceneId};

/// The version of the lines.
const VERSION: u8 = 1;
/// Bytes at the end of the file that are read: many hours of shows.
const MOST_BYTES: u64 = 1 << 20;
/// From one line to the next at least: a lever that is drawn writes ten lines a second and not a hundred.
const PACE: Duration = Duration::from_millis(100);
/// How often the thread looks whether it is to end.
const PAUSE: Duration = Duration::from_millis(20);
/// After a failure it is tried again as often as this, should nothing change.
const AGAIN: Duration = Duration::from_secs(2);

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

#[derive(Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
enum Line {
    Piece(Piece),
    Stands(Stands),
    Ended,
}

/// Which piece a run played.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
struct Piece {
    version: u8,
    path: String,
    /// The CRC-32 of its text.
    crc: u32,
    /// The marks of its scenes, in order.
    marks: Vec<String>,
}

/// How things stood, by names.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Stands {
    mark: String,
    hushed: bool,
    muted: Vec<String>,
    level_db: f32,
    levels_db: BTreeMap<String, f32>,
}

impl Stands {
    /// `None`: nothing is known of a scene yet.
    fn of(snapshot: &Snapshot) -> Option<Self> {
        let plan = snapshot.plan.as_ref()?;
        let muted = plan.mics.iter().zip(&snapshot.muted).filter(|(_, muted)| **muted);
        let levels = plan.outputs.iter().zip(&snapshot.levels_db).filter(|(_, db)| **db != 0.0);
        Some(Self {
            mark: plan.scenes.get(snapshot.scene?.0.index())?.mark.clone(),
            hushed: snapshot.hushed,
            muted: muted.map(|(mic, _)| mic.name.clone()).collect(),
            level_db: snapshot.level_db,
            levels_db: levels.map(|(output, db)| (output.name.clone(), *db)).collect(),
        })
    }
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
}

impl Found {
    /// What the bytes of a journal of the piece `piece` tell.
    pub fn of(bytes: &[u8], piece: &str) -> Self {
        read(bytes, false, piece)
    }
}

/// What the text of a piece is known by.
pub fn checksum(text: &[u8]) -> u32 {
    crc32fast::hash(text)
}

/// A journal that is held by this program, and not written yet.
pub struct Journal {
    path: PathBuf,
    file: File,
    piece: String,
}

impl Journal {
    /// Opens, or makes, the journal of the piece `piece`, keeps other programs out, and reads what it holds.
    ///
    /// # Errors
    /// [`JournalError`] if another program keeps it, or it cannot be read or written.
    pub fn open(path: &Path, piece: &str) -> Result<(Self, Found), JournalError> {
        let failed = |why| JournalError::File { path: path.to_owned(), why };
        // A pipe would keep us waiting.
        if fs::metadata(path).is_ok_and(|about| !about.is_file()) {
            return Err(failed(io::Error::other("it is no file")));
        }
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        fs::create_dir_all(folder).map_err(failed)?;
        let is_new = !path.exists();
        let mut options = OpenOptions::new();
        let mut file = options.read(true).append(true).create(true).open(path).map_err(failed)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => return Err(JournalError::Held { path: path.to_owned() }),
            Err(TryLockError::Error(why)) => return Err(failed(why)),
        }
        if is_new {
            keep_name(folder);
        }
        let length = file.metadata().map_err(failed)?.len();
        let mut bytes = Vec::new();
        file.seek(SeekFrom::Start(length.saturating_sub(MOST_BYTES))).map_err(failed)?;
        (&mut file).take(MOST_BYTES).read_to_end(&mut bytes).map_err(failed)?;
        let found = read(&bytes, length > MOST_BYTES, piece);
        Ok((Self { path: path.to_owned(), file, piece: piece.to_owned() }, found))
    }

    /// Begins to write. `applied` comes from the [`Hub`](crate::Hub) and tells every gesture from the first on; `crc` is
    /// the [`checksum`] of the piece's text; `anew` drops what the journal held.
    ///
    /// # Errors
    /// [`Error::Thread`] if the system gives no thread.
    pub fn begin(self, plan: &Arc<Plan>, crc: u32, anew: bool, applied: Receiver<Done>) -> Result<Keeping, Error> {
        let state = Arc::new(AtomicU8::new(GOES_ON));
        let trouble = Arc::<Mutex<Option<String>>>::default();
        let changed = Arc::new(Mutex::new((Arc::clone(plan), crc)));
        let mut writer = Writer {
            path: self.path,
            file: self.file,
            piece: self.piece,
            snapshot: Snapshot::of(Arc::clone(plan)),
            newest: Arc::clone(&changed),
            told_piece: None,
            told: None,
            anew,
        };
        let (goes_on, words) = (Arc::clone(&state), Arc::clone(&trouble));
        let run = move || writer.run(&applied, &goes_on, &words);
        let thread = std::thread::Builder::new().name("journal".to_owned()).spawn(run);
        let thread = thread.map_err(|why| Error::Thread { why: why.to_string() })?;
        Ok(Keeping { state, trouble, changed, thread: Some(thread) })
    }
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

struct Writer {
    path: PathBuf,
    file: File,
    /// The path of the piece.
    piece: String,
    snapshot: Snapshot,
    /// The newest version of the piece, with its checksum.
    newest: Arc<Mutex<(Arc<Plan>, u32)>>,
    told_piece: Option<Piece>,
    told: Option<Stands>,
    anew: bool,
}

impl Writer {
    fn run(&mut self, applied: &Receiver<Done>, state: &AtomicU8, trouble: &Mutex<Option<String>>) {
        // The first line waits as well, until all that the run begins with is in it.
        let (mut wrote, mut failed) = (Instant::now(), false);
        loop {
            // Read before the last look: what came before it is then surely written.
            let state = state.load(Ordering::Acquire);
            match applied.recv_timeout(PAUSE) {
                Ok(done) => [done].into_iter().chain(applied.try_iter()).for_each(|done| self.take_in(&done)),
                Err(RecvTimeoutError::Timeout) => {}
                // The hub is gone: nothing more comes, until somebody says how it ended.
                Err(RecvTimeoutError::Disconnected) => std::thread::sleep(PAUSE),
            }
            let pace = if failed { AGAIN } else { PACE };
            if state != GOES_ON || wrote.elapsed() >= pace {
                let written = self.write(state == ENDED);
                match &written {
                    Ok(false) => {}
                    Ok(true) | Err(_) => wrote = Instant::now(),
                }
                failed = written.is_err();
                let path = self.path.clone();
                let words = written.err().map(|why| JournalError::File { path, why }.to_string());
                *trouble.lock().unwrap_or_else(PoisonError::into_inner) = words;
            }
            if state != GOES_ON {
                return;
            }
        }
    }

    fn take_in(&mut self, Done { applied, plan }: &Done) {
        if self.snapshot.plan.as_ref().is_none_or(|known| !Arc::ptr_eq(known, plan)) {
            self.snapshot.change(Arc::clone(plan));
        }
        self.snapshot.apply(*applied);
    }

    /// Writes what is not written yet, and waits until the disk has it. False: there was nothing.
    fn write(&mut self, ended: bool) -> io::Result<bool> {
        let (plan, crc) = self.newest.lock().unwrap_or_else(PoisonError::into_inner).clone();
        let piece = Piece {
            version: VERSION,
            path: self.piece.clone(),
            crc,
            marks: plan.scenes.iter().map(|scene| scene.mark.clone()).collect(),
        };
        let stands = Stands::of(&self.snapshot);
        let mut text = String::new();
        if self.told_piece.as_ref() != Some(&piece) {
            text += &line(&Line::Piece(piece.clone()))?;
        }
        if let Some(stands) = stands.clone().filter(|stands| self.told.as_ref() != Some(stands)) {
            text += &line(&Line::Stands(stands))?;
        }
        if ended {
            text += &line(&Line::Ended)?;
        }
        // Until something sounds there is nothing to take up, and what the run before left stays.
        if text.is_empty() || stands.is_none() && !ended {
            return Ok(false);
        }
        if std::mem::take(&mut self.anew) {
            self.file.set_len(0)?;
        } else if !ends_with_a_line(&mut self.file)? {
            // What was cut off shall not spoil what comes.
            text.insert(0, '\n');
        }
        self.file.write_all(text.as_bytes())?;
        self.file.sync_data()?;
        (self.told_piece, self.told) = (Some(piece), stands);
        Ok(true)
    }
}

/// A new file's name is on the disk only with its folder. Not every system can say so; the file itself matters more.
fn keep_name(folder: &Path) {
    if cfg!(unix) {
        let _ = File::open(folder).and_then(|folder| folder.sync_all());
    }
}

fn ends_with_a_line(file: &mut File) -> io::Result<bool> {
    if file.metadata()?.len() == 0 {
        return Ok(true);
    }
    let mut last = [0];
    file.seek(SeekFrom::End(-1))?;
    file.read_exact(&mut last)?;
    Ok(last == *b"\n")
}

fn line(line: &Line) -> io::Result<String> {
    let json = serde_json::to_string(line).map_err(io::Error::other)?;
    Ok(format!("{:08x} {json}\n", checksum(json.as_bytes())))
}

/// A whole line; `None`: it is damaged.
fn parse(line: &[u8]) -> Option<Line> {
    let (crc, json) = line.split_at_checked(8)?;
    let json = json.strip_prefix(b" ")?;
    let crc = u32::from_str_radix(std::str::from_utf8(crc).ok()?, 16).ok()?;
    (crc == checksum(json)).then(|| serde_json::from_slice(json).ok())?
}

/// What a journal of the piece `piece` tells; `cut`: its beginning is missing.
fn read(bytes: &[u8], cut: bool, piece: &str) -> Found {
    let mut found = Found::default();
    let mut played = None;
    let lines = bytes.split_inclusive(|byte| *byte == b'\n').skip(usize::from(cut));
    for line in lines.filter(|line| *line != b"\n") {
        match line.strip_suffix(b"\n").and_then(parse) {
            None => found.damaged += 1,
            Some(Line::Ended) => found.interrupted = None,
            Some(Line::Piece(said)) => {
                if let Some(stands) = &mut found.interrupted {
                    (stands.marks, stands.crc) = (said.marks.clone(), said.crc);
                }
                played = Some(said);
            }
            Some(Line::Stands(Stands { mark, hushed, muted, level_db, levels_db })) => {
                let (marks, crc) = played.as_ref().map_or((Vec::new(), 0), |said| (said.marks.clone(), said.crc));
                found.interrupted = Some(Interrupted { mark, marks, crc, hushed, muted, level_db, levels_db });
            }
        }
    }
    // Another piece, or a later program: not for us.
    if played.is_some_and(|said| said.path != piece || said.version != VERSION) {
        found.interrupted = None;
    }
    found
}

#[cfg(test)]
mod tests;

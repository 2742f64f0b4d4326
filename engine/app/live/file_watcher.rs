//! Follows the files of a piece while it plays: each time that they were saved, and have stood still for a moment, they
//! are read and checked, on a thread of its own.
//!
//! It looks at the files itself instead of asking the system for notices of changes: these do not come from network
//! folders, so this way would be needed anyway, and a look at a few files four times a second costs next to nothing.

use std::hash::{DefaultHasher, Hash, Hasher};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant, SystemTime};

use crossbeam_channel::{RecvTimeoutError, Sender, bounded};

use crate::failure::Failure;
use crate::loading::{self, Loaded};

/// How often it looks.
const LOOK: Duration = Duration::from_millis(250);
/// The same while a file was just written.
const CLOSE_LOOK: Duration = Duration::from_millis(50);
/// Files are read once they have stood still for so long: an editor may write one in pieces, or two after one another.
const SETTLED: Duration = Duration::from_millis(200);
/// Up to this size a file is also told by what it holds: the clocks of some file systems go by seconds.
const SMALL: u64 = 1 << 18;

/// What came of a save.
pub enum News {
    /// The piece is right.
    Whole(Box<Loaded>),
    /// It cannot be played.
    Broken(Failure),
}

/// Follows files until this is dropped.
pub struct FileWatcher {
    news: Arc<Mutex<Option<News>>>,
    stop: Option<Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

impl FileWatcher {
    /// Begins. It reads the files once by itself: they may have changed since they were read first.
    pub fn start(piece: &Path, hall: Option<&Path>) -> Result<Self, Failure> {
        for path in [Some(piece), hall].into_iter().flatten() {
            if path.as_os_str() == "-" {
                return Err(Failure::asked("standard input cannot be followed: save it as a file, and name that"));
            }
        }
        let news = Arc::<Mutex<Option<News>>>::default();
        let (stop, stopped) = bounded::<()>(0);
        let (piece, hall, found) = (piece.to_owned(), hall.map(Path::to_owned), Arc::clone(&news));
        let run = move || {
            let mut paths: Vec<_> = [Some(&piece), hall.as_ref()].into_iter().flatten().cloned().collect();
            let mut watch = FileWatch::new(stamps(&paths), Instant::now());
            while let Err(RecvTimeoutError::Timeout) = stopped.recv_timeout(watch.pause()) {
                if !watch.look(stamps(&paths), Instant::now()) {
                    continue;
                }
                let (loaded, needed) = loading::attempt(&piece, hall.as_deref());
                let same_files = needed == paths;
                paths = needed;
                // What was not watched, or was written, while it was read is read once more.
                if watch.believes(stamps(&paths), same_files, Instant::now()) {
                    let news = loaded.map_or_else(News::Broken, |loaded| News::Whole(Box::new(loaded)));
                    *found.lock().unwrap_or_else(PoisonError::into_inner) = Some(news);
                }
            }
        };
        let thread =
            std::thread::Builder::new().name("file watcher".to_owned()).spawn(run).map_err(Failure::running)?;
        Ok(Self { news, stop: Some(stop), thread: Some(thread) })
    }

    /// What came of the last save, once.
    pub fn news(&self) -> Option<News> {
        self.news.lock().unwrap_or_else(PoisonError::into_inner).take()
    }
}

impl Drop for FileWatcher {
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take() {
            // It has no way to panic; were there one, there would be nothing to do here.
            let _ = thread.join();
        }
    }
}

/// What a file is told by.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Stamp {
    modified: Option<SystemTime>,
    bytes: u64,
    /// Of a small file, what it holds.
    content: Option<u64>,
}

/// Each file as it is now; `None`: it cannot be had.
fn stamps(paths: &[PathBuf]) -> Vec<Option<Stamp>> {
    let stamp = |path: &PathBuf| {
        let about = std::fs::metadata(path).ok()?;
        let small = about.is_file() && about.len() <= SMALL;
        let content = small.then(|| tenterhook_io::reading::read_file(path, SMALL).ok()).flatten().map(|bytes| {
            let mut hasher = DefaultHasher::new();
            bytes.hash(&mut hasher);
            hasher.finish()
        });
        Some(Stamp { modified: about.modified().ok(), bytes: about.len(), content })
    };
    paths.iter().map(stamp).collect()
}

/// Tells when files are to be read. Time is what it is told.
struct FileWatch {
    seen: Vec<Option<Stamp>>,
    /// Since when they are as they are, if they were not read so.
    since: Option<Instant>,
}

impl FileWatch {
    fn new(seen: Vec<Option<Stamp>>, now: Instant) -> Self {
        Self { seen, since: Some(now) }
    }

    fn pause(&self) -> Duration {
        if self.since.is_some() { CLOSE_LOOK } else { LOOK }
    }

    /// Whether the files are to be read now.
    fn look(&mut self, stamps: Vec<Option<Stamp>>, now: Instant) -> bool {
        if stamps != self.seen {
            (self.seen, self.since) = (stamps, Some(now));
        }
        self.since.is_some_and(|since| now.duration_since(since) >= SETTLED)
    }

    /// They were read, and then they were so: whether what was read holds. If not, they are to be read again.
    fn believes(&mut self, stamps: Vec<Option<Stamp>>, same_files: bool, now: Instant) -> bool {
        let holds = same_files && stamps == self.seen;
        (self.seen, self.since) = (stamps, (!holds).then_some(now));
        holds
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stamp(bytes: u64, content: u64) -> Vec<Option<Stamp>> {
        vec![Some(Stamp { modified: None, bytes, content: Some(content) })]
    }

    #[test]
    fn a_file_is_read_once_it_stands_still_and_once_only() {
        let start = Instant::now();
        let at = |ms| start + Duration::from_millis(ms);
        let mut watch = FileWatch::new(stamp(3, 1), start);
        assert!(!watch.look(stamp(3, 1), at(199)));
        assert!(watch.look(stamp(3, 1), at(200)), "what was saved while the program started");
        assert!(watch.believes(stamp(3, 1), true, at(210)));
        assert!(!watch.look(stamp(3, 1), at(5000)));
        // In two parts, 100 ms apart.
        assert!(!watch.look(stamp(0, 0), at(5250)));
        assert!(!watch.look(stamp(3, 2), at(5350)));
        assert!(!watch.look(stamp(3, 2), at(5549)));
        assert!(watch.look(stamp(3, 2), at(5550)));
        assert!(watch.believes(stamp(3, 2), true, at(5560)));
        assert!(!watch.look(stamp(3, 2), at(9000)));
    }

    #[test]
    fn what_was_written_while_it_was_read_is_read_again() {
        let start = Instant::now();
        let at = |ms| start + Duration::from_millis(ms);
        let mut watch = FileWatch::new(stamp(3, 1), start);
        assert!(watch.look(stamp(3, 1), at(200)));
        assert!(!watch.believes(stamp(0, 0), true, at(210)));
        assert!(!watch.look(stamp(3, 2), at(260)));
        assert!(watch.look(stamp(3, 2), at(460)));
        assert!(!watch.believes([stamp(3, 2), stamp(9, 9)].concat(), false, at(470)), "it names another file now");
        assert!(watch.look([stamp(3, 2), stamp(9, 9)].concat(), at(670)));
        assert!(watch.believes([stamp(3, 2), stamp(9, 9)].concat(), true, at(680)));
    }

    #[test]
    fn a_save_within_the_same_tick_of_the_clock_is_seen() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("piece.toml");
        let tick = SystemTime::UNIX_EPOCH + Duration::from_secs(1_000_000_000);
        let saved = |text: &str| {
            std::fs::write(&path, text).unwrap();
            std::fs::File::options().write(true).open(&path).unwrap().set_modified(tick).unwrap();
            stamps(std::slice::from_ref(&path))
        };
        let (one, other) = (saved("most = 4"), saved("most = 5"));
        assert_ne!(one, other);
        assert_eq!(one, saved("most = 4"));
        std::fs::remove_file(&path).unwrap();
        assert_eq!(stamps(&[path]), [None]);
    }
}

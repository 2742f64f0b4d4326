//! The place of a file that is made beside it first: over nothing that is there, unless somebody says so.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

use tempfile::TempPath;

/// What a new file may be written over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Over {
    /// Nothing at all, links that lead nowhere included.
    Nothing,
    /// A file. Where the name is a link, the file that it leads to.
    Files,
}

impl Over {
    /// What `--replace`, said or not, allows.
    pub fn said(replace: bool) -> Self {
        if replace { Self::Files } else { Self::Nothing }
    }
}

/// Why a file cannot have its name.
#[derive(Debug, PartialEq, Eq, thiserror::Error)]
pub enum Taken {
    /// There is one.
    #[error("{path} is there already: choose another name, or say --replace to have it written over")]
    There {
        /// The name.
        path: PathBuf,
    },
    /// The name leads elsewhere.
    #[error(
        "{path} is there already, a link to {target}: choose another name, or say --replace to have that written over"
    )]
    Link {
        /// The name.
        path: PathBuf,
        /// Where it leads.
        target: PathBuf,
    },
    /// What has that name is no file.
    #[error("{path} is there already and is no plain file: choose another name")]
    NoFile {
        /// The name.
        path: PathBuf,
    },
}

/// Where a file that is asked for as `path` is to stand.
///
/// # Errors
/// [`Taken`] if something stands there that is not to be written over.
pub fn free(path: &Path, over: Over) -> Result<PathBuf, Taken> {
    let Ok(about) = fs::symlink_metadata(path) else { return Ok(path.to_owned()) };
    let path = path.to_owned();
    if over == Over::Nothing {
        return Err(match fs::read_link(&path) {
            Ok(target) => Taken::Link { path, target },
            Err(_) if about.is_file() => Taken::There { path },
            Err(_) => Taken::NoFile { path },
        });
    }
    // A link that leads nowhere gives way itself.
    let place = fs::canonicalize(&path).unwrap_or_else(|_| path.clone());
    let is_no_file = fs::metadata(&place).is_ok_and(|about| !about.is_file());
    if is_no_file { Err(Taken::NoFile { path }) } else { Ok(place) }
}

/// Gives the file `unfinished`, which is whole, its place on the same disk. Of two programs that come at once one has it.
///
/// # Errors
/// [`io::ErrorKind::AlreadyExists`] if something has come there meanwhile, or what the system says. `unfinished` stays.
pub fn take(unfinished: &Path, place: &Path, over: Over) -> io::Result<()> {
    if over == Over::Files {
        return fs::rename(unfinished, place);
    }
    let mut made = TempPath::try_from_path(unfinished)?;
    // Whatever goes wrong.
    made.disable_cleanup(true);
    match made.persist_noclobber(place) {
        Ok(()) => Ok(()),
        Err(why) if why.error.kind() == io::ErrorKind::AlreadyExists => Err(why.error),
        Err(_) => take_as_others_must(unfinished, place),
    }
}

/// The same on disks that know neither links nor renaming over nothing: an empty file holds the place.
fn take_as_others_must(unfinished: &Path, place: &Path) -> io::Result<()> {
    File::options().write(true).create_new(true).open(place)?;
    fs::rename(unfinished, place).inspect_err(|_| {
        // It was ours, and what went wrong matters more.
        let _ = fs::remove_file(place);
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Room(tempfile::TempDir);

    impl Room {
        fn new() -> Self {
            let room = Self(tempfile::tempdir().unwrap());
            fs::write(room.path("made"), "new").unwrap();
            room
        }

        fn path(&self, name: &str) -> PathBuf {
            self.0.path().join(name)
        }

        fn read(&self, name: &str) -> String {
            fs::read_to_string(self.path(name)).unwrap()
        }
    }

    #[test]
    fn what_is_there_keeps_its_place_and_what_was_made_stays() {
        for take in [|made: &Path, place: &Path| take(made, place, Over::Nothing), take_as_others_must] {
            let room = Room::new();
            fs::write(room.path("there"), "old").unwrap();
            let why = take(&room.path("made"), &room.path("there")).unwrap_err();
            assert_eq!(why.kind(), io::ErrorKind::AlreadyExists);
            assert_eq!((room.read("there").as_str(), room.read("made").as_str()), ("old", "new"));
            take(&room.path("made"), &room.path("free")).unwrap();
            assert_eq!((room.read("free").as_str(), room.path("made").exists()), ("new", false));
        }
        let room = Room::new();
        take_as_others_must(&room.path("nothing"), &room.path("free")).unwrap_err();
        assert!(!room.path("free").exists());
    }

    #[test]
    fn of_many_that_come_at_once_one_has_the_place() {
        for take in [|made: &Path, place: &Path| take(made, place, Over::Nothing), take_as_others_must] {
            let room = Room::new();
            let made: Vec<_> = (0..8).map(|n| room.path(&n.to_string())).collect();
            made.iter().for_each(|path| fs::write(path, path.to_str().unwrap()).unwrap());
            let place = &room.path("place");
            let won: Vec<_> = std::thread::scope(|scope| {
                let all: Vec<_> = made.iter().map(|path| (path, scope.spawn(move || take(path, place)))).collect();
                all.into_iter().filter_map(|(path, one)| one.join().unwrap().ok().map(|()| path)).collect()
            });
            assert_eq!(won.len(), 1);
            assert_eq!(fs::read_to_string(place).unwrap(), won[0].to_str().unwrap());
            assert_eq!(made.iter().filter(|path| path.exists()).count(), 7, "what the others made stays");
        }
    }

    #[cfg(unix)]
    #[test]
    fn a_link_is_something_that_is_there_and_replaced_is_what_it_leads_to() {
        let room = Room::new();
        fs::write(room.path("far"), "old").unwrap();
        for (link, target) in [("link", "far"), ("astray", "nowhere")] {
            std::os::unix::fs::symlink(room.path(target), room.path(link)).unwrap();
            let taken = free(&room.path(link), Over::Nothing).unwrap_err();
            assert_eq!(taken, Taken::Link { path: room.path(link), target: room.path(target) });
            take(&room.path("made"), &room.path(link), Over::Nothing).unwrap_err();
        }
        assert_eq!((room.read("far").as_str(), room.path("nowhere").exists()), ("old", false));
        let place = free(&room.path("link"), Over::Files).unwrap();
        take(&room.path("made"), &place, Over::Files).unwrap();
        assert_eq!((room.read("far").as_str(), room.read("link").as_str()), ("new", "new"));
        assert!(room.path("link").is_symlink());
        fs::write(room.path("made"), "new").unwrap();
        let place = free(&room.path("astray"), Over::Files).unwrap();
        take(&room.path("made"), &place, Over::Files).unwrap();
        assert_eq!((room.read("astray").as_str(), room.path("nowhere").exists()), ("new", false));
    }

    #[test]
    fn a_folder_is_never_written_over() {
        let room = Room::new();
        for over in [Over::Nothing, Over::Files] {
            let taken = free(room.0.path(), over).unwrap_err();
            assert_eq!(taken, Taken::NoFile { path: room.0.path().to_owned() });
        }
        assert_eq!(free(&room.path("made"), Over::Files), Ok(room.path("made").canonicalize().unwrap()));
        assert_eq!(free(&room.path("other"), Over::Nothing), Ok(room.path("other")));
    }
}

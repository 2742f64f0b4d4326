//! The folder of a log: one in which nothing of a run lies yet, and what is put there at once.

use super::LogError;
use super::text::LogText;
use std::ffi::OsString;
use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Component, Path, PathBuf};

/// How many names of folders are tried.
const MOST_NAMES: u32 = 10_000;

/// The files in which a run is kept, with their endings; each may be followed by its number.
const OWN: [(&str, &str); 6] =
    [("mics", ".wav"), ("outputs", ".wav"), ("gestures", ".csv"), ("who", ".csv"), ("lost", ".csv"), ("take", ".json")];
/// The texts beside them.
const TEXTS: [(&str, &str); 2] = [("piece", ".toml"), ("hall", ".toml")];

/// The name that was asked for, and those that are taken where it is not free: `run`, `run-2`, `run-3` …
pub(super) fn names(dir: &Path) -> impl Iterator<Item = PathBuf> + use<> {
    // `.` and `..` are names of other folders.
    let dir = match dir.file_name() {
        None => fs::canonicalize(dir).unwrap_or_else(|_| dir.to_owned()),
        Some(_) => dir.to_owned(),
    };
    let next = {
        let dir = dir.clone();
        move |n: u32| {
            let mut name = dir.file_name().map_or_else(OsString::new, OsString::from);
            name.push(format!("-{n}"));
            dir.with_file_name(name)
        }
    };
    std::iter::once(dir).chain((2..MOST_NAMES).map(next))
}

/// Whether a file that a piece names lies in the piece's own folder: then it has that name in the log's, too.
pub fn is_inside(name: &str) -> bool {
    let inside = |part| matches!(part, Component::Normal(_) | Component::CurDir);
    Path::new(name).components().all(inside)
}

/// Whether a log gives this name to a file of its own.
pub fn is_own(name: &str) -> bool {
    OWN.iter().chain(&TEXTS).any(|kind| is_of(name, kind))
}

fn is_of(name: &str, (own, ending): &(&str, &str)) -> bool {
    let name = Path::new(name);
    let plain = name.components().filter(|part| *part != Component::CurDir).count() == 1;
    let lower = name.as_os_str().to_string_lossy().to_lowercase();
    let lower = lower.trim_start_matches("./");
    let numbered = |rest: &str| {
        let number = rest.strip_prefix('-');
        rest.is_empty() || number.is_some_and(|n| !n.is_empty() && n.bytes().all(|digit| digit.is_ascii_digit()))
    };
    let rest = lower.strip_prefix(own).and_then(|rest| rest.strip_suffix(ending));
    let is_it = rest.is_some_and(|rest| match rest.split_once(".unfinished") {
        None => numbered(rest),
        Some((number, other)) => numbered(number) && numbered(other),
    });
    plain && is_it
}

/// Makes the folder, and takes it for a log unless something stands there that this would spoil: the texts, and the
/// files that the piece names, copied. Of two programs that come at once one has it. The file of gestures is its sign.
pub(super) fn take(
    dir: &Path,
    texts: &[(&str, &str)],
    files: &[(String, PathBuf)],
    sign: &str,
) -> Result<LogText, LogError> {
    let taken = |found: &str| LogError::AlreadyThere { dir: dir.to_owned(), found: found.to_owned() };
    if dir.symlink_metadata().is_ok() && !dir.is_dir() {
        return Err(taken("no folder"));
    }
    let inside: Vec<_> = files.iter().filter(|(name, _)| is_inside(name)).collect();
    if let Some((name, _)) = inside.iter().find(|(name, _)| is_own(name)) {
        return Err(LogError::OwnName { name: name.clone() });
    }
    let failed = |why| LogError::Write { path: dir.to_owned(), why };
    fs::create_dir_all(dir).map_err(failed)?;
    for entry in fs::read_dir(dir).map_err(failed)? {
        let name = entry.map_err(failed)?.file_name();
        let name = name.to_string_lossy();
        if OWN.iter().any(|kind| is_of(&name, kind)) {
            return Err(taken(&name));
        }
    }
    // Before anything is written: what is there stays as it is.
    for (name, text) in texts {
        let path = dir.join(name);
        if path.symlink_metadata().is_ok() && !fs::read(path).is_ok_and(|there| there == text.as_bytes()) {
            return Err(taken(name));
        }
    }
    for (name, from) in &inside {
        let path = dir.join(name);
        let is_there = path.symlink_metadata().is_ok();
        if is_there && !fs::read(path).is_ok_and(|there| fs::read(from).is_ok_and(|from| from == there)) {
            return Err(taken(name));
        }
    }
    let gestures = LogText::create(dir, sign)?;
    for (name, text) in texts {
        new(&dir.join(name), |file| file.write_all(text.as_bytes()))?;
    }
    for (name, from) in inside {
        let path = dir.join(name);
        path.parent().map_or(Ok(()), fs::create_dir_all).map_err(|why| LogError::Write { path: path.clone(), why })?;
        let mut from = File::open(from).map_err(|why| LogError::Write { path: path.clone(), why })?;
        new(&path, |file| io::copy(&mut from, file).map(drop))?;
    }
    Ok(gestures)
}

/// Writes a file that is not there yet. One that has come meanwhile stays.
fn new(path: &Path, write: impl FnOnce(&mut File) -> io::Result<()>) -> Result<(), LogError> {
    match File::options().write(true).create_new(true).open(path) {
        Err(why) if why.kind() == io::ErrorKind::AlreadyExists => Ok(()),
        file => {
            file.and_then(|mut file| write(&mut file)).map_err(|why| LogError::Write { path: path.to_owned(), why })
        }
    }
}

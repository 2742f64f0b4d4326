//! Several files that belong together, written into a folder: all of them or none, and over nothing that is there unless
//! somebody says so.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use tempfile::TempDir;
use tenterhook_io::place::{self, Over};

use crate::failure::Failure;

/// Refuses a folder in which one of these files has no place: what is there may have been worked on since.
pub fn free<'a>(folder: &Path, names: impl IntoIterator<Item = &'a Path>, over: Over) -> Result<(), Failure> {
    names.into_iter().try_for_each(|name| place::free(&folder.join(name), over).map(drop)).map_err(Failure::asked)
}

/// Writes them; where they are then.
pub fn write(folder: &Path, files: &[(&Path, &[u8])], over: Over) -> Result<Vec<PathBuf>, Failure> {
    free(folder, files.iter().map(|(path, _)| *path), over)?;
    let written = fs::create_dir_all(folder)
        .and_then(|()| tempfile::Builder::new().prefix(".unfinished-").tempdir_in(folder))
        .and_then(|beside| Writing { beside, folder, over, done: Vec::new() }.all(files));
    written.map_err(|why| {
        Failure::Asked(format!(
            "cannot write into {} ({why}): see that it is a folder, may be written to, and has room",
            folder.display()
        ))
    })
}

struct Writing<'a> {
    /// Where files are made, and where those wait that gave way.
    beside: TempDir,
    folder: &'a Path,
    over: Over,
    done: Vec<Placed>,
}

/// A file that has its place.
struct Placed {
    path: PathBuf,
    /// Where the one is that it replaced.
    old: Option<PathBuf>,
}

impl Writing<'_> {
    /// Each file is whole before any has its name.
    fn all(mut self, files: &[(&Path, &[u8])]) -> io::Result<Vec<PathBuf>> {
        let made = |place: usize| self.beside.path().join(place.to_string());
        for (place, (_, bytes)) in files.iter().enumerate() {
            fs::write(made(place), bytes)?;
        }
        for (place, (path, _)) in files.iter().enumerate() {
            if let Err(why) = self.place(place, path) {
                self.undo();
                return Err(why);
            }
        }
        self.beside.close()?;
        Ok(self.done.into_iter().map(|done| done.path).collect())
    }

    fn place(&mut self, place: usize, path: &Path) -> io::Result<()> {
        let path = self.folder.join(path);
        path.parent().map_or(Ok(()), fs::create_dir_all)?;
        let path = place::free(&path, self.over).map_err(io::Error::other)?;
        let old = self.beside.path().join(format!("{place}.old"));
        let gives_way = path.symlink_metadata().is_ok();
        if gives_way {
            fs::rename(&path, &old)?;
            self.done.push(Placed { path: path.clone(), old: Some(old) });
        }
        place::take(&self.beside.path().join(place.to_string()), &path, Over::Nothing)?;
        if !gives_way {
            self.done.push(Placed { path, old: None });
        }
        Ok(())
    }

    /// Puts everything back as it was. What cannot be put back cannot be helped.
    fn undo(&self) {
        for Placed { path, old } in self.done.iter().rev() {
            match old {
                Some(old) => drop(fs::rename(old, path)),
                None => drop(fs::remove_file(path)),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FILES: [(&str, &[u8]); 3] = [("a", b"new a"), ("in/b", b"new b"), ("later", b"new later")];

    fn files() -> [(&'static Path, &'static [u8]); 3] {
        FILES.map(|(name, bytes)| (Path::new(name), bytes))
    }

    /// All files of a folder, with what they hold.
    fn all(folder: &Path) -> Vec<(PathBuf, Vec<u8>)> {
        let mut found = Vec::new();
        for entry in fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()) {
            match entry.is_dir() {
                true => found.extend(all(&entry)),
                false => found.push((entry.clone(), fs::read(&entry).unwrap())),
            }
        }
        found.sort();
        found
    }

    #[test]
    fn all_have_their_places_or_none_has() {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str| folder.path().join(name);
        fs::write(path("later"), "somebody's own").unwrap();
        write(folder.path(), &files(), Over::Nothing).unwrap_err();
        assert_eq!(all(folder.path()), [(path("later"), b"somebody's own".to_vec())]);
        write(folder.path(), &files(), Over::Files).unwrap();
        assert_eq!(all(folder.path()), FILES.map(|(name, bytes)| (path(name), bytes.to_vec())));
    }

    #[test]
    fn what_cannot_be_finished_is_put_back_as_it_was() {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str| folder.path().join(name);
        fs::write(path("a"), "old a").unwrap();
        // The folder of one of them can only be made where no file is: it comes to light when `a` has its place.
        fs::write(path("in"), "no folder").unwrap();
        let before = all(folder.path());
        for over in [Over::Nothing, Over::Files] {
            write(folder.path(), &files(), over).unwrap_err();
            assert_eq!(all(folder.path()), before, "{over:?}");
        }
        fs::remove_file(path("a")).unwrap();
        let before = all(folder.path());
        write(folder.path(), &files(), Over::Nothing).unwrap_err();
        assert_eq!(all(folder.path()), before);
    }
}

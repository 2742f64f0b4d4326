//! Several files that belong together, written into a folder: all of them or none, and over nothing that is there.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use crate::failure::Failure;

/// Refuses a folder that holds one of these files already: it may have been worked on since.
pub fn free<'a>(folder: &Path, names: impl IntoIterator<Item = &'a Path>) -> Result<(), Failure> {
    match names.into_iter().map(|name| folder.join(name)).find(|path| path.symlink_metadata().is_ok()) {
        Some(there) => Err(Failure::Asked(format!("{} is there already: name another folder", there.display()))),
        None => Ok(()),
    }
}

/// Writes them; where they are then.
pub fn write(folder: &Path, files: &[(&Path, &[u8])]) -> Result<Vec<PathBuf>, Failure> {
    free(folder, files.iter().map(|(path, _)| *path))?;
    let mut written = Vec::new();
    let done = fs::create_dir_all(folder).and_then(|()| write_all(files, folder, &mut written));
    if let Err(why) = done {
        // What cannot be taken away again cannot be helped.
        written.iter().for_each(|path| drop(fs::remove_file(path)));
        return Err(Failure::Asked(format!(
            "cannot write into {} ({why}): see that it is a folder, may be written to, and has room",
            folder.display()
        )));
    }
    Ok(written)
}

/// Each file is whole before any has its name.
fn write_all(files: &[(&Path, &[u8])], folder: &Path, written: &mut Vec<PathBuf>) -> io::Result<()> {
    let unfinished = tempfile::Builder::new().prefix(".unfinished-").tempdir_in(folder)?;
    for (place, (_, bytes)) in files.iter().enumerate() {
        fs::write(unfinished.path().join(place.to_string()), bytes)?;
    }
    for (place, (path, _)) in files.iter().enumerate() {
        let path = folder.join(path);
        path.parent().map_or(Ok(()), fs::create_dir_all)?;
        fs::rename(unfinished.path().join(place.to_string()), &path)?;
        written.push(path);
    }
    unfinished.close()
}

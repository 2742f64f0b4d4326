//! Opening a file to read it: only what is a file, and only as much as was reckoned with. What is none is refused before
//! it is opened, so that no pipe is waited for and no device is touched.

use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Path, PathBuf};

/// Why a file is not read.
#[derive(Debug, thiserror::Error)]
pub enum ReadError {
    /// It cannot be opened or read.
    #[error("cannot read {path} ({why}): check the name")]
    Open {
        /// The file.
        path: PathBuf,
        /// What the system said.
        why: io::Error,
    },
    /// It is a folder.
    #[error("{path} is a folder: name a file in it")]
    Folder {
        /// The folder.
        path: PathBuf,
    },
    /// It is a device, a pipe or a socket.
    #[error("{path} is no file but a device or a pipe: save what comes from it, and name that file")]
    NoFile {
        /// What was named.
        path: PathBuf,
    },
    /// It is larger than anything of its kind.
    #[error("{path} has {} MB, and no more than {} MB are read: see that it is the file that was meant", size.div_ceil(1 << 20), most >> 20)]
    TooLarge {
        /// The file.
        path: PathBuf,
        /// What it has, in bytes.
        size: u64,
        /// What is read, in bytes.
        most: u64,
    },
}

/// The most bytes that are read of a file, by what it is.
pub mod most {
    /// A piece, a hall, or a spectrum file: a thousand scenes of a page each.
    pub const TEXT: u64 = 4 << 20;
    /// Written gestures: three hours of a hundred lines a second, and as much again.
    pub const GESTURES: u64 = 64 << 20;
    /// A sound: what a WAV file can hold, which is also an hour of two channels at 384 kHz as 32-bit float.
    pub const SOUND: u64 = (1 << 32) + (1 << 20);
}

/// Opens a file of at most so many bytes.
///
/// # Errors
/// [`ReadError`]: why it is not read, and what to do.
pub fn open_file(path: &Path, most: u64) -> Result<File, ReadError> {
    let failed = |why| ReadError::Open { path: path.to_owned(), why };
    judge(path, &fs::metadata(path).map_err(failed)?, most)?;
    let file = open(path).map_err(failed)?;
    // What has that name now may be another thing.
    judge(path, &file.metadata().map_err(failed)?, most)?;
    Ok(file)
}

/// Reads a whole file of at most so many bytes, however it grows meanwhile.
///
/// # Errors
/// As [`open_file`].
pub fn read_file(path: &Path, most: u64) -> Result<Vec<u8>, ReadError> {
    read_bounded(open_file(path, most)?, path, most)
}

/// Reads all that comes, at most so many bytes; `path` is its name in messages.
///
/// # Errors
/// As [`open_file`].
pub fn read_bounded(source: impl Read, path: &Path, most: u64) -> Result<Vec<u8>, ReadError> {
    let mut bytes = Vec::new();
    let failed = |why| ReadError::Open { path: path.to_owned(), why };
    let size = source.take(most + 1).read_to_end(&mut bytes).map_err(failed)? as u64;
    if size > most { Err(ReadError::TooLarge { path: path.to_owned(), size, most }) } else { Ok(bytes) }
}

fn judge(path: &Path, about: &fs::Metadata, most: u64) -> Result<(), ReadError> {
    let path = || path.to_owned();
    match about.len() {
        _ if about.is_dir() => Err(ReadError::Folder { path: path() }),
        _ if !about.is_file() => Err(ReadError::NoFile { path: path() }),
        size if size > most => Err(ReadError::TooLarge { path: path(), size, most }),
        _ => Ok(()),
    }
}

/// Opens without waiting for whoever writes, should a pipe have come in the place of the file.
#[cfg(target_os = "linux")]
fn open(path: &Path) -> io::Result<File> {
    use std::os::unix::fs::OpenOptionsExt;
    let flags = rustix::fs::OFlags::NONBLOCK.bits().cast_signed();
    File::options().read(true).custom_flags(flags).open(path)
}

#[cfg(not(target_os = "linux"))]
fn open(path: &Path) -> io::Result<File> {
    File::open(path)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_files_are_read_and_only_up_to_a_size() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("file");
        fs::write(&file, vec![b'a'; 1000]).unwrap();
        assert_eq!(read_file(&file, 1000).unwrap().len(), 1000);
        assert!(matches!(read_file(&file, 999), Err(ReadError::TooLarge { size: 1000, most: 999, .. })));
        assert!(matches!(read_file(folder.path(), 999), Err(ReadError::Folder { .. })));
        assert!(matches!(read_file(&folder.path().join("none"), 999), Err(ReadError::Open { .. })));
        // A file that grows after it was looked at.
        assert!(matches!(read_bounded(io::repeat(0), &file, 5000), Err(ReadError::TooLarge { size: 5001, .. })));
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn no_pipe_is_waited_for_and_no_device_is_read() {
        let folder = tempfile::tempdir().unwrap();
        let pipe = folder.path().join("pipe");
        assert!(std::process::Command::new("mkfifo").arg(&pipe).status().unwrap().success());
        let link = folder.path().join("link");
        std::os::unix::fs::symlink(&pipe, &link).unwrap();
        for path in [&pipe, &link, Path::new("/dev/zero"), Path::new("/dev/null")] {
            assert!(matches!(open_file(path, 1000), Err(ReadError::NoFile { .. })), "{}", path.display());
        }
        // It came in the place of a file after that was looked at: whoever opens it so does not wait.
        assert!(open(&pipe).is_ok());
    }
}

//! A text of a log that grows line by line. What the disk does not take waits, and is written when it does.

use super::LogError;
use crate::files::place::{self, Over};
use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

pub(super) struct LogText {
    path: PathBuf,
    file: Arc<File>,
    waiting: Vec<u8>,
}

impl LogText {
    /// Begins the file of this name, under an unfinished one.
    pub fn create(dir: &Path, name: &str) -> Result<Self, LogError> {
        let path = dir.join(name);
        let file = File::options().write(true).create_new(true).open(unfinished(&path));
        let file = file.map_err(|why| match why.kind() {
            io::ErrorKind::AlreadyExists => LogError::AlreadyThere { dir: dir.to_owned(), found: name.to_owned() },
            _ => LogError::Write { path: path.clone(), why },
        })?;
        Ok(Self { path, file: Arc::new(file), waiting: Vec::new() })
    }

    /// The file, to be synced.
    pub fn file(&self) -> &Arc<File> {
        &self.file
    }

    /// Writes this with the next flush.
    pub fn add(&mut self, text: &str) {
        self.waiting.extend(text.as_bytes());
    }

    /// Writes what waits.
    pub fn flush(&mut self) -> Result<(), LogError> {
        let mut written = 0;
        let result = loop {
            match self.waiting.get(written..) {
                None | Some([]) => break Ok(()),
                Some(rest) => match (&*self.file).write(rest) {
                    Ok(0) => break Err(io::ErrorKind::WriteZero.into()),
                    Ok(count) => written += count,
                    Err(why) if why.kind() == io::ErrorKind::Interrupted => {}
                    Err(why) => break Err(why),
                },
            }
        };
        self.waiting.drain(..written);
        result.map_err(|why| LogError::Write { path: self.path.clone(), why })
    }

    /// Gives the file its name.
    pub fn finish(mut self) -> Result<(), LogError> {
        self.flush()?;
        let named = self.file.sync_all().and_then(|()| place::take(&unfinished(&self.path), &self.path, Over::Nothing));
        named.map_err(|why| LogError::Write { path: self.path, why })
    }
}

/// The name of a file that is being written.
pub(super) fn unfinished(path: &Path) -> PathBuf {
    let extension = path.extension().unwrap_or_default().to_string_lossy();
    path.with_extension(format!("unfinished.{extension}"))
}

//! The files that a piece names, as whoever checks it can read them.

use tenterhook_plan::Recording;

/// Reads the files that a piece names, by their paths relative to it.
pub trait Files {
    /// A sound.
    ///
    /// # Errors
    /// Why it cannot be read, in words.
    fn sound(&self, path: &str) -> Result<Recording, String>;

    /// A text.
    ///
    /// # Errors
    /// Why it cannot be read, in words.
    fn text(&self, path: &str) -> Result<String, String>;
}

/// No files at all: for a piece that is a text by itself.
#[derive(Clone, Copy, Debug)]
pub struct NoFiles;

impl Files for NoFiles {
    fn sound(&self, _path: &str) -> Result<Recording, String> {
        Err("there are no files beside this piece".to_owned())
    }

    fn text(&self, _path: &str) -> Result<String, String> {
        Err("there are no files beside this piece".to_owned())
    }
}

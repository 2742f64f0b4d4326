//! A sound of any length, in as many files as the format makes necessary: `mics.wav`, `mics-2.wav` …

use crate::{WavError, WavWriter};
use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::Arc;

pub(super) struct Parts {
    dir: PathBuf,
    stem: &'static str,
    pub channels: usize,
    rate: u32,
    /// Bytes of samples in one file.
    most: u64,
    /// The parts, of which the last is written. All wait for their names.
    parts: Vec<LogPart>,
}

struct LogPart {
    /// The run's first frame of it.
    from: u64,
    writer: WavWriter,
    file: Arc<File>,
}

impl Parts {
    /// Begins the first part; a new one follows before `most` bytes are full.
    pub fn begin(dir: &Path, stem: &'static str, channels: usize, rate: u32, most: u64) -> Result<Self, WavError> {
        let mut parts = Self { dir: dir.to_owned(), stem, channels, rate, most, parts: Vec::new() };
        let first = parts.make(0)?;
        parts.parts.push(first);
        Ok(parts)
    }

    fn make(&self, from: u64) -> Result<LogPart, WavError> {
        let name = match self.parts.len() {
            0 => format!("{}.wav", self.stem),
            before => format!("{}-{}.wav", self.stem, before + 1),
        };
        let writer = WavWriter::create(&self.dir.join(name), self.channels, self.rate)?.holding(self.most);
        let file = Arc::new(writer.second()?);
        Ok(LogPart { from, writer, file })
    }

    /// The file that is written, to be synced.
    pub fn file(&self) -> Option<&Arc<File>> {
        self.parts.last().map(|part| &part.file)
    }

    /// Appends a block, whose first frame is `at` of the run. True: a new file was begun for it.
    pub fn write(&mut self, at: u64, block: &[&[f32]]) -> Result<bool, WavError> {
        let frames = block.first().map_or(0, |channel| channel.len());
        let full = self.parts.last().is_none_or(|part| !part.writer.has_room(frames));
        if full {
            self.flush()?;
            let next = self.make(at)?;
            self.parts.push(next);
        }
        if let Some(part) = self.parts.last_mut() {
            part.writer.keep();
            part.writer.write(block)?;
        }
        Ok(full)
    }

    /// Holds no more than so many bytes in a part from now on.
    #[cfg(test)]
    pub fn hold_for_a_test(&mut self, most: u64) {
        self.most = most;
        if let Some(LogPart { from, writer, file }) = self.parts.pop() {
            self.parts.push(LogPart { from, writer: writer.holding(most), file });
        }
    }

    /// Brings the header up to date with what was written.
    pub fn flush(&mut self) -> Result<(), WavError> {
        self.parts.last_mut().map_or(Ok(()), |part| part.writer.flush())
    }

    /// Writes nothing more into the last part; the run's frame before which it ends, as it lies on the disk.
    pub fn close(&mut self) -> u64 {
        self.parts.last_mut().map_or(0, |part| part.from + part.writer.close())
    }

    /// Drops what lies on the disk from the run's frame `end` on; the headers tell what is left.
    pub fn cut(&mut self, end: u64) -> Result<(), WavError> {
        self.parts.iter_mut().filter(|part| part.from + part.writer.frames() >= end).try_for_each(|part| {
            part.writer.close();
            part.writer.cut(end.saturating_sub(part.from))
        })
    }

    /// Makes the file that goes on with the run's frame `at`.
    pub fn next(&self, at: u64) -> Result<Next, WavError> {
        let mut part = self.make(at)?;
        part.writer.flush()?;
        Ok(Next(part))
    }

    /// Goes on in it.
    pub fn go_on(&mut self, Next(part): Next) {
        self.parts.push(part);
    }

    /// Gives all their names.
    pub fn finish(self) -> Result<(), WavError> {
        self.parts.into_iter().try_for_each(|part| part.writer.finish())
    }
}

/// A file to go on in. Dropped, it leaves nothing behind.
pub(super) struct Next(LogPart);

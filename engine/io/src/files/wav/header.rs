//! Where the sound of a WAV file lies, also where its header does not tell.
//!
//! What a header may say instead of a length: 0 (it was begun and never finished), 0xFFFFFFFF (EBU Tech 3306: a length
//! that is told elsewhere, or was never known), and what programs write that cannot go back in a pipe, of which SoX's
//! 0x7FFFF000 is one. All of them are read to where the file ends.

use std::io::{self, Read, Seek, SeekFrom};

/// No length in a header from here on is believed where the file is shorter.
const NEVER_KNOWN: u64 = 0x7FFF_F000;
/// The most that a header of our own can announce: what is beyond is not read.
const MOST: u64 = super::MOST_WAV_BYTES;

/// Where a file's sound is.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct HeaderPlace {
    /// The bytes of the `fmt ` chunk.
    format: Vec<u8>,
    /// The first byte of the sound.
    pub begin: u64,
    /// The bytes of whole frames that are there.
    pub there: u64,
    /// The bytes that the header announces.
    pub announced: u64,
    pub length: Length,
    /// The bytes of a frame.
    pub frame: u64,
}

/// What the header's length is worth.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Length {
    /// It is what it says.
    Told,
    /// It was never written.
    Unfinished,
    /// The last frame is not whole.
    Torn,
    /// Whole frames are missing at the end.
    Short,
}

impl HeaderPlace {
    /// Looks for the sound. `None`: this is no WAV file, or none whose sound can be found.
    pub fn find(file: &mut (impl Read + Seek)) -> io::Result<Option<Self>> {
        let end = file.seek(SeekFrom::End(0))?;
        file.seek(SeekFrom::Start(0))?;
        let mut head = [0; 12];
        if !filled(file, &mut head)? || &head[..4] != b"RIFF" || &head[8..] != b"WAVE" {
            return Ok(None);
        }
        let mut format = None;
        loop {
            let Some((id, length)) = chunk(file)? else { return Ok(None) };
            if &id == b"data" {
                let Some(format) = format else { return Ok(None) };
                return Self::at(file, end, length, format).map(Some);
            }
            let skipped = if &id == b"fmt " {
                let mut bytes = vec![0; length.min(64) as usize];
                if length < 16 || !filled(file, &mut bytes)? {
                    return Ok(None);
                }
                let read = bytes.len() as u64;
                format = Some(bytes);
                length - read
            } else {
                length
            };
            // Chunks stand at even places.
            file.seek(SeekFrom::Current((skipped + length % 2) as i64))?;
        }
    }

    fn at(file: &mut (impl Read + Seek), end: u64, announced: u64, format: Vec<u8>) -> io::Result<Self> {
        let begin = file.stream_position()?;
        let left = end.saturating_sub(begin);
        let frame = u64::from(u16::from_le_bytes([format[12], format[13]])).max(1);
        let length = match announced {
            0 if left == 0 || only_chunks(file, left)? => Length::Told,
            0 => Length::Unfinished,
            more if more >= NEVER_KNOWN && more > left => Length::Unfinished,
            more if more > left && more - left >= frame => Length::Short,
            more if more > left || more % frame != 0 => Length::Torn,
            _ => Length::Told,
        };
        let there = match length {
            Length::Unfinished => left.min(MOST),
            _ => left.min(announced),
        };
        Ok(Self { format, begin, there: there - there % frame, announced, length, frame })
    }

    /// The same, where nothing but sound follows the header and the header may be behind.
    pub fn reaching_the_end(mut self, file: &mut impl Seek) -> io::Result<Self> {
        let left = file.seek(SeekFrom::End(0))?.saturating_sub(self.begin).min(MOST);
        self.there = left - left % self.frame;
        if self.length == Length::Told && self.there != self.announced {
            self.length = Length::Unfinished;
        }
        Ok(self)
    }

    /// A header that announces `bytes` of sound, to be read before them.
    pub fn header(&self, bytes: u64) -> Vec<u8> {
        let counted = |bytes: u64| u32::try_from(bytes).unwrap_or(u32::MAX).to_le_bytes();
        let format = self.format.len() as u64;
        [
            b"RIFF",
            &counted(4 + 8 + format + 8 + bytes)[..],
            b"WAVEfmt ",
            &counted(format),
            &self.format,
            b"data",
            &counted(bytes),
        ]
        .concat()
    }
}

/// Whether all of it was there.
fn filled(file: &mut impl Read, into: &mut [u8]) -> io::Result<bool> {
    match file.read_exact(into) {
        Ok(()) => Ok(true),
        Err(why) if why.kind() == io::ErrorKind::UnexpectedEof => Ok(false),
        Err(why) => Err(why),
    }
}

/// The next chunk's name and length.
fn chunk(file: &mut impl Read) -> io::Result<Option<([u8; 4], u64)>> {
    let mut head = [0; 8];
    if !filled(file, &mut head)? {
        return Ok(None);
    }
    let [a, b, c, d, length @ ..] = head;
    Ok(Some(([a, b, c, d], u64::from(u32::from_le_bytes(length)))))
}

/// Whether what follows is chunks to the very end: then a length of 0 means no sound.
fn only_chunks(file: &mut (impl Read + Seek), left: u64) -> io::Result<bool> {
    let mut at = 0;
    while at < left {
        let Some((id, length)) = chunk(file)? else { return Ok(false) };
        if !id.iter().all(|byte| byte.is_ascii_graphic() || *byte == b' ') {
            return Ok(false);
        }
        at += 8 + length + length % 2;
        file.seek(SeekFrom::Current((length + length % 2) as i64))?;
    }
    Ok(at == left)
}

//! Places in texts.

use std::ops::Range;

/// A text and the name it is known by, usually a file's.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Text {
    /// What messages call it.
    pub name: String,
    /// What it says.
    pub text: String,
}

impl Text {
    /// A text under a name.
    pub fn new(name: impl Into<String>, text: impl Into<String>) -> Self {
        Self { name: name.into(), text: text.into() }
    }
}

/// A span of bytes in one of the texts at hand. Later texts, and later places in a text, compare as greater.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) struct Place {
    /// Which text.
    pub file: usize,
    /// The first byte.
    pub start: usize,
    /// The byte after the last.
    pub end: usize,
}

impl Place {
    /// Bytes of the file at this place of the list of texts.
    pub fn new(file: usize, span: Range<usize>) -> Self {
        Self { file, start: span.start, end: span.end }
    }

    /// The beginning of a text: where something is missing that belongs to no line.
    pub fn beginning(file: usize) -> Self {
        Self::new(file, 0..0)
    }
}

/// Where the lines of a text begin.
pub(crate) struct Lines<'t> {
    text: &'t str,
    starts: Vec<usize>,
}

impl<'t> Lines<'t> {
    /// For looking up lines and columns of this text.
    pub fn new(text: &'t str) -> Self {
        let starts = std::iter::once(0).chain(text.match_indices('\n').map(|(at, _)| at + 1)).collect();
        Self { text, starts }
    }

    /// The number of the line, counted from 1, that a byte is in.
    pub fn number(&self, at: usize) -> usize {
        self.starts.partition_point(|&start| start <= at).max(1)
    }

    /// The byte at which a line, counted from 1, begins.
    pub fn start(&self, number: usize) -> usize {
        self.starts[number - 1]
    }

    /// A line, counted from 1, without its end.
    pub fn line(&self, number: usize) -> &'t str {
        let end = self.starts.get(number).map_or(self.text.len(), |&next| next - 1);
        let line = &self.text[self.start(number)..end];
        line.strip_suffix('\r').unwrap_or(line)
    }

    /// The nearest boundary of characters at or before a byte.
    pub fn boundary(&self, at: usize) -> usize {
        let mut at = at.min(self.text.len());
        while !self.text.is_char_boundary(at) {
            at -= 1;
        }
        at
    }
}

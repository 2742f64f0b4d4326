//! How far long work has come, on a terminal only.

use std::io::{IsTerminal, Write};

/// A percentage on standard error, if that is a terminal.
pub struct Progress {
    total: usize,
    done: usize,
    shown: Option<usize>,
}

impl Progress {
    /// Nothing of `total` is done yet.
    pub fn new(total: usize) -> Self {
        Self { total, done: 0, shown: std::io::stderr().is_terminal().then_some(0) }
    }

    /// So much more is done.
    pub fn add(&mut self, more: usize) {
        self.done += more;
        let percent = 100 * self.done / self.total.max(1);
        if self.shown.is_some_and(|shown| shown != percent) {
            self.shown = Some(percent);
            let _ = write!(std::io::stderr(), "\r{percent} %");
        }
    }

    /// Takes the percentage off the line again.
    pub fn clear(&self) {
        if self.shown.is_some() {
            let _ = write!(std::io::stderr(), "\r      \r");
        }
    }
}

//! What a model has told of one kind, by number: the last of it is kept, and each is known from its grid line on.
//! Effects see [`Known`] only: the same at a sample, however far beyond it the model has come.

use crate::prefault::prefaulted;

/// The most that is told at one grid line: a memory is written up to the line after the sample at which it is read.
const A_LINE: usize = 2;

/// See the module.
pub(super) struct ModelTold<T> {
    /// With the grid line from which on it is known.
    kept: Box<[(u64, T)]>,
    made: u64,
}

/// What is known at a sample, and nothing else.
#[derive(Clone, Copy)]
pub(crate) struct Known<'a, T> {
    told: &'a ModelTold<T>,
    /// The number of the first that is shown, and that after the last.
    first: u64,
    after: u64,
}

impl<'a, T: Clone> Known<'a, T> {
    /// The number of the first.
    pub fn first(&self) -> u64 {
        self.first
    }

    /// The number after the last.
    pub fn after(&self) -> u64 {
        self.after
    }

    /// One by its number.
    pub fn get(&self, number: u64) -> Option<&'a T> {
        (self.first..self.after).contains(&number).then(|| self.told.get(number)).flatten()
    }
}

impl<T: Clone> ModelTold<T> {
    /// Shows the last `count`, and keeps so many more that what the next line tells takes nothing away; they begin as
    /// `nothing`.
    pub fn new(count: usize, nothing: T) -> Self {
        Self { kept: prefaulted((u64::MAX, nothing), count + A_LINE), made: 0 }
    }

    /// Tells the next at the grid line `line`: `write` changes one that has been forgotten.
    pub fn tell(&mut self, line: u64, write: impl FnOnce(&mut T)) {
        let count = self.kept.len() as u64;
        if let Some((known, told)) = self.kept.get_mut((self.made % count) as usize) {
            *known = line;
            write(told);
            self.made += 1;
        }
    }

    /// How many were ever told.
    pub fn count(&self) -> u64 {
        self.made
    }

    /// The number of the first that is kept.
    fn first(&self) -> u64 {
        self.made.saturating_sub(self.kept.len() as u64)
    }

    /// What of it is known at `end`.
    pub fn known(&self, end: u64) -> Known<'_, T> {
        let mut after = self.made;
        while after > self.first() && self.place(after - 1).is_none_or(|&(known, _)| known > end) {
            after -= 1;
        }
        let first = after.saturating_sub((self.kept.len() - A_LINE) as u64).max(self.first());
        Known { told: self, first, after }
    }

    /// One by its number, if it is still kept.
    pub fn get(&self, number: u64) -> Option<&T> {
        self.place(number).map(|(_, told)| told)
    }

    /// The last.
    pub fn last(&self) -> Option<&T> {
        self.get(self.made.checked_sub(1)?)
    }

    fn place(&self, number: u64) -> Option<&(u64, T)> {
        let kept = number < self.made && number >= self.first();
        kept.then(|| self.kept.get((number % self.kept.len() as u64) as usize)).flatten()
    }
}

//! What a model has told of one kind, by number: the last of it is kept, and each is known from its grid line on.

use crate::touched::touched;

/// See the module.
pub(crate) struct Told<T> {
    /// With the grid line from which on it is known.
    kept: Box<[(u64, T)]>,
    made: u64,
}

impl<T: Clone> Told<T> {
    /// Keeps the last `count`; they begin as `nothing`.
    pub fn new(count: usize, nothing: T) -> Self {
        Self { kept: touched((u64::MAX, nothing), count), made: 0 }
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
    pub fn first(&self) -> u64 {
        self.made.saturating_sub(self.kept.len() as u64)
    }

    /// The number after the last that is known at `end`.
    pub fn known(&self, end: u64) -> u64 {
        let mut number = self.made;
        while number > self.first() && self.place(number - 1).is_none_or(|&(known, _)| known > end) {
            number -= 1;
        }
        number
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

//! The first moments of a stretch.

use crate::CELL;

/// The first moments, read plainly until the noise that is made anew has come up: so the sound is there from its very
/// sample on. Partials have the same phases both ways.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Opening {
    /// How many samples after the beginning it is over at the latest: before an onset, which is to sound once.
    pub end: u64,
    /// Its sound in the cell in work, and the gain of that.
    pub sound: [f32; CELL as usize],
    pub gain: [f32; CELL as usize],
}

impl Opening {
    /// Samples over which it falls before an onset.
    const FALL: u64 = 128;

    /// The gain of what is read plainly, `since` samples after the beginning: what is left by noise of this power.
    pub fn gain(&self, since: u64, power: f32) -> f32 {
        let fall = self.end.saturating_sub(since).min(Self::FALL) as f32 / Self::FALL as f32;
        (1.0 - power).max(0.0).sqrt() * fall
    }
}

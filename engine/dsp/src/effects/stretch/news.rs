//! What has become known of a source's model, taken in piece by piece.

use super::model::{Breakpoint, Known, NoiseFrame};

/// The number of the last breakpoint not after a sample, as far as the model still has it.
pub(super) fn first_breakpoint(breakpoints: Known<'_, Breakpoint>, sample: u64) -> u64 {
    (breakpoints.first()..breakpoints.after())
        .rev()
        .find(|&number| breakpoints.get(number).is_some_and(|breakpoint| breakpoint.middle <= sample))
        .unwrap_or(breakpoints.first())
}

/// The number of the newest frame of noise whose middle is not after a sample.
pub(super) fn newest_before(frames: Known<'_, NoiseFrame>, sample: u64) -> u64 {
    let numbers = (frames.first()..frames.after()).rev();
    numbers
        .clone()
        .find(|&number| frames.get(number).is_some_and(|frame| frame.middle <= sample))
        .unwrap_or(frames.first())
}

/// Goes through what has become known from the number `next` on, `most` at a time: what is there at the beginning is not
/// all needed at once.
pub(super) fn news<T: Clone>(known: Known<'_, T>, next: &mut u64, most: u64, mut each: impl FnMut(&T)) {
    let first = known.first().max(*next);
    let until = known.after().min(first + most);
    (first..until).filter_map(|number| known.get(number)).for_each(&mut each);
    *next = until.max(*next);
}

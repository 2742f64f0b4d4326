//! A panic on the audio thread is a fault of one part, and ends nothing else.
//!
//! Whatever may break is called by [`caught`]. The panic hook of [`quiet_hook`] notes the place in the thread's own memory
//! while the thread is inside, and neither prints nor allocates there.

use std::cell::Cell;
use std::fmt;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Once;

use tenterhook_plan::{Broken, Part};

/// Bytes of a file's name that are kept: its end says most.
const NAME: usize = 26;

/// A place in the program's source.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Spot {
    line: u32,
    length: u8,
    /// The name's beginning is not kept.
    cut: bool,
    file: [u8; NAME],
}

impl Spot {
    fn of(file: &str, line: u32) -> Self {
        let mut spot = Self { line, ..Self::default() };
        // Where a name is cut, it is cut before a character.
        let from =
            (0..=file.len()).find(|&at| file.is_char_boundary(at) && file.len() - at <= NAME).unwrap_or_default();
        let end = file.as_bytes().get(from..).unwrap_or_default();
        (spot.length, spot.cut) = (end.len() as u8, from > 0);
        spot.file.iter_mut().zip(end).for_each(|(kept, &byte)| *kept = byte);
        spot
    }
}

impl fmt::Display for Spot {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let name = self.file.get(..usize::from(self.length)).map(String::from_utf8_lossy).unwrap_or_default();
        if name.is_empty() {
            return f.write_str("an unknown place");
        }
        // Of a path that was cut only whole folders are told.
        let name = if self.cut { name.split_once('/').map_or(&*name, |(_, rest)| rest) } else { &name };
        write!(f, "{name}:{}", self.line)
    }
}

/// What broke, when, and where in the program.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fault {
    /// The first sample of the piece of a cell in which it did.
    pub sample: u64,
    /// The place that panicked.
    pub spot: Spot,
}

impl Fault {
    /// That of a part, as it is told. Not for the audio thread: the place becomes text.
    pub fn broken(self, part: Part) -> Broken {
        Broken { part, sample: self.sample, place: self.spot.to_string() }
    }
}

thread_local! {
    /// Whether this thread is inside of [`caught`], and the place of its last panic there.
    static INSIDE: Cell<bool> = const { Cell::new(false) };
    static SPOT: Cell<Option<Spot>> = const { Cell::new(None) };
}

/// Makes panics inside of [`caught`] silent: their place is noted, nothing else is done. All others are told as before.
/// To be called once before the engine runs; once more changes nothing.
pub fn quiet_hook() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        let before = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |panic| {
            // A thread that has ended its own memory is none that plays.
            if INSIDE.try_with(Cell::get).unwrap_or(false) {
                SPOT.set(panic.location().map(|place| Spot::of(place.file(), place.line())));
            } else {
                before(panic);
            }
        }));
    });
}

/// Does something that may panic. AUDIO THREAD: unless it does, nothing is allocated or freed.
///
/// # Errors
/// The place that panicked. What broke may be half changed: it must not be used any more.
pub fn caught<T>(work: impl FnOnce() -> T) -> Result<T, Spot> {
    let outer = INSIDE.replace(true);
    // Nobody sees what broke in the middle of a change: it is never called again.
    let result = catch_unwind(AssertUnwindSafe(work));
    INSIDE.set(outer);
    result.map_err(|payload| {
        // What was thrown may be anything, and freeing it may do anything: it is left alone.
        std::mem::forget(payload);
        SPOT.take().unwrap_or_default()
    })
}

/// A fault that is told until there was room for it.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct ToldFault {
    pub fault: Option<Fault>,
    told: bool,
}

impl ToldFault {
    /// One that is still to be told.
    pub fn of(fault: Fault) -> Self {
        Self { fault: Some(fault), told: false }
    }

    /// Says it unless it is said; `say` returns whether there was room.
    pub fn tell(&mut self, say: impl FnOnce(Fault) -> bool) {
        if let Some(fault) = self.fault.filter(|_| !self.told) {
            self.told = say(fault);
        }
    }

    /// It is told anew: ids mean another piece's.
    pub fn anew(self) -> Self {
        Self { told: false, ..self }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_place_is_told_by_the_end_of_its_file_in_whole_folders() {
        let told = |file: &str| Spot::of(file, 7).to_string();
        assert_eq!(told("effects/stretch.rs"), "effects/stretch.rs:7");
        assert_eq!(told("engine/dsp/src/effects/stretch/record.rs"), "effects/stretch/record.rs:7");
        assert_eq!(told("öööööööööööööööööööööööööööö/é.rs"), "é.rs:7");
        assert_eq!(told(""), "an unknown place");
    }

    #[test]
    fn what_panics_inside_is_caught_with_its_place_and_what_comes_after_is_as_before() {
        quiet_hook();
        let line = line!() + 1;
        let broken = caught(|| caught(|| [1, 2][std::hint::black_box(2)]).is_err() && panic!("again"));
        assert_eq!(broken.unwrap_err().to_string(), format!("engine/rt/src/fault.rs:{line}"));
        assert!(!INSIDE.get());
        assert_eq!(caught(|| 3), Ok(3));
    }
}

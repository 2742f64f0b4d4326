//! The effects: one file each, and the one table that everything else is derived from.

mod answer;
mod direct;
mod double;
mod freeze;
mod reverse;
pub(crate) mod stretch;
mod sympathetic;
mod tape;

use crate::memory::Heard;
use std::ops::Range;
use tenterhook_plan::declare::{Declaration, Setting};

/// An effect as the program knows it.
#[derive(Clone, Copy)]
pub struct Effect {
    /// What it says about itself.
    pub declaration: Declaration,
    /// How loud it is at x, 0…1.
    pub level: fn(f32) -> f32,
    /// How many seconds of its source's past it reads with these settings.
    pub reach: fn(&[Setting]) -> f64,
    /// Whether it looks at its source's analysis with these settings: then the source's memory needs
    /// [one](crate::memory::Memory::with_analysis).
    pub wants_analysis: fn(&[Setting]) -> bool,
    /// Whether it reads its source's [model](crate::memory::Memory::modelled) rather than its sound.
    pub wants_model: bool,
    /// How many samples after its beginning, at a grid line, the sound of that very moment is heard, when x goes as given,
    /// sample by sample, and then stays at its last value. A measurement lays the sound beside its source by it.
    pub lag: fn(&Settings<'_>, &[f32]) -> f64,
    /// How many bytes a processor takes that is made with these settings, what it shares with others left out.
    pub bytes: fn(&Settings<'_>) -> usize,
    /// Makes a processor. Called off the audio thread: it allocates all that the processor will ever need.
    pub make: fn(&Settings) -> Box<dyn Processor>,
}

/// What a processor is made from.
#[derive(Clone, Copy, Debug)]
pub struct Settings<'a> {
    /// The effect's own settings, in the order of its declaration.
    pub values: &'a [Setting],
    /// Samples a second.
    pub rate: u32,
    /// What its random numbers come from, together with the sample and the grain: never a running stream.
    pub seed: u64,
}

impl Settings<'_> {
    /// The number of the setting at this place of the declaration; `otherwise` if it is missing.
    fn number(&self, place: usize, otherwise: f64) -> f64 {
        number(self.values, place, otherwise)
    }

    /// So many seconds in samples.
    fn samples(&self, seconds: f64) -> usize {
        (seconds * f64::from(self.rate)).round() as usize
    }
}

fn number(values: &[Setting], place: usize, otherwise: f64) -> f64 {
    values.get(place).map_or(otherwise, Setting::number)
}

/// One voice of an effect. The engine owns its level and its fades; a processor only makes the sound.
///
/// Everything here runs on the audio thread: nothing may allocate, free, lock, wait or panic.
pub trait Processor: Send {
    /// Begins afresh at sample `at`, from what has been heard before it (`heard.end() == at`).
    fn begin(&mut self, at: u64, heard: &Heard<'_>);

    /// Makes the samples from `from` on, which all lie in one cell of the [grid](crate::CELL), `from` may be inside it.
    ///
    /// `now` is the source at these samples, `x` the smoothed controller at each of them, `heard` what came before the
    /// cell, or before the beginning if that is in this cell. All slices have the same length. Work that is due at a
    /// grid line is done in the call whose `from` is that line: there is exactly one.
    ///
    /// The sound must be the same however the cell is cut into calls.
    fn render(&mut self, from: u64, now: &[f32], x: &[f32], heard: &Heard<'_>, out: &mut [f32]);

    /// Which samples of its source it holds, if it holds any: known from some moment after its beginning on.
    fn holds(&self) -> Option<Range<u64>> {
        None
    }
}

/// All effects.
pub static EFFECTS: [Effect; 8] = [
    stretch::EFFECT,
    reverse::EFFECT,
    freeze::EFFECT,
    sympathetic::EFFECT,
    double::EFFECT,
    tape::EFFECT,
    answer::EFFECT,
    direct::EFFECT,
];

/// The effect of this name.
pub fn named(name: &str) -> Option<&'static Effect> {
    EFFECTS.iter().find(|effect| effect.declaration.name == name)
}

//! Parts of the engine that broke.

use crate::{InstanceId, Source};

/// What a source's memory works out of its sound for the effects that ask for it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Insight {
    /// How steady, loud and pitched each moment is.
    Analysis,
    /// What the sound is made of.
    Model,
}

/// A part that can break alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Part {
    /// An effect.
    Effect(InstanceId),
    /// What a source's memory works out for the effects that read it.
    Insight(Insight, Source),
}

/// A part that panicked. It is silent from then on, and so are the effects that read it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Broken {
    /// Which.
    pub part: Part,
    /// The first sample of the piece of a cell in which it did.
    pub sample: u64,
    /// Where in the program.
    pub place: String,
}

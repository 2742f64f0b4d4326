//! x
use tenterhook_plan::{Event, Timed};

/// The audio half.
pub struct Engine {}

impl Engine {
    /// One block. AUDIO THREAD.
    ///
    /// `inputs` and `outputs` are the device's channels, all slices as long as the block; channels that the piece does
    /// not use are silent, channels that are missing are silence. `events` are in order and lie in this block; an
    /// earlier one acts at the block's first sample, a later one at its last.
    pub fn process(&mut self, inputs: &[&[f32]], outputs: &mut [&mut [f32]], events: &[Timed<Event>]) {
        let _ = (inputs, outputs, events);
    }

    /// The sample with which the next block begins.
    pub fn sample(&self) -> u64 {
        0
    }
}

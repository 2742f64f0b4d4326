//! What all sources of blocks have in common.

use crate::{Error, PlayerSlot, Wish};
use tenterhook_config::Host;

/// What is known of a source before it starts.
#[derive(Clone, Debug, PartialEq)]
pub struct Facts {
    /// Which kind of source it is.
    pub host: Host,
    /// The engine's rate for the run, in Hz.
    pub rate: u32,
    /// The rate at which its outputs run, in Hz. If it is another, sound is made from one to the other at the device.
    pub device_rate: u32,
    /// Its usual block, in frames; a block may differ from it.
    pub block: u32,
    /// How many input channels each block brings.
    pub inputs: usize,
    /// How many output channels each block takes.
    pub outputs: usize,
    /// What it is, in words for a person.
    pub words: String,
}

/// Whether a source runs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SourceState {
    /// It has not been started.
    Ready,
    /// Blocks are coming.
    Running,
    /// It was stopped, as asked.
    Stopped,
    /// It ended by itself.
    Dead {
        /// Why, in words for a person.
        why: String,
    },
}

/// A source of blocks in real time. It knows its device and nothing of the music.
pub trait Source: Send {
    /// What is known of it.
    fn facts(&self) -> &Facts;

    /// Starts: from now on who sits there gets blocks, on the source's own audio thread.
    ///
    /// # Errors
    /// If the device refuses, or the source has been started before.
    fn start(&mut self, seat: &PlayerSlot) -> Result<(), Error>;

    /// Stops. When this returns no block is being processed, and the player is in its place. Stopping twice does nothing.
    fn stop(&mut self);

    /// The wish by which the same devices are opened again after they went away, whatever their rate is then: no others,
    /// which might be loudspeakers next to a mic.
    fn found_again(&self, wish: &Wish) -> Wish {
        let Facts { host, rate, .. } = *self.facts();
        Wish { host: Some(host), keeps: Some(rate), ..wish.clone() }
    }

    /// Looks after what came and went beside the blocks, as cables of ports that have come back. Called now and then.
    fn tend(&mut self) {}

    /// Whether it runs, and if not, why.
    fn state(&self) -> SourceState;

    /// The JACK server's frame that is the engine's frame 0, once the first block has come; `None` for other sources.
    fn origin(&self) -> Option<u32> {
        None
    }
}

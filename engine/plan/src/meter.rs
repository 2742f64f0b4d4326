//! What the meter of a channel says.

use crate::places::{carry, places, set};
use crate::{MicId, OutputId, Plan};

/// What a meter stands at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Channel {
    /// A mic, before polarity, trim and highpass.
    Mic(MicId),
    /// An output, after its limiter.
    Output(OutputId),
}

/// What the meter of one channel saw since the reading before. Full scale = 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MeterReading {
    /// The greatest magnitude of a sample.
    pub peak: f32,
    /// The root of the mean square (so a full-scale sine reads 0.707).
    pub rms: f32,
    /// Clips since the start.
    pub clips: u32,
    /// The least factor, 0…1, by which an output was limited; 1: not at all, and for every mic. On a device channel that
    /// outputs share it is the product of the least of its own limiter and the least of the channel's.
    pub reduction: f32,
    /// How many samples of a mic's input were NaN or infinite since the start; 0 for an output.
    pub bad: u64,
    /// Whether an output howls; never a mic.
    pub howls: bool,
    /// By how much a mic's input stands beside zero, once it has for a second; 0: it does not, and for an output.
    pub offset: f32,
}

impl Default for MeterReading {
    /// Silence.
    fn default() -> Self {
        Self { peak: 0.0, rms: 0.0, clips: 0, reduction: 1.0, bad: 0, howls: false, offset: 0.0 }
    }
}

/// What the meters of all channels last said.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Meters {
    /// By [`MicId`].
    pub mics: Vec<MeterReading>,
    /// By [`OutputId`].
    pub outputs: Vec<MeterReading>,
}

impl Meters {
    /// Nothing was said yet of the channels of a piece.
    pub fn new(plan: &Plan) -> Self {
        let silent = |count| vec![MeterReading::default(); count];
        Self { mics: silent(plan.mics.len()), outputs: silent(plan.outputs.len()) }
    }

    /// Takes in what one said; of a channel that is not there it is left out.
    pub fn set(&mut self, channel: Channel, reading: MeterReading) {
        match channel {
            Channel::Mic(id) => set(&mut self.mics, id.index(), reading),
            Channel::Output(id) => set(&mut self.outputs, id.index(), reading),
        }
    }

    /// A changed piece has taken over: each goes on under its name.
    pub fn change(&mut self, old: &Plan, new: &Plan) {
        carry(&mut self.mics, &places(&old.mics, &new.mics, |a, b| a.name == b.name), MeterReading::default());
        carry(&mut self.outputs, &places(&old.outputs, &new.outputs, |a, b| a.name == b.name), MeterReading::default());
    }
}

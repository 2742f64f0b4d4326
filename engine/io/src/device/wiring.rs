//! Which channel carries which name of the piece.

use crate::{Direction, Error};
use tenterhook_plan::Plan;

/// The most input channels, and the most output channels, that a source drives: its blocks' slices stand in fixed
/// arrays.
pub const MOST_CHANNELS: usize = 64;

/// The channels that a piece asks of a device, by the piece's names.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Wiring {
    /// Per input channel, the mic on it; `None`: no mic.
    pub inputs: Vec<Option<String>>,
    /// Per output channel, the output on it; several on one channel are joined by `+`.
    pub outputs: Vec<Option<String>>,
    /// The parts of MIDI port names that the piece's controllers ask for, in the order of their bits.
    pub ports: Vec<String>,
}

impl Wiring {
    /// What a piece asks for.
    ///
    /// # Errors
    /// [`Error::TooManyChannels`] beyond [`MOST_CHANNELS`].
    pub fn of(plan: &Plan) -> Result<Self, Error> {
        let inputs = plan.mics.iter().map(|mic| (mic.input, mic.name.as_str()));
        let outputs = plan.outputs.iter().map(|output| (output.channel, output.name.as_str()));
        Ok(Self {
            inputs: channels(Direction::Input, inputs)?,
            outputs: channels(Direction::Output, outputs)?,
            ports: plan.ports().into_iter().take(64).map(str::to_owned).collect(),
        })
    }

    /// Fails if a name is on a channel beyond the device's `has`.
    pub(crate) fn fits(&self, direction: Direction, device: &str, has: usize) -> Result<(), Error> {
        let channels = match direction {
            Direction::Input => &self.inputs,
            Direction::Output => &self.outputs,
        };
        match channels.iter().enumerate().skip(has).find_map(|(n, name)| name.as_ref().map(|name| (n, name))) {
            None => Ok(()),
            Some((channel, name)) => Err(Error::Channel {
                name: name.clone(),
                direction,
                channel: channel + 1,
                device: device.to_owned(),
                has,
            }),
        }
    }
}

fn channels<'a>(
    direction: Direction,
    named: impl Iterator<Item = (Option<u16>, &'a str)>,
) -> Result<Vec<Option<String>>, Error> {
    let mut channels: Vec<Option<String>> = Vec::new();
    for (channel, name) in named.filter_map(|(channel, name)| Some((usize::from(channel?), name))) {
        if channel >= MOST_CHANNELS {
            return Err(Error::TooManyChannels { direction, channel: channel + 1, most: MOST_CHANNELS });
        }
        if channels.len() <= channel {
            channels.resize(channel + 1, None);
        }
        channels[channel] = Some(match channels[channel].take() {
            Some(other) => format!("{other}+{name}"),
            None => name.to_owned(),
        });
    }
    Ok(channels)
}

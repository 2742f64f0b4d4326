//! Choosing a source of blocks.

use crate::{ClockSource, Error, Facts, JackSource, Source, StreamSource, Wiring, streams};
use tenterhook_config::{DeviceWish, Host};

/// The rate, in Hz, and the block, in frames, of the clock unless others are wished for.
const CLOCK: (u32, u32) = (48_000, 128);

/// A host of this name is not known.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is no audio host: write jack, alsa, coreaudio, wasapi or clock")]
pub struct UnknownHost(
    /// What was written.
    pub String,
);

/// The host that `--host` names.
///
/// # Errors
/// [`UnknownHost`] if there is none of that name.
pub fn host_named(name: &str) -> Result<Host, UnknownHost> {
    Host::ALL.into_iter().find(|host| host.name() == name).ok_or_else(|| UnknownHost(name.to_owned()))
}

/// What is asked of a source of blocks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Wish {
    /// What the hall asks for, or the command line. Without a host or a device: a running JACK server, else the
    /// system's default device, else the clock. Devices are named by a part of their name; JACK and the clock have none.
    /// Without a rate: the device's own. A JACK server's block is its own.
    pub device: DeviceWish,
    /// Whether the device's inputs are wanted; false where a [`Sound`](crate::Sound) takes their place.
    pub mics: bool,
    /// Whether the ports of the JACK client are connected to the machine's own.
    pub connect: bool,
    /// The channels, by the piece's names.
    pub wiring: Wiring,
}

impl Wish {
    /// Whatever there is, for the channels of a piece.
    pub fn any(wiring: Wiring) -> Self {
        Self { device: DeviceWish::default(), mics: true, connect: true, wiring }
    }
}

/// Opens the source that is wished for; it does not run yet.
///
/// # Errors
/// If it cannot be had as it is wished for. Without a wished host or device only a device that works, but has not the
/// channels or the rate, is an error.
pub fn open(wish: &Wish) -> Result<Box<dyn Source>, Error> {
    match wish.device.host {
        Some(Host::Jack) => Ok(Box::new(JackSource::open(wish)?)),
        Some(Host::Clock) => Ok(Box::new(clock(wish, ""))),
        Some(host) => Ok(Box::new(StreamSource::open(host, wish)?)),
        None if wish.device.input.is_some() || wish.device.output.is_some() => {
            Ok(Box::new(StreamSource::open(streams::default_host(), wish)?))
        }
        None => match JackSource::open(wish) {
            Ok(source) => Ok(Box::new(source)),
            Err(Error::NoServer { .. }) => match streams::probe() {
                Ok(()) => Ok(Box::new(StreamSource::open(streams::default_host(), wish)?)),
                Err(_) => {
                    Ok(Box::new(clock(wish, ", because no JACK server and no sound device answer: nothing is heard")))
                }
            },
            Err(other) => Err(other),
        },
    }
}

fn clock(wish: &Wish, why: &str) -> ClockSource {
    let (rate, block) = (wish.device.rate.unwrap_or(CLOCK.0), wish.device.block.unwrap_or(CLOCK.1));
    ClockSource::new(Facts {
        host: Host::Clock,
        rate,
        block,
        inputs: wish.wiring.inputs.len(),
        outputs: wish.wiring.outputs.len(),
        words: format!("the built-in clock at {rate} Hz, {block} frames{why}"),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_host_has_its_name() {
        for host in Host::ALL {
            assert_eq!(host_named(host.name()), Ok(host));
        }
        assert_eq!(host_named("Alsa"), Err(UnknownHost("Alsa".to_owned())));
    }
}

//! Choosing a source of blocks.

use crate::device::streams;
use crate::{ClockSource, Error, Facts, JackSource, Source, StreamSource, Wiring};
use tenterhook_config::Host;

/// The rate, in Hz, and the block, in frames, of the clock unless others are wished for.
const CLOCK: (u32, u32) = (48_000, 128);

/// What is asked of a source of blocks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Wish {
    /// The host; `None`: a running JACK server, else the system's default device, else the clock.
    pub host: Option<Host>,
    /// Part of the input device's name; `None`: the default one. Not for JACK and the clock.
    pub input: Option<String>,
    /// Part of the output device's name; `None`: the default one. Not for JACK and the clock.
    pub output: Option<String>,
    /// The rate in Hz; `None`: the device's own.
    pub rate: Option<u32>,
    /// The engine's rate in Hz, to be kept even if the device has to run at another; `None`: the engine takes the
    /// device's.
    pub keeps: Option<u32>,
    /// The block in frames; `None`: a usual one. A JACK server's block is its own.
    pub block: Option<u32>,
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
        Self {
            host: None,
            input: None,
            output: None,
            rate: None,
            keeps: None,
            block: None,
            mics: true,
            connect: true,
            wiring,
        }
    }
}

/// Opens the source that is wished for; it does not run yet.
///
/// # Errors
/// If it cannot be had as it is wished for. Without a wished host or device only a device that works, but has not the
/// channels or the rate, is an error.
pub fn open(wish: &Wish) -> Result<Box<dyn Source>, Error> {
    match wish.host {
        Some(Host::Jack) => Ok(Box::new(JackSource::open(wish)?)),
        Some(Host::Clock) => Ok(Box::new(clock(wish, ""))),
        Some(host) => Ok(Box::new(StreamSource::open(host, wish)?)),
        None if wish.input.is_some() || wish.output.is_some() => {
            Ok(Box::new(StreamSource::open(streams::default_host(), wish)?))
        }
        None => match JackSource::open(wish) {
            Ok(source) => Ok(Box::new(source)),
            Err(Error::NoServer { .. }) => match streams::probe() {
                Ok(()) => Ok(Box::new(StreamSource::open(streams::default_host(), wish)?)),
                Err(_) => Ok(Box::new(clock(wish, ", because no JACK server and no sound device answer"))),
            },
            Err(other) => Err(other),
        },
    }
}

fn clock(wish: &Wish, why: &str) -> ClockSource {
    let (rate, block) = (wish.rate.unwrap_or(CLOCK.0), wish.block.unwrap_or(CLOCK.1));
    ClockSource::new(Facts {
        host: Host::Clock,
        rate,
        device_rate: rate,
        block,
        inputs: wish.wiring.inputs.len(),
        outputs: wish.wiring.outputs.len(),
        words: format!("the built-in clock at {rate} Hz, {block} frames{why}"),
    })
}

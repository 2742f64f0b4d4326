//! Choosing a source of blocks.

use crate::{ClockSource, Error, Facts, JackSource, Source, StreamSource, Wiring, streams};
use serde::Serialize;
use std::fmt;
use std::str::FromStr;

/// The rate, in Hz, and the block, in frames, of the clock unless others are wished for.
const CLOCK: (u32, u32) = (48_000, 128);

/// Where blocks come from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Host {
    /// A JACK server.
    Jack,
    /// ALSA, the sound devices of Linux.
    Alsa,
    /// CoreAudio, those of macOS.
    CoreAudio,
    /// WASAPI, those of Windows.
    Wasapi,
    /// The built-in clock: no device.
    Clock,
}

impl Host {
    /// All hosts, with the names that a hall file and `--host` use.
    pub const ALL: [(&'static str, Host); 5] = [
        ("jack", Host::Jack),
        ("alsa", Host::Alsa),
        ("coreaudio", Host::CoreAudio),
        ("wasapi", Host::Wasapi),
        ("clock", Host::Clock),
    ];
}

impl fmt::Display for Host {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let name = Host::ALL.iter().find(|(_, host)| host == self).map_or("", |(name, _)| name);
        f.pad(name)
    }
}

/// A host of this name is not known.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is no audio host: write jack, alsa, coreaudio, wasapi or clock")]
pub struct UnknownHost(
    /// What was written.
    pub String,
);

impl FromStr for Host {
    type Err = UnknownHost;

    fn from_str(text: &str) -> Result<Self, UnknownHost> {
        let found = Host::ALL.iter().find(|(name, _)| *name == text);
        found.map(|(_, host)| *host).ok_or_else(|| UnknownHost(text.to_owned()))
    }
}

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
        Self { host: None, input: None, output: None, rate: None, block: None, mics: true, connect: true, wiring }
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
                Err(_) => {
                    Ok(Box::new(clock(wish, ", because no JACK server and no sound device answer: nothing is heard")))
                }
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
    fn every_host_is_read_as_it_is_written() {
        for (name, host) in Host::ALL {
            assert_eq!((host.to_string().as_str(), name.parse()), (name, Ok(host)));
        }
        assert_eq!("Alsa".parse::<Host>(), Err(UnknownHost("Alsa".to_owned())));
    }
}

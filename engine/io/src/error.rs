//! What can go wrong with devices, MIDI and OSC, and what to do about it.

use std::fmt;

/// Which way the sound goes, seen from this program.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Direction {
    /// From the mics.
    Input,
    /// To the loudspeakers.
    Output,
}

impl fmt::Display for Direction {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Direction::Input => "input",
            Direction::Output => "output",
        })
    }
}

/// Why a source of blocks, or of messages, cannot be had.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Error {
    /// No JACK server answers.
    #[error("no JACK server is running ({why}): start one, or choose another host with --host")]
    NoServer {
        /// What the JACK library said.
        why: String,
    },
    /// The JACK server refused something.
    #[error("JACK: {what} failed ({why}): look at the server's own messages")]
    Jack {
        /// What was asked of it.
        what: String,
        /// What the JACK library said.
        why: String,
    },
    /// The host is not one of this system's.
    #[error("this system has no audio host `{host}`: `tenterhook devices` lists those it has")]
    NoHost {
        /// The host's name.
        host: String,
    },
    /// No device of that name.
    #[error("{host} has no {direction} device `{wanted}`: {}", near_words(.near))]
    NoDevice {
        /// The host's name.
        host: String,
        /// Input or output.
        direction: Direction,
        /// The part of a name that was asked for.
        wanted: String,
        /// The names of the devices that there are, the nearest first.
        near: Vec<String>,
    },
    /// There is no default device.
    #[error("{host} has no default {direction} device: name one in the hall's [device], or use --host clock")]
    NoDefault {
        /// The host's name.
        host: String,
        /// Input or output.
        direction: Direction,
    },
    /// A mic or an output beyond the channels that there are.
    #[error(
        "`{name}` is on {direction} {channel}, but {device} has {has}: give it a lower number in a hall file, or choose \
         another device"
    )]
    Channel {
        /// The mic's or the output's name.
        name: String,
        /// Input or output.
        direction: Direction,
        /// Its channel, counted from 1.
        channel: usize,
        /// The device, in words.
        device: String,
        /// How many channels it has.
        has: usize,
    },
    /// More channels than can be driven.
    #[error("{direction} {channel} is asked for, but no more than {most} channels can be driven: use lower numbers")]
    TooManyChannels {
        /// Input or output.
        direction: Direction,
        /// The highest channel that is asked for, counted from 1.
        channel: usize,
        /// How many there can be.
        most: usize,
    },
    /// A device has not the rate that it is asked for.
    #[error("{device} cannot run at {rate} Hz: {}", rate_words(.has))]
    Rate {
        /// The device, in words.
        device: String,
        /// The rate asked for, in Hz.
        rate: u32,
        /// A rate at which it does run, in Hz.
        has: Option<u32>,
    },
    /// Rates between which no sound is carried.
    #[error("sound at {from} Hz cannot be made to {to} Hz: set the device to a rate from 8000 to 192000 Hz")]
    Convert {
        /// The rate of the sound, in Hz.
        from: u32,
        /// The rate it should have, in Hz.
        to: u32,
    },
    /// A device that is there does not work.
    #[error("{device} does not work ({why}): see that nothing else holds it, or choose another device")]
    Device {
        /// The device, in words.
        device: String,
        /// What the system said.
        why: String,
    },
    /// The source has been started already.
    #[error("{source_name} has been started already: open it again for another run")]
    Started {
        /// The source, in words.
        source_name: String,
    },
    /// The system gave no thread.
    #[error("the system gives no further thread ({why}): close other programs")]
    Thread {
        /// What the system said.
        why: String,
    },
    /// The OSC port cannot be listened to.
    #[error("cannot listen for OSC on {address} ({why}): choose another port, or end the program that holds it")]
    Osc {
        /// The address and port.
        address: String,
        /// What the system said.
        why: String,
    },
    /// A receiver of OSC cannot be found.
    #[error("cannot send OSC to `{to}` ({why}): write HOST:PORT, as in 192.168.1.20:4151")]
    OscTo {
        /// The receiver, as it was asked for.
        to: String,
        /// What the system said.
        why: String,
    },
}

fn near_words(near: &[String]) -> String {
    match near {
        [] => "it has none at all".to_owned(),
        near => format!("it has {}", near.iter().map(|name| format!("`{name}`")).collect::<Vec<_>>().join(", ")),
    }
}

fn rate_words(has: &Option<u32>) -> String {
    match has {
        Some(has) => format!("it runs at {has} Hz; say so in the hall's [device], or set the device otherwise"),
        None => "choose another rate, or another device".to_owned(),
    }
}

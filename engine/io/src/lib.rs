#![cfg_attr(rtsan, feature(sanitize))]
//! Everything that drives the engine: sources of blocks, files, MIDI, OSC, and the log of a live run.
//!
//! A [`Source`] gives the engine its blocks: the JACK server ([`JackSource`]), a pair of device streams
//! ([`StreamSource`]) or the built-in clock ([`ClockSource`]), chosen by [`open`]. It drives a [`Player`] on its audio
//! thread. [`render`] is the fourth source, a plain loop for files. What people do reaches the engine through the
//! [`Hub`], to which [`MidiPorts`] and [`Osc`] send.
//!
//! There are threads here and no async, and nothing here knows an effect.
//!
//! ```
//! use tenterhook_config::{Text, check};
//! use tenterhook_io::{Rendering, render};
//! use tenterhook_plan::SceneId;
//!
//! let piece = r#"
//! mics = { voice = 1 }
//! outputs = { left = 1 }
//! [[scene]]
//! mark = "A"
//! mic.voice.direct = { by = "scene" }
//! "#;
//! let plan = check(&Text::new("reed.toml", piece), None).map_err(|errors| errors.render(false))?.plan;
//! let (mut engine, _control) = tenterhook_rt::engine(&plan, 48_000, SceneId(0));
//! let rendering = Rendering { inputs: &[vec![0.25; 48_000]], outputs: 1, blocks: &[64, 100], events: &[], tail: 0 };
//! let mut heard = Vec::new();
//! let frames = render(&mut engine, &rendering, |block| Ok(heard.extend_from_slice(block[0])));
//! assert_eq!(frames.map_err(|why| why.to_string())?, 48_000);
//! assert!(heard[47_999] > 0.2);
//! # Ok::<(), String>(())
//! ```

mod ahead;
mod choice;
mod clock;
mod devices;
mod ears;
mod edge;
mod error;
mod hub;
mod jack_ports;
mod jack_source;
mod journal;
mod keeper;
mod load;
mod log;
mod midi;
mod osc;
pub mod place;
mod player;
mod priority;
mod quiet;
pub mod reading;
mod recent;
mod render;
mod resample;
mod residence;
mod seat;
mod sound;
mod source;
mod streams;
mod tap;
mod wav;
mod wiring;
mod worked;

pub use ahead::Ahead;
pub use choice::{Wish, open};
pub use clock::ClockSource;
pub use devices::{Device, Devices, HostDevices, JackServer, devices};
pub use ears::{Ears, Heard};
pub use edge::Bridge;
pub use error::{Direction, Error};
pub use hub::{Done, Events, Hub, Told, Window};
pub use jack_source::JackSource;
pub use journal::{Found, Interrupted, Journal, JournalError, Keeping, checksum};
pub use keeper::{Away, Keeper, Standing};
pub use load::{Fault, FaultKind, Load, Stats};
pub use log::{Ended, KeptError, Log, LogEnd, LogError, LogSettings, MicFiles, TakeSettings, is_inside, is_own};
pub use midi::{GonePort, MidiPorts, MidiState, channel_message, port_bits};
pub use osc::{Follow, Osc, OscCounts, OscMap, Receiver, Refused, Relay, RelayCounts};
pub use player::{Player, Sound, recording};
pub use priority::real_time_is_permitted;
pub use recent::{Listened, RECENT_SECONDS, Recent};
pub use render::{Rendering, render, render_files};
pub use resample::resample;
pub use residence::stay_in_memory;
pub use seat::Seat;
pub use sound::{SoundError, decode_sound, read_sound, sound_file_caution};
pub use source::{Facts, Source, State};
pub use streams::StreamSource;
pub use tap::Tap;
pub use wav::{MOST_WAV_BYTES, Recording, WavError, WavReader, WavWriter, read_wav, wav_bytes};
pub use wiring::{MOST_CHANNELS, Wiring};

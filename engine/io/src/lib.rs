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

mod control;
mod device;
mod error;
mod files;
mod record;

pub use control::ears::{EarHeard, Ears};
pub use control::hub::{Done, Events, Hub, Told, Window};
pub use control::midi::{GonePort, MidiPorts, MidiState, channel_message, port_bits};
pub use control::osc::{BackupPairing, Osc, OscCounts, OscMap, Receiver, Refused, Relay, RelayCounts};
pub use device::choice::{Wish, open};
pub use device::clock::ClockSource;
pub use device::devices::{Devices, FoundDevice, HostDevices, JackServer, devices};
pub use device::edge::Bridge;
pub use device::jack_source::JackSource;
pub use device::load::{FaultKind, LateFault, Load, Stats};
pub use device::lock_memory::stay_in_memory;
pub use device::player::{Player, Sound, recording};
pub use device::player_slot::PlayerSlot;
pub use device::priority::real_time_is_permitted;
pub use device::source::{Facts, Source, SourceState};
pub use device::streams::StreamSource;
pub use device::supervisor::{Away, DeviceSupervisor, Standing};
pub use device::wiring::{MOST_CHANNELS, Wiring};
pub use error::{Direction, Error};
pub use files::ahead::Ahead;
pub use files::place;
pub use files::reading;
pub use files::render::{Rendering, render, render_files};
pub use files::resample::resample;
pub use files::sound::{SoundError, decode_sound, read_sound, sound_file_caution};
pub use files::wav::{MOST_WAV_BYTES, WavError, WavReader, WavRecording, WavWriter, read_wav, wav_bytes};
pub use record::journal::{Found, Interrupted, Journal, JournalError, Keeping, checksum};
pub use record::log::{
    Ended, KeptError, Log, LogEnd, LogError, LogSettings, MicFiles, TakeSettings, is_inside, is_own,
};
pub use record::recent::{Listened, RECENT_SECONDS, Recent};
pub use record::tap::Tap;

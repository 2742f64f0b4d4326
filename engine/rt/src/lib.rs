#![cfg_attr(rtsan, feature(sanitize))]
//! The real-time engine: one [`process`](Engine::process), and the hand-over between it and the rest of the program.
//!
//! [`engine`] makes the two halves. The [`Engine`] belongs to the audio thread: it turns blocks of mics into blocks of
//! outputs. The [`Control`] belongs to any other thread: it sends events, replaces the piece, and reads what happened.
//! Between them there are only rings that neither side ever waits for.
//!
//! ```
//! use tenterhook_config::{Text, check};
//! use tenterhook_plan::{ControllerId, Event, Gesture, SceneId, Who};
//!
//! let piece = r#"
//! mics = { voice = 1 }
//! outputs = { left = 1 }
//! controllers = { foot = {} }
//! [[scene]]
//! mark = "A"
//! mic.voice.direct = { by = "foot" }
//! "#;
//! let plan = check(&Text::new("reed.toml", piece), None).map_err(|errors| errors.render(false))?.plan;
//! let (mut engine, mut control) = tenterhook_rt::engine(&plan, 48_000, SceneId(0));
//! let press = Gesture::Controller { id: ControllerId(0), value: 1.0 };
//! control.send(Event::Gesture(press, Who::Pedal)).map_err(|why| why.to_string())?;
//! let (voice, mut left) = ([0.25; 64], [0.0; 64]);
//! // A tenth of a second.
//! for _ in 0..75 {
//!     engine.process(&[&voice], &mut [&mut left], &[]);
//! }
//! assert!(left[63] > 0.2);
//! # Ok::<(), String>(())
//! ```

#![cfg_attr(
    not(test),
    deny(
        clippy::indexing_slicing,
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        clippy::let_underscore_must_use
    )
)]

mod bytes;
mod compiled_plan;
mod control;
mod controllers;
mod delay;
mod engine;
mod fader;
mod fault;
mod hearing;
mod in_room;
#[cfg(test)]
mod laws;
mod midi;
mod midi_conditioning;
mod migration;
mod neighbours;
mod outbox;
mod pool;
mod reading;
mod resident;
mod sends;
mod strip;
mod timings;
mod trim;
mod voice;

pub use bytes::{Bytes, bytes};
pub use compiled_plan::Making;
pub use control::{Builder, Built, Control, EngineReport, Full, engine, engine_with, hearing_engine};
pub use engine::Engine;
pub use fault::{Fault, Spot, caught, quiet_hook};
pub use reading::Reading;

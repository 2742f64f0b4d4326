#![cfg_attr(rtsan, feature(sanitize))]
//! The real-time engine: one [`process`](Engine::process), and the hand-over between it and the rest of the program.
//!
//! [`engine`] makes the two halves. The [`Engine`] belongs to the audio thread: it turns blocks of mics into blocks of
//! outputs. The [`Control`] belongs to any other thread: it sends events, replaces the piece, and reads what happened.
//! Between them there are only rings that neither side ever waits for.

mod bytes;
mod carry;
mod clock;
mod control;
mod controllers;
mod engine;
mod fader;
mod fault;
mod hand;
mod hearing;
#[cfg(test)]
mod laws;
mod midi;
mod outbox;
mod reading;
mod resident;
mod strip;
mod table;
mod voice;

pub use bytes::{Bytes, bytes};
pub use control::{Builder, Built, Control, Full, Report, engine, engine_with, hearing_engine};
pub use engine::Engine;
pub use fault::{Fault, Spot, caught, quiet_hook};
pub use reading::Reading;
pub use table::Making;

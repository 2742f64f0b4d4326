//! What reaches the engine and what is told of it: the hub, MIDI, OSC.

pub(crate) mod ears;
pub(crate) mod hub;
pub(crate) mod midi;
pub(crate) mod osc;

//! What gives the engine its blocks: audio servers, device streams, the clock; and what is known of how it goes.

pub(crate) mod choice;
pub(crate) mod clock;
pub(crate) mod devices;
pub(crate) mod edge;
pub(crate) mod jack_ports;
pub(crate) mod jack_source;
pub(crate) mod load;
pub(crate) mod lock_memory;
pub(crate) mod player;
pub(crate) mod player_slot;
pub(crate) mod priority;
pub(crate) mod silence_alsa;
pub(crate) mod source;
pub(crate) mod streams;
pub(crate) mod supervisor;
pub(crate) mod wiring;
pub(crate) mod worked;

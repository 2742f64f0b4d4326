//! What gives the engine its blocks: audio servers, device streams, the clock; and what is known of how it goes.

pub(crate) mod choice;
pub(crate) mod clock;
pub(crate) mod devices;
pub(crate) mod edge;
pub(crate) mod jack_ports;
pub(crate) mod jack_source;
pub(crate) mod keeper;
pub(crate) mod load;
pub(crate) mod player;
pub(crate) mod priority;
pub(crate) mod quiet;
pub(crate) mod residence;
pub(crate) mod seat;
pub(crate) mod source;
pub(crate) mod streams;
pub(crate) mod wiring;
pub(crate) mod worked;

//! What the program does when it is called: one file per command.

pub(crate) mod check;
pub(crate) mod demo;
pub(crate) mod devices;
pub(crate) mod etudes;
pub(crate) mod invite;
pub(crate) mod learn;
pub(crate) mod licences;
pub(crate) mod load;
pub(crate) mod play;
pub(crate) mod preflight;
pub(crate) mod rehearse;
pub(crate) mod schema;
pub(crate) mod spectrum;
pub(crate) mod study;

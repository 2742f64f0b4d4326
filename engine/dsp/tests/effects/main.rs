//! What the effects promise: laws that hold for all of them, and what each does to sound.

mod answer;
mod double;
mod freeze;
mod laws;
mod material;
mod measures;
mod pedal;
mod reverse;
mod rig;
mod sounds;
mod stretch;
mod sympathetic;
mod tape;

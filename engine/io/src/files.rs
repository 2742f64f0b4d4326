//! Files: where they lie, how they are read and written, sounds in them, and the loop that plays them.

pub(crate) mod ahead;
pub mod place;
pub mod reading;
pub(crate) mod render;
pub(crate) mod resample;
pub(crate) mod sound;
pub(crate) mod wav;

//! The measures: sound in, one number out.
//!
//! All sound is mono at [`RATE`](crate::RATE); `x` is what is judged, `exact` the exact answer, for noise a comparable
//! realisation. 0 is perfect and more is worse unless it says otherwise. A sound too short for a measure's windows
//! makes it panic or read nonsense: give a second at least.

pub mod filters;
pub mod hold;
pub mod noise;
pub mod onsets;
pub mod reverse;
pub mod spectra;
pub mod tones;
pub mod whole;

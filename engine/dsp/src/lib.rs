//! Samples in, samples out.
//!
//! The [effects] of Tenterhook, one file each, and what they share. Nothing here opens a file, asks a clock, waits,
//! prints or knows a device; time is a sample number that the caller passes in.
//!
//! ```
//! use tenterhook_dsp::limiter::Limiter;
//!
//! let mut limiter = Limiter::new(0.5, 48_000);
//! let mut sound = [1.0; 480];
//! // In any pieces: the samples are the same.
//! sound.chunks_mut(100).for_each(|piece| limiter.process(piece));
//! assert!(sound.iter().all(|sample| sample.abs() <= 0.5));
//! ```
//!
//! # The grid
//! All work is cut at multiples of [`CELL`] samples, counted from the engine's first sample, besides the places where
//! gestures fall. Whatever happens "now and then" (a step of an analysis, a meter settling) happens at such a grid
//! line, so that a run's sound does not depend on the block size of the device.

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

mod aim;
mod analysis;
mod bytes;
mod cross_fade;
pub mod effects;
pub mod guard;
pub mod highpass;
pub mod howl;
mod levels;
pub mod limiter;
pub mod memory;
pub mod meter;
pub mod offset;
pub mod prefault;
pub mod ramp;
pub mod random;
mod schedule;
mod transform;
pub mod windows;

/// Samples between two lines of the absolute grid at which periodic work may be done.
pub const CELL: u64 = 32;

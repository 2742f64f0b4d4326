//! How good the effects sound.
//!
//! Signals whose exact stretched version is known go through the engine, offline and as a piece would have it; what comes
//! out is judged by published measures, beside the exact answer's own figures and, with the feature `peers`, beside what
//! general-purpose libraries make of the same. `DEVELOPERS.md` says how to run it and how to read it.

mod cli;
pub mod cost;
pub mod curves;
pub mod freeze;
pub mod late_pedal;
pub mod measures;
pub mod metrics;
pub mod moving;
pub mod report;
pub mod reverse;
pub mod signals;
pub mod stretch;
pub mod subjects;
pub mod wav;

pub use cli::{Cli, Part, run};

/// Samples a second of all sound here.
pub const RATE: f64 = 48_000.0;

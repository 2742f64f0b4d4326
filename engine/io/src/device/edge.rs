//! Rates and clocks at the device's edge, outside the engine: the engine keeps its own rate and knows nothing of this.
//!
//! - [`converter`]: sound of one rate made to another, in whatever lengths.
//! - [`bridge`]: a device with one clock both ways that runs at another rate than the engine.
//! - [`inlet`]: an input whose clock is another than the output's; [`steering`] is the law by which it is followed.

mod bridge;
mod converter;
mod inlet;
#[cfg(test)]
mod laws;
mod steering;

pub use bridge::Bridge;
pub(crate) use converter::{Converter, delay};
pub(crate) use inlet::{Inlet, Intake, Terms};

//! The page: a server in the program's own binary, and what a browser shows of it.

mod meters;

pub use meters::{History, MeterReading, Meters, QUIETEST_DB, SLOTS, SLOTS_A_SECOND, Shown, Verdict};

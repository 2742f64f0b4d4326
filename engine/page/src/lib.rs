//! The page: a server in the program's own binary, and what a browser shows of it.

mod meters;

pub use meters::{History, Meters, QUIETEST_DB, Reading, SLOTS, SLOTS_A_SECOND, Shown, Verdict};

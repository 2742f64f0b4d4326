//! Laws that must hold for any input whatever. Each target takes bytes and panics where its law is broken, so that both
//! a fuzzer and a plain test can look for such bytes.
//!
//! ```text
//! cargo run -p tenterhook-fuzz --example seeds -- target/fuzz/seeds
//! cargo +nightly fuzz run --debug-assertions --fuzz-dir tests/fuzz --target-dir target/fuzz/build --features libfuzzer \
//!     piece target/fuzz/piece tests/fuzz/corpus/piece target/fuzz/seeds/piece -- -max_total_time=620 -max_len=4096
//! ```
//! With debug assertions numbers that overflow panic too.
//!
//! What a fuzzer has found lies in `corpus/`, small, with every input that once broke a law.

pub mod gestures;
pub mod hall;
pub mod journal;
pub mod midi;
pub mod osc;
pub mod page;
pub mod piece;
mod plans;
mod sounding;

/// One kind of input.
pub struct Target {
    /// Its name: of the fuzzer's program, and of the folder of its corpus.
    pub name: &'static str,
    /// Panics where the law is broken.
    pub law: fn(&[u8]),
    /// Inputs to begin with.
    pub seeds: fn() -> Vec<Vec<u8>>,
}

/// All of them.
pub const TARGETS: [Target; 7] = [
    Target { name: "piece", law: piece::law, seeds: piece::seeds },
    Target { name: "hall", law: hall::law, seeds: hall::seeds },
    Target { name: "gestures", law: gestures::law, seeds: gestures::seeds },
    Target { name: "midi", law: midi::law, seeds: midi::seeds },
    Target { name: "osc", law: osc::law, seeds: osc::seeds },
    Target { name: "journal", law: journal::law, seeds: journal::seeds },
    Target { name: "page", law: page::law, seeds: page::seeds },
];

//! What the end-to-end tests share.
#![allow(dead_code, reason = "each test program uses its own part of this")]

pub mod client;
pub mod program;
#[path = "../../engine/io/tests/server/mod.rs"]
pub mod server;

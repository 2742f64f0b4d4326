//! What the end-to-end tests share.
#![allow(dead_code, reason = "each test program uses its own part of this")]

pub mod client;
pub mod company;
pub mod log;
pub mod packages;
pub mod program;
#[path = "../../engine/io/tests/server/mod.rs"]
pub mod server;
pub mod socket;
#[cfg(target_os = "linux")]
pub mod terminal;
pub mod waiting;

use std::fs;

use tempfile::TempDir;

/// A folder with a piece in it.
pub fn folder(piece: &str) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("piece.toml"), piece).unwrap();
    folder
}

/// The mic itself, as it is, on one output.
pub const PLAIN: &str = r#"
title = "Plain Linen"
mics = { voice = 1 }
outputs = { left = 1 }
[[scene]]
mark = "A"
mic.voice.direct = { by = "scene" }
"#;

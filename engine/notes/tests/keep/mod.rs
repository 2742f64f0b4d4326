//! What is made to be looked at.

use std::fs;
use std::path::Path;

/// Keeps it in the folder that `TENTERHOOK_PICTURES` names, if it names one.
pub fn keep(name: &str, bytes: &[u8]) {
    if let Some(folder) = std::env::var_os("TENTERHOOK_PICTURES") {
        fs::write(Path::new(&folder).join(name), bytes).unwrap();
    }
}

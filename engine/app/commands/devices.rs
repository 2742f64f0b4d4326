//! `devices`: what audio and MIDI this machine has.

use crate::cli::Devices;
use crate::failure::Failure;
use crate::say::{answer, print};

/// Lists them.
pub fn run(asked: &Devices) -> Result<(), Failure> {
    let devices = tenterhook_io::devices();
    if asked.json {
        answer(serde_json::to_string(&devices).map_err(Failure::running)?)
    } else {
        print(&devices.to_string())
    }
}

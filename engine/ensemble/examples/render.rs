//! Writes the ensemble's piece to standard output: little-endian 32-bit floats, the three mics interleaved.
//! The one argument is the rate in Hz, 48000 if absent.

use std::error::Error;
use std::io::{self, BufWriter, Write};
use std::process::ExitCode;
use tenterhook_ensemble::Ensemble;

fn render() -> Result<(), Box<dyn Error>> {
    let rate = match std::env::args().nth(1) {
        None => 48_000,
        Some(text) => text.parse().map_err(|_| format!("{text:?} is not a rate: write it in Hz, such as 48000"))?,
    };
    let mut out = BufWriter::new(io::stdout().lock());
    for frame in Ensemble::new(rate)? {
        for sample in frame {
            out.write_all(&sample.to_le_bytes())?;
        }
    }
    out.flush()?;
    Ok(())
}

fn main() -> ExitCode {
    match render() {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("render: {error}");
            ExitCode::FAILURE
        }
    }
}

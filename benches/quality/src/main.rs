//! `tenterhook-quality`: see the crate.

use std::process::ExitCode;

use clap::Parser;

fn main() -> ExitCode {
    match tenterhook_quality::run(&tenterhook_quality::Cli::parse()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("error: {why}");
            ExitCode::FAILURE
        }
    }
}

//! The program: one file per command, and what the commands share.

mod bundled;
mod cli;
mod commands;
mod failure;
mod levels;
mod live;
mod loading;
mod progress;
mod say;
mod whole;

use std::process::ExitCode;
#[cfg(unix)]
use std::sync::{Arc, atomic::AtomicBool};

use cli::Command;
use commands::{check, demo, devices, etudes, invite, learn, licences, load, play, rehearse, schema, spectrum};
use tenterhook_page::score::View;

/// Runs the program with the arguments that it was given. Its exit status: 0 done, 1 it failed while running, 2 what was
/// asked for is wrong.
pub fn main() -> ExitCode {
    tenterhook_rt::quiet_hook();
    outgrow_limits();
    let done = match cli::parse().command {
        Command::Demo(asked) => demo::run(&asked),
        Command::Play(asked) => play::run(&asked, View::Score),
        Command::Soundcheck(asked) => play::run(&asked, View::Soundcheck),
        Command::Rehearse(asked) => rehearse::run(&asked),
        Command::Invite(asked) => invite::run(&asked),
        Command::Check(asked) => check::run(&asked),
        Command::Learn(asked) => learn::run(&asked),
        Command::Schema(asked) => schema::run(&asked),
        Command::Load(asked) => load::run(&asked),
        Command::Devices(asked) => devices::run(&asked),
        Command::Spectrum(asked) => spectrum::run(&asked),
        Command::Etudes(asked) => etudes::run(&asked),
        Command::Licences => licences::run(),
    };
    let status = match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => failure.report(),
    };
    say::settle();
    status
}

/// Lets a file that is as large as the system allows (`ulimit -f`) be an error of that write, as a full disk is. Without
/// this it is a signal that ends the program, in the midst of a show.
fn outgrow_limits() {
    #[cfg(unix)]
    {
        // The signal itself means nothing more. Where it cannot be had, all is as the system has it.
        let _ = signal_hook::flag::register(signal_hook::consts::SIGXFSZ, Arc::<AtomicBool>::default());
    }
}

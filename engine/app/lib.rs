//! The program: one file per command, and what the commands share.

mod broke;
mod bundled;
mod change;
mod check;
mod cli;
mod conditions;
mod console;
mod demo;
mod desk;
mod devices;
mod doors;
mod etudes;
mod failure;
mod follow;
mod hand;
mod invite;
mod learn;
mod levels;
mod licences;
mod listen;
mod load;
mod loading;
mod play;
mod progress;
mod rehearse;
mod relay;
mod resume;
mod room;
mod say;
mod schema;
mod show;
mod spectrum;
mod stage;
mod study;
mod whole;
mod words;

use std::process::ExitCode;

use cli::Command;
use tenterhook_page::score::View;

/// Runs the program with the arguments that it was given. Its exit status: 0 done, 1 it failed while running, 2 what was
/// asked for is wrong.
pub fn main() -> ExitCode {
    tenterhook_rt::quiet_hook();
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
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => failure.report(),
    }
}

//! How a command ends when it does not end well.

use std::io::{IsTerminal, Write};
use std::process::ExitCode;

use tenterhook_config::Report;

/// Why a command did not do what was asked.
#[derive(Debug)]
pub enum Failure {
    /// What was asked for is wrong: exit status 2.
    Asked(String),
    /// A file of the composer's is wrong, at places: exit status 2.
    Files(Report),
    /// It went wrong while running: exit status 1.
    Running(String),
}

impl Failure {
    /// Something is wrong with what was asked for.
    pub fn asked(why: impl ToString) -> Self {
        Failure::Asked(why.to_string())
    }

    /// Something went wrong while running.
    pub fn running(why: impl ToString) -> Self {
        Failure::Running(why.to_string())
    }

    /// Says it on standard error; the exit status.
    pub fn report(self) -> ExitCode {
        let mut err = std::io::stderr().lock();
        // Nothing can be done where standard error itself is gone.
        let _ = match &self {
            Failure::Asked(why) | Failure::Running(why) => writeln!(err, "error: {why}"),
            Failure::Files(report) => write!(err, "{}", report.render(colour())),
        };
        match self {
            Failure::Running(_) => ExitCode::from(1),
            Failure::Asked(_) | Failure::Files(_) => ExitCode::from(2),
        }
    }
}

/// Whether standard error is to be coloured: a terminal, and nobody asked for none (<https://no-color.org>).
pub fn colour() -> bool {
    std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty()) && std::io::stderr().is_terminal()
}

//! How a command ends when it does not end well.

use std::io::{IsTerminal, Write};
use std::process::ExitCode;

use serde_json::{Value, json};
use tenterhook_config::{Report, Severity};
use tenterhook_plan::shown;

use crate::say::event;

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

    /// All of it, for a terminal.
    pub fn render(&self) -> String {
        match self {
            Failure::Asked(why) | Failure::Running(why) => format!("error: {}\n", shown(why)),
            Failure::Files(report) => report.render(colour()),
        }
    }

    /// What was found, for programs.
    pub fn found(&self) -> Value {
        match self {
            Failure::Files(report) => report.to_json(),
            Failure::Asked(why) | Failure::Running(why) => json!([{ "severity": "error", "message": why }]),
        }
    }

    /// The first error, in one line.
    pub fn brief(&self) -> String {
        let report = match self {
            Failure::Asked(why) | Failure::Running(why) => return why.clone(),
            Failure::Files(report) => report,
        };
        let errors = || report.diagnostics().iter().filter(|one| one.kind.severity() == Severity::Error);
        let Some(first) = errors().next() else { return "it cannot be read".to_owned() };
        let line = first.position.as_ref().map_or_else(String::new, |position| format!(":{}", position.line));
        let more = match errors().count() - 1 {
            0 => String::new(),
            more => format!(" (and {more} more)"),
        };
        format!("{}{line}: {}: {}{more}", first.file, first.message, first.remedy)
    }

    /// Says it on standard error; the exit status.
    pub fn report(self) -> ExitCode {
        // Nothing can be done where standard error itself is gone.
        let _ = write!(std::io::stderr().lock(), "{}", self.render());
        event("failed", self.found());
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

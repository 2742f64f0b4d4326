//! What the program says: results on standard output, messages on standard error. Whatever names and titles hold, no sign
//! of it works the terminal: all that is said goes through here.

use std::fmt::Display;
use std::io::{ErrorKind, Write};
use std::sync::atomic::{AtomicBool, Ordering};

use serde_json::{Value, json};

use tenterhook_config::Report;
use tenterhook_plan::{shown, shown_lines};

use crate::failure::{Failure, colour};

/// Why a run ended of which nothing else is known.
const BROKE_OFF: &str = "the program broke off; standard error has what it said last";

/// Gives a result, a line of its own. Whoever reads may have read enough: that is no failure.
pub fn answer(text: impl Display) -> Result<(), Failure> {
    print(&format!("{}\n", shown(&text.to_string())))
}

/// Gives a result of several lines.
pub fn print(text: &str) -> Result<(), Failure> {
    let text = shown_lines(text);
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(why) if why.kind() != ErrorKind::BrokenPipe => {
            Err(Failure::Running(format!("cannot write to standard output ({why}): see where it goes")))
        }
        _ => Ok(()),
    }
}

/// Tells what happens during a live run, a line of its own on standard output. The show goes on whether or not anybody
/// reads it.
pub fn tell(text: impl Display) {
    let mut out = std::io::stdout().lock();
    let _ = writeln!(out, "{}", shown(&text.to_string())).and_then(|()| out.flush());
}

/// Whether a program reads what happens.
static TELLS: AtomicBool = AtomicBool::new(false);

/// From now on all that is said is told to a program as well.
pub fn tell_programs() {
    TELLS.store(true, Ordering::Relaxed);
}

/// Says something on standard error, a line of its own, whether or not anybody reads it; to a program as an event.
pub fn say(text: impl Display) {
    let text = text.to_string();
    let _ = writeln!(std::io::stderr().lock(), "{}", shown(&text));
    said(&text);
}

/// Says several lines likewise. A name in them is one line only if it is put there by [`shown`].
pub fn say_lines(text: impl Display) {
    let text = text.to_string();
    show(&text);
    said(&text);
}

/// Says a report, which is fit to be shown, and coloured where that is wanted.
pub fn say_report(report: &Report) {
    let _ = writeln!(std::io::stderr().lock(), "{}", report.render(colour()).trim_end());
    said(&report.render(false));
}

/// Says a line on a terminal that does not go back to its beginning by itself.
pub fn say_raw(text: impl Display) {
    let text = text.to_string();
    let _ = write!(std::io::stderr().lock(), "{}\r\n", shown(&text));
    said(&text);
}

/// Tells a program, if one reads, what a person is told.
pub fn said(text: &str) {
    if TELLS.load(Ordering::Relaxed) {
        tell(json!({ "event": "said", "text": text.trim() }));
    }
}

/// Tells a program, if one reads, of an event and what was found.
pub fn event(event: &str, found: Value) {
    if TELLS.load(Ordering::Relaxed) {
        let mut line = json!({ "event": event });
        if !found.is_null() {
            line["found"] = found;
        }
        tell(line);
    }
}

/// Shows lines on standard error: what a program is told otherwise, or is not to be told.
pub fn show(text: impl Display) {
    let _ = writeln!(std::io::stderr().lock(), "{}", shown_lines(&text.to_string()));
}

/// An end that a program is owed: it is told even where the run breaks off.
pub struct Owed(Value);

impl Default for Owed {
    fn default() -> Self {
        Self(json!({ "event": "ended", "died": BROKE_OFF }))
    }
}

impl Owed {
    /// Tells how the run went.
    pub fn pay(mut self, ended: Value) {
        self.0 = ended;
    }
}

impl Drop for Owed {
    fn drop(&mut self) {
        if TELLS.load(Ordering::Relaxed) {
            tell(&self.0);
        }
    }
}

/// So many of something.
pub fn count(n: u64, one: &str) -> String {
    if n == 1 { format!("1 {one}") } else { format!("{n} {one}s") }
}

/// The text in lines of at most 80 columns, each ended. Left of the first stand so many columns, and the others are set in
/// by as many.
pub fn wrapped(indent: usize, text: &str) -> String {
    let mut lines = String::new();
    let mut column = indent;
    for word in text.split_whitespace() {
        let width = word.chars().count();
        if !lines.is_empty() {
            let fits = column + 1 + width <= 80;
            lines += &if fits { " ".to_owned() } else { format!("\n{}", " ".repeat(indent)) };
            column = if fits { column + 1 } else { indent };
        }
        lines += word;
        column += width;
    }
    lines + "\n"
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::process::Command;

    #[test]
    fn a_program_is_told_of_the_end_even_when_the_run_breaks_off() {
        const INSIDE: &str = "TENTERHOOK_TEST_OWED";
        const NAME: &str = "say::tests::a_program_is_told_of_the_end_even_when_the_run_breaks_off";
        if std::env::var_os(INSIDE).is_some() {
            tell_programs();
            let _owed = Owed::default();
            panic!("on purpose");
        }
        let mut command = Command::new(std::env::current_exe().unwrap());
        let output = command.args(["--exact", NAME, "--nocapture"]).env(INSIDE, "1").output().unwrap();
        assert!(!output.status.success(), "it did break off");
        let told = String::from_utf8(output.stdout).unwrap();
        let ended: Vec<_> = told.lines().filter(|line| line.contains("\"event\":\"ended\"")).collect();
        assert!(ended.len() == 1 && ended[0].contains(BROKE_OFF), "{told}");
    }
}

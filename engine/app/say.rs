//! What the program says: results on standard output, messages on standard error.

use std::fmt::Display;
use std::io::{ErrorKind, Write};

use crate::failure::Failure;

/// Gives a result, a line of its own. Whoever reads may have read enough: that is no failure.
pub fn answer(text: impl Display) -> Result<(), Failure> {
    print(&format!("{text}\n"))
}

/// Gives a result as it is.
pub fn print(text: &str) -> Result<(), Failure> {
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
    let _ = writeln!(out, "{text}").and_then(|()| out.flush());
}

/// Says something on standard error, a line of its own, whether or not anybody reads it.
pub fn say(text: impl Display) {
    let _ = writeln!(std::io::stderr().lock(), "{text}");
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

//! What the program says: results on standard output, messages on standard error. Whatever names and titles hold, no sign
//! of it works the terminal: all that is said goes through here.

use std::fmt::Display;
use std::io::{ErrorKind, Write};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, OnceLock, PoisonError};
use std::time::Duration;

use crossbeam_channel::{Receiver, Sender, bounded};

use serde_json::{Value, json};

use tenterhook_config::Report;
use tenterhook_plan::{shown, shown_lines};

use crate::failure::{Failure, colour};

/// Lines that wait for a program that does not read them just now: hours of a show. More are counted, and told of.
const MOST_WAITING: usize = 10_000;
/// How long the end waits for a program to read what it is told.
const LAST_WORDS: Duration = Duration::from_secs(1);

/// Why a run ended of which nothing else is known.
const BROKE_OFF: &str = "the program broke off; standard error has what it said last";

/// Gives a result, a line of its own. Whoever reads may have read enough: that is no failure.
pub fn answer(text: impl Display) -> Result<(), Failure> {
    print(&format!("{}\n", shown(&text.to_string())))
}

/// Gives a result of several lines.
pub fn print(text: &str) -> Result<(), Failure> {
    settle();
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
/// reads it: keys and signals are never kept waiting by a program that hangs.
pub fn tell(text: impl Display) {
    let line = shown(&text.to_string()).into_owned();
    match TELLER.get() {
        Some(teller) => teller.tell(line),
        None => write_line(&line),
    }
}

fn write_line(line: &str) {
    let mut out = std::io::stdout().lock();
    let _ = writeln!(out, "{line}").and_then(|()| out.flush());
}

/// Waits until a program has been told all, but no longer than a moment.
pub fn settle() {
    if let Some(teller) = TELLER.get() {
        teller.settle();
    }
}

/// Whether a program reads what happens.
static TELLS: AtomicBool = AtomicBool::new(false);
/// Who tells it.
static TELLER: OnceLock<Teller> = OnceLock::new();

/// From now on all that is said is told to a program as well.
pub fn tell_programs() {
    let (line, lines) = bounded(MOST_WAITING);
    let thread = std::thread::Builder::new().name("json".to_owned()).spawn(move || write_lines(&lines));
    // Where the system gives no thread each line waits until it is read.
    if thread.is_ok() {
        TELLER.get_or_init(|| Teller { line, missed: Mutex::default() });
    }
    TELLS.store(true, Ordering::Relaxed);
}

/// Hands lines to the thread that writes them.
struct Teller {
    line: Sender<Line>,
    /// How many found no room since the last that did.
    missed: Mutex<u64>,
}

enum Line {
    Text(String),
    /// Answered when all before it is written.
    Settle(Sender<()>),
}

impl Teller {
    fn tell(&self, line: String) {
        let mut missed = self.missed.lock().unwrap_or_else(PoisonError::into_inner);
        if *missed > 0 {
            let gap = json!({ "event": "missed", "lines": *missed }).to_string();
            if self.line.try_send(Line::Text(gap)).is_ok() {
                *missed = 0;
            }
        }
        if *missed > 0 || self.line.try_send(Line::Text(line)).is_err() {
            *missed += 1;
        }
    }

    fn settle(&self) {
        let (done, is_done) = bounded(1);
        if self.line.send_timeout(Line::Settle(done), LAST_WORDS).is_ok() {
            // Either it reads, or nobody is there to be waited for.
            let _ = is_done.recv_timeout(LAST_WORDS);
        }
    }
}

fn write_lines(lines: &Receiver<Line>) {
    for line in lines {
        match line {
            Line::Text(line) => write_line(&line),
            Line::Settle(done) => drop(done.send(())),
        }
    }
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
            settle();
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
    fn what_finds_no_room_is_counted_and_told_of_when_there_is_some() {
        let (line, lines) = bounded(2);
        let teller = Teller { line, missed: Mutex::default() };
        let told = || match lines.try_recv() {
            Ok(Line::Text(line)) => line,
            _ => String::new(),
        };
        ["a", "b", "c", "d"].into_iter().for_each(|line| teller.tell(line.to_owned()));
        assert_eq!((told(), told(), told()), ("a".to_owned(), "b".to_owned(), String::new()));
        ["e", "f"].into_iter().for_each(|line| teller.tell(line.to_owned()));
        assert_eq!((told(), told()), (r#"{"event":"missed","lines":2}"#.to_owned(), "e".to_owned()));
        teller.tell("g".to_owned());
        assert_eq!((told(), told()), (r#"{"event":"missed","lines":1}"#.to_owned(), "g".to_owned()));
    }

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

//! The terminal during a show: one quiet status line, and a few keys. No single key quits.

use std::io::{IsTerminal, Write};
use std::time::{Duration, Instant};

use crossterm::event::{self, Event, KeyboardEnhancementFlags};
use crossterm::{cursor, execute, queue, style, terminal};
use tenterhook_io::Events;
use tenterhook_plan::{EngineState, Keys, Plan, Who, shown, shown_lines};
use unicode_width::UnicodeWidthChar;

use crate::say::{said, show};
use keyboard::{KeyAct, Keyboard};

mod keyboard;
mod status;

pub use keyboard::name;
pub use status::status;

/// What the keys are for.
const HELP: &str = "Page Down next, Page Up back, Esc hush and release; type a mark and press Enter to fire it, Esc drops \
                    what is typed; Ctrl-C ends";

/// What is typed is shown from its last letters: a cat on the keys hides nothing of how the run stands.
const MOST_TYPED: usize = 24;

/// The terminal, if there is one to read keys from.
pub struct Console {
    raw: bool,
    /// Whether the terminal tells when a key comes up.
    releases: bool,
    keyboard: Keyboard,
}

/// What a person asks for that is not a gesture.
#[derive(Debug, PartialEq, Eq)]
pub enum Asked {
    /// Nothing.
    Nothing,
    /// To end the run.
    End,
}

impl Console {
    /// Takes the terminal over, where standard input and standard error are one, and says what its keys are for.
    pub fn open(plan: &Plan) -> Self {
        let raw =
            std::io::stdin().is_terminal() && std::io::stderr().is_terminal() && terminal::enable_raw_mode().is_ok();
        let releases = raw && tells_releases();
        let console = Self { raw, releases, keyboard: Keyboard::new(plan, releases) };
        if raw {
            console.tell(&format!("{HELP}."));
            console.tell_of_keys(plan);
        }
        console
    }

    /// A changed piece has taken over: its own keys are other ones.
    pub fn change(&mut self, plan: &Plan) {
        self.keyboard.change(plan);
        self.tell_of_keys(plan);
    }

    fn tell_of_keys(&self, plan: &Plan) {
        if self.raw && !self.releases && Keys::of(plan).holds() {
            self.tell(
                "This terminal does not tell when a key comes up: each press of a key of the piece turns its controller \
                 over, from rest to 1 and back. On the page a key is held.",
            );
        }
    }

    /// Says something of many lines above the status line, to a program as well.
    pub fn tell(&self, text: &str) {
        self.print(text);
        said(text);
    }

    /// Shows the same to a person only: a program has an event of its own for it.
    pub fn print(&self, text: &str) {
        let text = text.trim_end();
        if self.raw {
            self.line(&shown_lines(text));
        } else {
            show(text);
        }
    }

    /// Says a report, or why something failed, above the status line: fit to be shown as it is.
    pub fn report(&self, rendered: &str) {
        let text = rendered.trim_end();
        if self.raw {
            self.line(text);
        } else {
            let _ = writeln!(std::io::stderr().lock(), "{text}");
        }
    }

    fn line(&self, text: &str) {
        // A terminal in this mode does not go back to the line's beginning by itself.
        let text = text.replace('\n', "\r\n");
        let clear = terminal::Clear(terminal::ClearType::UntilNewLine);
        let _ = write!(std::io::stderr().lock(), "\r{clear}{text}\r\n");
    }

    /// Waits a moment for keys, and does what they mean.
    pub fn turn(&mut self, engine: &EngineState, events: &Events) -> Asked {
        let wait = Duration::from_millis(50);
        if !self.raw {
            std::thread::sleep(wait);
            return Asked::Nothing;
        }
        let mut first = true;
        while event::poll(if first { wait } else { Duration::ZERO }).unwrap_or(false) {
            first = false;
            let acts = match event::read() {
                Ok(Event::Key(key)) => self.keyboard.key(key, Instant::now(), engine),
                Ok(Event::FocusLost) => self.keyboard.let_go(),
                _ => Vec::new(),
            };
            for act in acts {
                match act {
                    KeyAct::Gesture(gesture) => {
                        events.gesture(gesture, Who::Terminal);
                    }
                    // Above the status line, which must not give way to it.
                    KeyAct::Say(words) => self.print(&words),
                    KeyAct::End => return Asked::End,
                }
            }
        }
        Asked::Nothing
    }

    /// Shows the status line, on a terminal only: that all is hushed, what is typed, and how the run stands.
    pub fn show(&mut self, hushed: bool, status: &str) {
        if !self.raw {
            return;
        }
        let typed = match self.keyboard.typed(Instant::now()) {
            "" => String::new(),
            typed => match typed.char_indices().rev().nth(MOST_TYPED - 1) {
                Some((at @ 1.., _)) => format!("mark: …{} (Enter fires it)", &typed[at..]),
                _ => format!("mark: {typed} (Enter fires it)"),
            },
        };
        let parts = [if hushed { "HUSHED" } else { "" }, &typed, status];
        let line = parts.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join("   ");
        let columns = terminal::size().map_or(80, |(columns, _)| usize::from(columns)).saturating_sub(1);
        let line = shown(&line);
        let line = within(&line, columns);
        let mut err = std::io::stderr().lock();
        // A terminal that is gone is no reason to stop the show.
        let _ = queue!(
            err,
            cursor::MoveToColumn(0),
            style::Print(line),
            terminal::Clear(terminal::ClearType::UntilNewLine)
        )
        .and_then(|()| err.flush());
    }
}

impl Drop for Console {
    fn drop(&mut self) {
        if self.releases {
            let _ = execute!(std::io::stderr(), event::DisableFocusChange, event::PopKeyboardEnhancementFlags);
        }
        if self.raw {
            let _ = terminal::disable_raw_mode();
            show("");
        }
    }
}

/// As much of a line as so many columns hold: some letters take two, and one column too many would begin a new line each
/// time that the status is shown.
fn within(line: &str, columns: usize) -> &str {
    let mut taken = 0;
    let end = line.char_indices().find(|(_, letter)| {
        taken += letter.width().unwrap_or(0);
        taken > columns
    });
    end.map_or(line, |(end, _)| &line[..end])
}

/// Asks the terminal to tell of releases too; whether it will. The answer may take it a moment.
fn tells_releases() -> bool {
    if cfg!(windows) {
        return true;
    }
    // The question may go to standard output: only where that is a terminal as well.
    if !std::io::stdout().is_terminal() || !terminal::supports_keyboard_enhancement().unwrap_or(false) {
        return false;
    }
    use KeyboardEnhancementFlags as Flags;
    let flags = Flags::DISAMBIGUATE_ESCAPE_CODES
        | Flags::REPORT_EVENT_TYPES
        | Flags::REPORT_ALTERNATE_KEYS
        | Flags::REPORT_ALL_KEYS_AS_ESCAPE_CODES;
    execute!(std::io::stderr(), event::PushKeyboardEnhancementFlags(flags), event::EnableFocusChange).is_ok()
}

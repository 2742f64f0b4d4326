//! The terminal during a show: one quiet status line, and a few keys. No single key quits.

use std::io::{IsTerminal, Write};
use std::time::{Duration, Instant};

use crossterm::event::{self, Event, KeyCode, KeyEvent, KeyEventKind, KeyModifiers};
use crossterm::{cursor, queue, style, terminal};
use tenterhook_io::{Events, Load, Snapshot};
use tenterhook_plan::{Gesture, Keys, Plan, SceneId, Who};

use crate::loading;
use crate::say::say;

/// A key that comes again within this time is the keyboard's own repeat, not a second press.
const REPEAT: Duration = Duration::from_millis(650);

/// What the keys are for.
pub const HELP: &str =
    "Page Down next, Page Up back, Esc hush and release; type a mark and press Enter to fire it; Ctrl-C ends";

/// The terminal, if there is one to read keys from.
pub struct Console {
    raw: bool,
    keys: Keys,
    typed: String,
    said: Option<(String, Instant)>,
    last: Option<(KeyCode, Instant)>,
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
    /// Takes the terminal over, where standard input and standard error are one.
    pub fn open(plan: &Plan) -> Self {
        let raw =
            std::io::stdin().is_terminal() && std::io::stderr().is_terminal() && terminal::enable_raw_mode().is_ok();
        Self { raw, keys: Keys::of(plan), typed: String::new(), said: None, last: None }
    }

    /// A changed piece has taken over: its own keys are other ones.
    pub fn change(&mut self, plan: &Plan) {
        self.keys = Keys::of(plan);
    }

    /// Says something of many lines above the status line.
    pub fn tell(&self, text: &str) {
        let text = text.trim_end();
        if self.raw {
            // A terminal in this mode does not go back to the line's beginning by itself.
            let text = text.replace('\n', "\r\n");
            say(format_args!("\r{}{text}\r", terminal::Clear(terminal::ClearType::UntilNewLine)));
        } else {
            say(text);
        }
    }

    /// Whether there are keys to read.
    pub fn has_keys(&self) -> bool {
        self.raw
    }

    /// Waits a moment for keys, and does what they mean.
    pub fn turn(&mut self, plan: &Plan, hushed: bool, events: &Events) -> Asked {
        let wait = Duration::from_millis(50);
        if !self.raw {
            std::thread::sleep(wait);
            return Asked::Nothing;
        }
        let mut first = true;
        while event::poll(if first { wait } else { Duration::ZERO }).unwrap_or(false) {
            first = false;
            if let Ok(Event::Key(key)) = event::read()
                && key.kind == KeyEventKind::Press
                && self.key(key, plan, hushed, events) == Asked::End
            {
                return Asked::End;
            }
        }
        Asked::Nothing
    }

    fn key(&mut self, key: KeyEvent, plan: &Plan, hushed: bool, events: &Events) -> Asked {
        if key.modifiers.contains(KeyModifiers::CONTROL) {
            return if key.code == KeyCode::Char('c') { Asked::End } else { Asked::Nothing };
        }
        let now = Instant::now();
        let repeated = self.last.is_some_and(|(code, at)| code == key.code && now.duration_since(at) < REPEAT);
        self.last = Some((key.code, now));
        let name = name(key.code);
        // The piece's own keys come before anything else.
        if let Some(gestures) = name.as_deref().and_then(|name| self.keys.tap(name)) {
            if !repeated {
                gestures.into_iter().for_each(|gesture| {
                    events.gesture(gesture, Who::Terminal);
                });
            }
            return Asked::Nothing;
        }
        match key.code {
            KeyCode::PageDown if !repeated => {
                events.gesture(Gesture::Next, Who::Terminal);
            }
            KeyCode::PageUp if !repeated => {
                events.gesture(Gesture::Back, Who::Terminal);
            }
            KeyCode::Esc if !repeated => {
                events.gesture(Gesture::Hush(!hushed), Who::Terminal);
            }
            KeyCode::Backspace => {
                self.typed.pop();
            }
            KeyCode::Enter => self.confirm(plan, events),
            KeyCode::Char(c) => self.typed.push(c),
            _ => {}
        }
        Asked::Nothing
    }

    fn confirm(&mut self, plan: &Plan, events: &Events) {
        let typed = std::mem::take(&mut self.typed);
        if typed.is_empty() {
            return;
        }
        match plan.scenes.iter().position(|scene| scene.mark == typed) {
            Some(index) => {
                events.gesture(Gesture::Fire(SceneId::new(index)), Who::Terminal);
            }
            None => self.say(loading::no_mark(plan, &typed)),
        }
    }

    /// Shows a few words on the status line for a while.
    pub fn say(&mut self, words: String) {
        self.said = Some((words, Instant::now()));
    }

    /// Shows the status line, on a terminal only.
    pub fn show(&mut self, status: &str) {
        if !self.raw {
            return;
        }
        self.said.take_if(|(_, since)| since.elapsed() > Duration::from_secs(4));
        let said = self.said.as_ref().map_or("", |(words, _)| words);
        let typed =
            if self.typed.is_empty() { String::new() } else { format!("mark: {} (Enter fires it)", self.typed) };
        let line = [status, said, &typed].into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join("   ");
        let width = terminal::size().map_or(80, |(columns, _)| usize::from(columns)).saturating_sub(1);
        let line: String = line.chars().take(width).collect();
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
        if self.raw {
            let _ = terminal::disable_raw_mode();
            say("");
        }
    }
}

/// The name of a key's value in the W3C UI Events standard.
pub fn name(code: KeyCode) -> Option<String> {
    let name = match code {
        KeyCode::Backspace => "Backspace",
        KeyCode::Enter => "Enter",
        KeyCode::Left => "ArrowLeft",
        KeyCode::Right => "ArrowRight",
        KeyCode::Up => "ArrowUp",
        KeyCode::Down => "ArrowDown",
        KeyCode::Home => "Home",
        KeyCode::End => "End",
        KeyCode::PageUp => "PageUp",
        KeyCode::PageDown => "PageDown",
        KeyCode::Tab => "Tab",
        KeyCode::Delete => "Delete",
        KeyCode::Insert => "Insert",
        KeyCode::Esc => "Escape",
        KeyCode::F(number) => return Some(format!("F{number}")),
        KeyCode::Char(c) => return Some(c.to_string()),
        _ => return None,
    };
    Some(name.to_owned())
}

/// Scene, time in the scene, loudest mic, late blocks.
pub fn status(plan: &Plan, snapshot: &Snapshot, load: &Load, rate: u32, sample: u64) -> String {
    let mut parts = Vec::new();
    if let Some((scene, since)) = snapshot.scene
        && let Some(scene) = plan.scenes.get(scene.index())
    {
        let seconds = sample.saturating_sub(since) / u64::from(rate.max(1));
        let title = scene.name.as_ref().map_or_else(String::new, |name| format!(" {name}"));
        parts.push(format!("{}{title}  {}:{:02}", scene.mark, seconds / 60, seconds % 60));
    }
    if snapshot.hushed {
        parts.push("HUSHED".to_owned());
    }
    let loudest = plan.mics.iter().zip(&snapshot.mics).max_by(|a, b| a.1.rms.total_cmp(&b.1.rms));
    if let Some((mic, meter)) = loudest {
        let db = 20.0 * meter.rms.log10();
        parts.push(if db > -70.0 { format!("{} {db:.0} dB", mic.name) } else { "mics silent".to_owned() });
    }
    parts.push(match load.late {
        0 => "no late blocks".to_owned(),
        late => format!("{late} late"),
    });
    parts.join("   ")
}

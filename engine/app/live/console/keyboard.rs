//! What the keys of the terminal mean. Time comes with each key, so that all of it can be tested.

use std::time::{Duration, Instant};

use crossterm::event::{KeyCode, KeyEvent, KeyEventKind, KeyModifiers};
use tenterhook_plan::{EngineState, Gesture, Keys, Plan};

use crate::loading;

/// Where a terminal tells no releases, a key that comes again within this time is held down, not pressed twice.
const REPEAT: Duration = Duration::from_millis(650);
/// Where it does, two presses within this time are one: the guard that pedals have.
const AGAIN: Duration = Duration::from_millis(400);
/// A key that hushed releases nothing for so long: who hushes in trouble presses more than once.
const HUSHED: Duration = Duration::from_millis(600);
/// What was typed and not confirmed goes after this time.
const FORGOTTEN: Duration = Duration::from_secs(10);

/// What a key asks for.
#[derive(Debug, PartialEq)]
pub enum KeyAct {
    /// A gesture.
    Gesture(Gesture),
    /// Words for whoever typed.
    Say(String),
    /// To end the run.
    End,
}

/// The keys: which are held, what is being typed.
pub struct Keyboard {
    keys: Keys,
    /// Whether the terminal tells when a key comes up.
    releases: bool,
    typed: String,
    /// When the last letter was typed.
    typed_at: Option<Instant>,
    last: Option<(KeyCode, Instant)>,
    /// The piece's own keys that are down.
    held: Vec<String>,
    /// The last key dropped what was typed.
    dropped: bool,
    /// When a key hushed.
    hushed_at: Option<Instant>,
}

impl Keyboard {
    /// The keys of a piece.
    pub fn new(plan: &Plan, releases: bool) -> Self {
        Self {
            keys: Keys::of(plan),
            releases,
            typed: String::new(),
            typed_at: None,
            last: None,
            held: Vec::new(),
            dropped: false,
            hushed_at: None,
        }
    }

    /// A changed piece has taken over: its own keys are other ones. What is held down goes on, and is let go when it comes up.
    pub fn change(&mut self, plan: &Plan) {
        self.keys = Keys::of(plan);
        self.held.retain(|key| self.keys.has(key));
    }

    /// What has been typed of a mark by `now`.
    pub fn typed(&mut self, now: Instant) -> &str {
        if self.typed_at.is_some_and(|at| now.duration_since(at) >= FORGOTTEN) {
            self.typed.clear();
            self.typed_at = None;
        }
        &self.typed
    }

    /// A key went down, came again or came up.
    pub fn key(&mut self, key: KeyEvent, now: Instant, state: &EngineState) -> Vec<KeyAct> {
        self.typed(now);
        match key.kind {
            KeyEventKind::Release => self.up(key.code),
            KeyEventKind::Repeat if self.is_editing(key.code) => self.edit(key.code, now, state),
            KeyEventKind::Repeat => Vec::new(),
            KeyEventKind::Press => self.down(key, now, state),
        }
    }

    /// The terminal has lost the keyboard: of what comes up now nothing will be told.
    pub fn let_go(&mut self) -> Vec<KeyAct> {
        let held = std::mem::take(&mut self.held);
        held.iter().flat_map(|key| self.keys.up(key)).map(KeyAct::Gesture).collect()
    }

    fn down(&mut self, key: KeyEvent, now: Instant, state: &EngineState) -> Vec<KeyAct> {
        if key.modifiers.contains(KeyModifiers::CONTROL) {
            return if key.code == KeyCode::Char('c') { vec![KeyAct::End] } else { Vec::new() };
        }
        let guard = if self.releases { AGAIN } else { REPEAT };
        let repeated = self.last.is_some_and(|(code, at)| code == key.code && now.duration_since(at) < guard);
        self.last = Some((key.code, now));
        let dropped = std::mem::take(&mut self.dropped);
        // The piece's own keys come before anything else.
        if let Some(name) = name(key.code).filter(|name| self.keys.has(name)) {
            return self.own(name, repeated, state);
        }
        match key.code {
            KeyCode::PageDown if !repeated => vec![KeyAct::Gesture(Gesture::Next)],
            KeyCode::PageUp if !repeated => vec![KeyAct::Gesture(Gesture::Back)],
            KeyCode::Esc => self.escape(repeated, dropped, now, state.hushed),
            code => self.edit(code, now, state),
        }
    }

    /// A key that the piece gives to a controller.
    fn own(&mut self, name: String, repeated: bool, state: &EngineState) -> Vec<KeyAct> {
        if self.releases {
            let down = self.keys.down(&name);
            self.held.push(name);
            return down.into_iter().map(KeyAct::Gesture).collect();
        }
        if repeated {
            return Vec::new();
        }
        let gestures = self.keys.press(&name, |id| state.controllers.get(id.index()).copied().unwrap_or_default());
        gestures.into_iter().map(KeyAct::Gesture).collect()
    }

    fn up(&mut self, code: KeyCode) -> Vec<KeyAct> {
        let Some(name) = name(code) else { return Vec::new() };
        // Shift may have come up before its letter.
        let Some(place) = self.held.iter().position(|held| held.to_lowercase() == name.to_lowercase()) else {
            return Vec::new();
        };
        let held = self.held.swap_remove(place);
        self.keys.up(&held).into_iter().map(KeyAct::Gesture).collect()
    }

    /// First drops what is typed; then hushes, at once; and releases, but not what was hushed just now.
    fn escape(&mut self, repeated: bool, dropped: bool, now: Instant, hushed: bool) -> Vec<KeyAct> {
        if !self.typed.is_empty() {
            self.typed.clear();
            self.dropped = true;
            return Vec::new();
        }
        // A press that the terminal tells is one: only where it cannot tell may it be a key that is held.
        let held = repeated && !self.releases;
        if self.hushed_at.is_some_and(|at| now.duration_since(at) < HUSHED) {
            return Vec::new();
        }
        if hushed {
            return if held { Vec::new() } else { vec![KeyAct::Gesture(Gesture::Hush(false))] };
        }
        if held && !dropped {
            return Vec::new();
        }
        self.hushed_at = Some(now);
        vec![KeyAct::Gesture(Gesture::Hush(true))]
    }

    fn is_editing(&self, code: KeyCode) -> bool {
        matches!(code, KeyCode::Backspace | KeyCode::Char(_)) && name(code).is_none_or(|name| !self.keys.has(&name))
    }

    fn edit(&mut self, code: KeyCode, now: Instant, state: &EngineState) -> Vec<KeyAct> {
        match code {
            KeyCode::Backspace => {
                self.typed.pop();
            }
            KeyCode::Char(letter) => {
                self.typed.push(letter);
                self.typed_at = Some(now);
            }
            KeyCode::Enter => return self.confirm(&state.plan),
            _ => {}
        }
        Vec::new()
    }

    fn confirm(&mut self, plan: &Plan) -> Vec<KeyAct> {
        let typed = std::mem::take(&mut self.typed);
        if typed.is_empty() {
            return Vec::new();
        }
        vec![match plan.scene_marked(&typed) {
            Some(scene) => KeyAct::Gesture(Gesture::Fire(scene)),
            None => KeyAct::Say(loading::no_mark(plan, &typed)),
        }]
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

#[cfg(test)]
mod tests;

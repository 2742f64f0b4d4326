use std::sync::Arc;
use std::time::{Duration, Instant};

use crossterm::event::{KeyCode, KeyEvent, KeyEventKind, KeyModifiers};
use tenterhook_plan::{ControllerId, EngineState, Gesture, Plan, SceneId};

use super::{KeyAct, Keyboard};

const PIECE: &str = r#"
mics = { voice = 1 }
outputs = { left = 1 }
next = "step"
[controllers]
hold = { key = "h" }
step = { key = "n" }
turn = { key = "t", latch = true }
[[scene]]
mark = "A"
mic.voice.freeze = { by = "hold" }
mic.voice.reverse = { by = "turn" }
[[scene]]
mark = "Bridge"
[[scene]]
mark = "c"
[[scene]]
mark = "C"
[[scene]]
mark = "Da"
[[scene]]
mark = "dA"
"#;

fn plan(piece: &str) -> Plan {
    tenterhook_config::check(&tenterhook_config::Text::new("piece.toml", piece), None).unwrap().plan
}

/// Someone at the keys: what they press, and when, in milliseconds.
struct Typist {
    state: EngineState,
    keyboard: Keyboard,
    began: Instant,
}

impl Typist {
    fn new(releases: bool) -> Self {
        let plan = plan(PIECE);
        let keyboard = Keyboard::new(&plan, releases);
        Self { state: EngineState::new(Arc::new(plan)), keyboard, began: Instant::now() }
    }

    fn key(&mut self, code: KeyCode, kind: KeyEventKind, ms: u64) -> Vec<KeyAct> {
        let key = KeyEvent::new_with_kind(code, KeyModifiers::NONE, kind);
        let acts = self.keyboard.key(key, self.began + Duration::from_millis(ms), &self.state);
        for act in &acts {
            match act {
                KeyAct::Gesture(Gesture::Hush(hushed)) => self.state.hushed = *hushed,
                KeyAct::Gesture(Gesture::Controller { id, value }) => self.state.controllers[id.index()] = *value,
                _ => {}
            }
        }
        acts
    }

    fn press(&mut self, code: KeyCode, ms: u64) -> Vec<KeyAct> {
        self.key(code, KeyEventKind::Press, ms)
    }

    fn types(&mut self, text: &str, ms: u64) {
        for letter in text.chars() {
            assert_eq!(self.press(KeyCode::Char(letter), ms), []);
        }
    }

    fn typed(&mut self, ms: u64) -> String {
        self.keyboard.typed(self.began + Duration::from_millis(ms)).to_owned()
    }
}

fn hush(hushed: bool) -> Vec<KeyAct> {
    vec![KeyAct::Gesture(Gesture::Hush(hushed))]
}

fn fire(scene: u16) -> Vec<KeyAct> {
    vec![KeyAct::Gesture(Gesture::Fire(SceneId(scene)))]
}

fn value(id: u16, value: f32) -> KeyAct {
    KeyAct::Gesture(Gesture::Controller { id: ControllerId(id), value })
}

#[test]
fn escape_drops_what_is_typed_and_the_next_hushes_however_soon() {
    for releases in [false, true] {
        let mut typist = Typist::new(releases);
        typist.types("Br", 0);
        assert_eq!(typist.press(KeyCode::Esc, 100), [], "it hushed what it should have dropped");
        assert_eq!(typist.typed(100), "");
        if releases {
            // A key that stays down is one press, whatever the keyboard repeats.
            assert_eq!(typist.key(KeyCode::Esc, KeyEventKind::Repeat, 110), []);
            assert_eq!(typist.key(KeyCode::Esc, KeyEventKind::Release, 115), []);
        }
        assert_eq!(typist.press(KeyCode::Esc, 120), hush(true));
        assert_eq!(typist.press(KeyCode::Enter, 2000), [], "the mark stayed armed");
    }
}

#[test]
fn an_escape_that_hushed_releases_nothing_for_a_while() {
    for releases in [false, true] {
        let mut typist = Typist::new(releases);
        assert_eq!(typist.press(KeyCode::Esc, 0), hush(true));
        for ms in [50, 300, 599] {
            assert_eq!(typist.press(KeyCode::Esc, ms), [], "released after {ms} ms");
        }
        // Where only repeats tell that a key is held, a press right after the last could be one.
        let after = if releases { 600 } else { 599 + 650 };
        assert_eq!(typist.press(KeyCode::Esc, after), hush(false), "released no sooner than after {after} ms");
    }
    // The hush may have come by another hand: then a press is a press.
    let mut typist = Typist::new(true);
    typist.state.hushed = true;
    assert_eq!(typist.press(KeyCode::Esc, 0), hush(false));
    assert_eq!(typist.press(KeyCode::Esc, 10), hush(true), "hushing waits for nothing where presses are told");
}

#[test]
fn an_escape_held_down_where_nothing_tells_it_hushes_once() {
    let mut typist = Typist::new(false);
    assert_eq!(typist.press(KeyCode::Esc, 0), hush(true));
    for ms in (500..3000).step_by(33) {
        assert_eq!(typist.press(KeyCode::Esc, ms), [], "at {ms} ms");
    }
    assert!(typist.state.hushed);
}

#[test]
fn what_is_typed_goes_by_itself() {
    let mut typist = Typist::new(false);
    typist.types("Bri", 0);
    assert_eq!(typist.typed(9_999), "Bri");
    typist.types("d", 9_999);
    assert_eq!(typist.typed(19_998), "Brid");
    assert_eq!(typist.typed(20_000), "");
    assert_eq!(typist.press(KeyCode::Enter, 20_001), []);
    // Whether or not anybody looked meanwhile.
    typist.types("Bridge", 30_000);
    assert_eq!(typist.press(KeyCode::Enter, 40_000), [], "a mark of long ago was fired");
}

#[test]
fn backspace_takes_one_letter_away_and_goes_on_while_it_is_held() {
    for releases in [false, true] {
        let mut typist = Typist::new(releases);
        typist.types("Brix", 0);
        assert_eq!(typist.press(KeyCode::Backspace, 100), []);
        assert_eq!(typist.typed(100), "Bri");
        // A terminal that tells releases tells of repeats as such.
        let again = if releases { KeyEventKind::Repeat } else { KeyEventKind::Press };
        for (ms, left) in [(600, "Br"), (633, "B"), (666, ""), (700, "")] {
            assert_eq!(typist.key(KeyCode::Backspace, again, ms), []);
            assert_eq!(typist.typed(ms), left, "{releases}");
        }
    }
}

#[test]
fn with_control_nothing_is_typed_and_nothing_fires_and_c_ends() {
    let mut typist = Typist::new(false);
    for letter in ['a', 'h', 'n', 't', 'l'] {
        let key = KeyEvent::new(KeyCode::Char(letter), KeyModifiers::CONTROL);
        assert_eq!(typist.keyboard.key(key, typist.began, &typist.state), [], "{letter}");
    }
    assert_eq!(typist.typed(0), "");
    let key = KeyEvent::new(KeyCode::Char('c'), KeyModifiers::CONTROL);
    assert_eq!(typist.keyboard.key(key, typist.began, &typist.state), [KeyAct::End]);
}

#[test]
fn a_mark_is_known_without_its_case_where_only_one_is_meant() {
    let mut typist = Typist::new(false);
    for (typed, scene) in [("bridge", 1), ("BRIDGE", 1), ("a", 0), ("c", 2), ("C", 3)] {
        typist.types(typed, 0);
        assert_eq!(typist.press(KeyCode::Enter, 0), fire(scene), "{typed}");
    }
    for typed in ["d", "da", "DA"] {
        typist.types(typed, 0);
        let said = typist.press(KeyCode::Enter, 0);
        let words = format!("there is no mark `{typed}`");
        assert!(matches!(&said[..], [KeyAct::Say(said)] if said.contains(&words)), "{said:?}");
    }
}

#[test]
fn where_releases_are_told_held_is_held() {
    let mut typist = Typist::new(true);
    assert_eq!(typist.press(KeyCode::Char('h'), 0), [value(0, 1.0)]);
    assert_eq!(typist.key(KeyCode::Char('h'), KeyEventKind::Repeat, 500), []);
    // With Shift by then.
    assert_eq!(typist.key(KeyCode::Char('H'), KeyEventKind::Release, 900), [value(0, 0.0)]);
    typist.press(KeyCode::Char('h'), 2000);
    assert_eq!(typist.keyboard.let_go(), [value(0, 0.0)], "the keyboard went elsewhere");
    assert_eq!(typist.key(KeyCode::Char('h'), KeyEventKind::Release, 2500), []);
}

#[test]
fn a_key_that_is_held_while_a_saved_piece_takes_over_is_let_go_when_it_comes_up() {
    let mut typist = Typist::new(true);
    typist.press(KeyCode::Char('h'), 0);
    // The piece's controllers have other places by then.
    let piece = PIECE
        .replace("hold = {", "new = { key = \"x\" }\nhold = {")
        .replace("\"hold\" }", "\"hold\", level = \"-6 dB\" }");
    typist.keyboard.change(&plan(
        &piece.replace(
            "[[scene]]\nmark = \"Bridge\"",
            "mic.voice.direct = { by = \"new\" }\n[[scene]]\nmark = \"Bridge\"",
        ),
    ));
    assert_eq!(typist.key(KeyCode::Char('h'), KeyEventKind::Release, 900), [value(1, 0.0)], "it sounds on for ever");
    // Who has no such key any more lets nothing go by it.
    let mut typist = Typist::new(true);
    typist.press(KeyCode::Char('h'), 0);
    typist.keyboard.change(&plan(&PIECE.replace("hold = { key = \"h\" }", "hold = { key = \"y\" }")));
    assert_eq!(typist.key(KeyCode::Char('h'), KeyEventKind::Release, 900), []);
    assert_eq!(typist.keyboard.let_go(), []);
}

#[test]
fn elsewhere_a_press_turns_it_over() {
    let mut typist = Typist::new(false);
    assert_eq!(typist.press(KeyCode::Char('h'), 0), [value(0, 1.0)]);
    assert_eq!(typist.press(KeyCode::Char('h'), 500), [], "the keyboard's own repeat");
    assert_eq!(typist.press(KeyCode::Char('h'), 2000), [value(0, 0.0)]);
    // It was moved by another hand meanwhile.
    typist.state.controllers[0] = 0.7;
    assert_eq!(typist.press(KeyCode::Char('h'), 4000), [value(0, 0.0)]);
    assert_eq!(typist.press(KeyCode::Char('n'), 4000), [value(1, 1.0), value(1, 0.0)]);
    let press = |down| KeyAct::Gesture(Gesture::Press { id: ControllerId(2), down });
    assert_eq!(typist.press(KeyCode::Char('t'), 4000), [press(true), press(false)]);
}

#[test]
fn a_page_key_that_comes_again_at_once_fires_once() {
    for (releases, again) in [(false, 640), (true, 390)] {
        let mut typist = Typist::new(releases);
        assert_eq!(typist.press(KeyCode::PageDown, 0), [KeyAct::Gesture(Gesture::Next)]);
        assert_eq!(typist.press(KeyCode::PageDown, again), []);
        assert_eq!(typist.press(KeyCode::PageDown, again + 660), [KeyAct::Gesture(Gesture::Next)]);
    }
}

#[test]
fn a_key_that_two_controllers_share_moves_both() {
    let shared = PIECE
        .replace("hold = {", "tap = { like = \"hold\", latch = true }\nhold = {")
        .replace("mark = \"Bridge\"", "mark = \"Bridge\"\nmic.voice.direct = { by = \"tap\" }");
    let press = |down| KeyAct::Gesture(Gesture::Press { id: ControllerId(0), down });
    let mut typist = Typist::new(true);
    typist.keyboard.change(&plan(&shared));
    assert_eq!(typist.press(KeyCode::Char('h'), 0), [press(true), value(1, 1.0)]);
    assert_eq!(typist.key(KeyCode::Char('h'), KeyEventKind::Release, 900), [press(false), value(1, 0.0)]);
    // Where no release is told a press turns each over.
    let mut typist = Typist::new(false);
    typist.keyboard.change(&plan(&shared));
    assert_eq!(typist.press(KeyCode::Char('h'), 0), [press(true), press(false), value(1, 1.0)]);
    assert_eq!(typist.press(KeyCode::Char('h'), 2000), [press(true), press(false), value(1, 0.0)]);
}

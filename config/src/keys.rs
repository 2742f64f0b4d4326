//! The names of keys.

use serde_json::{Value, json};

/// Named values of a key that people can press on a stage: UI Events KeyboardEvent key Values, W3C (the tables of
/// whitespace, navigation, editing, user interface, function, multimedia, audio and browser keys; keys that only change
/// others, such as Shift, are left out: they send nothing of their own to a terminal).
const NAMED: &[&str] = &[
    "Enter",
    "Tab",
    "ArrowDown",
    "ArrowLeft",
    "ArrowRight",
    "ArrowUp",
    "End",
    "Home",
    "PageDown",
    "PageUp",
    "Backspace",
    "Clear",
    "Copy",
    "Cut",
    "Delete",
    "Insert",
    "Paste",
    "Redo",
    "Undo",
    "Accept",
    "Again",
    "Cancel",
    "ContextMenu",
    "Escape",
    "Execute",
    "Find",
    "Help",
    "Pause",
    "Play",
    "Props",
    "Select",
    "ZoomIn",
    "ZoomOut",
    "PrintScreen",
    "F1",
    "F2",
    "F3",
    "F4",
    "F5",
    "F6",
    "F7",
    "F8",
    "F9",
    "F10",
    "F11",
    "F12",
    "F13",
    "F14",
    "F15",
    "F16",
    "F17",
    "F18",
    "F19",
    "F20",
    "F21",
    "F22",
    "F23",
    "F24",
    "MediaFastForward",
    "MediaPause",
    "MediaPlay",
    "MediaPlayPause",
    "MediaRecord",
    "MediaRewind",
    "MediaStop",
    "MediaTrackNext",
    "MediaTrackPrevious",
    "AudioVolumeDown",
    "AudioVolumeUp",
    "AudioVolumeMute",
    "BrowserBack",
    "BrowserForward",
];

/// What people write, too far from the standard's name for its letters to tell.
const ALIASES: &[(&str, &str)] = &[
    ("space", " "),
    ("spacebar", " "),
    ("esc", "Escape"),
    ("return", "Enter"),
    ("up", "ArrowUp"),
    ("down", "ArrowDown"),
    ("left", "ArrowLeft"),
    ("right", "ArrowRight"),
    ("pgup", "PageUp"),
    ("pgdn", "PageDown"),
    ("pgdown", "PageDown"),
    ("del", "Delete"),
    ("ins", "Insert"),
];

/// Whether this is the value of a key: one of the names of the W3C UI Events standard, or the one character that it types.
pub(crate) fn is_key(name: &str) -> bool {
    let mut chars = name.chars();
    match (chars.next(), chars.next()) {
        (Some(c), None) => !c.is_control(),
        _ => NAMED.contains(&name),
    }
}

/// What [`is_key`] takes, as a JSON Schema.
pub(crate) fn schema() -> Value {
    json!({ "type": "string", "anyOf": [{ "enum": NAMED }, { "pattern": r"^[^\u0000-\u001f\u007f-\u009f]$" }] })
}

/// What to write instead of a name that is no key's.
pub(crate) fn remedy(name: &str) -> String {
    let lower = name.to_lowercase();
    let alias = ALIASES.iter().find(|(alias, _)| *alias == lower).map(|(_, key)| *key);
    match alias.or_else(|| crate::near::nearest(name, NAMED.iter().copied())) {
        Some(key) => format!("did you mean \"{key}\"?"),
        None => {
            "write the character it types, as in \"n\", or a name as in \"PageDown\", \"ArrowLeft\", \"F5\"".to_owned()
        }
    }
}

//! The protocol between the page and the server, version 1.
//!
//! Over the WebSocket at `/socket` the server sends text frames, each a JSON object with one key: `piece` first and
//! whenever the piece changes (see [`score`](crate::score)), then `now` on every change, at most 30 times a second:
//! always the whole state, so that whoever comes back knows everything; `history` after each piece, the loudness of the
//! last 20 s; `error` to whoever asked for something that was refused. Binary frames are meters (see
//! [`frame`](crate::frame)).
//!
//! ```json
//! {"now": {
//!   "sample": 123456, "scene": 0, "since": 96000, "hushed": false, "controllers": [0.0, 0.4],
//!   "effects": ["out", "ready", "waits", "moves", "on", "broken"], "level_db": 0.0, "levels_db": [0.0, -3.0], "muted": [false],
//!   "words": [{"kind": "late", "grave": true, "text": "2 late blocks in the last 10 s"}],
//!   "learning": {"controller": "foot", "listens": true, "text": "press the pedal and let it go"}
//! }}
//! {"history": {"from_slot": 1234, "slots_a_second": 10, "mics": [[-62, -60]]}}
//! {"error": "there is no mark `Z` in this piece"}
//! ```
//! `sample` is the engine's when this was looked at, `since` the first of the scene. An effect is not in the scene, at
//! rest, waits for its controller to come to rest, waits for that or for a move of it, sounds, or
//! broke and is silent ([`Stands`]). -120 dB is silence. A slot of the history holds the greatest root of the mean square of
//! a tenth of a second, in whole dBFS; later slots the page makes from the meters.
//!
//! `learning` is null unless somebody learns, or just has learned (then it no longer listens), what reaches a controller.
//!
//! The page sends text frames of at most [`MOST_BYTES`] bytes, each an [`Ask`].

use serde::{Deserialize, Serialize};
use serde_json::json;
use tenterhook_plan::{Plan, Stands};

use crate::stand::Stand;

/// The version of the protocol.
pub const VERSION: u8 = 1;
/// The most bytes of one message from a page.
pub const MOST_BYTES: usize = 4096;

/// What a page asks for.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[serde(tag = "do", rename_all = "lowercase", deny_unknown_fields)]
pub enum Ask {
    /// A scene is to start, if the one in force is still that which was seen: a double tap fires once.
    Fire {
        /// Its rehearsal mark.
        mark: String,
        /// The mark of the scene that was in force when the finger came down.
        #[serde(rename = "in")]
        seen: String,
    },
    /// Everything processed is to fall silent, or may sound again.
    Hush {
        /// Silent.
        on: bool,
    },
    /// A controller is moved.
    Controller {
        /// Its name.
        name: String,
        /// Its value, 0...1.
        value: f32,
    },
    /// The switch of a latched controller goes down or comes up.
    Press {
        /// Its name.
        name: String,
        /// Down.
        down: bool,
    },
    /// A key goes down or comes up that the piece gives to a controller.
    Key {
        /// The key's value by its name in the W3C UI Events standard.
        key: String,
        /// Down.
        down: bool,
    },
    /// A level is moved.
    Level {
        /// The name of the output; none: all together.
        output: Option<String>,
        /// In dB; -120 is silence.
        db: f32,
    },
    /// A mic is shut off, or let in again.
    Mute {
        /// Its name.
        mic: String,
        /// Shut off.
        on: bool,
    },
    /// Clips, held peaks and what was heard are counted from now on.
    Reset {},
    /// What reaches a controller is to be learned from the next thing that somebody works.
    Learn {
        /// Its name; none: nothing is to be learned any more.
        name: Option<String>,
    },
    /// Whose page this is.
    Part {
        /// The name of the mic; none: nobody's.
        mic: Option<String>,
    },
}

fn place(stands: Stands) -> &'static str {
    match stands {
        Stands::Out => "out",
        Stands::Ready => "ready",
        Stands::Waits => "waits",
        Stands::WaitsOrMoves => "moves",
        Stands::On => "on",
        Stands::Broken => "broken",
    }
}

/// The state, as JSON.
pub(crate) fn now(stand: &Stand) -> String {
    let effects: Vec<_> = stand.effects.iter().map(|stands| place(*stands)).collect();
    json!({ "now": {
        "sample": stand.sample, "scene": stand.scene.index(), "since": stand.since, "hushed": stand.hushed,
        "controllers": stand.controllers, "effects": effects, "level_db": stand.level_db,
        "levels_db": stand.levels_db, "muted": stand.muted, "words": stand.words, "learning": stand.learning,
    }})
    .to_string()
}

/// What was refused, as JSON.
pub(crate) fn error(words: &str) -> String {
    json!({ "error": words }).to_string()
}

/// The loudness of the last seconds, as JSON: of each mic whole decibels.
pub(crate) fn history(from_slot: u64, slots_a_second: u64, mics: &[Vec<i8>]) -> String {
    #[derive(Serialize)]
    struct History<'a> {
        from_slot: u64,
        slots_a_second: u64,
        mics: &'a [Vec<i8>],
    }
    json!({ "history": History { from_slot, slots_a_second, mics } }).to_string()
}

/// The mark of the scene in force.
pub(crate) fn mark<'a>(plan: &'a Plan, stand: &Stand) -> Option<&'a str> {
    plan.scenes.get(stand.scene.index()).map(|scene| scene.mark.as_str())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_protocol_does_not_know_is_refused() {
        let read = |text: &str| serde_json::from_str::<Ask>(text);
        assert_eq!(read(r#"{"do":"hush","on":true}"#).unwrap(), Ask::Hush { on: true });
        assert_eq!(read(r#"{"do":"reset"}"#).unwrap(), Ask::Reset {});
        for wrong in [
            "",
            "1",
            "[]",
            "{}",
            r#"{"do":"hush"}"#,
            r#"{"do":"hush","on":1}"#,
            r#"{"do":"hush","on":true,"more":1}"#,
            r#"{"do":"explode"}"#,
            r#"{"do":"controller","name":"foot","value":NaN}"#,
            r#"{"do":"controller","name":"foot","value":"1"}"#,
        ] {
            assert!(read(wrong).is_err(), "{wrong}");
        }
    }
}

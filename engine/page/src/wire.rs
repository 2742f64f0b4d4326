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
//!   "effects": ["out", "ready", "waits", "moves", "hushed", "on", "nothing", "full", "broken"],
//!   "whys": [null, null, "waits for rest", "waits for rest", "hushed", null, "nothing was sounding", "memory full", "failed"],
//!   "level_db": 0.0, "levels_db": [0.0, -3.0], "trims_db": [0.0], "muted": [false],
//!   "words": [{"topic": "late-blocks", "subject": null, "grave": true, "text": "2 late blocks in the last 10 s"}],
//!   "learning": {"controller": "foot", "listens": true, "text": "press the pedal and let it go"},
//!   "kept": "Written in the hall file: \"voice.freeze\" = \"-3 dB\"."
//! }}
//! {"history": {"from_slot": 1234, "slots_a_second": 10, "mics": [[-62, -60]]}}
//! {"error": "there is no mark `Z` in this piece"}
//! ```
//! `sample` is the engine's when this was looked at, `since` the first of the scene. An effect is not in the scene, at
//! rest, waits for its controller to come to rest, waits for that or for a move of it, is hushed, sounds, sounds though
//! nothing was sounding or its memory is full, or broke and is silent ([`EffectState`]); `whys` says why it does not do what
//! was asked, if it does not. -120 dB is silence. A slot of the history holds the greatest root of the mean square of
//! a tenth of a second, in whole dBFS; later slots the page makes from the meters.
//!
//! `kept` is null unless levels were just written into the hall file, or could not be; `trims_db` are the levels of effects,
//! in the order of the piece's `trims`.
//!
//! `learning` is null unless somebody learns, or just has learned (then it no longer listens), what reaches a controller.
//!
//! The page sends text frames of at most [`MOST_BYTES`] bytes, each an [`Ask`].

use std::sync::Arc;

use serde::{Deserialize, Serialize};
use serde_json::json;
use tenterhook_plan::condition::Condition;
use tenterhook_plan::run_state::Learning;
use tenterhook_plan::{EffectState, EngineState, Lack, RunState};

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
    /// The level of the effects of one name is moved.
    Trim {
        /// The name of their mic or group.
        owner: String,
        /// Their key there.
        key: String,
        /// In dB, -24...6.
        db: f32,
    },
    /// The levels of effects as they stand now are to be written into the hall file.
    Keep {},
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

fn place(stands: EffectState) -> &'static str {
    match stands {
        EffectState::Out => "out",
        EffectState::Ready => "ready",
        EffectState::Waits => "waits",
        EffectState::WaitsOrMoves => "moves",
        EffectState::Hushed => "hushed",
        EffectState::On => "on",
        EffectState::Lacks(Lack::NothingSounded) => "nothing",
        EffectState::Lacks(Lack::MemoryFull) => "full",
        EffectState::Broken => "broken",
    }
}

/// Says what a condition is, for a person.
pub type Words = fn(&Condition) -> String;

/// What changes while a piece is played.
#[derive(Serialize)]
struct Now<'a> {
    sample: u64,
    scene: usize,
    since: u64,
    hushed: bool,
    controllers: &'a [f32],
    effects: Vec<&'static str>,
    whys: Vec<Option<&'static str>>,
    level_db: f32,
    levels_db: &'a [f32],
    trims_db: &'a [f32],
    muted: &'a [bool],
    words: Vec<Word<'a>>,
    learning: Option<Learns<'a>>,
    kept: Option<&'a str>,
}

/// Something that one must know.
#[derive(Serialize)]
struct Word<'a> {
    topic: &'static str,
    subject: Option<&'a str>,
    grave: bool,
    text: String,
}

/// How learning stands.
#[derive(Serialize)]
struct Learns<'a> {
    controller: &'a str,
    listens: bool,
    text: &'a str,
}

impl<'a> Now<'a> {
    /// All that a run knows of itself is shown, or it says here why not.
    fn of(state: &'a RunState, words: Words) -> Self {
        let RunState { engine, sample, conditions, learning, kept, blocks: _, late: _, device: _, log: _, taken_up: _ } =
            state;
        let EngineState {
            scene,
            hushed,
            controllers,
            effects,
            level_db,
            levels_db,
            trims_db,
            muted,
            // The piece is told apart from what changes.
            plan: _,
            // Conditions tell of these.
            turned: _,
            broken: _,
            events_lost: _,
            applied_lost: _,
        } = &**engine;
        let word = |one: &'a Condition| {
            let Condition { topic, subject, grave, since: _ } = one;
            Word { topic: topic.name(), subject: subject.as_deref(), grave: *grave, text: words(one) }
        };
        let mut words: Vec<_> = conditions.iter().map(word).collect();
        words.sort_by_key(|word| !word.grave);
        let learns = |learning: &'a Arc<Learning>| {
            let Learning { controller, listens, text } = &**learning;
            Learns { controller, listens: *listens, text }
        };
        Self {
            sample: *sample,
            scene: engine.scene_id().index(),
            since: scene.map_or(0, |(_, since)| since),
            hushed: *hushed,
            controllers,
            effects: effects.iter().map(|stands| place(*stands)).collect(),
            whys: effects.iter().map(|stands| stands.why_not()).collect(),
            level_db: *level_db,
            levels_db,
            trims_db,
            muted,
            words,
            learning: learning.as_ref().map(learns),
            kept: kept.as_deref(),
        }
    }
}

/// The state, as JSON.
pub(crate) fn now(state: &RunState, words: Words) -> String {
    json!({ "now": Now::of(state, words) }).to_string()
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
pub(crate) fn mark(state: &EngineState) -> Option<&str> {
    state.plan.scenes.get(state.scene_id().index()).map(|scene| scene.mark.as_str())
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

//! Players: whom a piece is written for, where a handbook would say otherwise.

use super::fields::{self, Fields};
use super::value::{Item, NameShape, Shape, TextShape, defined};
use super::{At, Said};
use crate::kind::Kind;
use crate::report::Findings;
use crate::{interval, near, notes};
use serde_json::{Value as Json, json};
use tenterhook_plan::players::{CLEFS, Clef, Transposition};
use toml::de::DeValue;

/// A player as written.
#[derive(Clone, Debug, Default)]
pub(crate) struct WrittenPlayer {
    pub like: Said<String>,
    pub low: Said<i32>,
    pub high: Said<i32>,
    pub open: Said<Vec<i32>>,
    pub clefs: Said<Vec<Clef>>,
    pub transposition: Said<Transposition>,
}

/// The players of a piece.
pub(super) struct Players;

impl Shape for Players {
    type Value = WrittenPlayer;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<WrittenPlayer> {
        let DeValue::Table(table) = item.value else {
            let remedy = format!("write {} = {{ low = \"G3\", high = \"A6\" }}, say", near::key(item.key));
            item.refuse("a table", remedy, findings);
            return None;
        };
        Some(fields::read("a player", table, item.place.file, findings, WrittenPlayer::keys))
    }

    fn schema(&self) -> Json {
        fields::schema(WrittenPlayer::keys)
    }
}

impl WrittenPlayer {
    fn keys(fields: &mut Fields<'_>, findings: &mut Findings) -> Self {
        let like = "The instrument or voice that it is, where its own name is none of the known ones.";
        let low = "The lowest note that it should sound.";
        let open = "Single notes that it has besides, with spaces between them: open strings, bells.";
        let clef = "The clef that it reads, or a list of them, the usual one first.";
        let transposition = "How it sounds from what is written for it.";
        WrittenPlayer {
            like: fields.get("like", like, &TextShape::Any, findings),
            low: fields.get("low", low, &NoteShape, findings),
            high: fields.get("high", "The highest note that it should sound.", &NoteShape, findings),
            open: fields.get("open", open, &NotesShape, findings),
            clefs: fields.get("clef", clef, &ClefShape, findings),
            transposition: fields.get("transposition", transposition, &TranspositionShape, findings),
        }
    }
}

/// A note by its name.
struct NoteShape;

impl Shape for NoteShape {
    type Value = i32;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<i32> {
        let DeValue::String(text) = item.value else {
            item.refuse("the name of a note in quotes", notes::remedy(""), findings);
            return None;
        };
        let note = notes::key(text);
        if note.is_none() {
            let message = format!("\"{}\" is a note, and \"{text}\" is none", item.key);
            findings.add(Kind::BadNote, item.place, message, notes::remedy(text));
        }
        note
    }

    fn schema(&self) -> Json {
        defined("note")
    }
}

/// Several notes, with spaces between them.
struct NotesShape;

impl Shape for NotesShape {
    type Value = Vec<i32>;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<Vec<i32>> {
        let text = TextShape::Tuning.read(item, findings)?;
        let mut read = Vec::new();
        for name in text.split_whitespace() {
            let Some(note) = notes::key(name) else {
                let message = format!("\"{}\" takes notes, and \"{name}\" is none", item.key);
                findings.add(Kind::BadNote, item.place, message, notes::remedy(name));
                return None;
            };
            read.push(note);
        }
        read.sort_unstable();
        read.dedup();
        Some(read)
    }

    fn schema(&self) -> Json {
        defined("notes")
    }
}

/// One clef, or a list of them.
struct ClefShape;

impl Shape for ClefShape {
    type Value = Vec<Clef>;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<Vec<Clef>> {
        let said = NameShape.read(item, findings)?;
        if said.is_empty() {
            let message = "\"clef\" names no clef";
            findings.add(Kind::UnknownWord, item.place, message, "write clef = \"treble\", say, or leave it out");
            return None;
        }
        let mut clefs = Vec::new();
        for At { value, place, .. } in said {
            match CLEFS.iter().find(|(name, ..)| *name == value) {
                Some((.., clef)) => clefs.push(*clef),
                None => {
                    let remedy = near::remedy(&value, "clefs", CLEFS.iter().map(|(name, ..)| *name));
                    findings.add(Kind::UnknownWord, place, format!("\"clef\" knows no \"{value}\""), remedy);
                }
            }
        }
        (!clefs.is_empty()).then_some(clefs)
    }

    fn schema(&self) -> Json {
        let mut schema = NameShape.schema();
        let words: Vec<_> = CLEFS.iter().map(|(name, ..)| *name).collect();
        let told: Vec<_> = CLEFS.iter().map(|(name, meaning, _)| format!("\"{name}\": {meaning}.")).collect();
        schema["items"] = json!({ "type": "string", "enum": words });
        schema["minItems"] = 1.into();
        schema["description"] = told.join(" ").into();
        // The words of a single clef, and any list.
        schema["anyOf"] = json!([{ "enum": words }, { "type": "array" }]);
        schema
    }
}

/// A transposition by the name of an interval.
struct TranspositionShape;

impl Shape for TranspositionShape {
    type Value = Transposition;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<Transposition> {
        let text = TextShape::Any.read(item, findings)?;
        let found = interval::steps(&text).map(|(semitones, letters)| Transposition { semitones, letters });
        if found.is_none() {
            let message = format!("\"transposition\" is an interval by its name, and \"{text}\" is none");
            let remedy =
                "write \"octave down\", \"major second down\" or \"fifth up\", say: how it sounds from what is written";
            findings.add(Kind::UnknownWord, item.place, message, remedy);
        }
        found
    }

    fn schema(&self) -> Json {
        defined("transposition")
    }
}

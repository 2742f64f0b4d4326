//! Controllers: their keys, and which of them go together.

use super::Said;
use super::fields::{self, Fields};
use super::value::{Flag, Item, NumberOrText, Quantity, Shape, TextShape, Whole, WordShape, defined};
use crate::report::Findings;
use serde_json::{Map, Value as Json, json};
use std::ops::RangeInclusive;
use tenterhook_plan::Curve;
use tenterhook_plan::declare::Unit;
use toml::de::DeValue;

#[derive(Clone, Debug, Default)]
pub(crate) struct WrittenController {
    pub cc: Said<u8>,
    pub note: Said<u8>,
    pub key: Said<String>,
    pub osc: Said<String>,
    pub loudness: Said<String>,
    pub like: Said<String>,
    pub from: Said<End>,
    pub to: Said<End>,
    /// Counted from 1.
    pub channel: Said<u8>,
    pub port: Said<String>,
    pub switch: Said<bool>,
    pub fine: Said<bool>,
    pub inverted: Said<bool>,
    pub curve: Said<Curve>,
    pub latch: Said<bool>,
    pub rise: Said<f64>,
    pub fall: Said<f64>,
}

/// One end of a controller's range: a number (of OSC), or the text of a level (of a loudness).
pub(crate) type End = Result<f64, String>;

/// The names of the keys that say what reaches a controller. At most one of them may stand in it.
pub(crate) const ADDRESS_KEYS: [&str; 6] = ["cc", "note", "key", "osc", "loudness", "like"];

/// Keys that act only beside some of the addresses, which those are, and why.
pub(crate) const ACTS_BESIDE: [(&str, &[&str], &str); 7] = [
    ("from", SCALED, "only osc and loudness are scaled"),
    ("to", SCALED, "only osc and loudness are scaled"),
    ("channel", MIDI, "only cc and note come by MIDI"),
    ("port", MIDI, "only cc and note come by MIDI"),
    ("switch", &["cc"], "only a cc can be one or the other"),
    ("fine", &["cc"], "only a cc has a second one for its finer steps"),
    ("polarity", MIDI, "an osc or a loudness turns over where `from` is above `to`"),
];
const SCALED: &[&str] = &["osc", "loudness"];
const MIDI: &[&str] = &["cc", "note"];

/// Addresses that know only off and on.
pub(crate) const SWITCHES: [&str; 2] = ["note", "key"];

/// MIDI 1.0: these control changes are switches, below 64 off, from 64 on.
pub(crate) const SWITCH_CCS: RangeInclusive<u8> = 64..=69;

/// MIDI 1.0: these control changes have others, 32 to 63, for their finer steps.
pub(crate) const FINE_CCS: RangeInclusive<u8> = 0..=31;

/// The levels between which a loudness may be scaled, in dBFS.
pub(crate) const LOUDNESS_DB: RangeInclusive<f64> = -120.0..=0.0;

const CURVES: [(&str, &str); 3] = [("slow", "x * x"), ("even", "x"), ("fast", "the square root of x")];

/// A controller, in a piece or in a hall.
pub(super) struct Controllers {
    pub hall: bool,
}

impl Shape for Controllers {
    type Value = WrittenController;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<WrittenController> {
        let DeValue::Table(table) = item.value else {
            item.refuse("a table", format!("write {} = {{ cc = 64 }}, say", item.key), findings);
            return None;
        };
        Some(fields::read("a controller", table, item.place.file, findings, WrittenController::keys))
    }

    fn schema(&self) -> Json {
        let mut schema = fields::schema(WrittenController::keys);
        schema["dependentSchemas"] = rules(self.hall);
        schema
    }
}

impl WrittenController {
    /// With the address of another, and the character of its own.
    pub fn with_address_of(&self, other: &Self) -> Self {
        let Self { curve, latch, rise, fall, .. } = self.clone();
        WrittenController { curve, latch, rise, fall, ..other.clone() }
    }

    fn keys(fields: &mut Fields<'_>, findings: &mut Findings) -> Self {
        let number = || Whole { least: 0u8, most: 127 };
        let channel = Whole { least: 1u8, most: 16 };
        let curves = WordShape { words: &CURVES, usual: Some(1) };
        let time = || Quantity::new(Unit::Seconds, 0.0, 600.0);
        let cc = "The number of a MIDI control change. 64 to 69 are switches, unless `switch` says otherwise.";
        let key = "A key of the terminal or the page: the character that it types, or its name in UI Events, W3C.";
        let loudness = "The mic whose loudness it follows, scaled by `from` and `to`.";
        let like =
            "The controller whose address it has as well: one pedal with two characters, of which a scene uses one.";
        let from = "What stands for 0: a number of OSC (0 if absent), or a level of a loudness, as in \"-50 dB\".";
        let to = "What stands for 1: a number of OSC (1 if absent), or a level of a loudness, as in \"-12 dB\".";
        let port = "Part of the name of the MIDI port. Any port if absent.";
        let switch = "Whether a control change knows only off, below 64, and on.";
        let fine = "Whether its steps are of 14 bits: cc n, 0 to 31, with cc n + 32 for what is finer.";
        let polarity = "Which way round it is wired.";
        let polarities = [
            ("normal", "at rest it sends 0, a note its note-off"),
            ("inverted", "at rest it sends 127, a note its note-on"),
        ];
        let polarities = WordShape { words: &polarities, usual: Some(0) };
        let rise = "The time in which its value goes from 0 to 1.";
        let fall = "The time in which its value goes from 1 to 0. If absent, the effect's own short end.";
        WrittenController {
            cc: fields.get("cc", cc, &number(), findings),
            note: fields.get("note", "The number of a MIDI note: on until its note-off.", &number(), findings),
            key: fields.get("key", key, &TextShape::KeyName, findings),
            osc: fields.get("osc", "An Open Sound Control address.", &TextShape::OscAddress, findings),
            loudness: fields.get("loudness", loudness, &TextShape::Any, findings),
            like: fields.get("like", like, &TextShape::Any, findings),
            from: fields.get("from", from, &NumberOrText, findings),
            to: fields.get("to", to, &NumberOrText, findings),
            channel: fields.get("channel", "The MIDI channel, counted from 1. Any if absent.", &channel, findings),
            port: fields.get("port", port, &TextShape::Port, findings),
            switch: fields.get("switch", switch, &Flag, findings),
            fine: fields.get("fine", fine, &Flag, findings),
            inverted: fields.get("polarity", polarity, &polarities, findings).map(|word| word == 1),
            curve: fields
                .get("curve", "How its value x is bent.", &curves, findings)
                .map(|word| [Curve::Slow, Curve::Even, Curve::Fast][word]),
            latch: fields.get("latch", "Whether each press turns it over.", &Flag, findings),
            rise: fields.get("rise", rise, &time().usually(0.0), findings),
            fall: fields.get("fall", fall, &time(), findings),
        }
    }
}

/// What a key asks of those beside it. A hall may say half of an address, and leave the other half to the piece.
fn rules(hall: bool) -> Json {
    let is_true = |key: &str| json!({ "properties": { key: { "const": true } } });
    let no_curve = || json!({ "properties": { "curve": false } });
    let mut rules: Map<String, Json> = Map::new();
    let mut add = |key: &str, rule: Json| {
        let all = rules.entry(key).or_insert_with(|| json!({ "allOf": [] }));
        all["allOf"].as_array_mut().expect("it was made a list").push(rule);
    };
    for address in ADDRESS_KEYS {
        let others = ADDRESS_KEYS.into_iter().filter(|other| *other != address);
        let idle = ACTS_BESIDE.iter().filter(|(_, beside, _)| !beside.contains(&address)).map(|(key, ..)| *key);
        let curve = SWITCHES.contains(&address).then_some("curve");
        let refused: Map<_, _> = others.chain(idle).chain(curve).map(|key| (key.to_owned(), false.into())).collect();
        add(address, json!({ "properties": refused }));
    }
    if !hall {
        for (key, beside, _) in ACTS_BESIDE {
            let any: Vec<_> = beside.iter().map(|address| json!({ "required": [address] })).collect();
            add(key, json!({ "anyOf": any }));
        }
        add("loudness", json!({ "required": ["from", "to"] }));
        // In a hall, the piece may have said that it is none.
        let by_number = json!({
            "properties": { "cc": { "minimum": SWITCH_CCS.start(), "maximum": SWITCH_CCS.end() } },
            "not": { "required": ["switch"] },
        });
        add("cc", json!({ "if": by_number, "then": no_curve() }));
    }
    add("osc", json!({ "properties": { "from": { "type": "number" }, "to": { "type": "number" } } }));
    let (quiet, loud) = (LOUDNESS_DB.start(), LOUDNESS_DB.end());
    let mut level = defined("level");
    level["description"] = format!("From {quiet} dB to {loud} dB.").into();
    add("loudness", json!({ "properties": { "from": level, "to": level, "latch": { "const": false } } }));
    add("switch", json!({ "if": is_true("switch"), "then": no_curve() }));
    let pair = json!({
        "cc": { "maximum": FINE_CCS.end() }, "switch": { "const": false }, "latch": { "const": false },
    });
    add("fine", json!({ "if": is_true("fine"), "then": { "properties": pair } }));
    add("latch", json!({ "if": is_true("latch"), "then": no_curve() }));
    rules.into()
}

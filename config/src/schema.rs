//! Pieces and halls as JSON Schemas (draft 2020-12), for editors. They are made by asking the parser's own questions, so
//! that they know the keys that it knows.

use crate::written::{self, Hall, WrittenPiece};
use crate::{interval, keys, meaning, notes, unit};
use serde_json::{Map, Value, json};
use tenterhook_plan::declare::Unit;

/// What a schema is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SchemaText {
    /// A piece.
    Piece,
    /// A hall.
    Hall,
}

/// The schema of all pieces, or of all halls. Whatever the parser takes it takes as well. It cannot know names, what is
/// there twice, rings, or the ranges of quantities with a unit: those `check` tells.
pub fn schema(of: SchemaText) -> Value {
    let (mut schema, title) = match of {
        SchemaText::Piece => (written::schema(WrittenPiece::keys), "A piece"),
        SchemaText::Hall => (written::schema(Hall::keys), "A hall"),
    };
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema".into();
    schema["title"] = title.into();
    let mut wanted = references(&schema);
    wanted.sort_unstable();
    let known = definitions();
    let used: Map<_, _> = known.into_iter().filter(|(name, _)| wanted.binary_search(&name.as_str()).is_ok()).collect();
    schema["$defs"] = used.into();
    schema
}

/// What is defined once: the kinds of texts.
fn definitions() -> Map<String, Value> {
    let text = |pattern: String| json!({ "type": "string", "pattern": pattern });
    let quantity = |(unit, examples): (Unit, [f64; 2])| {
        let mut schema = text(unit::pattern(unit));
        schema["examples"] = examples.map(|example| unit::spell(unit, example)).as_slice().into();
        Some((unit::definition(unit)?, schema))
    };
    let quantities = [
        (Unit::Seconds, [2.0, 0.18]),
        (Unit::Decibels, [-3.0, 6.0]),
        (Unit::Hertz, [60.0, 415.0]),
        (Unit::Metres, [3.0, 14.5]),
    ];
    let quantities = quantities.into_iter().filter_map(quantity);
    let others = [
        ("interval", text(interval::pattern())),
        ("key", keys::schema()),
        ("note", text(format!(r"^\s*{}\s*$", notes::NOTE))),
        ("notes", text(format!(r"^\s*({0}(\s+{0})*)?\s*$", notes::NOTE))),
        ("name", meaning::name_schema()),
        ("osc", text(meaning::OSC_ADDRESS.to_owned())),
        ("plain", meaning::plain_schema()),
        ("transposition", text(interval::named_pattern())),
        ("tuning", text(meaning::tuning_pattern())),
    ];
    quantities.chain(others).map(|(name, schema)| (name.to_owned(), schema)).collect()
}

/// The names of all that a schema refers to.
fn references(schema: &Value) -> Vec<&str> {
    match schema {
        Value::Object(map) => {
            let here = map.get("$ref").and_then(Value::as_str).and_then(|to| to.strip_prefix("#/$defs/"));
            here.into_iter().chain(map.values().flat_map(references)).collect()
        }
        Value::Array(list) => list.iter().flat_map(references).collect(),
        _ => Vec::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::meaning::{RESERVED, is_osc_address, strings, trouble};
    use jsonschema::draft202012;
    use proptest::prelude::*;
    use std::sync::LazyLock;

    /// Each definition with the reader whose texts it describes.
    type Pair = (&'static str, fn(&str) -> bool);
    const PAIRS: [Pair; 13] = [
        ("time", |text| unit::parse(text, Unit::Seconds).is_ok()),
        ("level", |text| unit::parse(text, Unit::Decibels).is_ok()),
        ("frequency", |text| unit::parse(text, Unit::Hertz).is_ok()),
        ("distance", |text| unit::parse(text, Unit::Metres).is_ok()),
        ("interval", |text| interval::parse(text).is_some()),
        ("key", keys::is_key),
        ("name", |text| trouble(text).is_none() && !text.contains('/') && !RESERVED.contains(&text)),
        ("note", |text| notes::key(text).is_some()),
        ("notes", |text| text.split_whitespace().all(|name| notes::key(name).is_some())),
        ("osc", is_osc_address),
        ("plain", |text| trouble(text).is_none()),
        ("transposition", |text| interval::steps(text).is_some()),
        ("tuning", |text| text.trim().ends_with(".toml") || strings(text, 440.0.into()).is_ok()),
    ];

    static DEFINITIONS: LazyLock<Vec<jsonschema::Validator>> = LazyLock::new(|| {
        let known = definitions();
        assert_eq!(known.len(), PAIRS.len(), "each has its reader");
        PAIRS.iter().map(|(name, _)| draft202012::new(&known[*name]).unwrap()).collect()
    });

    #[rustfmt::skip]
    const PARTS: [&str; 53] = [
        "", " ", "\t", "\n", "\u{a0}", "2", "0", "180", "-", "+", "\u{2212}", ".", ".5", "5.", "e3", "E", "e", "s", "ms", "m", "dB",
        "db", "Hz", "cents", "/", "3/2", "fifth", "Minor", "third", "minor  third", "down", "above", "two octaves", "K",
        "PageUp", "pageup", "F5", "n", "é", "🦊", "fire", "level", "mute", "/sway", "a/b", "#", "*", "~", "D3", "Bb2", "F##4",
        "a.toml", "\u{1}",
    ];

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(2000))]

        #[test]
        fn each_definition_takes_what_its_reader_takes(parts in prop::collection::vec(prop::sample::select(&PARTS[..]), 0..5)) {
            let text = parts.concat();
            for ((name, reads), validator) in PAIRS.iter().zip(&*DEFINITIONS) {
                // How great a number is, an expression does not know.
                let sized = (*name == "interval" && text.contains('/')) || ["note", "notes", "tuning"].contains(name) || text.contains(['e', 'E']);
                let (read, taken) = (reads(&text), validator.is_valid(&text.clone().into()));
                prop_assert!(read == taken || (sized && taken && !read), "{name}: {text:?} read {read}, taken {taken}");
            }
        }
    }

    #[test]
    fn what_is_in_one_and_not_in_the_other_is_seen() {
        let [time, level, ..] = &DEFINITIONS[..] else { panic!("there are two") };
        assert!(time.is_valid(&"2 s".into()) && !level.is_valid(&"2 s".into()));
    }

    #[test]
    fn every_definition_that_a_schema_refers_to_is_there() {
        for of in [SchemaText::Piece, SchemaText::Hall] {
            let schema = schema(of);
            let defined = schema["$defs"].as_object().unwrap();
            assert!(references(&schema).into_iter().all(|name| defined.contains_key(name)));
        }
    }
}

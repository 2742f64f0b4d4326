//! Pieces and halls as JSON Schemas (draft 2020-12), for editors. They are made by asking the parser's own questions, so
//! that they know the keys that it knows.

use crate::written::{self, Hall, Piece};
use crate::{interval, keys, meaning, unit};
use serde_json::{Map, Value, json};
use tenterhook_plan::declare::Unit;

/// What a schema is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SchemaOf {
    /// A piece.
    Piece,
    /// A hall.
    Hall,
}

/// The schema of all pieces, or of all halls. Whatever the parser takes it takes as well. It cannot know names, what is
/// there twice, rings, or the ranges of quantities with a unit: those `check` tells.
pub fn schema(of: SchemaOf) -> Value {
    let (mut schema, title) = match of {
        SchemaOf::Piece => (written::schema(Piece::keys), "A piece"),
        SchemaOf::Hall => (written::schema(Hall::keys), "A hall"),
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
    let units = [Unit::Seconds, Unit::Decibels, Unit::Hertz];
    let quantities = units.into_iter().filter_map(|unit| Some((unit::definition(unit)?, text(unit::pattern(unit)))));
    let others = [
        ("interval", text(interval::pattern())),
        ("key", keys::schema()),
        ("name", meaning::name_schema()),
        ("osc", text(meaning::OSC_ADDRESS.to_owned())),
        ("plain", meaning::plain_schema()),
        ("tuning", text(meaning::TUNING.to_owned())),
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

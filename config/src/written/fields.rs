//! A table's keys: each is asked for by its name, and what nobody asked for is an error. Asked of no table at all, the
//! same questions make the table's schema.

use super::value::{Item, Shape, defined};
use super::{At, NamedTable, Said};
use crate::kind::Kind;
use crate::near;
use crate::place::Place;
use crate::report::Findings;
use serde_json::{Map, Value as Json, json};
use tenterhook_dsp::effects::EFFECTS;
use toml::de::{DeTable, DeValue};

/// A table while it is being read.
pub(crate) struct Fields<'t> {
    table: &'t DeTable<'t>,
    file: usize,
    known: Vec<&'static str>,
    /// Keys that the same table has in a hall.
    of_halls: Vec<&'static str>,
    /// What is written down of the questions, if anything.
    asked: Option<AskedKeys>,
}

/// What a schema says of a table.
#[derive(Default)]
struct AskedKeys {
    properties: Map<String, Json>,
    required: Vec<&'static str>,
}

/// Reads a table by its keys, and reports all keys that nobody asked for. `what` is the table, in words: "a mic".
pub(crate) fn read<'t, T>(
    what: &str,
    table: &'t DeTable<'t>,
    file: usize,
    findings: &mut Findings,
    keys: impl FnOnce(&mut Fields<'t>, &mut Findings) -> T,
) -> T {
    let mut fields = Fields::new(table, file);
    let read = keys(&mut fields, findings);
    fields.finish(what, findings);
    read
}

/// The schema of a table that is read by these keys.
pub(crate) fn schema<T>(keys: impl FnOnce(&mut Fields<'_>, &mut Findings) -> T) -> Json {
    let nothing = DeTable::new();
    let mut fields = Fields { asked: Some(AskedKeys::default()), ..Fields::new(&nothing, 0) };
    keys(&mut fields, &mut Findings::default());
    let AskedKeys { properties, required } = fields.asked.unwrap_or_default();
    json!({ "type": "object", "properties": properties, "required": required, "additionalProperties": false })
}

impl<'t> Fields<'t> {
    /// The keys of one table of a file, none of which has been asked for.
    pub fn new(table: &'t DeTable<'t>, file: usize) -> Self {
        Self { table, file, known: Vec::new(), of_halls: Vec::new(), asked: None }
    }

    /// What a key says. `help`: what it does, in a sentence.
    pub fn get<S: Shape>(
        &mut self,
        key: &'static str,
        help: &str,
        shape: &S,
        findings: &mut Findings,
    ) -> Said<S::Value> {
        self.known.push(key);
        if let Some(asked) = &mut self.asked {
            let mut schema = shape.schema();
            let more = schema["description"].as_str().unwrap_or_default();
            schema["description"] = format!("{help} {more}").trim_end().into();
            asked.properties.insert(key.to_owned(), schema);
        }
        match items(self.table, self.file).find(|item| item.key == key) {
            None => Said::Nothing,
            Some(item) => match shape.read(&item, findings) {
                None => Said::Wrong,
                Some(value) => Said::Value(At { value, place: item.place, key: item.key_place }),
            },
        }
    }

    /// What a key says in a hall; anywhere else it is an error.
    pub fn in_hall<S: Shape>(
        &mut self,
        hall: bool,
        key: &'static str,
        help: &str,
        shape: &S,
        findings: &mut Findings,
    ) -> Said<S::Value> {
        if hall {
            return self.get(key, help, shape, findings);
        }
        self.of_halls.push(key);
        Said::Nothing
    }

    /// What a key says that must be there. Whether it is there is judged later, when the meaning of the table is known.
    pub fn need<S: Shape>(
        &mut self,
        key: &'static str,
        help: &str,
        shape: &S,
        findings: &mut Findings,
    ) -> Said<S::Value> {
        if let Some(asked) = &mut self.asked {
            asked.required.push(key);
        }
        self.get(key, help, shape, findings)
    }

    /// A table of named things, in the order of the file; empty if the key is not there.
    pub fn named<S: Shape<Value: Default>>(
        &mut self,
        key: &'static str,
        help: &str,
        shape: S,
        findings: &mut Findings,
    ) -> Vec<NamedTable<S::Value>> {
        let entries = Entries(shape);
        let mut named = match self.get(key, help, &entries, findings) {
            Said::Value(at) => at.value,
            Said::Nothing | Said::Wrong => Vec::new(),
        };
        // A slip in this key is an error when all keys are asked for. What stands under it is read all the same.
        let slips =
            items(self.table, self.file).filter(|item| item.key != key && matches!(item.value, DeValue::Table(_)));
        for item in slips.filter(|item| near::nearest(item.key, [key]).is_some()) {
            named.extend(entries.read(&item, findings).unwrap_or_default());
        }
        named
    }

    /// Lets a schema say that a key must be there and hold something.
    pub fn must_hold(&mut self, key: &'static str) {
        let Some(asked) = &mut self.asked else { return };
        asked.required.push(key);
        if let Some(schema) = asked.properties.get_mut(key) {
            let least = if schema["type"] == "array" { "minItems" } else { "minProperties" };
            schema[least] = 1.into();
        }
    }

    /// Whether a key is not there, or holds a table or a list of nothing.
    pub fn is_empty(&self, key: &str) -> bool {
        items(self.table, self.file).find(|item| item.key == key).is_none_or(|item| match item.value {
            DeValue::Table(table) => table.is_empty(),
            DeValue::Array(list) => list.is_empty(),
            _ => false,
        })
    }

    /// Reports all keys that nobody asked for. `what` is the table, in words: "a mic".
    pub fn finish(self, what: &str, findings: &mut Findings) {
        for item in items(self.table, self.file).filter(|item| !self.known.contains(&item.key)) {
            let in_scene = what.starts_with("the effect");
            if !["a piece", "a hall"].contains(&what) && belongs_above(&item, in_scene, what, findings) {
                continue;
            }
            let message = format!("{what} has no key \"{}\"", item.key);
            let is_effect = EFFECTS.iter().any(|effect| effect.declaration.name == item.key);
            let remedy = if what == "a scene" && is_effect {
                format!("an effect stands at a mic or a group: mic.voice.{} = … is that of the mic \"voice\"", item.key)
            } else if self.of_halls.contains(&item.key) {
                "write it in a hall file: only a hall says this".to_owned()
            } else {
                near::remedy(item.key, "keys", self.known.iter().copied())
            };
            findings.add(Kind::UnknownKey, item.key_place, message, remedy);
        }
    }
}

/// Things under names of the piece's own.
struct Entries<S>(S);

impl<S: Shape<Value: Default>> Shape for Entries<S> {
    type Value = Vec<NamedTable<S::Value>>;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<Self::Value> {
        let DeValue::Table(table) = item.value else {
            let remedy = format!("write [{}] and one name on each line below it", item.key);
            item.refuse("a table", remedy, findings);
            return None;
        };
        let (within, in_scene) = (format!("the table [{}]", item.key), item.key == "mic");
        let mut entries = Vec::new();
        for item in items(table, item.place.file) {
            if belongs_above(&item, in_scene, &within, findings) {
                continue;
            }
            let what = self.0.read(&item, findings).unwrap_or_default();
            entries.push(NamedTable { name: item.key.to_owned(), place: item.key_place, what });
        }
        Some(entries)
    }

    fn schema(&self) -> Json {
        json!({
            "type": "object",
            "propertyNames": defined("name"),
            "additionalProperties": self.0.schema(),
        })
    }
}

/// The keys of a piece that are no tables. They stand above all tables, which go on until the next one begins.
const OF_PIECE: [&str; 6] = ["title", "tuning", "temperament", "next", "back", "hush"];

/// The keys of a scene that are no tables.
const OF_SCENE: [&str; 6] = ["mark", "name", "bar", "cue", "fade", "like"];

/// Reports a key that belongs to the piece, or to the scene, and stands below the header of a table. `within`: that table
/// in words; `in_scene`: it is part of a scene.
pub(super) fn belongs_above(item: &Item<'_>, in_scene: bool, within: &str, findings: &mut Findings) -> bool {
    let is_table = matches!(item.value, DeValue::Table(_) | DeValue::Array(_));
    let (to, where_to) = if OF_PIECE.contains(&item.key) && matches!(item.value, DeValue::String(_)) {
        let of_hall = item.place.file > 0 && ["tuning", "temperament"].contains(&item.key);
        (if of_hall { "the hall" } else { "the piece" }, "above the first [table]")
    } else if in_scene && OF_SCENE.contains(&item.key) && !is_table {
        ("the scene", "directly below [[scene]]")
    } else {
        return false;
    };
    let message = format!("\"{}\" belongs to {to}, and stands in {within}", item.key);
    let remedy = format!("write this line {where_to}: what stands below the header of a table belongs to that table");
    findings.add(Kind::KeyBelongsAbove, item.key_place, message, remedy);
    true
}

/// The entries of a table, in the order of the file.
pub(crate) fn items<'t>(table: &'t DeTable<'t>, file: usize) -> impl Iterator<Item = Item<'t>> {
    table.iter().map(move |(key, value)| Item {
        key: key.get_ref(),
        value: value.get_ref(),
        place: Place::new(file, value.span()),
        key_place: Place::new(file, key.span()),
    })
}

//! What single values are: each shape reads a value of its type, or reports why not, and says in a schema what it takes.

use super::At;
use crate::interval;
use crate::kind::Kind;
use crate::meant::WantedValue;
use crate::near;
use crate::place::Place;
use crate::report::Findings;
use crate::unit::{self, UnitTrouble};
use serde_json::{Value as Json, json};
use tenterhook_plan::declare::Unit;
use toml::de::{DeArray, DeInteger, DeValue};

/// What a key takes.
pub(crate) trait Shape {
    /// What it is once it is read.
    type Value;

    /// Reads a value; one of another shape is reported.
    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<Self::Value>;

    /// The same as a JSON Schema. What it has for a description stands behind the key's own.
    fn schema(&self) -> Json;
}

/// A value as the file has it.
#[derive(Clone, Copy)]
pub(crate) struct Item<'t> {
    /// Its key.
    pub key: &'t str,
    /// The value.
    pub value: &'t DeValue<'t>,
    /// Its place.
    pub place: Place,
    /// The place of its key.
    pub key_place: Place,
}

impl Item<'_> {
    /// Reports that the value is of another type than wanted.
    pub fn refuse(&self, wanted: &str, remedy: impl Into<String>, findings: &mut Findings) {
        let found = match self.value {
            DeValue::String(_) => "text in quotes",
            DeValue::Integer(_) | DeValue::Float(_) => "a bare number",
            DeValue::Boolean(_) => "true or false",
            DeValue::Datetime(_) => "a date",
            DeValue::Array(_) => "a list",
            DeValue::Table(_) => "a table",
        };
        let message = format!("\"{}\" takes {wanted}, and this is {found}", self.key);
        findings.add(Kind::WrongType, self.place, message, remedy);
    }
}

/// Text in quotes. What kind of text is judged when its meaning is known; a schema says it at once.
#[derive(Clone, Copy)]
pub(crate) enum TextShape {
    Any,
    /// Text of printable characters, without spaces around it.
    Plain,
    /// The name of one controller.
    Controller,
    /// The name of a keyboard's key.
    KeyName,
    OscAddress,
    /// Part of the name of a port.
    Port,
    /// Notes, or a spectrum file.
    Tuning,
}

impl Shape for TextShape {
    type Value = String;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<String> {
        match item.value {
            DeValue::String(text) => Some(text.to_string()),
            DeValue::Array(list) if matches!(self, TextShape::Controller) => {
                let named = list.iter().filter_map(|one| match one.get_ref() {
                    DeValue::String(name) => Some(name.as_ref()),
                    _ => None,
                });
                let names: Vec<_> = named.collect();
                one_controller(item, &names, findings);
                names.first().map(|name| (*name).to_owned())
            }
            _ => {
                let meant = match item.value {
                    DeValue::Integer(number) => number.to_string(),
                    DeValue::Float(number) => number.to_string(),
                    DeValue::Boolean(said) => said.to_string(),
                    DeValue::Datetime(date) => date.to_string(),
                    DeValue::Array(list) if matches!(self, TextShape::Tuning) => notes(list).unwrap_or("…".to_owned()),
                    _ => "…".to_owned(),
                };
                item.refuse("text in quotes", format!("write {} = \"{meant}\"", item.key), findings);
                None
            }
        }
    }

    fn schema(&self) -> Json {
        match self {
            TextShape::Any | TextShape::Controller => json!({ "type": "string" }),
            TextShape::Port => json!({ "type": "string", "minLength": 1 }),
            TextShape::Plain => defined("plain"),
            TextShape::KeyName => defined("key"),
            TextShape::OscAddress => defined("osc"),
            TextShape::Tuning => defined("tuning"),
        }
    }
}

/// The notes of a list, as one text; `None`: there are other things in it.
fn notes(list: &DeArray<'_>) -> Option<String> {
    let note = |one: &toml::Spanned<DeValue<'_>>| match one.get_ref() {
        DeValue::String(note) if !note.contains(['"', '\\']) => Some(note.to_string()),
        _ => None,
    };
    let notes: Option<Vec<_>> = list.iter().map(note).collect();
    notes.filter(|notes| !notes.is_empty()).map(|notes| notes.join(" "))
}

/// Reports a list where one controller should stand.
fn one_controller(item: &Item<'_>, names: &[&str], findings: &mut Findings) {
    let works = item.key == "by";
    let rule = if works { ": one controller works one effect" } else { "" };
    let message = format!("\"{}\" takes one name, and this is a list{rule}", item.key);
    let first = names.first().copied().unwrap_or("…");
    let remedy = match names.get(1) {
        Some(second) if works => format!(
            "write by = \"{first}\", and let \"{second}\" work an effect of its own, with a key of your own and effect = \"…\" \
             beside it"
        ),
        _ => format!("write {} = \"{first}\"", item.key),
    };
    findings.add(Kind::WrongType, item.place, message, remedy);
}

/// What a schema defines once, under a name.
pub(crate) fn defined(name: &str) -> Json {
    json!({ "$ref": format!("#/$defs/{name}") })
}

/// True or false.
pub(crate) struct Flag;

impl Shape for Flag {
    type Value = bool;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<bool> {
        match item.value {
            DeValue::Boolean(value) => Some(*value),
            _ => {
                item.refuse("true or false", format!("write {} = true", item.key), findings);
                None
            }
        }
    }

    fn schema(&self) -> Json {
        json!({ "type": "boolean" })
    }
}

fn integer(integer: &DeInteger<'_>) -> Option<i64> {
    i64::from_str_radix(integer.as_str(), integer.radix()).ok()
}

/// A bare number, whole or not. The reader of TOML lets through no number that Rust cannot read.
pub(super) fn bare(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Integer(number) => integer(number).map(|number| number as f64),
        DeValue::Float(number) => number.as_str().parse().ok(),
        _ => None,
    }
}

/// A whole number in a range.
pub(crate) struct Whole<T> {
    pub least: T,
    pub most: T,
}

impl<T: Copy + Into<i64> + TryFrom<i64>> Shape for Whole<T> {
    type Value = T;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<T> {
        let (least, most): (i64, i64) = (self.least.into(), self.most.into());
        match item.value {
            DeValue::Integer(number) => {
                let value = integer(number).filter(|value| (least..=most).contains(value));
                if value.is_none() {
                    let message = format!("{number} is outside what \"{}\" takes", item.key);
                    let remedy = format!("write a number from {least} to {most}");
                    findings.add(Kind::OutOfRange, item.place, message, remedy);
                }
                value.and_then(|value| T::try_from(value).ok())
            }
            _ => {
                item.refuse("a whole number", format!("write a bare number from {least} to {most}"), findings);
                None
            }
        }
    }

    fn schema(&self) -> Json {
        json!({ "type": "integer", "minimum": self.least.into(), "maximum": self.most.into() })
    }
}

/// A quantity in a range, in the unit in which numbers are kept.
pub(crate) struct Quantity {
    pub unit: Unit,
    pub least: f64,
    pub most: f64,
    /// What it is if nothing is said, where that is always the same.
    pub usual: Option<f64>,
}

impl Quantity {
    /// A number of this unit from `least` to `most`.
    pub const fn new(unit: Unit, least: f64, most: f64) -> Self {
        Self { unit, least, most, usual: None }
    }

    /// The same, and what it is if nothing is said.
    pub const fn usually(self, usual: f64) -> Self {
        Self { usual: Some(usual), ..self }
    }

    fn wanted(&self) -> WantedValue {
        let Self { unit, least, most, usual } = *self;
        WantedValue { unit, least, most, usual }
    }
}

impl Shape for Quantity {
    type Value = f64;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<f64> {
        let Self { unit, least, most, .. } = *self;
        let wanted = self.wanted();
        let value =
            if unit == Unit::Number { plain(item, &wanted, findings) } else { with_unit(item, &wanted, findings) }?;
        if (least..=most).contains(&value) {
            return Some(value);
        }
        let message = format!("{} is outside what \"{}\" takes", unit::spell(unit, value), item.key);
        findings.add(Kind::OutOfRange, item.place, message, wanted.beyond(value));
        None
    }

    fn schema(&self) -> Json {
        let Self { unit, least, most, usual } = *self;
        let mut schema = match unit::definition(unit) {
            None => json!({ "type": "number", "minimum": least, "maximum": most }),
            Some(name) => defined(name),
        };
        schema["description"] = format!("From {} to {}.", unit::spell(unit, least), unit::spell(unit, most)).into();
        if let Some(usual) = usual {
            let text = || Json::from(unit::spell(unit, usual));
            schema["default"] = if unit == Unit::Number { usual.into() } else { text() };
        }
        schema
    }
}

fn plain(item: &Item<'_>, wanted: &WantedValue, findings: &mut Findings) -> Option<f64> {
    let value = bare(item.value);
    if value.is_none() {
        let remedy = match item.value {
            DeValue::String(text) => wanted.number(item.key, text),
            _ => format!("write {} = {}, say", item.key, wanted.spell(wanted.safe())),
        };
        item.refuse("a bare number", remedy, findings);
    }
    value
}

fn with_unit(item: &Item<'_>, wanted: &WantedValue, findings: &mut Findings) -> Option<f64> {
    let measures = unit::measures(wanted.unit);
    let (kind, amiss, remedy) = match item.value {
        DeValue::String(text) => match unit::parse(text, wanted.unit) {
            Ok(value) => return Some(value),
            Err(UnitTrouble::NoUnit(number)) => (Kind::MissingUnit, None, wanted.bare(number)),
            Err(UnitTrouble::OtherUnit) => {
                let amiss = format!("\"{text}\" has no unit of one");
                (Kind::WrongUnit, Some(amiss), wanted.text(text))
            }
            Err(UnitTrouble::NoNumber) => {
                let amiss = format!("\"{text}\" does not begin with a number");
                (Kind::NotANumber, Some(amiss), wanted.text(text))
            }
        },
        DeValue::Integer(_) | DeValue::Float(_) => {
            (Kind::MissingUnit, None, wanted.bare(bare(item.value).unwrap_or(f64::NAN)))
        }
        _ => {
            let remedy = format!("write {}, say", wanted.spell(wanted.safe()));
            item.refuse(&format!("{measures} in quotes"), remedy, findings);
            return None;
        }
    };
    let amiss = amiss.map_or_else(|| " and needs its unit".to_owned(), |amiss| format!(", and {amiss}"));
    findings.add(kind, item.place, format!("\"{}\" is {measures}{amiss}", item.key), remedy);
    None
}

/// An interval in a range, in cents.
pub(crate) struct Interval {
    pub least: f64,
    pub most: f64,
    /// What it is if nothing is said.
    pub usual: f64,
}

impl Shape for Interval {
    type Value = f64;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<f64> {
        let Self { least, most, .. } = *self;
        if let Some(number) = bare(item.value).filter(|number| number.is_finite()) {
            let message = format!("\"{}\" is an interval, and {number} has no unit", item.key);
            findings.add(Kind::MissingUnit, item.place, message, interval::remedy(number));
            return None;
        }
        let text = TextShape::Any.read(item, findings)?;
        let Some(cents) = interval::parse(&text) else {
            let message = format!("\"{}\" is an interval, and \"{text}\" is none", item.key);
            let number = interval::without_unit(&text).map(interval::remedy);
            let near = || near::nearest(&text, interval::names()).map(|near| format!("did you mean \"{near}\"?"));
            let remedy = match number.or_else(near) {
                Some(remedy) => remedy,
                None => "write \"fifth\", \"minor third down\", \"-702 cents\" or \"3/2\", say".to_owned(),
            };
            findings.add(Kind::NotANumber, item.place, message, remedy);
            return None;
        };
        // A hair of room for the logarithm of a ratio at the end of the range.
        if (least - 1e-6..=most + 1e-6).contains(&cents) {
            return Some(cents.clamp(least, most));
        }
        let message = format!("\"{text}\" is outside what \"{}\" takes", item.key);
        let remedy = format!("write something from \"{least} cents\" to \"{most} cents\"");
        findings.add(Kind::OutOfRange, item.place, message, remedy);
        None
    }

    fn schema(&self) -> Json {
        let Self { least, most, usual } = self;
        let mut schema = defined("interval");
        schema["description"] = format!("From {least} cents to {most} cents.").into();
        schema["default"] = format!("{usual} cents").into();
        schema
    }
}

/// One of a few words, each with what it means; read as its place among them.
pub(crate) struct WordShape<'w> {
    pub words: &'w [(&'w str, &'w str)],
    /// Which of them if nothing is said, where that is always the same.
    pub usual: Option<usize>,
}

impl Shape for WordShape<'_> {
    type Value = usize;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<usize> {
        let text = TextShape::Any.read(item, findings)?;
        let found = self.words.iter().position(|(word, _)| *word == text);
        if found.is_none() {
            let message = format!("\"{}\" knows no \"{text}\"", item.key);
            let remedy = near::remedy(&text, "words", self.words.iter().map(|(word, _)| *word));
            findings.add(Kind::UnknownWord, item.place, message, remedy);
        }
        found
    }

    fn schema(&self) -> Json {
        let words: Vec<_> = self.words.iter().map(|(word, _)| *word).collect();
        let told: Vec<_> = self.words.iter().map(|(word, meaning)| format!("\"{word}\": {meaning}.")).collect();
        let mut schema = json!({ "type": "string", "enum": words, "description": told.join(" ") });
        if let Some((word, _)) = self.usual.and_then(|usual| self.words.get(usual)) {
            schema["default"] = (*word).into();
        }
        schema
    }
}

/// A list of names. A wrong one is reported and left out.
pub(crate) struct List {
    /// How many there must be; too few are reported when their meaning is known.
    pub least: usize,
}

impl Shape for List {
    type Value = Vec<At<String>>;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<Vec<At<String>>> {
        let DeValue::Array(list) = item.value else {
            item.refuse("a list of names", format!("write {} = [\"…\"]", item.key), findings);
            return None;
        };
        let mut names = Vec::new();
        for entry in list.iter() {
            let place = Place::new(item.place.file, entry.span());
            let entry = Item { value: entry.get_ref(), place, ..*item };
            if let Some(value) = TextShape::Any.read(&entry, findings) {
                names.push(At { value, place, key: place });
            }
        }
        Some(names)
    }

    fn schema(&self) -> Json {
        let mut schema = json!({ "type": "array", "items": TextShape::Any.schema(), "uniqueItems": true });
        if self.least > 0 {
            schema["minItems"] = self.least.into();
        }
        schema
    }
}

/// One name or a list of names.
pub(crate) struct NameShape;

impl Shape for NameShape {
    type Value = Vec<At<String>>;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<Vec<At<String>>> {
        match item.value {
            DeValue::Array(_) => List { least: 0 }.read(item, findings),
            DeValue::String(name) => Some(vec![At { value: name.to_string(), place: item.place, key: item.key_place }]),
            _ => {
                item.refuse("a name or a list of names", format!("write {} = [\"…\"]", item.key), findings);
                None
            }
        }
    }

    fn schema(&self) -> Json {
        let mut schema = List { least: 0 }.schema();
        schema["type"] = json!(["string", "array"]);
        schema
    }
}

/// A number, or text: one end of a controller's range.
pub(crate) struct NumberOrText;

impl Shape for NumberOrText {
    type Value = Result<f64, String>;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<Result<f64, String>> {
        match item.value {
            DeValue::String(text) => Some(Err(text.to_string())),
            DeValue::Integer(_) | DeValue::Float(_) => match bare(item.value).filter(|number| number.is_finite()) {
                Some(number) => Some(Ok(number)),
                None => {
                    let message = format!("\"{}\" takes a number that can be counted to", item.key);
                    findings.add(Kind::OutOfRange, item.place, message, "write a number, as in -1.0");
                    None
                }
            },
            _ => {
                let remedy = format!("write {} = 0.0 or \"-50 dB\"", item.key);
                item.refuse("a number, or a level in quotes", remedy, findings);
                None
            }
        }
    }

    fn schema(&self) -> Json {
        json!({ "type": ["number", "string"] })
    }
}

//! Single values: each reader gives a value of its type, or reports why not.

use super::At;
use crate::interval;
use crate::kind::Kind;
use crate::near;
use crate::place::Place;
use crate::report::Findings;
use crate::unit::{self, Trouble};
use tenterhook_plan::declare::Unit;
use toml::de::{DeInteger, DeValue};

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

pub(crate) fn string(item: &Item<'_>, findings: &mut Findings) -> Option<String> {
    match item.value {
        DeValue::String(text) => Some(text.to_string()),
        _ => {
            item.refuse("text in quotes", format!("write {} = \"…\"", item.key), findings);
            None
        }
    }
}

pub(crate) fn boolean(item: &Item<'_>, findings: &mut Findings) -> Option<bool> {
    match item.value {
        DeValue::Boolean(value) => Some(*value),
        _ => {
            item.refuse("true or false", format!("write {} = true", item.key), findings);
            None
        }
    }
}

fn integer(integer: &DeInteger<'_>) -> Option<i64> {
    i64::from_str_radix(integer.as_str(), integer.radix()).ok()
}

/// A bare number, whole or not. The reader of TOML lets through no number that Rust cannot read.
fn bare(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Integer(number) => integer(number).map(|number| number as f64),
        DeValue::Float(number) => number.as_str().parse().ok(),
        _ => None,
    }
}

/// A whole number in a range.
pub(crate) fn whole(least: i64, most: i64) -> impl Fn(&Item<'_>, &mut Findings) -> Option<i64> {
    move |item, findings| match item.value {
        DeValue::Integer(number) => {
            let value = integer(number).filter(|value| (least..=most).contains(value));
            if value.is_none() {
                let message = format!("{number} is outside what \"{}\" takes", item.key);
                findings.add(Kind::OutOfRange, item.place, message, format!("write a number from {least} to {most}"));
            }
            value
        }
        _ => {
            item.refuse("a whole number", format!("write a bare number from {least} to {most}"), findings);
            None
        }
    }
}

/// A quantity in a range, in the unit in which numbers are kept.
pub(crate) fn quantity(unit: Unit, least: f64, most: f64) -> impl Fn(&Item<'_>, &mut Findings) -> Option<f64> {
    move |item, findings| {
        let value = if unit == Unit::Number { plain(item, findings) } else { with_unit(item, unit, findings) }?;
        if (least..=most).contains(&value) {
            return Some(value);
        }
        let quotes = if unit == Unit::Number { "" } else { "\"" };
        let spell = |value| format!("{quotes}{}{quotes}", unit::spell(unit, value));
        let message = format!("{} is outside what \"{}\" takes", unit::spell(unit, value), item.key);
        let remedy = format!("write something from {} to {}", spell(least), spell(most));
        findings.add(Kind::OutOfRange, item.place, message, remedy);
        None
    }
}

fn plain(item: &Item<'_>, findings: &mut Findings) -> Option<f64> {
    let value = bare(item.value);
    if value.is_none() {
        let remedy = match item.value {
            DeValue::String(text) if text.trim().parse::<f64>().is_ok() => {
                format!("write {} without quotes", text.trim())
            }
            _ => format!("write {} = 1, say", item.key),
        };
        item.refuse("a bare number", remedy, findings);
    }
    value
}

fn with_unit(item: &Item<'_>, unit: Unit, findings: &mut Findings) -> Option<f64> {
    let example = |number: f64| format!("write \"{}\"", unit::spell(unit, number));
    let measures = unit::measures(unit);
    let no_unit = |number: f64, findings: &mut Findings| {
        let message = format!("\"{}\" is {measures} and needs its unit", item.key);
        // Not `spell`: who writes 0.5 should read "0.5 s".
        let remedy = match unit {
            Unit::Seconds => format!("write \"{number} s\" or \"{number} ms\""),
            _ => example(number),
        };
        findings.add(Kind::MissingUnit, item.place, message, remedy);
    };
    match item.value {
        DeValue::String(text) => match unit::parse(text, unit) {
            Ok(value) => return Some(value),
            Err(Trouble::NoUnit(number)) => no_unit(number, findings),
            Err(Trouble::OtherUnit(number)) => {
                let message = format!("\"{}\" is {measures}, and \"{text}\" has no unit of one", item.key);
                findings.add(Kind::WrongUnit, item.place, message, example(number));
            }
            Err(Trouble::NoNumber) => {
                let message = format!("\"{}\" is {measures}, and \"{text}\" does not begin with a number", item.key);
                findings.add(Kind::NotANumber, item.place, message, format!("{}, say", example(2.0)));
            }
        },
        DeValue::Integer(_) | DeValue::Float(_) => match bare(item.value) {
            Some(number) => no_unit(number, findings),
            None => no_unit(2.0, findings),
        },
        _ => item.refuse(&format!("{measures} in quotes"), format!("{}, say", example(2.0)), findings),
    }
    None
}

/// An interval in a range, in cents.
pub(crate) fn interval(least: f64, most: f64) -> impl Fn(&Item<'_>, &mut Findings) -> Option<f64> {
    move |item, findings| {
        let text = string(item, findings)?;
        let Some(cents) = interval::parse(&text) else {
            let message = format!("\"{}\" is an interval, and \"{text}\" is none", item.key);
            let remedy = match near::nearest(&text, interval::names()) {
                Some(near) => format!("did you mean \"{near}\"?"),
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
}

/// One of a few words; gives its place among them.
pub(crate) fn word<'w>(words: &'w [&'w str]) -> impl Fn(&Item<'_>, &mut Findings) -> Option<usize> + 'w {
    move |item, findings| {
        let text = string(item, findings)?;
        let found = words.iter().position(|word| *word == text);
        if found.is_none() {
            let message = format!("\"{}\" knows no \"{text}\"", item.key);
            let remedy = near::remedy(&text, "words", words.iter().copied());
            findings.add(Kind::UnknownWord, item.place, message, remedy);
        }
        found
    }
}

/// One name or a list of names.
pub(crate) fn names(item: &Item<'_>, findings: &mut Findings) -> Option<Vec<At<String>>> {
    match item.value {
        DeValue::Array(_) => list(item, findings),
        DeValue::String(name) => Some(vec![At { value: name.to_string(), place: item.place, key: item.key_place }]),
        _ => {
            item.refuse("a name or a list of names", format!("write {} = [\"…\"]", item.key), findings);
            None
        }
    }
}

/// A list of names. A wrong one is reported and left out.
pub(crate) fn list(item: &Item<'_>, findings: &mut Findings) -> Option<Vec<At<String>>> {
    let DeValue::Array(list) = item.value else {
        item.refuse("a list of names", format!("write {} = [\"…\"]", item.key), findings);
        return None;
    };
    let mut names = Vec::new();
    for entry in list.iter() {
        let place = Place::new(item.place.file, entry.span());
        let entry = Item { value: entry.get_ref(), place, ..*item };
        if let Some(value) = string(&entry, findings) {
            names.push(At { value, place, key: place });
        }
    }
    Some(names)
}

/// A number of OSC, or the text of a level.
pub(crate) fn bare_or_text(item: &Item<'_>, findings: &mut Findings) -> Option<Result<f64, String>> {
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
            item.refuse("a number, or a level in quotes", format!("write {} = 0.0 or \"-50 dB\"", item.key), findings);
            None
        }
    }
}

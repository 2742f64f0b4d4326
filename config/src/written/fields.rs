//! A table's keys: each is asked for by its name, and what nobody asked for is an error.

use super::value::Item;
use super::{At, Named, Said};
use crate::kind::Kind;
use crate::near;
use crate::place::Place;
use crate::report::Findings;
use toml::de::{DeTable, DeValue};

/// A table while it is being read.
pub(crate) struct Fields<'t> {
    table: &'t DeTable<'t>,
    file: usize,
    known: Vec<&'static str>,
}

impl<'t> Fields<'t> {
    pub fn new(table: &'t DeTable<'t>, file: usize) -> Self {
        Self { table, file, known: Vec::new() }
    }

    /// What a key says, as it is.
    pub fn item(&mut self, key: &'static str) -> Option<Item<'t>> {
        self.known.push(key);
        items(self.table, self.file).find(|item| item.key == key)
    }

    /// What a key says, read by a reader of values.
    pub fn get<T>(
        &mut self,
        key: &'static str,
        findings: &mut Findings,
        read: impl Fn(&Item<'t>, &mut Findings) -> Option<T>,
    ) -> Said<T> {
        match self.item(key) {
            None => Said::Nothing,
            Some(item) => match read(&item, findings) {
                None => Said::Wrong,
                Some(value) => Said::Value(At { value, place: item.place, key: item.key_place }),
            },
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

    /// A table of named things, in the order of the file; empty if the key is not there.
    pub fn named<T>(
        &mut self,
        key: &'static str,
        findings: &mut Findings,
        read: impl Fn(&Item<'t>, &mut Findings) -> T,
    ) -> Vec<Named<T>> {
        let Some(item) = self.item(key) else { return Vec::new() };
        let DeValue::Table(table) = item.value else {
            item.refuse("a table", format!("write [{key}] and one name on each line below it"), findings);
            return Vec::new();
        };
        items(table, self.file)
            .map(|item| Named { name: item.key.to_owned(), place: item.key_place, what: read(&item, findings) })
            .collect()
    }

    /// Reports all keys that nobody asked for. `what` is the table, in words: "a mic".
    pub fn finish(self, what: &str, findings: &mut Findings) {
        for item in items(self.table, self.file).filter(|item| !self.known.contains(&item.key)) {
            let message = format!("{what} has no key \"{}\"", item.key);
            findings.add(
                Kind::UnknownKey,
                item.key_place,
                message,
                near::remedy(item.key, "keys", self.known.iter().copied()),
            );
        }
    }
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

//! What was written: the tables of a piece or a hall, every value read into its type and kept with its place. Names are
//! not looked up here.

mod controller;
mod effect;
mod fields;
mod hall;
mod like;
mod mend;
mod piece;
mod players;
mod quotes;
mod temperament;
mod value;

pub(crate) use controller::{
    ACTS_BESIDE, ADDRESS_KEYS, End, FINE_CCS, LOUDNESS_DB, SWITCH_CCS, SWITCHES, WrittenController,
};
pub(crate) use effect::{To, WrittenEffect};
pub(crate) use fields::schema;
pub use hall::{DeviceWish, Host};
pub(crate) use hall::{Hall, WrittenLevel};
pub(crate) use like::whole;
pub(crate) use mend::{MendedText, mend};
pub(crate) use piece::{
    CEILING_DB, FADE, MOST_SCENES, TUNING_HZ, WrittenChannel, WrittenGroup, WrittenMic, WrittenOutput, WrittenPiece,
    WrittenScene,
};

pub(crate) use players::WrittenPlayer;

use crate::place::Place;

/// A value with its place, and the place of its key.
#[derive(Clone, Debug)]
pub(crate) struct At<T> {
    pub value: T,
    pub place: Place,
    pub key: Place,
}

/// What a key says.
#[derive(Clone, Debug, Default)]
pub(crate) enum Said<T> {
    /// The key is not there.
    #[default]
    Nothing,
    /// The key is there, but its value was refused: that has been reported already.
    Wrong,
    /// A value.
    Value(At<T>),
}

impl<T> Said<T> {
    /// The value with its place.
    pub fn at(&self) -> Option<&At<T>> {
        match self {
            Said::Value(at) => Some(at),
            Said::Nothing | Said::Wrong => None,
        }
    }

    /// The value.
    pub fn value(&self) -> Option<&T> {
        self.at().map(|at| &at.value)
    }

    /// The same value in other terms.
    pub fn map<U>(self, as_other: impl FnOnce(T) -> U) -> Said<U> {
        match self {
            Said::Nothing => Said::Nothing,
            Said::Wrong => Said::Wrong,
            Said::Value(At { value, place, key }) => Said::Value(At { value: as_other(value), place, key }),
        }
    }

    /// Whether the key is there at all.
    pub fn is_said(&self) -> bool {
        !matches!(self, Said::Nothing)
    }
}

impl<T: Clone> Said<T> {
    /// Takes over what another file says, if it says anything.
    pub fn override_with(&mut self, other: &Said<T>) {
        if other.is_said() {
            *self = other.clone();
        }
    }
}

/// Something under the name that the file gives it.
#[derive(Clone, Debug)]
pub(crate) struct NamedTable<T> {
    pub name: String,
    /// The place of the name.
    pub place: Place,
    pub what: T,
}

//! What an effect says about itself. The parser, the page, the sheet, the law tests and the benchmarks read it here.

use crate::{Recording, Tuning};

/// An effect's declaration.
#[derive(Clone, Copy, Debug)]
pub struct Declaration {
    /// Its name in a piece.
    pub name: &'static str,
    /// What it does, in one sentence.
    pub help: &'static str,
    /// What x, its one controller, does.
    pub x: &'static str,
    /// Whether x says how loud it is, by its square: a `curve` besides would bend it twice.
    pub x_is_loudness: bool,
    /// Its own settings: at most two.
    pub settings: &'static [SettingDeclaration],
    /// What comes out of it.
    pub emits: Emits,
}

/// What an effect makes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Emits {
    /// Sound.
    Audio,
    /// Notes for an instrument.
    Notes,
    /// Numbers for lights or machines.
    Values,
}

/// One setting of an effect.
#[derive(Clone, Copy, Debug)]
pub struct SettingDeclaration {
    /// Its key in a piece.
    pub name: &'static str,
    /// What it does, in one sentence.
    pub help: &'static str,
    /// Its kind, range and default.
    pub kind: Kind,
}

/// The kind of a setting, with what is allowed and what it is when nothing is said.
#[derive(Clone, Copy, Debug)]
pub enum Kind {
    /// A number with a unit.
    Quantity {
        /// The unit of the three numbers.
        unit: Unit,
        /// The least value allowed.
        least: f64,
        /// The greatest value allowed.
        most: f64,
        /// The value if nothing is said.
        default: f64,
    },
    /// One of a few words.
    Choice {
        /// The words, each with what it means.
        words: &'static [(&'static str, &'static str)],
        /// Which of them if nothing is said.
        default: usize,
    },
    /// A sound file by its path, relative to the piece.
    Sound,
    /// A tuning: the path of a spectrum file, relative to the piece, or the names of notes.
    Tuning,
    /// A musical interval.
    Interval {
        /// The least cents allowed: negative is downwards.
        least_cents: f64,
        /// The most cents allowed.
        most_cents: f64,
        /// Cents if nothing is said.
        default_cents: f64,
    },
}

impl Kind {
    /// The setting if nothing is said; `None`: it must be said.
    pub fn default(&self) -> Option<Setting> {
        match *self {
            Kind::Quantity { default, .. } => Some(Setting::Quantity(default)),
            Kind::Choice { default, .. } => Some(Setting::Choice(default)),
            Kind::Sound | Kind::Tuning => None,
            Kind::Interval { default_cents, .. } => Some(Setting::Interval(default_cents)),
        }
    }
}

/// The unit of a quantity, in which its number is kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    /// A plain number, written without quotes.
    Number,
    /// Seconds, written `"2 s"` or `"180 ms"`.
    Seconds,
    /// Decibels, written `"-3 dB"`.
    Decibels,
    /// Hertz, written `"60 Hz"`.
    Hertz,
    /// Metres, written `"14 m"`.
    Metres,
}

/// A setting's value, of the [`Kind`] that its declaration names.
#[derive(Clone, Debug, PartialEq)]
pub enum Setting {
    /// In the declaration's unit, within its range.
    Quantity(f64),
    /// The place of the word in the declaration's list.
    Choice(usize),
    /// What the file holds.
    Sound(Recording),
    /// What it is tuned to.
    Tuning(Tuning),
    /// Cents.
    Interval(f64),
}

impl Setting {
    /// The number of a quantity or an interval; 0 for the other kinds, which no declaration confuses.
    pub fn number(&self) -> f64 {
        match self {
            Setting::Quantity(number) | Setting::Interval(number) => *number,
            Setting::Choice(_) | Setting::Sound(_) | Setting::Tuning(_) => 0.0,
        }
    }
}

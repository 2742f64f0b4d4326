//! The settings of an effect: each is declared once, with its name, range and default, and read by that declaration.

use tenterhook_plan::declare::{Kind, Setting, SettingDeclaration, Unit};
use tenterhook_plan::{Recording, Tuning};

/// A number with a unit.
pub(crate) struct QuantitySetting {
    pub name: &'static str,
    pub help: &'static str,
    pub unit: Unit,
    pub least: f64,
    pub most: f64,
    pub default: f64,
}

/// One of a few words, each with the value that it stands for and what it means; the first if nothing is said.
pub(crate) struct ChoiceSetting<T: 'static, const N: usize> {
    pub name: &'static str,
    pub help: &'static str,
    pub words: [(T, &'static str, &'static str); N],
}

/// A musical interval, in cents.
pub(crate) struct IntervalSetting {
    pub name: &'static str,
    pub help: &'static str,
    pub least: f64,
    pub most: f64,
    pub default: f64,
}

/// A recording; it must be said.
pub(crate) struct SoundSetting {
    pub name: &'static str,
    pub help: &'static str,
}

/// A tuning; it must be said.
pub(crate) struct TuningSetting {
    pub name: &'static str,
    pub help: &'static str,
}

impl QuantitySetting {
    /// Its declaration, as parser, schema and page read it.
    pub const fn declare(&self) -> SettingDeclaration {
        let Self { name, help, unit, least, most, default } = *self;
        SettingDeclaration { name, help, kind: Kind::Quantity { unit, least, most, default } }
    }
}

impl<T: Copy, const N: usize> ChoiceSetting<T, N> {
    /// Its words as a declaration has them.
    #[expect(clippy::indexing_slicing, reason = "there are N of both; worked out by the compiler")]
    pub const fn texts(&self) -> [(&'static str, &'static str); N] {
        let mut texts = [("", ""); N];
        let mut place = 0;
        while place < N {
            texts[place] = (self.words[place].1, self.words[place].2);
            place += 1;
        }
        texts
    }

    /// Its declaration, with its own [`texts`](Choice::texts).
    pub const fn declare(&self, texts: &'static [(&'static str, &'static str); N]) -> SettingDeclaration {
        SettingDeclaration { name: self.name, help: self.help, kind: Kind::Choice { words: texts, default: 0 } }
    }
}

impl IntervalSetting {
    /// Its declaration, as parser, schema and page read it.
    pub const fn declare(&self) -> SettingDeclaration {
        let Self { name, help, least, most, default } = *self;
        SettingDeclaration {
            name,
            help,
            kind: Kind::Interval { least_cents: least, most_cents: most, default_cents: default },
        }
    }
}

impl SoundSetting {
    /// Its declaration, as parser, schema and page read it.
    pub const fn declare(&self) -> SettingDeclaration {
        SettingDeclaration { name: self.name, help: self.help, kind: Kind::Sound }
    }
}

impl TuningSetting {
    /// Its declaration, as parser, schema and page read it.
    pub const fn declare(&self) -> SettingDeclaration {
        SettingDeclaration { name: self.name, help: self.help, kind: Kind::Tuning }
    }
}

/// What a piece says of one effect's settings, to be read by their declarations.
#[derive(Clone, Copy)]
pub struct Given<'a> {
    pub(super) declared: &'static [SettingDeclaration],
    pub(super) values: &'a [Setting],
    /// Samples a second.
    pub(super) rate: u32,
}

impl<'a> Given<'a> {
    fn get(&self, name: &str) -> Option<&'a Setting> {
        let place = self.declared.iter().position(|declared| declared.name == name);
        place.and_then(|place| self.values.get(place))
    }

    pub(crate) fn number(&self, of: &QuantitySetting) -> f64 {
        match self.get(of.name) {
            Some(Setting::Quantity(number)) => *number,
            _ => of.default,
        }
    }

    pub(crate) fn cents(&self, of: &IntervalSetting) -> f64 {
        match self.get(of.name) {
            Some(Setting::Interval(cents)) => *cents,
            _ => of.default,
        }
    }

    pub(crate) fn choice<T: Copy + Default, const N: usize>(&self, of: &ChoiceSetting<T, N>) -> T {
        let word = match self.get(of.name) {
            Some(Setting::Choice(place)) => of.words.get(*place),
            _ => None,
        };
        word.map(|(value, ..)| *value).unwrap_or_default()
    }

    pub(crate) fn sound(&self, of: &SoundSetting) -> Option<&'a Recording> {
        match self.get(of.name) {
            Some(Setting::Sound(recording)) => Some(recording),
            _ => None,
        }
    }

    pub(crate) fn tuning(&self, of: &TuningSetting) -> Option<&'a Tuning> {
        match self.get(of.name) {
            Some(Setting::Tuning(tuning)) => Some(tuning),
            _ => None,
        }
    }
}

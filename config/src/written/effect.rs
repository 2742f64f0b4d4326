//! An effect of a scene. Its own settings are read by what it declares.

use super::fields::{Fields, items};
use super::value::{self, Item};
use super::{At, Said};
use crate::kind::Kind;
use crate::near;
use crate::place::Place;
use crate::report::Findings;
use tenterhook_dsp::effects::{EFFECTS, named};
use tenterhook_plan::declare::{self, Declaration, Setting, SettingDeclaration, Unit};
use tenterhook_plan::{Recording, Tuning};
use toml::de::DeValue;

/// An effect as written.
#[derive(Clone, Debug)]
pub(crate) struct Effect {
    /// Its key.
    pub key: String,
    /// The place of its key.
    pub place: Place,
    /// Which effect it is; `None`: that has been reported already.
    pub declaration: Option<&'static Declaration>,
    pub by: Said<String>,
    pub to: Said<To>,
    pub level: Said<f64>,
    pub after: Said<String>,
    pub each: Said<bool>,
    /// Its own settings in the order of its declaration, those that are not said by default, each with its place. What
    /// a file holds is not known yet.
    pub settings: Vec<(Setting, Place)>,
}

/// Where an effect sounds.
#[derive(Clone, Debug)]
pub(crate) enum To {
    /// In these outputs, at equal levels.
    List(Vec<At<String>>),
    /// In these outputs, each at a level in dB.
    Levels(Vec<(At<String>, f64)>),
}

/// The names of all effects.
pub(crate) fn effect_names() -> impl Iterator<Item = &'static str> {
    EFFECTS.iter().map(|effect| effect.declaration.name)
}

/// Reads the effect under a key of a mic or a group.
pub(crate) fn read(item: &Item<'_>, findings: &mut Findings) -> Option<Effect> {
    let DeValue::Table(table) = item.value else {
        item.refuse("a table", format!("write {} = {{ by = \"…\" }}", item.key), findings);
        return None;
    };
    let mut fields = Fields::new(table, item.place.file);
    let effect = fields.get("effect", findings, value::string);
    let declaration = declaration(item, &effect, findings);
    let mut effect = Effect {
        key: item.key.to_owned(),
        place: item.key_place,
        declaration,
        by: fields.get("by", findings, value::string),
        to: fields.get("to", findings, to),
        level: fields.get("level", findings, value::quantity(Unit::Decibels, -120.0, 24.0)),
        after: fields.get("after", findings, value::string),
        each: fields.get("each", findings, value::boolean),
        settings: Vec::new(),
    };
    // The keys of an unknown effect cannot be judged.
    if let Some(declaration) = declaration {
        for setting in declaration.settings {
            effect.settings.extend(read_setting(setting, &mut fields, item.key_place, findings));
        }
        fields.finish(&format!("the effect \"{}\"", declaration.name), findings);
    }
    Some(effect)
}

/// Which effect it is: the one that its key names, or that `effect` says.
fn declaration(item: &Item<'_>, effect: &Said<String>, findings: &mut Findings) -> Option<&'static Declaration> {
    match (named(item.key), effect) {
        (Some(found), Said::Nothing) => Some(&found.declaration),
        (Some(found), _) => {
            if let Said::Value(said) = effect {
                let message = format!("\"effect\" does nothing here: the key \"{0}\" is the effect {0}", item.key);
                let remedy = format!("leave it out, or give this {} a key of its own", said.value);
                findings.add(Kind::UselessKey, said.key, message, remedy);
            }
            Some(&found.declaration)
        }
        (None, Said::Value(said)) => {
            let found = named(&said.value);
            if found.is_none() {
                let remedy = near::remedy(&said.value, "effects", effect_names());
                findings.add(Kind::UnknownEffect, said.place, format!("there is no effect \"{}\"", said.value), remedy);
            }
            found.map(|found| &found.declaration)
        }
        (None, Said::Wrong) => None,
        (None, Said::Nothing) => {
            let message = format!("\"{}\" is no effect, and nothing says which effect it is", item.key);
            let near = near::remedy(item.key, "effects", effect_names());
            findings.add(
                Kind::UnknownEffect,
                item.key_place,
                message,
                format!("{near} (a key of your own needs effect = \"…\" beside it)"),
            );
            None
        }
    }
}

/// What a setting says, or its default.
fn read_setting(
    setting: &'static SettingDeclaration,
    fields: &mut Fields<'_>,
    effect: Place,
    findings: &mut Findings,
) -> Option<(Setting, Place)> {
    let said = fields.get(setting.name, findings, |item, findings| match setting.kind {
        declare::Kind::Quantity { unit, least, most, .. } => {
            value::quantity(unit, least, most)(item, findings).map(Setting::Quantity)
        }
        declare::Kind::Choice { words, .. } => {
            let words: Vec<_> = words.iter().map(|(word, _)| *word).collect();
            value::word(&words)(item, findings).map(Setting::Choice)
        }
        declare::Kind::Sound => {
            value::string(item, findings).map(|path| Setting::Sound(Recording { path, rate: 0, samples: [].into() }))
        }
        declare::Kind::Tuning => {
            value::string(item, findings).map(|said| Setting::Tuning(Tuning { said, partials: Vec::new() }))
        }
        declare::Kind::Interval { least_cents, most_cents, .. } => {
            value::interval(least_cents, most_cents)(item, findings).map(Setting::Interval)
        }
    });
    match said {
        Said::Value(at) => Some((at.value, at.place)),
        Said::Wrong => None,
        Said::Nothing => {
            let default = setting.kind.default();
            if default.is_none() {
                let message = format!("this effect needs \"{}\"", setting.name);
                findings.add(
                    Kind::MissingKey,
                    effect,
                    message,
                    format!("write {} = \"…\": {}", setting.name, setting.help),
                );
            }
            default.map(|default| (default, effect))
        }
    }
}

/// Outputs: a list of names, or a table of levels.
fn to(item: &Item<'_>, findings: &mut Findings) -> Option<To> {
    match item.value {
        DeValue::Array(_) => value::list(item, findings).map(To::List),
        DeValue::Table(table) => {
            let mut levels = Vec::new();
            for item in items(table, item.place.file) {
                let level = value::quantity(Unit::Decibels, -120.0, 24.0)(&item, findings).unwrap_or(0.0);
                levels.push((At { value: item.key.to_owned(), place: item.key_place, key: item.key_place }, level));
            }
            Some(To::Levels(levels))
        }
        DeValue::String(name) => {
            item.refuse("a list of outputs or a table of levels", format!("write to = [\"{name}\"]"), findings);
            None
        }
        _ => {
            let remedy = "write to = [\"left\", \"right\"] or to = { left = \"0 dB\", right = \"-9 dB\" }";
            item.refuse("a list of outputs or a table of levels", remedy, findings);
            None
        }
    }
}

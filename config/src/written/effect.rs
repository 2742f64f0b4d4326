//! An effect of a scene. Its own settings are read by what it declares.

use super::fields::{self, Fields, items};
use super::value::{Flag, Interval, Item, List, Quantity, Shape, TextShape, WordShape, defined};
use super::{At, Said};
use crate::kind::Kind;
use crate::near;
use crate::place::Place;
use crate::report::Findings;
use serde_json::{Map, Value as Json, json};
use tenterhook_dsp::effects::{EFFECTS, named};
use tenterhook_plan::declare::{self, Declaration, Setting, SettingDeclaration, Unit};
use tenterhook_plan::{Recording, Tuning};
use toml::de::DeValue;

/// An effect as written.
#[derive(Clone, Debug)]
pub(crate) struct WrittenEffect {
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

/// What a scene writes of a mic or a group.
#[derive(Clone, Debug, Default)]
pub(crate) struct WrittenPart {
    pub effects: Vec<WrittenEffect>,
    /// The keys of lines that are not to be taken over, each with its place.
    pub taken_away: Vec<(String, Place)>,
}

/// The effects of a mic or a group.
pub(super) struct Effects;

impl Shape for Effects {
    type Value = WrittenPart;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<WrittenPart> {
        let DeValue::Table(table) = item.value else {
            let remedy = format!("write [scene.mic.{}] and its effects below it", item.key);
            item.refuse("a table of effects", remedy, findings);
            return None;
        };
        let mut part = WrittenPart::default();
        for item in items(table, item.place.file) {
            if matches!(item.value, DeValue::String(text) if text == NONE) {
                part.taken_away.push((item.key.to_owned(), item.key_place));
            } else {
                part.effects.extend(read(&item, findings));
            }
        }
        Some(part)
    }

    /// A key that is an effect's name is that effect; any other says which it is.
    fn schema(&self) -> Json {
        let mut named = Map::new();
        let mut others = Vec::new();
        for Declaration { name, help, x, settings, .. } in EFFECTS.iter().map(|effect| effect.declaration) {
            let mut schema =
                fields::schema(|fields, findings| EffectKeys::read(fields, settings, Place::beginning(0), findings));
            schema["description"] = format!("{help} Its controller: {x}.").into();
            or_none(&mut schema);
            schema["dependentSchemas"] =
                json!({ "level": { "properties": { "to": { "minItems": 1, "minProperties": 1 } } } });
            named.insert(name.to_owned(), schema.clone());
            schema["properties"]["effect"] = true.into();
            others.push(json!({ "if": { "properties": { "effect": { "const": name } } }, "then": schema }));
        }
        let words: Vec<_> = EFFECTS
            .iter()
            .map(|effect| (effect.declaration.name, effect.declaration.help.trim_end_matches('.')))
            .collect();
        let which = WordShape { words: &words, usual: None };
        let mut other = json!({
            "type": "object",
            "properties": { "effect": which.schema() },
            "required": ["effect"],
            // An effect that there is not has no keys to judge.
            "if": { "properties": { "effect": { "enum": words.iter().map(|(word, _)| word).collect::<Vec<_>>() } } },
            "then": { "allOf": others },
        });
        or_none(&mut other);
        json!({
            "type": "object",
            "propertyNames": defined("plain"),
            "properties": named,
            "additionalProperties": other,
        })
    }
}

/// What takes a line away that would be taken over.
const NONE: &str = "none";

/// Lets a schema of an effect take that as well.
fn or_none(schema: &mut Json) {
    schema["type"] = json!(["object", "string"]);
    schema["pattern"] = format!("^{NONE}$").into();
}

/// What the keys of an effect say, whichever it is.
struct EffectKeys {
    by: Said<String>,
    to: Said<To>,
    level: Said<f64>,
    after: Said<String>,
    each: Said<bool>,
    settings: Vec<(Setting, Place)>,
}

impl EffectKeys {
    fn read(
        fields: &mut Fields<'_>,
        settings: &'static [SettingDeclaration],
        effect: Place,
        findings: &mut Findings,
    ) -> Self {
        let by = "The controller that works it, or \"scene\": up when the scene fires, down when it leaves.";
        let to = "Where it sounds: a list of outputs, at equal levels, or a table of levels.";
        let after = "The key of another effect of this mic or group, whose sound it takes in.";
        let each = "In a group: whether it is made once for each mic.";
        let mut keys = EffectKeys {
            by: fields.need("by", by, &TextShape::Controller, findings),
            to: fields.get("to", to, &SendsShape, findings),
            level: fields.get("level", "How loud it is.", &LEVEL.usually(0.0), findings),
            after: fields.get("after", after, &TextShape::Any, findings),
            each: fields.get("each", each, &Flag, findings),
            settings: Vec::new(),
        };
        for setting in settings {
            keys.settings.extend(read_setting(setting, fields, effect, findings));
        }
        keys
    }
}

/// What an effect or a send may be turned up or down by.
const LEVEL: Quantity = Quantity::new(Unit::Decibels, -120.0, 24.0);

/// Reads the effect under a key of a mic or a group.
fn read(item: &Item<'_>, findings: &mut Findings) -> Option<WrittenEffect> {
    let DeValue::Table(table) = item.value else {
        if !fields::belongs_above(item, true, "the effects of a mic or group", findings) {
            let also = match item.value {
                DeValue::String(_) => ", or \"none\" to take a line away that is taken over",
                _ => "",
            };
            item.refuse("a table", format!("write {} = {{ by = \"…\" }}{also}", item.key), findings);
        }
        return None;
    };
    let mut fields = Fields::new(table, item.place.file);
    let effect = fields.get("effect", "Which effect it is.", &TextShape::Any, findings);
    let declaration = declaration(item, &effect, findings);
    let settings = declaration.map_or(&[][..], |declaration| declaration.settings);
    let EffectKeys { by, to, level, after, each, settings } =
        EffectKeys::read(&mut fields, settings, item.key_place, findings);
    // The keys of an unknown effect cannot be judged.
    if let Some(declaration) = declaration {
        fields.finish(&format!("the effect \"{}\"", declaration.name), findings);
    }
    let (key, place) = (item.key.to_owned(), item.key_place);
    Some(WrittenEffect { key, place, declaration, by, to, level, after, each, settings })
}

/// What people look for among the effects, and what a mixing desk has for every channel. Common practice, no source.
const OF_THE_DESK: [&str; 10] =
    ["reverb", "room", "eq", "equaliser", "equalizer", "compressor", "gate", "deesser", "pan", "delay"];

/// Reports an effect that is none of ours but the mixing desk's.
fn is_of_the_desk(name: &str, place: Place, findings: &mut Findings) -> bool {
    if !OF_THE_DESK.contains(&name.to_lowercase().as_str()) {
        return false;
    }
    let message = format!("\"{name}\" is no effect of a piece: it is the mixing desk's work");
    let effects = near::remedy("", "effects", effect_names());
    let remedy = format!("leave it out, and let the desk add it to the outputs; {effects}");
    findings.add(Kind::UnknownEffect, place, message, remedy);
    true
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
            if found.is_none() && !is_of_the_desk(&said.value, said.place, findings) {
                let remedy = near::remedy(&said.value, "effects", effect_names());
                findings.add(Kind::UnknownEffect, said.place, format!("there is no effect \"{}\"", said.value), remedy);
            }
            found.map(|found| &found.declaration)
        }
        (None, Said::Wrong) => None,
        (None, Said::Nothing) if is_of_the_desk(item.key, item.key_place, findings) => None,
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
    let SettingDeclaration { name, help, kind } = setting;
    let said = match *kind {
        declare::Kind::Quantity { unit, least, most, default } => {
            let quantity = Quantity::new(unit, least, most).usually(default);
            fields.get(name, help, &quantity, findings).map(Setting::Quantity)
        }
        declare::Kind::Choice { words, default } => {
            fields.get(name, help, &WordShape { words, usual: Some(default) }, findings).map(Setting::Choice)
        }
        declare::Kind::Sound => fields
            .need(name, help, &TextShape::Any, findings)
            .map(|path| Setting::Sound(Recording { path, rate: 0, tuned: 1.0, samples: [].into() })),
        declare::Kind::Tuning => fields
            .need(name, help, &TextShape::Tuning, findings)
            .map(|said| Setting::Tuning(Tuning { said, partials: Vec::new() })),
        declare::Kind::Interval { least_cents: least, most_cents: most, default_cents: usual } => {
            fields.get(name, help, &Interval { least, most, usual }, findings).map(Setting::Interval)
        }
    };
    match said {
        Said::Value(at) => Some((at.value, at.place)),
        Said::Wrong => None,
        Said::Nothing => {
            let default = kind.default();
            if default.is_none() {
                let message = format!("this effect needs \"{name}\"");
                findings.add(Kind::MissingKey, effect, message, format!("write {name} = \"…\": {help}"));
            }
            default.map(|default| (default, effect))
        }
    }
}

/// Outputs: a list of names, or a table of levels.
struct SendsShape;

impl Shape for SendsShape {
    type Value = To;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<To> {
        match item.value {
            DeValue::Array(_) => List { least: 0 }.read(item, findings).map(To::List),
            DeValue::Table(table) => {
                let mut levels = Vec::new();
                for item in items(table, item.place.file) {
                    let level = LEVEL.read(&item, findings).unwrap_or(0.0);
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

    fn schema(&self) -> Json {
        let mut schema = List { least: 0 }.schema();
        schema["type"] = json!(["array", "object"]);
        schema["additionalProperties"] = LEVEL.schema();
        schema
    }
}

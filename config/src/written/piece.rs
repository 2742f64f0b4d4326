//! The tables of a piece.

use super::effect::{self, Effect};
use super::fields::{Fields, items};
use super::value::{self, Item};
use super::{At, Named, Said};
use crate::kind::Kind;
use crate::place::Place;
use crate::report::Findings;
use tenterhook_plan::Curve;
use tenterhook_plan::declare::Unit;
use toml::de::{DeTable, DeValue};

/// The number of channels that a device may have.
const CHANNELS: i64 = 1024;

/// A piece as written.
#[derive(Clone, Debug, Default)]
pub(crate) struct Piece {
    pub title: Said<String>,
    pub tuning: Said<f64>,
    pub next: Said<String>,
    pub back: Said<String>,
    pub hush: Said<String>,
    pub tables: Tables,
    pub groups: Vec<Named<Group>>,
    pub scenes: Vec<Scene>,
}

/// The tables that a piece and a hall both have.
#[derive(Clone, Debug, Default)]
pub(crate) struct Tables {
    pub mics: Vec<Named<Mic>>,
    pub outputs: Vec<Named<Output>>,
    pub controllers: Vec<Named<Controller>>,
}

/// The channel of a mic or an output.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Channel {
    /// A channel, counted from 1.
    Number(u16),
    /// `"none"`, which only a hall may say.
    None,
}

#[derive(Clone, Debug, Default)]
pub(crate) struct Mic {
    pub input: Said<Channel>,
    pub trim: Said<f64>,
    pub highpass: Said<f64>,
    pub inverted: Said<bool>,
    pub home: Said<Vec<At<String>>>,
}

#[derive(Clone, Debug, Default)]
pub(crate) struct Group {
    pub mics: Said<Vec<At<String>>>,
}

#[derive(Clone, Debug, Default)]
pub(crate) struct Output {
    pub channel: Said<Channel>,
    pub ceiling: Said<f64>,
    pub private: Said<bool>,
}

#[derive(Clone, Debug, Default)]
pub(crate) struct Controller {
    pub cc: Said<u8>,
    pub note: Said<u8>,
    pub key: Said<String>,
    pub osc: Said<String>,
    pub loudness: Said<String>,
    pub from: Said<End>,
    pub to: Said<End>,
    /// Counted from 1.
    pub channel: Said<u8>,
    pub port: Said<String>,
    pub switch: Said<bool>,
    pub curve: Said<Curve>,
    pub latch: Said<bool>,
    pub rise: Said<f64>,
    pub fall: Said<f64>,
}

/// One end of a controller's range: a number (of OSC), or the text of a level (of a loudness).
pub(crate) type End = Result<f64, String>;

/// The names of the keys that say what reaches a controller.
pub(crate) const ADDRESS_KEYS: [&str; 5] = ["cc", "note", "key", "osc", "loudness"];

/// What a piece cannot do without.
const NEEDED: [(Kind, &str, &str, &str); 3] = [
    (Kind::NoMics, "mics", "mics", "write [mics] and, below it, voice = 1"),
    (Kind::NoOutputs, "outputs", "outputs", "write [outputs] and, below it, left = 1 and right = 2"),
    (Kind::NoScenes, "scene", "scenes", "write [[scene]] and, below it, mark = \"A\""),
];

#[derive(Clone, Debug)]
pub(crate) struct Scene {
    pub mark: Said<String>,
    pub name: Said<String>,
    pub bar: Said<i64>,
    pub cue: Said<String>,
    pub fade: Said<f64>,
    /// The effects, by the name of their mic or group.
    pub parts: Vec<Named<Vec<Effect>>>,
    /// The place of its header.
    pub place: Place,
}

impl Piece {
    /// Reads a piece.
    pub fn read(table: &DeTable<'_>, file: usize, findings: &mut Findings) -> Self {
        let mut fields = Fields::new(table, file);
        let piece = Piece {
            title: fields.get("title", findings, value::string),
            tuning: fields.get("tuning", findings, value::quantity(Unit::Hertz, 200.0, 900.0)),
            next: fields.get("next", findings, value::string),
            back: fields.get("back", findings, value::string),
            hush: fields.get("hush", findings, value::string),
            tables: Tables::read(&mut fields, false, findings),
            groups: fields
                .named("groups", findings, |item, findings| Group { mics: said(item, findings, value::list) }),
            scenes: scenes(fields.item("scene"), findings),
        };
        for (kind, key, what, remedy) in NEEDED {
            if fields.is_empty(key) {
                findings.add(kind, Place::beginning(file), format!("this piece has no {what}"), remedy);
            }
        }
        fields.finish("a piece", findings);
        piece
    }
}

impl Tables {
    /// Reads the tables that a piece and a hall share. `hall`: whether `"none"` may be said.
    pub fn read(fields: &mut Fields<'_>, hall: bool, findings: &mut Findings) -> Self {
        Tables {
            mics: fields.named("mics", findings, |item, findings| Mic::read(item, hall, findings)),
            outputs: fields.named("outputs", findings, |item, findings| Output::read(item, hall, findings)),
            controllers: fields.named("controllers", findings, Controller::read),
        }
    }
}

/// A value that stands directly under a name.
fn said<T>(item: &Item<'_>, findings: &mut Findings, read: impl Fn(&Item<'_>, &mut Findings) -> Option<T>) -> Said<T> {
    match read(item, findings) {
        Some(value) => Said::Value(At { value, place: item.place, key: item.key_place }),
        None => Said::Wrong,
    }
}

/// A channel: a number from 1, in a hall also `"none"`.
fn channel(hall: bool) -> impl Fn(&Item<'_>, &mut Findings) -> Option<Channel> {
    move |item, findings| match item.value {
        DeValue::String(text) if text == "none" && hall => Some(Channel::None),
        DeValue::String(text) if text == "none" => {
            let message = format!("a piece cannot leave \"{}\" out", item.key);
            findings.add(Kind::NoneInPiece, item.place, message, "write a channel here, and \"none\" in a hall file");
            None
        }
        _ => {
            let number = value::whole(1, CHANNELS)(item, findings)?;
            u16::try_from(number).ok().map(Channel::Number)
        }
    }
}

impl Mic {
    fn read(item: &Item<'_>, hall: bool, findings: &mut Findings) -> Self {
        let DeValue::Table(table) = item.value else {
            return Mic { input: said(item, findings, channel(hall)), ..Mic::default() };
        };
        let mut fields = Fields::new(table, item.place.file);
        let mic = Mic {
            input: fields.get("input", findings, channel(hall)),
            trim: fields.get("trim", findings, value::quantity(Unit::Decibels, -60.0, 60.0)),
            highpass: fields.get("highpass", findings, value::quantity(Unit::Hertz, 10.0, 2000.0)),
            inverted: fields.get("polarity", findings, |item, findings| {
                value::word(&["normal", "inverted"])(item, findings).map(|word| word == 1)
            }),
            home: fields.get("home", findings, value::names),
        };
        fields.finish("a mic", findings);
        mic
    }
}

impl Output {
    fn read(item: &Item<'_>, hall: bool, findings: &mut Findings) -> Self {
        let DeValue::Table(table) = item.value else {
            return Output { channel: said(item, findings, channel(hall)), ..Output::default() };
        };
        let mut fields = Fields::new(table, item.place.file);
        let output = Output {
            channel: fields.get("output", findings, channel(hall)),
            ceiling: fields.get("ceiling", findings, value::quantity(Unit::Decibels, -60.0, 0.0)),
            private: fields.get("private", findings, value::boolean),
        };
        fields.finish("an output", findings);
        output
    }
}

impl Controller {
    fn read(item: &Item<'_>, findings: &mut Findings) -> Self {
        let DeValue::Table(table) = item.value else {
            item.refuse("a table", format!("write {} = {{ cc = 64 }}, say", item.key), findings);
            return Controller::default();
        };
        let byte = |least, most| {
            move |item: &Item<'_>, findings: &mut Findings| {
                value::whole(least, most)(item, findings).and_then(|value| u8::try_from(value).ok())
            }
        };
        let time = || value::quantity(Unit::Seconds, 0.0, 600.0);
        let mut fields = Fields::new(table, item.place.file);
        let controller = Controller {
            cc: fields.get("cc", findings, byte(0, 127)),
            note: fields.get("note", findings, byte(0, 127)),
            key: fields.get("key", findings, value::string),
            osc: fields.get("osc", findings, value::string),
            loudness: fields.get("loudness", findings, value::string),
            from: fields.get("from", findings, value::bare_or_text),
            to: fields.get("to", findings, value::bare_or_text),
            channel: fields.get("channel", findings, byte(1, 16)),
            port: fields.get("port", findings, value::string),
            switch: fields.get("switch", findings, value::boolean),
            curve: fields.get("curve", findings, |item, findings| {
                let curves = [Curve::Slow, Curve::Even, Curve::Fast];
                value::word(&["slow", "even", "fast"])(item, findings).map(|word| curves[word])
            }),
            latch: fields.get("latch", findings, value::boolean),
            rise: fields.get("rise", findings, time()),
            fall: fields.get("fall", findings, time()),
        };
        fields.finish("a controller", findings);
        controller
    }
}

fn scenes(item: Option<Item<'_>>, findings: &mut Findings) -> Vec<Scene> {
    let Some(item) = item else { return Vec::new() };
    let DeValue::Array(list) = item.value else {
        item.refuse("a list of tables", "write [[scene]] with two brackets", findings);
        return Vec::new();
    };
    let mut scenes = Vec::new();
    for entry in list.iter() {
        let entry = Item { value: entry.get_ref(), place: Place::new(item.place.file, entry.span()), ..item };
        match entry.value {
            DeValue::Table(table) => scenes.push(Scene::read(table, entry.place, findings)),
            _ => entry.refuse("a list of tables", "write [[scene]] with two brackets", findings),
        }
    }
    scenes
}

impl Scene {
    fn read(table: &DeTable<'_>, place: Place, findings: &mut Findings) -> Self {
        let mut fields = Fields::new(table, place.file);
        let scene = Scene {
            mark: fields.get("mark", findings, value::string),
            name: fields.get("name", findings, value::string),
            bar: fields.get("bar", findings, value::whole(-1_000_000, 1_000_000)),
            cue: fields.get("cue", findings, value::string),
            fade: fields.get("fade", findings, value::quantity(Unit::Seconds, 0.0, 600.0)),
            parts: fields.named("mic", findings, |item, findings| match item.value {
                DeValue::Table(table) => {
                    items(table, item.place.file).filter_map(|item| effect::read(&item, findings)).collect()
                }
                _ => {
                    let remedy = format!("write [scene.mic.{}] and its effects below it", item.key);
                    item.refuse("a table of effects", remedy, findings);
                    Vec::new()
                }
            }),
            place,
        };
        fields.finish("a scene", findings);
        scene
    }
}

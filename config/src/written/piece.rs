//! The tables of a piece.

use super::controller::{Controllers, WrittenController};
use super::effect::{Effects, WrittenPart};
use super::fields::{self, Fields};
use super::hall::{Levels, WrittenLevel};
use super::players::{Players, WrittenPlayer};
use super::temperament::TemperamentShape;
use super::value::{Flag, Item, List, NameShape, Quantity, Shape, TextShape, Whole, WordShape};
use super::{At, NamedTable, Said};
use crate::kind::Kind;
use crate::place::Place;
use crate::report::Findings;
use serde_json::{Value as Json, json};
use tenterhook_plan::Temperament;
use tenterhook_plan::declare::Unit;
use toml::de::{DeTable, DeValue};

/// The channels that a device may have.
const CHANNEL: Whole<u16> = Whole { least: 1, most: 1024 };

/// The pitch of a' if a piece says nothing, in Hz: ISO 16.
pub(crate) const TUNING_HZ: f64 = 440.0;

/// How far away a hall may say that a loudspeaker is, in metres.
const FARTHEST_M: f64 = 100.0;

/// The ceiling of an output if a piece says nothing, in dBFS.
pub(crate) const CEILING_DB: f64 = -1.0;

/// How many scenes there may be, and how many of anything that has a name. Ids are 16 bits wide; no piece comes near this.
pub(crate) const MOST_SCENES: usize = 1000;

/// The fade of a scene that says nothing, in seconds.
pub(crate) const FADE: f64 = 0.5;

/// A piece as written.
#[derive(Clone, Debug, Default)]
pub(crate) struct WrittenPiece {
    pub title: Said<String>,
    pub tuning: Said<f64>,
    pub temperament: Said<Temperament>,
    /// What a hall says instead of these two.
    pub in_hall: WrittenPitch,
    pub next: Said<String>,
    pub back: Said<String>,
    pub hush: Said<String>,
    pub tables: Tables,
    pub groups: Vec<NamedTable<WrittenGroup>>,
    pub players: Vec<NamedTable<WrittenPlayer>>,
    pub scenes: Vec<WrittenScene>,
    /// Only a hall may say these.
    pub levels: Vec<WrittenLevel>,
}

/// How a piece or a hall lies in pitch.
#[derive(Clone, Debug, Default)]
pub(crate) struct WrittenPitch {
    pub tuning: Said<f64>,
    pub temperament: Said<Temperament>,
}

impl WrittenPitch {
    /// Reads the two keys, which a piece and a hall share.
    pub fn keys(fields: &mut Fields<'_>, hall: bool, findings: &mut Findings) -> Self {
        let hertz = Quantity::new(Unit::Hertz, 200.0, 900.0);
        let (tuning, temperament) = match hall {
            false => ("The frequency of a'.", "How the other notes stand to a': strings and written notes go by it."),
            true => (
                "The frequency of a' in this hall: strings, spectrum files, the speed of recordings and written notes follow it.",
                "How the other notes stand to a' in this hall.",
            ),
        };
        WrittenPitch {
            tuning: match hall {
                false => fields.get("tuning", tuning, &hertz.usually(TUNING_HZ), findings),
                true => fields.get("tuning", tuning, &hertz, findings),
            },
            temperament: fields.get("temperament", temperament, &TemperamentShape, findings),
        }
    }
}

/// The tables that a piece and a hall both have.
#[derive(Clone, Debug, Default)]
pub(crate) struct Tables {
    pub mics: Vec<NamedTable<WrittenMic>>,
    pub outputs: Vec<NamedTable<WrittenOutput>>,
    pub controllers: Vec<NamedTable<WrittenController>>,
}

/// The channel of a mic or an output.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum WrittenChannel {
    /// A channel, counted from 1.
    Number(u16),
    /// `"none"`, which only a hall may say.
    None,
}

#[derive(Clone, Debug, Default)]
pub(crate) struct WrittenMic {
    pub input: Said<WrittenChannel>,
    pub trim: Said<f64>,
    pub highpass: Said<f64>,
    pub inverted: Said<bool>,
    pub home: Said<Vec<At<String>>>,
}

#[derive(Clone, Debug, Default)]
pub(crate) struct WrittenGroup {
    pub mics: Said<Vec<At<String>>>,
}

#[derive(Clone, Debug, Default)]
pub(crate) struct WrittenOutput {
    pub channel: Said<WrittenChannel>,
    pub ceiling: Said<f64>,
    pub private: Said<bool>,
    /// Only a hall may say these.
    pub shared: Said<bool>,
    pub away: Said<f64>,
}

/// What a piece cannot do without.
const NEEDED: [(Kind, &str, &str, &str); 3] = [
    (Kind::NoMics, "mics", "mics", "write [mics] and, below it, voice = 1"),
    (Kind::NoOutputs, "outputs", "outputs", "write [outputs] and, below it, left = 1 and right = 2"),
    (Kind::NoScenes, "scene", "scenes", "write [[scene]] and, below it, mark = \"A\""),
];

#[derive(Clone, Debug)]
pub(crate) struct WrittenScene {
    pub mark: Said<String>,
    pub name: Said<String>,
    pub bar: Said<i64>,
    pub cue: Said<String>,
    pub fade: Said<f64>,
    /// The mark of the scene whose effects it takes over.
    pub like: Said<String>,
    /// What it writes itself, by the name of a mic or group.
    pub parts: Vec<NamedTable<WrittenPart>>,
    /// The place of its header.
    pub place: Place,
}

impl WrittenPiece {
    /// Reads a piece.
    pub fn read(table: &DeTable<'_>, file: usize, findings: &mut Findings) -> Self {
        fields::read("a piece", table, file, findings, |fields, findings| {
            let piece = WrittenPiece::keys(fields, findings);
            for (kind, key, what, remedy) in NEEDED {
                if fields.is_empty(key) {
                    findings.add(kind, Place::beginning(file), format!("this piece has no {what}"), remedy);
                }
            }
            piece
        })
    }

    /// Asks for all keys of a piece.
    pub fn keys(fields: &mut Fields<'_>, findings: &mut Findings) -> Self {
        let WrittenPitch { tuning, temperament } = WrittenPitch::keys(fields, false, findings);
        let piece = WrittenPiece {
            levels: Vec::new(),
            title: fields.get("title", "The piece's title.", &TextShape::Any, findings),
            tuning,
            temperament,
            in_hall: WrittenPitch::default(),
            next: fields.get("next", "The controller that fires the next scene.", &TextShape::Controller, findings),
            back: fields.get("back", "The controller that fires the scene before.", &TextShape::Controller, findings),
            hush: fields.get("hush", "The controller that hushes and releases.", &TextShape::Controller, findings),
            tables: Tables::keys(fields, false, findings),
            groups: fields.named(
                "groups",
                "Several mics under one name: an effect of a group works on their sum.",
                Groups,
                findings,
            ),
            players: fields.named(
                "players",
                "Whom notes are written for, by name, where ranges or clefs are not those of a handbook.",
                Players,
                findings,
            ),
            scenes: match fields.get("scene", "The scenes in running order.", &Scenes, findings) {
                Said::Value(at) => at.value,
                Said::Nothing | Said::Wrong => Vec::new(),
            },
        };
        fields.in_hall(false, "levels", "", &Levels, findings);
        for (_, key, ..) in NEEDED {
            fields.must_hold(key);
        }
        piece
    }
}

impl Tables {
    /// Reads the tables that a piece and a hall share. `hall`: whether `"none"` may be said, and half of what a piece
    /// must say.
    pub fn keys(fields: &mut Fields<'_>, hall: bool, findings: &mut Findings) -> Self {
        let controllers = "What moves effects, by name. An empty table lives on the page only.";
        Tables {
            mics: fields.named("mics", "The mics by name, each with its input channel.", Mics { hall }, findings),
            outputs: fields.named(
                "outputs",
                "The outputs by name, each with its channel.",
                WrittenOutputs { hall },
                findings,
            ),
            controllers: fields.named("controllers", controllers, Controllers { hall }, findings),
        }
    }
}

/// A value that stands directly under a name.
fn said<S: Shape>(item: &Item<'_>, findings: &mut Findings, shape: &S) -> Said<S::Value> {
    match shape.read(item, findings) {
        Some(value) => Said::Value(At { value, place: item.place, key: item.key_place }),
        None => Said::Wrong,
    }
}

/// A channel: a number from 1, in a hall also `"none"`.
struct ChannelShape {
    hall: bool,
}

impl Shape for ChannelShape {
    type Value = WrittenChannel;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<WrittenChannel> {
        match item.value {
            DeValue::String(text) if text == "none" && self.hall => Some(WrittenChannel::None),
            DeValue::String(text) if text == "none" => {
                let message = format!("a piece cannot leave \"{}\" out", item.key);
                let remedy = "write a channel here, and \"none\" in a hall file";
                findings.add(Kind::NoneInPiece, item.place, message, remedy);
                None
            }
            DeValue::String(_) if self.hall => {
                let remedy = format!(
                    "write a bare number from {} to {}, or \"none\" to leave it out",
                    CHANNEL.least, CHANNEL.most
                );
                item.refuse("a whole number", remedy, findings);
                None
            }
            _ => CHANNEL.read(item, findings).map(WrittenChannel::Number),
        }
    }

    fn schema(&self) -> Json {
        let mut schema = CHANNEL.schema();
        if self.hall {
            schema["type"] = json!(["integer", "string"]);
            schema["pattern"] = "^none$".into();
            schema["description"] = "\"none\" leaves it out.".into();
        }
        schema
    }
}

/// The schema of what is a channel, or a table that holds one.
fn channel_or_table(channel: ChannelShape, table: Json) -> Json {
    let (mut both, one) = (table, channel.schema());
    both["type"] = if channel.hall { json!(["integer", "string", "object"]) } else { json!(["integer", "object"]) };
    for key in ["minimum", "maximum", "pattern"] {
        if let Some(value) = one.get(key) {
            both[key] = value.clone();
        }
    }
    both
}

struct Mics {
    hall: bool,
}

impl Mics {
    fn keys(&self, fields: &mut Fields<'_>, findings: &mut Findings) -> WrittenMic {
        let (key, help, channel) = ("input", "The input channel, counted from 1.", ChannelShape { hall: self.hall });
        let highpass = "The corner of a highpass of second order.";
        let home =
            "The outputs in which its effects sound unless `to` says otherwise. Without it: all that are not private.";
        let polarities = [("normal", "as it comes"), ("inverted", "turned over")];
        let polarity = WordShape { words: &polarities, usual: Some(0) };
        WrittenMic {
            input: match self.hall {
                true => fields.get(key, help, &channel, findings),
                false => fields.need(key, help, &channel, findings),
            },
            trim: fields.get(
                "trim",
                "A gain before all else.",
                &Quantity::new(Unit::Decibels, -60.0, 60.0).usually(0.0),
                findings,
            ),
            highpass: fields.get("highpass", highpass, &Quantity::new(Unit::Hertz, 10.0, 2000.0), findings),
            inverted: fields.get("polarity", "The sign of the signal.", &polarity, findings).map(|word| word == 1),
            home: fields.get("home", home, &NameShape, findings),
        }
    }
}

impl Shape for Mics {
    type Value = WrittenMic;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<WrittenMic> {
        let DeValue::Table(table) = item.value else {
            return Some(WrittenMic {
                input: said(item, findings, &ChannelShape { hall: self.hall }),
                ..WrittenMic::default()
            });
        };
        Some(fields::read("a mic", table, item.place.file, findings, |fields, findings| self.keys(fields, findings)))
    }

    fn schema(&self) -> Json {
        channel_or_table(
            ChannelShape { hall: self.hall },
            fields::schema(|fields, findings| self.keys(fields, findings)),
        )
    }
}

struct WrittenOutputs {
    hall: bool,
}

impl WrittenOutputs {
    fn keys(&self, fields: &mut Fields<'_>, findings: &mut Findings) -> WrittenOutput {
        let (key, help, channel) = ("output", "The output channel, counted from 1.", ChannelShape { hall: self.hall });
        let ceiling = "The level that no sample passes, relative to full scale.";
        let private = "Whether it gets only what names it in `to`.";
        let shared = "Whether, being private, it is meant to share its channel with an output that is not: all in the hall \
                      hear then what was for one.";
        let away = "How far it is from the listeners: the nearer ones wait for the farthest.";
        WrittenOutput {
            channel: match self.hall {
                true => fields.get(key, help, &channel, findings),
                false => fields.need(key, help, &channel, findings),
            },
            ceiling: fields.get(
                "ceiling",
                ceiling,
                &Quantity::new(Unit::Decibels, -60.0, 0.0).usually(CEILING_DB),
                findings,
            ),
            private: fields.get("private", private, &Flag, findings),
            shared: fields.in_hall(self.hall, "shared", shared, &Flag, findings),
            away: fields.in_hall(self.hall, "away", away, &Quantity::new(Unit::Metres, 0.0, FARTHEST_M), findings),
        }
    }
}

impl Shape for WrittenOutputs {
    type Value = WrittenOutput;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<WrittenOutput> {
        let DeValue::Table(table) = item.value else {
            return Some(WrittenOutput {
                channel: said(item, findings, &ChannelShape { hall: self.hall }),
                ..WrittenOutput::default()
            });
        };
        Some(fields::read("an output", table, item.place.file, findings, |fields, findings| {
            self.keys(fields, findings)
        }))
    }

    fn schema(&self) -> Json {
        channel_or_table(
            ChannelShape { hall: self.hall },
            fields::schema(|fields, findings| self.keys(fields, findings)),
        )
    }
}

struct Groups;

impl Shape for Groups {
    type Value = WrittenGroup;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<WrittenGroup> {
        Some(WrittenGroup { mics: said(item, findings, &List { least: 1 }) })
    }

    fn schema(&self) -> Json {
        List { least: 1 }.schema()
    }
}

struct Scenes;

impl Shape for Scenes {
    type Value = Vec<WrittenScene>;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<Vec<WrittenScene>> {
        let remedy = "write [[scene]] with two brackets";
        let list = match item.value {
            DeValue::Array(list) => list,
            _ => {
                item.refuse("a list of tables", remedy, findings);
                // Most likely it is the only one: what is wrong in it is told as well.
                return Some(scene(item, findings).into_iter().collect());
            }
        };
        let mut scenes = Vec::new();
        // One more than there may be, so that it can be said; the others would only take room.
        for entry in list.iter().take(MOST_SCENES + 1) {
            let entry = Item { value: entry.get_ref(), place: Place::new(item.place.file, entry.span()), ..*item };
            match scene(&entry, findings) {
                Some(scene) => scenes.push(scene),
                None => entry.refuse("a list of tables", remedy, findings),
            }
        }
        Some(scenes)
    }

    fn schema(&self) -> Json {
        let scene = fields::schema(|fields, findings| WrittenScene::keys(fields, Place::beginning(0), findings));
        json!({ "type": "array", "items": scene })
    }
}

/// Reads one scene; `None`: it is no table.
fn scene(item: &Item<'_>, findings: &mut Findings) -> Option<WrittenScene> {
    let DeValue::Table(table) = item.value else { return None };
    let (place, before) = (item.place, findings.len());
    let mut scene = fields::read("a scene", table, place.file, findings, |fields, findings| {
        WrittenScene::keys(fields, place, findings)
    });
    // A mark that stands too low has been reported, and is no mark that is missing.
    if !scene.mark.is_said() && findings.have_moved("mark", before) {
        scene.mark = Said::Wrong;
    }
    Some(scene)
}

impl WrittenScene {
    fn keys(fields: &mut Fields<'_>, place: Place, findings: &mut Findings) -> Self {
        let bar = Whole { least: -1_000_000, most: 1_000_000 };
        let fade = Quantity::new(Unit::Seconds, 0.0, 600.0).usually(FADE);
        let parts = "What each mic or group undergoes, by its name. What is not named does nothing.";
        let like = "The mark of a scene whose lines of effects are taken over, but for those that are written here: these stand \
                    in their place, and \"none\" takes one away.";
        WrittenScene {
            mark: fields.need("mark", "The rehearsal mark, as in the score.", &TextShape::Plain, findings),
            name: fields.get("name", "The scene's name.", &TextShape::Any, findings),
            bar: fields.get("bar", "The bar at which it is fired.", &bar, findings),
            cue: fields.get("cue", "The words or the sound that it is fired on.", &TextShape::Any, findings),
            fade: fields.get("fade", "The time in which it comes in and the scene before it goes.", &fade, findings),
            like: fields.get("like", like, &TextShape::Plain, findings),
            parts: fields.named("mic", parts, Effects, findings),
            place,
        }
    }
}

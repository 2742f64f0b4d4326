//! The tables of a hall, and how they override those of a piece.

use super::NamedTable;
use super::controller::WrittenController;
use super::fields::{self, Fields};
use super::piece::{Tables, WrittenMic, WrittenOutput, WrittenPiece, WrittenPitch};
use super::value::{Item, Quantity, Shape, TextShape, Whole, WordShape};
use crate::kind::Kind;
use crate::near;
use crate::place::Place;
use crate::report::Findings;
use serde_json::{Value as Json, json};
use tenterhook_plan::declare::Unit;
use tenterhook_plan::{LEAST_TRIM_DB, MOST_TRIM_DB};
use toml::de::{DeTable, DeValue};

/// A hall as written.
#[derive(Clone, Debug, Default)]
pub(crate) struct Hall {
    pub pitch: WrittenPitch,
    pub tables: Tables,
    pub levels: Vec<WrittenLevel>,
    pub device: DeviceWish,
}

/// The level of the effects of one name.
#[derive(Clone, Debug)]
pub(crate) struct WrittenLevel {
    /// As in `"voice.freeze"`.
    pub name: String,
    pub db: f64,
    /// The place of the name.
    pub place: Place,
}

/// What a hall asks of the machine. What it does not say is left to whoever starts the engine.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct DeviceWish {
    /// Where blocks come from.
    pub host: Option<Host>,
    /// The name of the input device.
    pub input: Option<String>,
    /// The name of the output device.
    pub output: Option<String>,
    /// Samples a second, 8000 to 384000.
    pub rate: Option<u32>,
    /// Samples in a block, 16 to 8192.
    pub block: Option<u32>,
}

/// Where blocks come from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Host {
    /// A JACK server.
    Jack,
    /// ALSA, on Linux.
    Alsa,
    /// Core Audio, on macOS.
    CoreAudio,
    /// WASAPI, on Windows.
    Wasapi,
    /// The built-in clock, which makes no sound.
    Clock,
}

impl Host {
    /// All hosts.
    pub const ALL: [Host; 5] = [Host::Jack, Host::Alsa, Host::CoreAudio, Host::Wasapi, Host::Clock];

    /// The host of this name.
    pub fn named(name: &str) -> Option<Host> {
        Host::ALL.into_iter().find(|host| host.name() == name)
    }

    /// Its name in a hall and on the command line.
    pub fn name(self) -> &'static str {
        match self {
            Host::Jack => "jack",
            Host::Alsa => "alsa",
            Host::CoreAudio => "coreaudio",
            Host::Wasapi => "wasapi",
            Host::Clock => "clock",
        }
    }

    /// What it is, in words.
    fn words(self) -> &'static str {
        match self {
            Host::Jack => "a JACK server",
            Host::Alsa => "ALSA, on Linux",
            Host::CoreAudio => "Core Audio, on macOS",
            Host::Wasapi => "WASAPI, on Windows",
            Host::Clock => "the built-in clock, which makes no sound",
        }
    }
}

impl std::fmt::Display for Host {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.pad(self.name())
    }
}

impl Hall {
    /// Reads a hall.
    pub fn read(table: &DeTable<'_>, file: usize, findings: &mut Findings) -> Self {
        fields::read("a hall", table, file, findings, Hall::keys)
    }

    /// Asks for all keys of a hall.
    pub fn keys(fields: &mut Fields<'_>, findings: &mut Findings) -> Self {
        Hall {
            pitch: WrittenPitch::keys(fields, true, findings),
            tables: Tables::keys(fields, true, findings),
            levels: fields
                .get(
                    "levels",
                    "The levels of the night: how loud effects are in this hall, as in \"voice.freeze\" = \"-3 dB\".",
                    &Levels,
                    findings,
                )
                .value()
                .cloned()
                .unwrap_or_default(),
            device: fields
                .get("device", "What the hall asks of the machine.", &WrittenDevice, findings)
                .value()
                .cloned()
                .unwrap_or_default(),
        }
    }

    /// Lays the hall's words over the piece's, key by key. A name that the piece has not is an error.
    pub fn override_piece(&self, piece: &mut WrittenPiece, findings: &mut Findings) {
        piece.in_hall = self.pitch.clone();
        piece.levels.clone_from(&self.levels);
        let tables = &mut piece.tables;
        lay_over(&mut tables.mics, &self.tables.mics, (Kind::UnknownMic, "mic"), WrittenMic::override_with, findings);
        lay_over(
            &mut tables.outputs,
            &self.tables.outputs,
            (Kind::UnknownOutput, "output"),
            WrittenOutput::override_with,
            findings,
        );
        lay_over(
            &mut tables.controllers,
            &self.tables.controllers,
            (Kind::UnknownController, "controller"),
            WrittenController::override_with,
            findings,
        );
    }
}

fn lay_over<T>(
    piece: &mut [NamedTable<T>],
    hall: &[NamedTable<T>],
    (kind, what): (Kind, &str),
    override_with: fn(&mut T, &T),
    findings: &mut Findings,
) {
    for over in hall {
        match piece.iter_mut().find(|named| named.name == over.name) {
            Some(named) => override_with(&mut named.what, &over.what),
            None => {
                let message = format!("the piece has no {what} \"{}\"", over.name);
                let names = piece.iter().map(|named| named.name.as_str());
                findings.add(kind, over.place, message, near::remedy(&over.name, &format!("{what}s"), names));
            }
        }
    }
}

impl WrittenMic {
    fn override_with(&mut self, hall: &Self) {
        self.input.override_with(&hall.input);
        self.trim.override_with(&hall.trim);
        self.highpass.override_with(&hall.highpass);
        self.inverted.override_with(&hall.inverted);
        self.home.override_with(&hall.home);
    }
}

impl WrittenOutput {
    fn override_with(&mut self, hall: &Self) {
        self.channel.override_with(&hall.channel);
        self.ceiling.override_with(&hall.ceiling);
        self.private.override_with(&hall.private);
        self.shared.override_with(&hall.shared);
        self.away.override_with(&hall.away);
    }
}

impl WrittenController {
    /// Which of the kinds of address are said.
    fn kinds(&self) -> [bool; 6] {
        [
            self.cc.is_said(),
            self.note.is_said(),
            self.key.is_said(),
            self.osc.is_said(),
            self.loudness.is_said(),
            self.like.is_said(),
        ]
    }

    fn override_with(&mut self, hall: &Self) {
        // Another kind of address begins afresh: the old one's keys would mean nothing to it.
        if hall.kinds().contains(&true) && hall.kinds() != self.kinds() {
            *self = WrittenController {
                curve: self.curve.clone(),
                latch: self.latch.clone(),
                rise: self.rise.clone(),
                fall: self.fall.clone(),
                ..WrittenController::default()
            };
        }
        self.cc.override_with(&hall.cc);
        self.note.override_with(&hall.note);
        self.key.override_with(&hall.key);
        self.osc.override_with(&hall.osc);
        self.loudness.override_with(&hall.loudness);
        self.like.override_with(&hall.like);
        self.from.override_with(&hall.from);
        self.to.override_with(&hall.to);
        self.channel.override_with(&hall.channel);
        self.port.override_with(&hall.port);
        self.switch.override_with(&hall.switch);
        self.fine.override_with(&hall.fine);
        self.inverted.override_with(&hall.inverted);
        self.curve.override_with(&hall.curve);
        self.latch.override_with(&hall.latch);
        self.rise.override_with(&hall.rise);
        self.fall.override_with(&hall.fall);
    }
}

/// Levels by the names of effects: `"voice.freeze"` in quotes, or without them a table of the voice.
pub(super) struct Levels;

impl Levels {
    const DB: Quantity = Quantity::new(Unit::Decibels, LEAST_TRIM_DB as f64, MOST_TRIM_DB as f64).usually(0.0);
}

impl Shape for Levels {
    type Value = Vec<WrittenLevel>;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<Vec<WrittenLevel>> {
        let DeValue::Table(table) = item.value else {
            item.refuse("a table", "write [levels] and, below it, \"voice.freeze\" = \"-3 dB\"", findings);
            return None;
        };
        let mut levels = Vec::new();
        let mut read = |name: String, item: &Item<'_>, findings: &mut Findings| {
            if let Some(db) = Self::DB.read(item, findings) {
                levels.push(WrittenLevel { name, db, place: item.key_place });
            }
        };
        for item in fields::items(table, item.place.file) {
            match item.value {
                DeValue::Table(effects) => {
                    for effect in fields::items(effects, item.place.file) {
                        read(format!("{}.{}", item.key, effect.key), &effect, findings);
                    }
                }
                _ => read(item.key.to_owned(), &item, findings),
            }
        }
        Some(levels)
    }

    fn schema(&self) -> Json {
        let level = Self::DB.schema();
        let effects = json!({ "type": "object", "additionalProperties": level });
        json!({ "type": "object", "additionalProperties": { "anyOf": [level, effects] } })
    }
}

struct WrittenDevice;

impl Shape for WrittenDevice {
    type Value = DeviceWish;

    fn read(&self, item: &Item<'_>, findings: &mut Findings) -> Option<DeviceWish> {
        let DeValue::Table(table) = item.value else {
            item.refuse("a table", "write [device] and its keys below it", findings);
            return None;
        };
        Some(fields::read("a device", table, item.place.file, findings, DeviceWish::keys))
    }

    fn schema(&self) -> Json {
        fields::schema(DeviceWish::keys)
    }
}

impl DeviceWish {
    fn keys(fields: &mut Fields<'_>, findings: &mut Findings) -> Self {
        let hosts = Host::ALL.map(|host| (host.name(), host.words()));
        let host = fields.get("host", "Where blocks come from.", &WordShape { words: &hosts, usual: None }, findings);
        let rate = Whole { least: 8000u32, most: 384_000 };
        let block = Whole { least: 16u32, most: 8192 };
        DeviceWish {
            host: host.value().map(|word| Host::ALL[*word]),
            input: fields.get("input", "The name of the input device.", &TextShape::Any, findings).value().cloned(),
            output: fields.get("output", "The name of the output device.", &TextShape::Any, findings).value().cloned(),
            rate: fields.get("rate", "Samples a second.", &rate, findings).value().copied(),
            block: fields.get("block", "Samples in a block.", &block, findings).value().copied(),
        }
    }
}

//! A piece in one hall, as the engine is built from it: checked, in numbers, with every name resolved.

use crate::declare::Setting;
use crate::players::Player;
use crate::{
    Address, Controller, ControllerId, Decibels, GroupId, InstanceId, Intonation, MicId, OutputId, SceneId,
    Temperament, TrimId,
};

/// A whole piece. Made by the checker of pieces, which guarantees that every id is in range and that an instance comes
/// after the one it follows.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// The piece's title.
    pub title: String,
    /// The frequency of a', in Hz.
    pub tuning_hz: f64,
    /// How the other notes stand to it.
    pub temperament: Temperament,
    /// The mics, in the order of the piece.
    pub mics: Vec<Mic>,
    /// The groups of mics.
    pub groups: Vec<Group>,
    /// The outputs, in the order of the piece.
    pub outputs: Vec<Output>,
    /// The controllers, in the order of the piece.
    pub controllers: Vec<Controller>,
    /// Those whom the piece itself describes, of the players that notes are written for.
    pub players: Vec<Player>,
    /// Every distinct effect of the whole piece.
    pub instances: Vec<Instance>,
    /// The levels of the night: one for all effects of one name at one mic or group, in every scene.
    pub trims: Vec<Trim>,
    /// The scenes in running order: at least one.
    pub scenes: Vec<Scene>,
    /// The controller that fires the next scene.
    pub next: Option<ControllerId>,
    /// The controller that fires the scene before.
    pub back: Option<ControllerId>,
    /// The controller that hushes, and releases the hush.
    pub hush: Option<ControllerId>,
}

/// A mic.
#[derive(Clone, Debug, PartialEq)]
pub struct Mic {
    /// Its name.
    pub name: String,
    /// Its input channel, counted from 0; `None`: left out in this hall.
    pub input: Option<u16>,
    /// Its gain.
    pub trim: Decibels,
    /// The corner of its second-order highpass, in Hz.
    pub highpass_hz: Option<f64>,
    /// Whether its polarity is turned over.
    pub inverted: bool,
}

/// Several mics under one name, heard as their sum.
#[derive(Clone, Debug, PartialEq)]
pub struct Group {
    /// Its name.
    pub name: String,
    /// Its mics.
    pub mics: Vec<MicId>,
}

/// An output.
#[derive(Clone, Debug, PartialEq)]
pub struct Output {
    /// Its name.
    pub name: String,
    /// Its output channel, counted from 0; `None`: left out in this hall.
    pub channel: Option<u16>,
    /// The level that no sample passes, in dBFS.
    pub ceiling: Decibels,
    /// It gets only what names it.
    pub private: bool,
    /// Seconds for which it waits, so that what it sounds arrives together with what the farthest loudspeaker does;
    /// `None`: the hall does not say how far away it is, or it is private.
    pub delay: Option<f64>,
}

/// One resident effect.
#[derive(Clone, Debug, PartialEq)]
pub struct Instance {
    /// Where the piece writes it.
    pub owner: Owner,
    /// What it reads. For an effect that a group makes once per mic, that mic.
    pub source: Source,
    /// Its key in the piece.
    pub key: String,
    /// The name of the effect, one of the table's.
    pub effect: &'static str,
    /// What works it.
    pub by: By,
    /// Its own settings, in the order of its declaration.
    pub settings: Vec<Setting>,
}

/// Whose effect it is, in the piece's words.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Owner {
    /// A mic's.
    Mic(MicId),
    /// A group's.
    Group(GroupId),
}

/// What an effect reads.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Source {
    /// A mic.
    Mic(MicId),
    /// The sum of a group's mics.
    Group(GroupId),
    /// The sound of an earlier effect, before its level and outputs.
    Instance(InstanceId),
}

/// What works an effect.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum By {
    /// Its controller.
    Controller(ControllerId),
    /// The scene itself: up when it fires, down when it leaves.
    Scene,
}

/// The level of all effects that the piece writes under one key of one mic or group, beside what the piece itself says.
#[derive(Clone, Debug, PartialEq)]
pub struct Trim {
    /// Where the piece writes them.
    pub owner: Owner,
    /// Their key in the piece.
    pub key: String,
    /// The level that the hall gives them, in dB, [`LEAST_TRIM_DB`](crate::LEAST_TRIM_DB) to
    /// [`MOST_TRIM_DB`](crate::MOST_TRIM_DB).
    pub db: f32,
}

/// A scene: what sounds in it. What it does not name does nothing.
#[derive(Clone, Debug, PartialEq)]
pub struct Scene {
    /// Its rehearsal mark.
    pub mark: String,
    /// Its name.
    pub name: Option<String>,
    /// The bar at which it is fired.
    pub bar: Option<i64>,
    /// The words or the sound that it is fired on.
    pub cue: Option<String>,
    /// Seconds over which it comes in and the scene before it goes.
    pub fade: f64,
    /// The scene whose lines the piece takes over for it. It is whole all the same.
    pub like: Option<SceneId>,
    /// Its effects.
    pub uses: Vec<Use>,
}

/// An effect in one scene.
#[derive(Clone, Debug, PartialEq)]
pub struct Use {
    /// Which effect.
    pub instance: InstanceId,
    /// Where it sounds.
    pub sends: Vec<Send>,
}

/// How much of an effect goes to one output.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Send {
    /// Which output.
    pub output: OutputId,
    /// The factor on its samples, its `level` included.
    pub gain: f32,
}

/// What makes an effect the same one, in another scene or in a changed piece: all of its names and settings.
#[derive(Clone, Debug, PartialEq)]
pub struct Identity {
    owner: String,
    mic: Option<String>,
    key: String,
    effect: &'static str,
    by: Option<String>,
    after: Option<Box<Identity>>,
    settings: Vec<Setting>,
}

impl Plan {
    /// Which frequency each note has.
    pub fn intonation(&self) -> Intonation {
        Intonation { tuning_hz: self.tuning_hz, temperament: self.temperament }
    }

    /// The scene with this rehearsal mark: as it is written, else without heed of case where only one is meant.
    pub fn scene_marked(&self, mark: &str) -> Option<SceneId> {
        let exact = self.scenes.iter().position(|scene| scene.mark == mark);
        let place = exact.or_else(|| {
            let wanted = mark.to_lowercase();
            let mut alike = self.scenes.iter().enumerate().filter(|(_, scene)| scene.mark.to_lowercase() == wanted);
            alike.next().filter(|_| alike.next().is_none()).map(|(n, _)| n)
        });
        place.map(SceneId::new)
    }

    /// The parts of MIDI port names that the piece's controllers ask for, each once, in order. A bit of
    /// [`Midi::ports`](crate::Midi::ports) is a place in this list; of more than 64 the later ones have no bit.
    pub fn ports(&self) -> Vec<&str> {
        let mut ports = Vec::new();
        for controller in &self.controllers {
            if let Address::Midi { port: Some(port), .. } = &controller.address
                && !ports.contains(&port.as_str())
            {
                ports.push(port);
            }
        }
        ports
    }

    /// The parts of port names that are `known` from the versions of this piece before it, and after them those that only
    /// this one asks for: whoever knew a part by its place finds it there still.
    pub fn ports_after(&self, known: &[String]) -> Vec<String> {
        let new = self.ports().into_iter().filter(|port| !known.iter().any(|one| one == port)).map(str::to_owned);
        known.iter().cloned().chain(new).collect()
    }

    /// The scene of a changed piece that keeps the place of this piece's `scene`: the one of its mark, else that of the
    /// nearest scene before it whose mark is still there, else the first.
    pub fn kept_scene(&self, scene: SceneId, changed: &Plan) -> SceneId {
        let before = self.scenes.iter().take(scene.index() + 1).rev();
        let mut kept = before.filter_map(|one| changed.scenes.iter().position(|other| other.mark == one.mark));
        SceneId::new(kept.next().unwrap_or(0))
    }

    /// The name that the piece gives an effect's owner.
    #[expect(clippy::indexing_slicing, reason = "an id is the place of a thing of its own plan")]
    pub fn owner_name(&self, owner: Owner) -> &str {
        match owner {
            Owner::Mic(id) => &self.mics[id.index()].name,
            Owner::Group(id) => &self.groups[id.index()].name,
        }
    }

    /// The level of the effects that are called so; `owner` is the name of a mic or a group.
    pub fn trim_named(&self, owner: &str, key: &str) -> Option<TrimId> {
        let named = |trim: &Trim| trim.key == key && self.owner_name(trim.owner) == owner;
        self.trims.iter().position(named).map(TrimId::new)
    }

    /// What a hall calls it: `voice.freeze`.
    pub fn trim_name(&self, trim: &Trim) -> String {
        format!("{}.{}", self.owner_name(trim.owner), trim.key)
    }

    /// The level of an instance's name.
    pub fn trim_of(&self, instance: &Instance) -> Option<TrimId> {
        let named = |trim: &Trim| trim.owner == instance.owner && trim.key == instance.key;
        self.trims.iter().position(named).map(TrimId::new)
    }

    /// The level of the same name in a changed piece, and where it stands there if it stood at `db` here: what its hall
    /// says anew holds, else it stays.
    pub fn kept_trim(&self, trim: &Trim, db: f32, changed: &Plan) -> Option<(TrimId, f32)> {
        let id = changed.trim_named(self.owner_name(trim.owner), &trim.key)?;
        let said = changed.trims.get(id.index())?.db;
        Some((id, if said == trim.db { db } else { said }))
    }

    /// What makes an instance the same one elsewhere.
    #[expect(clippy::indexing_slicing, reason = "an id is the place of a thing of its own plan")]
    pub fn identity(&self, id: InstanceId) -> Identity {
        let instance = &self.instances[id.index()];
        Identity {
            owner: self.owner_name(instance.owner).to_owned(),
            mic: match instance.source {
                Source::Mic(mic) => Some(self.mics[mic.index()].name.clone()),
                Source::Group(_) | Source::Instance(_) => None,
            },
            key: instance.key.clone(),
            effect: instance.effect,
            by: match instance.by {
                By::Controller(id) => Some(self.controllers[id.index()].name.clone()),
                By::Scene => None,
            },
            after: match instance.source {
                Source::Instance(id) => Some(Box::new(self.identity(id))),
                Source::Mic(_) | Source::Group(_) => None,
            },
            settings: instance.settings.clone(),
        }
    }
}

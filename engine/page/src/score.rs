//! What a page must know of a piece: all that stays while it is played.
//!
//! ```json
//! {"piece": {
//!   "protocol": 1, "program": "0.1.0", "role": "desk", "opens": "score", "rehearsal": false, "study": true, "learn": true,
//!   "title": "Linen Weather", "rate": 48000,
//!   "mics": [{"name": "voice", "input": 1}],
//!   "outputs": [{"name": "left", "channel": 1, "private": false, "ceiling_db": -1.0}],
//!   "controllers": [{"name": "pedal", "by": "MIDI control 64", "key": null, "kind": "switch", "works": "effect"}],
//!   "scenes": [{"mark": "A", "name": "The held vowel", "bar": 1, "cue": "her breath", "fade": 0.5,
//!               "effects": [{"effect": 0, "outputs": ["left"]}]}],
//!   "effects": [{"key": "freeze", "kind": "freeze", "owner": "voice", "mics": [0], "controller": 0, "trim": 0,
//!                "settings": ["aim steady"], "after": null, "help": "...", "x": "..."}],
//!   "trims": [{"owner": "voice", "key": "freeze", "db": -3.0}],
//!   "levers": [[0, null]]
//! }}
//! ```
//! Places in lists are counted from 0, channels from 1; a channel is null where the hall leaves it out. A controller's
//! kind is `switch` (0 or 1), `even` (all between) or `loudness` (follows a mic; no hand moves it); what it works is
//! `effect`, `next`, `back` or `hush`. `levers` names, for each scene and mic, the controller that is the one lever of
//! that player, see [`lever`]. An effect's `trim` is the place of the level of its name, whose `db` is what the hall says;
//! `learn` says whether the hall file can be written here.

use serde_json::{Value, json};
use tenterhook_plan::declare::{Declaration, Kind, Setting, Unit};
use tenterhook_plan::{
    Address, By, Controller, ControllerId, Instance, Message, MicId, Owner, Plan, Scene, SceneId, Source, TrimId,
};

use crate::access::Role;
use crate::wire::VERSION;

/// Which view a page opens on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum View {
    /// The score that moves.
    Score,
    /// The meters.
    Soundcheck,
}

/// What a page must know that the piece does not say.
#[derive(Clone, Debug)]
pub struct About {
    /// Samples a second.
    pub rate: u32,
    /// Which view comes first.
    pub opens: View,
    /// Whether a recording, or an ensemble that is made up, plays in place of the mics.
    pub rehearsal: bool,
    /// What each effect says of itself.
    pub declarations: Vec<Declaration>,
}

/// The piece, as JSON for a role; `study`: whether that may study sounds; `learn`: whether that may learn controllers.
pub(crate) fn tell(plan: &Plan, about: &About, role: Role, study: bool, learn: bool) -> String {
    let opens = match about.opens {
        View::Score => "score",
        View::Soundcheck => "soundcheck",
    };
    let mics = plan.mics.iter().map(|mic| json!({ "name": mic.name, "input": mic.input.map(|channel| channel + 1) }));
    let outputs = plan.outputs.iter().map(|output| {
        json!({
            "name": output.name, "channel": output.channel.map(|channel| channel + 1), "private": output.private,
            "ceiling_db": output.ceiling.0,
        })
    });
    let trims =
        plan.trims.iter().map(|trim| json!({ "owner": plan.owner_name(trim.owner), "key": trim.key, "db": trim.db }));
    let levers = (0..plan.scenes.len()).map(|scene| {
        let of = |mic| lever(plan, SceneId::new(scene), MicId::new(mic)).map(ControllerId::index);
        (0..plan.mics.len()).map(of).collect::<Vec<_>>()
    });
    json!({ "piece": {
        "protocol": VERSION, "program": env!("CARGO_PKG_VERSION"), "role": role, "opens": opens,
        "rehearsal": about.rehearsal, "study": study, "learn": learn, "title": plan.title, "rate": about.rate,
        "mics": mics.collect::<Vec<_>>(),
        "outputs": outputs.collect::<Vec<_>>(),
        "controllers": (0..plan.controllers.len()).map(|id| controller(plan, id)).collect::<Vec<_>>(),
        "scenes": plan.scenes.iter().map(|one| scene(plan, one)).collect::<Vec<_>>(),
        "effects": plan.instances.iter().map(|one| effect(plan, about, one)).collect::<Vec<_>>(),
        "trims": trims.collect::<Vec<_>>(),
        "levers": levers.collect::<Vec<_>>(),
    }})
    .to_string()
}

/// The mics on whose line an effect stands.
fn mics(plan: &Plan, instance: &Instance) -> Vec<usize> {
    match (instance.source, instance.owner) {
        (Source::Mic(mic), _) | (_, Owner::Mic(mic)) => vec![mic.index()],
        (Source::Instance(before), Owner::Group(_)) => mics(plan, &plan.instances[before.index()]),
        (Source::Group(group), Owner::Group(_)) => {
            plan.groups[group.index()].mics.iter().map(|mic| mic.index()).collect()
        }
    }
}

/// The one lever of a mic's player in a scene: the controller of the first effect of that mic, or of a group that it is
/// in, which a hand may move.
pub fn lever(plan: &Plan, scene: SceneId, mic: MicId) -> Option<ControllerId> {
    let uses = &plan.scenes.get(scene.index())?.uses;
    uses.iter().find_map(|used| {
        let instance = &plan.instances[used.instance.index()];
        match instance.by {
            By::Controller(id) if mics(plan, instance).contains(&mic.index()) => {
                (!plan.controllers[id.index()].is_loudness()).then_some(id)
            }
            _ => None,
        }
    })
}

fn controller(plan: &Plan, id: usize) -> Value {
    let controller = &plan.controllers[id];
    let is = |trigger: Option<ControllerId>| trigger.is_some_and(|trigger| trigger.index() == id);
    let works = if is(plan.next) {
        "next"
    } else if is(plan.back) {
        "back"
    } else if is(plan.hush) {
        "hush"
    } else {
        "effect"
    };
    let kind = if controller.is_loudness() {
        "loudness"
    } else if controller.is_switch() {
        "switch"
    } else {
        "even"
    };
    let key = match &controller.address {
        Address::Key(key) => Some(key),
        _ => None,
    };
    json!({ "name": controller.name, "by": by(plan, controller), "key": key, "kind": kind, "works": works })
}

/// What reaches a controller, in words.
fn by(plan: &Plan, controller: &Controller) -> String {
    if let Some(like) = controller.like {
        return format!("as {}", plan.controllers[like.index()].name);
    }
    match &controller.address {
        Address::Midi { message, channel, port, inverted } => {
            let controls = message.controls().map(|number| number.to_string()).collect::<Vec<_>>().join(" and ");
            let mut words = match message {
                Message::Control { .. } => format!("MIDI control {controls}"),
                Message::Note { number } => format!("MIDI note {number}"),
            };
            if let Some(channel) = channel {
                words += &format!(", channel {}", channel + 1);
            }
            if let Some(port) = port {
                words += &format!(", port {port}");
            }
            if *inverted {
                words += ", inverted";
            }
            words
        }
        Address::Key(key) => format!("key {key}"),
        Address::Osc { path, .. } => format!("OSC {path}"),
        Address::Loudness { mic, .. } => format!("loudness of {}", plan.mics[mic.index()].name),
        Address::Page => "this page".to_owned(),
    }
}

fn scene(plan: &Plan, scene: &Scene) -> Value {
    let effects = scene.uses.iter().map(|used| {
        let outputs = used.sends.iter().map(|send| plan.outputs[send.output.index()].name.as_str());
        json!({ "effect": used.instance.index(), "outputs": outputs.collect::<Vec<_>>() })
    });
    json!({
        "mark": scene.mark, "name": scene.name, "bar": scene.bar, "cue": scene.cue, "fade": scene.fade,
        "effects": effects.collect::<Vec<_>>(),
    })
}

fn effect(plan: &Plan, about: &About, instance: &Instance) -> Value {
    let declaration = about.declarations.iter().find(|declaration| declaration.name == instance.effect);
    let settings = declaration.map_or_else(Vec::new, |declaration| {
        let pairs = declaration.settings.iter().zip(&instance.settings);
        pairs.map(|(declared, setting)| format!("{} {}", declared.name, value(&declared.kind, setting))).collect()
    });
    let after = match instance.source {
        Source::Instance(before) => Some(&plan.instances[before.index()].key),
        Source::Mic(_) | Source::Group(_) => None,
    };
    json!({
        "key": instance.key, "kind": instance.effect, "owner": plan.owner_name(instance.owner),
        "mics": mics(plan, instance), "trim": plan.trim_of(instance).map(TrimId::index),
        "controller": match instance.by {
            By::Controller(id) => Some(id.index()),
            By::Scene => None,
        },
        "settings": settings, "after": after,
        "help": declaration.map(|declaration| declaration.help), "x": declaration.map(|declaration| declaration.x),
    })
}

/// A setting as the piece would write it, without quotes.
fn value(kind: &Kind, setting: &Setting) -> String {
    match (kind, setting) {
        (Kind::Quantity { unit, .. }, Setting::Quantity(number)) => match unit {
            Unit::Number => number.to_string(),
            Unit::Seconds if *number < 1.0 => format!("{} ms", (number * 1e6).round() / 1e3),
            Unit::Seconds => format!("{number} s"),
            Unit::Decibels => format!("{number} dB"),
            Unit::Hertz => format!("{number} Hz"),
            Unit::Metres => format!("{number} m"),
        },
        (Kind::Choice { words, .. }, Setting::Choice(place)) => {
            words.get(*place).map_or_else(String::new, |(word, _)| (*word).to_owned())
        }
        (_, Setting::Sound(sound)) => sound.path.clone(),
        (_, Setting::Tuning(tuning)) => tuning.said.clone(),
        (_, Setting::Interval(cents)) => format!("{cents} cents"),
        (_, Setting::Quantity(number)) => number.to_string(),
        (_, Setting::Choice(place)) => place.to_string(),
    }
}

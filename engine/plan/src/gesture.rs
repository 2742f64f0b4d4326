//! Gestures: every change of the sound, live or written down.

use crate::{ControllerId, MicId, OutputId, Plan, SceneId, TrimId, Who};

/// One change of one thing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Gesture {
    /// A controller takes a value, 0…1 after scaling and curve.
    Controller {
        /// Which controller.
        id: ControllerId,
        /// Its new value.
        value: f32,
    },
    /// The switch of a latched controller goes down or comes up; going down turns the controller over.
    Press {
        /// Which controller.
        id: ControllerId,
        /// Down, or up.
        down: bool,
    },
    /// A scene starts.
    Fire(SceneId),
    /// The scene after the present one starts, if there is one.
    Next,
    /// The scene before the present one starts, if there is one.
    Back,
    /// Everything processed falls silent (true), or may sound again (false).
    Hush(bool),
    /// The level of one output, or of all together, in dB.
    Level {
        /// Which output; `None`: all.
        output: Option<OutputId>,
        /// The level; −120 and below is silence.
        db: f32,
    },
    /// The level of all effects of one name, in dB.
    Trim {
        /// Which.
        trim: TrimId,
        /// The level, −24…6.
        db: f32,
    },
    /// A mic is shut off, or let in again.
    Mute {
        /// Which mic.
        mic: MicId,
        /// Shut off.
        muted: bool,
    },
}

impl Gesture {
    /// Whether it names a thing of a piece by its id.
    pub fn has_id(&self) -> bool {
        !matches!(self, Gesture::Next | Gesture::Back | Gesture::Hush(_) | Gesture::Level { output: None, .. })
    }

    /// The same gesture on what has the same name in a changed piece: its ids are those of `old` and become those of
    /// `new`. `None`: there is no such thing any more.
    pub fn moved(self, old: &Plan, new: &Plan) -> Option<Self> {
        let controller = |id: ControllerId| {
            let name = &old.controllers.get(id.index())?.name;
            new.controllers.iter().position(|one| one.name == *name).map(ControllerId::new)
        };
        Some(match self {
            Gesture::Controller { id, value } => Gesture::Controller { id: controller(id)?, value },
            Gesture::Press { id, down } => Gesture::Press { id: controller(id)?, down },
            Gesture::Fire(scene) => {
                let mark = &old.scenes.get(scene.index())?.mark;
                Gesture::Fire(SceneId::new(new.scenes.iter().position(|one| one.mark == *mark)?))
            }
            Gesture::Level { output: Some(id), db } => {
                let name = &old.outputs.get(id.index())?.name;
                let place = new.outputs.iter().position(|one| one.name == *name)?;
                Gesture::Level { output: Some(OutputId::new(place)), db }
            }
            Gesture::Trim { trim, db } => {
                let was = old.trims.get(trim.index())?;
                Gesture::Trim { trim: new.trim_named(old.owner_name(was.owner), &was.key)?, db }
            }
            Gesture::Mute { mic, muted } => {
                let name = &old.mics.get(mic.index())?.name;
                Gesture::Mute { mic: MicId::new(new.mics.iter().position(|one| one.name == *name)?), muted }
            }
            Gesture::Next | Gesture::Back | Gesture::Hush(_) | Gesture::Level { output: None, .. } => self,
        })
    }
}

/// A MIDI channel message as it came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Midi {
    /// The ports of the plan (see [`Plan::ports`](crate::Plan::ports)) whose name the message's port matches, a bit each.
    pub ports: u64,
    /// Status and data bytes.
    pub bytes: [u8; 3],
}

/// What can reach the engine.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Event {
    /// A gesture, and whose it is.
    Gesture(Gesture, Who),
    /// A MIDI message, whose meaning the engine looks up in the piece that is in force.
    Midi(Midi),
}

impl Event {
    /// A gesture that was written down beforehand.
    pub fn written(gesture: Gesture) -> Self {
        Event::Gesture(gesture, Who::Written)
    }
}

/// Something and the sample at which it happens.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Timed<T> {
    /// The sample, counted from the engine's first.
    pub sample: u64,
    /// What happens then.
    pub what: T,
}

/// A gesture as it was applied. Of [`Gesture`]'s kinds only those are left that stand for themselves when they are
/// played back: `Controller`, `Fire`, `Hush`, `Level`, `Trim` and
/// `Mute`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Applied {
    /// The sample at which it was applied, counted from the engine's first.
    pub sample: u64,
    /// The gesture.
    pub what: Gesture,
    /// Whose it is.
    pub who: Who,
}

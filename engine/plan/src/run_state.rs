//! How a run stands: one state for all who show it, tell it, keep it, or act by it.
//!
//! Whoever looks holds an [`Arc`] of it; what changes is put in its place anew. [Meters](crate::MeterReading) travel apart:
//! they are never the same twice.

use std::path::Path;
use std::sync::Arc;

use crate::condition::Conditions;
use crate::places::{carry, places, set};
use crate::{Applied, Broken, EffectState, Gesture, Identity, InstanceId, Plan, SceneId};

/// What the engine last reported: where everything stands. Every gesture shows in it as soon as it was applied; its
/// lists have one entry for each thing of `plan`. When a changed piece takes over, each entry goes on under the name of
/// its thing, as the engine itself goes on.
#[derive(Clone, Debug)]
pub struct EngineState {
    /// The piece in force, whose ids all others here are.
    pub plan: Arc<Plan>,
    /// The scene in force, with the first sample of it: where it was fired, or a changed piece took over. `None`: the
    /// engine has not begun.
    pub scene: Option<(SceneId, u64)>,
    /// Whether everything is hushed.
    pub hushed: bool,
    /// The controllers' values, 0…1, by [`ControllerId`](crate::ControllerId). What fires or hushes stays 0.
    pub controllers: Vec<f32>,
    /// Whether a MIDI switch is most likely wired the other way round: its first word was that it was let go. By
    /// [`ControllerId`](crate::ControllerId).
    pub turned: Vec<bool>,
    /// How each effect stands, by [`InstanceId`]; looked at 30 times a second.
    pub effects: Vec<EffectState>,
    /// The level of all outputs together, in dB, −120…12 (written gestures may bring up to 24); −120 is silence. One that
    /// rises is where it has come to.
    pub level_db: f32,
    /// Each output's own level, in the same numbers, by [`OutputId`](crate::OutputId).
    pub levels_db: Vec<f32>,
    /// The level of the effects of one name, in dB, −24…6, by [`TrimId`](crate::TrimId).
    pub trims_db: Vec<f32>,
    /// Whether a mic is shut off, by [`MicId`](crate::MicId).
    pub muted: Vec<bool>,
    /// What panicked, each part once, in the order in which it did.
    pub broken: Vec<Broken>,
    /// Events that were lost on the way to the engine.
    pub events_lost: u64,
    /// Applied gestures that were lost on the way from it, to here or to a subscriber.
    pub applied_lost: u64,
}

impl EngineState {
    /// Nothing was reported yet.
    pub fn new(plan: Arc<Plan>) -> Self {
        Self {
            scene: None,
            hushed: false,
            controllers: vec![0.0; plan.controllers.len()],
            turned: vec![false; plan.controllers.len()],
            effects: vec![EffectState::Out; plan.instances.len()],
            level_db: 0.0,
            levels_db: vec![0.0; plan.outputs.len()],
            trims_db: plan.trims.iter().map(|trim| trim.db).collect(),
            muted: vec![false; plan.mics.len()],
            broken: Vec::new(),
            events_lost: 0,
            applied_lost: 0,
            plan,
        }
    }

    /// A gesture was applied.
    pub fn apply(&mut self, Applied { sample, what, .. }: Applied) {
        match what {
            Gesture::Controller { id, value } => set(&mut self.controllers, id.index(), value),
            Gesture::Fire(scene) => self.enter(scene, sample),
            Gesture::Hush(hushed) => self.hushed = hushed,
            Gesture::Level { output: None, db } => self.level_db = db,
            Gesture::Level { output: Some(id), db } => set(&mut self.levels_db, id.index(), db),
            Gesture::Trim { trim, db } => set(&mut self.trims_db, trim.index(), db),
            Gesture::Mute { mic, muted } => set(&mut self.muted, mic.index(), muted),
            // They are applied as what they lead to.
            Gesture::Press { .. } | Gesture::Next | Gesture::Back => {}
        }
    }

    /// Whether everything stands already as a gesture would have it, whose ids are those of `plan`.
    pub fn stands(&self, gesture: Gesture, plan: &Arc<Plan>) -> bool {
        let meant = if Arc::ptr_eq(plan, &self.plan) { Some(gesture) } else { gesture.moved(plan, &self.plan) };
        match meant {
            Some(Gesture::Controller { id, value }) => self.controllers.get(id.index()) == Some(&value),
            Some(Gesture::Fire(scene)) => self.scene.is_some_and(|(now, _)| now == scene),
            Some(Gesture::Hush(hushed)) => self.hushed == hushed,
            Some(Gesture::Level { output: None, db }) => self.level_db == db,
            Some(Gesture::Level { output: Some(id), db }) => self.levels_db.get(id.index()) == Some(&db),
            Some(Gesture::Trim { trim, db }) => self.trims_db.get(trim.index()) == Some(&db),
            Some(Gesture::Mute { mic, muted }) => self.muted.get(mic.index()) == Some(&muted),
            Some(Gesture::Press { .. } | Gesture::Next | Gesture::Back) => false,
            // What it is for is gone.
            None => true,
        }
    }

    /// A scene is in force from a sample on. It is told of twice, by its gesture and by a reading, either of which may be
    /// late or lost.
    pub fn enter(&mut self, scene: SceneId, sample: u64) {
        if self.scene.is_none_or(|(_, since)| since <= sample) {
            self.scene = Some((scene, sample));
        }
    }

    /// The scene in force; before the engine has begun, the first.
    pub fn scene_id(&self) -> SceneId {
        self.scene.map_or(SceneId(0), |(scene, _)| scene)
    }

    /// A changed piece has taken over.
    pub fn change(&mut self, plan: &Arc<Plan>) {
        let old = std::mem::replace(&mut self.plan, Arc::clone(plan));
        let controllers = places(&old.controllers, &plan.controllers, |a, b| a.name == b.name);
        let outputs = places(&old.outputs, &plan.outputs, |a, b| a.name == b.name);
        let mics = places(&old.mics, &plan.mics, |a, b| a.name == b.name);
        let identities = |plan: &Plan| -> Vec<Identity> {
            (0..plan.instances.len()).map(|index| plan.identity(InstanceId::new(index))).collect()
        };
        let effects = places(&identities(&old), &identities(plan), Identity::eq);
        // What goes on broken is told anew.
        self.broken.clear();
        carry(&mut self.controllers, &controllers, 0.0);
        carry(&mut self.turned, &controllers, false);
        carry(&mut self.effects, &effects, EffectState::Out);
        carry(&mut self.levels_db, &outputs, 0.0);
        carry(&mut self.muted, &mics, false);
        let stood = std::mem::replace(&mut self.trims_db, plan.trims.iter().map(|trim| trim.db).collect());
        for (trim, db) in old.trims.iter().zip(stood) {
            if let Some((id, db)) = old.kept_trim(trim, db, plan) {
                set(&mut self.trims_db, id.index(), db);
            }
        }
        self.scene = self.scene.map(|(scene, since)| (old.kept_scene(scene, plan), since));
    }
}

/// The device that drives the engine; while it is away, as it was.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Device {
    /// What it belongs to: JACK, the system's devices, the built-in clock.
    pub host: String,
    /// In words for a person.
    pub words: String,
    /// The engine's samples a second.
    pub rate: u32,
    /// Frames of a block.
    pub block: u32,
    /// The JACK server's frame that is the engine's frame 0, as long as the first device is there.
    pub server_frame: Option<u32>,
}

/// How learning stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Learning {
    /// The controller whose address is learned.
    pub controller: String,
    /// Whether it still listens; if not, the text says what came of it.
    pub listens: bool,
    /// In words for a person.
    pub text: String,
}

/// A live run. Cheap to clone.
#[derive(Clone, Debug)]
pub struct RunState {
    /// What the engine says.
    pub engine: Arc<EngineState>,
    /// The engine's sample at which this was looked at.
    pub sample: u64,
    /// Blocks that were played, since the start.
    pub blocks: u64,
    /// Those of them that were late.
    pub late: u64,
    /// What drives it.
    pub device: Arc<Device>,
    /// The folder in which a log is kept.
    pub log: Option<Arc<Path>>,
    /// How a run that had broken off was taken up again.
    pub taken_up: Option<Arc<str>>,
    /// How learning stands, if somebody learns or just has learned.
    pub learning: Option<Arc<Learning>>,
    /// What came of writing the levels of effects into the hall file, if that was just asked for.
    pub kept: Option<Arc<str>>,
    /// What one must know.
    pub conditions: Arc<Conditions>,
}

impl RunState {
    /// A run that has not begun.
    pub fn new(engine: EngineState) -> Self {
        Self {
            engine: Arc::new(engine),
            sample: 0,
            blocks: 0,
            late: 0,
            device: Arc::default(),
            log: None,
            taken_up: None,
            learning: None,
            kept: None,
            conditions: Arc::default(),
        }
    }
}

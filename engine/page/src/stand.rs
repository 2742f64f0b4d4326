//! How things stand: what changes while a piece is played.

use serde::Serialize;
use tenterhook_plan::{Plan, SceneId, Stands};

/// The whole state of a run, as the program last heard of it from the engine.
#[derive(Clone, Debug, PartialEq)]
pub struct Stand {
    /// The engine's sample at which this was looked at.
    pub sample: u64,
    /// The scene in force.
    pub scene: SceneId,
    /// The first sample of it.
    pub since: u64,
    /// Whether everything is hushed.
    pub hushed: bool,
    /// The controllers' values, 0...1, by [`ControllerId`](tenterhook_plan::ControllerId).
    pub controllers: Vec<f32>,
    /// Where each effect stands, by [`InstanceId`](tenterhook_plan::InstanceId).
    pub effects: Vec<Stands>,
    /// The level over all outputs, in dB.
    pub level_db: f32,
    /// The levels of the outputs, in dB, by [`OutputId`](tenterhook_plan::OutputId).
    pub levels_db: Vec<f32>,
    /// Which mics are shut off, by [`MicId`](tenterhook_plan::MicId).
    pub muted: Vec<bool>,
    /// What one must know, the gravest first.
    pub words: Vec<Word>,
    /// How learning stands, if somebody learns or just has learned.
    pub learning: Option<Learning>,
}

impl Stand {
    /// A run that has not begun.
    pub fn new(plan: &Plan) -> Self {
        Self {
            sample: 0,
            scene: SceneId(0),
            since: 0,
            hushed: false,
            controllers: vec![0.0; plan.controllers.len()],
            effects: vec![Stands::Out; plan.instances.len()],
            level_db: 0.0,
            levels_db: vec![0.0; plan.outputs.len()],
            muted: vec![false; plan.mics.len()],
            words: Vec::new(),
            learning: None,
        }
    }

    /// Whether something is other than in `before`, besides the time.
    pub(crate) fn differs(&self, before: &Self) -> bool {
        Self { sample: before.sample, ..self.clone() } != *before
    }
}

/// How learning stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Learning {
    /// The controller whose address is learned.
    pub controller: String,
    /// Whether it still listens; if not, the text says what came of it.
    pub listens: bool,
    /// In words for a person.
    pub text: String,
}

/// Something that one must know.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Word {
    /// What it is about.
    pub kind: Topic,
    /// Whether the sound suffers now.
    pub grave: bool,
    /// In words for a person.
    pub text: String,
}

/// What a [`Word`] is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Topic {
    /// Blocks that were late, or gaps that the device reported.
    Late,
    /// The device.
    Device,
    /// A mic that clips.
    Clip,
    /// An output's limiter.
    Limiter,
    /// An output that comes back by a mic, louder each time.
    Howl,
    /// A mic that stands beside zero (DC).
    Offset,
    /// The log of the run.
    Log,
    /// The piece as it was saved last.
    Piece,
    /// What was taken up again from a run before, or is not kept for one to come.
    Journal,
    /// A controller, or what it comes by.
    Controller,
    /// Gestures that were lost.
    Lost,
    /// A mic whose samples are no numbers.
    Bad,
    /// A part of the engine that broke.
    Broken,
}

//! All that a piece needs to sound, built whole before the audio thread sees it.

use ringbuf::HeapProd;
use tenterhook_dsp::CELL;
use tenterhook_dsp::effects::{EFFECTS, Effect};
use tenterhook_dsp::memory::{Insight, Memory};
use tenterhook_plan::{By, Plan, Source as Reads};

use crate::carry::Carry;
use crate::clock::Clock;
use crate::controllers::{Loudness, State, Trigger};
use crate::fader::Fader;
use crate::hearing::Hearing;
use crate::midi::Midi;
use crate::resident::Resident;
use crate::strip::{MicStrip, OutputStrip, SharedChannel, Source};

/// A scene: how long it takes to come in, and for each resident effect where it sounds, if at all.
pub(crate) struct SceneTable {
    pub fade: u32,
    pub gains: Vec<Option<Box<[f32]>>>,
}

/// A whole piece, ready to sound.
pub(crate) struct Table {
    pub clock: Clock,
    pub step: fn(Insight, usize, u64),
    pub mics: Vec<MicStrip>,
    /// The mics of each group, by their place.
    pub groups: Vec<Vec<usize>>,
    /// First the mics, then the groups, then the effects that others follow.
    pub sources: Vec<Source>,
    pub residents: Vec<Resident>,
    pub outputs: Vec<OutputStrip>,
    pub shared: Vec<SharedChannel>,
    /// The level of all outputs together.
    pub all: Fader,
    pub controllers: Vec<State>,
    /// The resident effects that each controller works, by their place.
    pub worked: Vec<Vec<usize>>,
    pub next: Trigger,
    pub back: Trigger,
    pub hush: Trigger,
    pub midi: Midi,
    pub loudness: Vec<Loudness>,
    /// One for each mic, or none at all where nobody asked.
    pub hearings: Vec<Hearing>,
    pub scenes: Vec<SceneTable>,
    /// What it takes over from the table before it.
    pub carry: Carry,
    /// The way home for the table before it: its place is there from the start and used once, so that handing the old
    /// table back can neither fail nor free anything.
    pub home: HeapProd<Box<Table>>,
}

/// How much of a source's past its effects read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Need {
    /// Samples.
    pub samples: usize,
    /// Whether one of them asks for the analysis.
    pub analysis: bool,
    /// Whether one of them asks for the model.
    pub model: bool,
}

/// The place in [`Table::sources`] of what an effect reads; `feeds` says which source an instance feeds.
fn place(plan: &Plan, reads: Reads, feeds: &[Option<usize>]) -> usize {
    match reads {
        Reads::Mic(id) => id.index(),
        Reads::Group(id) => plan.mics.len() + id.index(),
        Reads::Instance(id) => feeds.get(id.index()).copied().flatten().unwrap_or(0),
    }
}

/// Which source each instance feeds, if another follows it.
pub(crate) fn feeds(plan: &Plan) -> Vec<Option<usize>> {
    let mut feeds = vec![None; plan.instances.len()];
    let mut next = plan.mics.len() + plan.groups.len();
    for instance in &plan.instances {
        if let Reads::Instance(id) = instance.source
            && let Some(feeds @ None) = feeds.get_mut(id.index())
        {
            *feeds = Some(next);
            next += 1;
        }
    }
    feeds
}

/// What each source of a plan must remember; as it is to be made.
pub(crate) fn needs(plan: &Plan, rate: u32, making: Making) -> Vec<Need> {
    let feeds = feeds(plan);
    let sources = plan.mics.len() + plan.groups.len() + feeds.iter().flatten().count();
    let mut needs = vec![Need::default(); sources];
    for mic in needs.iter_mut().take(plan.mics.len()) {
        mic.analysis = making.hears;
    }
    for instance in &plan.instances {
        let effect = making.effect(instance.effect);
        let Some(need) = needs.get_mut(place(plan, instance.source, &feeds)) else { continue };
        let seconds = (effect.reach)(&instance.settings);
        need.samples = need.samples.max((seconds * f64::from(rate)).ceil() as usize + 2 * CELL as usize);
        need.analysis |= (effect.wants_analysis)(&instance.settings);
        need.model |= effect.wants_model;
    }
    needs
}

/// What an engine is made of. Only tests have others than the program's own effects, and ones that break.
#[derive(Clone, Copy)]
pub struct Making {
    /// The effects that there are, at least one.
    pub effects: &'static [Effect],
    /// Whether it tells pitch and onsets of every mic.
    pub hears: bool,
    /// Called on the audio thread beside each step of what a source's memory works out, with the source's place (mics,
    /// groups, effects that others follow) and the sample.
    pub step: fn(Insight, usize, u64),
}

impl Default for Making {
    fn default() -> Self {
        Self { effects: &EFFECTS, hears: false, step: |_, _, _| {} }
    }
}

impl Making {
    /// The effect of a name that the checker of pieces has found in the table.
    #[expect(clippy::indexing_slicing, reason = "there is one at least; not for the audio thread")]
    pub fn effect(self, name: &str) -> &'static Effect {
        self.effects.iter().find(|effect| effect.declaration.name == name).unwrap_or(&self.effects[0])
    }
}

impl Table {
    /// Builds a piece. Not for the audio thread: this allocates, and touches, all that the piece will ever need.
    pub fn new(
        plan: &Plan,
        rate: u32,
        ports: &[String],
        needs: &[Need],
        making: Making,
        carry: Carry,
        home: HeapProd<Box<Table>>,
    ) -> Self {
        let feeds = feeds(plan);
        let outputs = plan.outputs.len();
        let source = |(place, need): (usize, &Need)| {
            let memory = if need.analysis {
                Memory::with_analysis(need.samples, rate, place as u64)
            } else {
                Memory::new(need.samples)
            };
            let memory = if need.model { memory.modelled(rate, place as u64) } else { memory };
            Source::new(if making.hears && place < plan.mics.len() { memory.pitched() } else { memory })
        };
        let resident = |(index, instance): (usize, &tenterhook_plan::Instance)| {
            let effect = making.effect(instance.effect);
            let mut resident = Resident::new(effect, instance, index, &plan.controllers, rate, outputs);
            resident.reads = place(plan, instance.source, &feeds);
            resident.feeds = feeds.get(index).copied().flatten();
            resident
        };
        let clock = Clock::new(rate);
        let worked = |index: usize| {
            let by =
                |instance: &tenterhook_plan::Instance| matches!(instance.by, By::Controller(id) if id.index() == index);
            plan.instances.iter().enumerate().filter(|(_, instance)| by(instance)).map(|(i, _)| i).collect()
        };
        Self {
            clock,
            step: making.step,
            mics: plan.mics.iter().map(|mic| MicStrip::new(mic, rate)).collect(),
            groups: plan.groups.iter().map(|group| group.mics.iter().map(|id| id.index()).collect()).collect(),
            sources: needs.iter().enumerate().map(source).collect(),
            residents: plan.instances.iter().enumerate().map(resident).collect(),
            outputs: plan.outputs.iter().map(|output| OutputStrip::new(output, rate)).collect(),
            shared: SharedChannel::all(&plan.outputs, rate),
            all: Fader::NEW,
            controllers: vec![State::NEW; plan.controllers.len()],
            worked: (0..plan.controllers.len()).map(worked).collect(),
            next: Trigger::new(plan.next),
            back: Trigger::new(plan.back),
            hush: Trigger::new(plan.hush),
            midi: Midi::new(plan, ports),
            loudness: Loudness::all(plan, rate),
            hearings: if making.hears { Hearing::all(plan, rate) } else { Vec::new() },
            scenes: plan.scenes.iter().map(|scene| SceneTable::new(scene, plan, clock)).collect(),
            carry,
            home,
        }
    }
}

impl SceneTable {
    fn new(scene: &tenterhook_plan::Scene, plan: &Plan, clock: Clock) -> Self {
        let mut gains = vec![None; plan.instances.len()];
        for used in &scene.uses {
            let mut row = vec![0.0; plan.outputs.len()].into_boxed_slice();
            for send in &used.sends {
                if let Some(gain) = row.get_mut(send.output.index()) {
                    *gain = send.gain;
                }
            }
            if let Some(gains) = gains.get_mut(used.instance.index()) {
                *gains = Some(row);
            }
        }
        // A fade of nothing would be a click.
        Self { fade: clock.samples(scene.fade).max(clock.glide), gains }
    }
}

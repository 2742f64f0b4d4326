//! All that a piece needs to sound, built whole before the audio thread sees it.

use ringbuf::HeapProd;
use tenterhook_dsp::CELL;
use tenterhook_dsp::effects::{EFFECTS, Effect, Prepared};
use tenterhook_dsp::memory::{Insight, Memory};
use tenterhook_plan::{Plan, Source as Reads, TrimId};

use crate::controllers::{ControllerState, Loudness, Trigger};
use crate::fader::Fader;
use crate::hearing::Hearing;
use crate::midi::MidiMap;
use crate::migration::Migration;
use crate::neighbours::Neighbours;
use crate::pool::{Pool, PoolNeed, pools};
use crate::resident::Resident;
use crate::strip::{MicStrip, OutputStrip, SharedChannel, SourceStrip};
use crate::timings::Timings;
use crate::trim::TrimFader;

/// A scene: how long it takes to come in, and what sounds in it, in the order of the resident effects.
pub(crate) struct CompiledScene {
    pub fade: u32,
    pub parts: Box<[ScenePart]>,
}

/// A resident effect in a scene, by its place, and the factor to each output.
pub(crate) struct ScenePart {
    pub resident: usize,
    pub gains: Box<[f32]>,
}

/// A whole piece, ready to sound.
pub(crate) struct CompiledPlan {
    pub timings: Timings,
    pub step: fn(Insight, usize, u64),
    pub mics: Vec<MicStrip>,
    /// The mics of each group, by their place.
    pub groups: Vec<Vec<usize>>,
    /// First the mics, then the groups, then the effects that others follow.
    pub sources: Vec<SourceStrip>,
    pub residents: Vec<Resident>,
    pub pools: Vec<Pool>,
    /// The resident effects that a block looks at, in order: those of the scene in force, those that still sound or have
    /// something to tell, and those that others follow.
    pub walk: Vec<usize>,
    pub outputs: Vec<OutputStrip>,
    pub shared: Vec<SharedChannel>,
    /// The level of all outputs together.
    pub all: Fader,
    /// The levels of effects, by their names.
    pub trims: Vec<TrimFader>,
    pub controllers: Vec<ControllerState>,
    pub next: Trigger,
    pub back: Trigger,
    pub hush: Trigger,
    pub midi: MidiMap,
    pub loudness: Vec<Loudness>,
    pub neighbours: Neighbours,
    /// One for each mic, or none at all where nobody asked.
    pub hearings: Vec<Hearing>,
    pub scenes: Vec<CompiledScene>,
    /// What it takes over from the compiled plan before it.
    pub migration: Migration,
    /// The way home for the compiled plan before it: its place is there from the start and used once, so that handing the old
    /// compiled plan back can neither fail nor free anything.
    pub home: HeapProd<Box<CompiledPlan>>,
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

/// The place in [`CompiledPlan::sources`] of what an effect reads; `feeds` says which source an instance feeds.
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

/// What the sources and voices of a piece must hold, worked out before any of them is made.
pub(crate) struct Needs {
    pub sources: Vec<Need>,
    pub pools: Vec<PoolNeed>,
    /// For each instance the source that it reads, the place of its pool, and its settings.
    pub reads: Vec<usize>,
    pub pooled: Vec<usize>,
    pub settings: Vec<Prepared>,
}

impl Needs {
    /// Those of a plan; as it is to be made. Not for the audio thread.
    pub fn new(plan: &Plan, rate: u32, making: Making) -> Self {
        let feeds = feeds(plan);
        let settings: Vec<Prepared> =
            plan.instances.iter().map(|one| (making.effect(one.effect).prepare)(&one.settings, rate)).collect();
        let reads: Vec<usize> = plan.instances.iter().map(|one| place(plan, one.source, &feeds)).collect();
        let count = plan.mics.len() + plan.groups.len() + feeds.iter().flatten().count();
        let mut sources = vec![Need::default(); count];
        for mic in sources.iter_mut().take(plan.mics.len()) {
            mic.analysis = making.hears;
        }
        for ((instance, settings), &reads) in plan.instances.iter().zip(&settings).zip(&reads) {
            let Some(need) = sources.get_mut(reads) else { continue };
            let samples = (settings.reach * f64::from(rate)).ceil() as usize;
            need.samples = need.samples.max(samples + 2 * CELL as usize);
            need.analysis |= settings.wants_analysis;
            need.model |= making.effect(instance.effect).wants_model;
        }
        let (pools, pooled) = pools(plan, &settings, &reads);
        Self { sources, pools, reads, pooled, settings }
    }
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
    /// The effect of a name that the checker of pieces has found in the table of effects.
    #[expect(clippy::indexing_slicing, reason = "there is one at least; not for the audio thread")]
    pub fn effect(self, name: &str) -> &'static Effect {
        self.effects.iter().find(|effect| effect.declaration.name == name).unwrap_or(&self.effects[0])
    }
}

/// Puts a resident effect among those that a block looks at. There is room for all.
pub(crate) fn walk_with(walk: &mut Vec<usize>, resident: usize) {
    if let Err(place) = walk.binary_search(&resident)
        && walk.len() < walk.capacity()
    {
        walk.insert(place, resident);
    }
}

impl CompiledPlan {
    /// Builds a piece. Not for the audio thread: this allocates, and touches, all that the piece will ever need.
    pub fn new(
        plan: &Plan,
        rate: u32,
        ports: &[String],
        needs: Needs,
        making: Making,
        migration: Migration,
        home: HeapProd<Box<CompiledPlan>>,
    ) -> Self {
        let feeds = feeds(plan);
        let outputs = plan.outputs.len();
        let source = |(place, need): (usize, &Need)| {
            let memory = if need.analysis {
                Memory::with_analysis(need.samples, rate, place as u64)
            } else {
                Memory::new(need.samples, rate)
            };
            let memory = if need.model { memory.modelled(rate, place as u64) } else { memory };
            SourceStrip::new(if making.hears && place < plan.mics.len() { memory.pitched() } else { memory })
        };
        let Needs { sources, pools, reads, pooled, settings } = needs;
        let mut residents = Vec::with_capacity(plan.instances.len());
        for (index, ((instance, settings), (reads, pool))) in
            plan.instances.iter().zip(settings).zip(reads.into_iter().zip(pooled)).enumerate()
        {
            let effect = making.effect(instance.effect);
            let mut resident = Resident::new(effect, instance, settings, index, &plan.controllers);
            (resident.reads, resident.pool) = (reads, pool);
            resident.trim = plan.trim_of(instance).map_or(0, TrimId::index);
            resident.feeds = feeds.get(index).copied().flatten();
            residents.push(resident);
        }
        let mut walk = Vec::with_capacity(residents.len());
        walk.extend(feeds.iter().enumerate().filter_map(|(index, feeds)| feeds.and(Some(index))));
        let timings = Timings::new(rate);
        Self {
            timings,
            step: making.step,
            mics: plan.mics.iter().map(|mic| MicStrip::new(mic, rate)).collect(),
            groups: plan.groups.iter().map(|group| group.mics.iter().map(|id| id.index()).collect()).collect(),
            sources: sources.iter().enumerate().map(source).collect(),
            residents,
            pools: pools.iter().map(|need| Pool::new(need, making, rate, outputs)).collect(),
            walk,
            outputs: plan.outputs.iter().map(|output| OutputStrip::new(output, rate)).collect(),
            shared: SharedChannel::all(&plan.outputs, rate),
            all: Fader::NEW,
            trims: plan.trims.iter().map(TrimFader::new).collect(),
            controllers: vec![ControllerState::NEW; plan.controllers.len()],
            next: Trigger::new(plan.next),
            back: Trigger::new(plan.back),
            hush: Trigger::new(plan.hush),
            midi: MidiMap::new(plan, ports),
            loudness: Loudness::all(plan, rate),
            neighbours: Neighbours::new(plan, making, rate),
            hearings: if making.hears { Hearing::all(plan, rate) } else { Vec::new() },
            scenes: plan.scenes.iter().map(|scene| CompiledScene::new(scene, plan, timings)).collect(),
            migration,
            home,
        }
    }
}

impl CompiledScene {
    fn new(scene: &tenterhook_plan::Scene, plan: &Plan, timings: Timings) -> Self {
        let part = |used: &tenterhook_plan::Use| {
            let mut gains = vec![0.0; plan.outputs.len()].into_boxed_slice();
            for send in &used.sends {
                if let Some(gain) = gains.get_mut(send.output.index()) {
                    *gain = send.gain;
                }
            }
            ScenePart { resident: used.instance.index(), gains }
        };
        let uses = scene.uses.iter().filter(|used| used.instance.index() < plan.instances.len());
        let mut parts: Box<[ScenePart]> = uses.map(part).collect();
        parts.sort_by_key(|part| part.resident);
        // A fade of nothing would be a click.
        Self { fade: timings.samples(scene.fade).max(timings.glide), parts }
    }

    /// The factors to each output of the part at this place.
    pub fn gains(&self, part: usize) -> &[f32] {
        self.parts.get(part).map_or(&[], |part| &part.gains)
    }
}

//! One resident effect: the voices that it holds, and when they begin and end.

use tenterhook_dsp::CELL;
use tenterhook_dsp::effects::{Effect, Prepared};
use tenterhook_dsp::memory::{Insight, Memory};
use tenterhook_plan::{By, Controller, EffectState, Instance, InstanceId, Lack, Part, SceneId};

use crate::controllers::ControllerState;
use crate::fault::{Fault, Spot, ToldFault, caught};
use crate::pool::{Pool, VOICES};
use crate::reading::Reading;
use crate::timings::Timings;
use crate::voice::{Life, Sounds, Voice, VoiceBegin};

/// What an effect waits for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Gate {
    /// It has no part in the scene.
    Out,
    /// Its controller was not at rest when the scene came, or when hush was released: first it must come to rest, or
    /// move away from `from`, if that is said.
    Held {
        /// Where the controller was, if a move of it is enough.
        from: Option<f32>,
    },
    /// It begins when its controller leaves rest.
    Ready,
    /// It sounds, or does so as soon as a voice is free.
    On {
        /// No voice was free: it begins at the next grid line at which one is.
        waits: bool,
    },
}

/// What every call needs to know of the moment.
#[derive(Clone, Copy)]
pub(crate) struct BlockMoment {
    pub at: u64,
    pub scene: SceneId,
    pub hushed: bool,
    pub timings: Timings,
}

/// How one scene gives way to another.
#[derive(Clone, Copy)]
pub(crate) struct SceneChange {
    /// Samples in which the old one goes and the new one comes.
    pub fade: u32,
    /// Samples in which what is still left of an even older one goes.
    pub hurry: u32,
}

/// What works a resident effect, with the times that its controller asks for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum WorkedBy {
    /// The scene, by coming and going.
    Scene,
    /// A controller.
    Controller {
        /// Its place in the plan.
        index: usize,
        /// Seconds from 0 to 1.
        rise: f64,
        /// Seconds from 1 to 0.
        fall: Option<f64>,
        /// Whether a small move of it is enough to take hold, see [`Gate::Held`].
        by_moving: bool,
    },
}

impl WorkedBy {
    /// What works an effect of a plan with these controllers.
    pub fn new(by: By, controllers: &[Controller]) -> Self {
        let By::Controller(id) = by else { return WorkedBy::Scene };
        let controller = controllers.get(id.index());
        WorkedBy::Controller {
            index: id.index(),
            rise: controller.map_or(0.0, |controller| controller.rise),
            fall: controller.and_then(|controller| controller.fall),
            by_moving: controller.is_some_and(|controller| !controller.is_switch() && !controller.is_loudness()),
        }
    }

    /// How long x takes for a move by `change`.
    fn follow(self, change: f32, timings: Timings) -> u32 {
        let (rise, fall) = match self {
            WorkedBy::Scene => (0.0, 0.0),
            WorkedBy::Controller { rise, fall, .. } => (rise, fall.unwrap_or(0.0)),
        };
        let seconds = if change > 0.0 { rise } else { fall };
        timings.samples(seconds * f64::from(change.abs())).max(timings.glide)
    }

    /// How long x takes from `-change` to rest.
    fn end(self, change: f32, timings: Timings) -> u32 {
        match self {
            WorkedBy::Controller { fall: Some(fall), .. } => {
                timings.samples(fall * f64::from(change.abs())).max(timings.end)
            }
            WorkedBy::Controller { fall: None, .. } | WorkedBy::Scene => timings.end,
        }
    }
}

/// A resident effect.
pub(crate) struct Resident {
    pub gate: Gate,
    /// Where in its pool the voices are that it holds.
    pub held: [Option<usize>; VOICES],
    pub works: WorkedBy,
    /// Its own place in the compiled plan, and that of its pool.
    place: usize,
    pub pool: usize,
    /// Where it stands among the effects of the scene in force, if it has a part in that.
    pub part: usize,
    pub settings: Prepared,
    /// The source that it reads, in the compiled plan's list.
    pub reads: usize,
    /// The level of its name, in the compiled plan's list.
    pub trim: usize,
    /// The source that its sound is for the effects after it.
    pub feeds: Option<usize>,
    /// It does not carry on into the compiled plan that is about to be installed: nothing of it begins any more.
    pub doomed: bool,
    level: fn(f32) -> f32,
    /// What of its source's memory it reads beside the sound.
    reads_analysis: bool,
    reads_model: bool,
    /// It, or what it reads, broke: it is silent, and nothing of it is called any more. It goes home with its compiled plan.
    pub broken: bool,
    /// Its own fault, if it was that.
    pub fault: ToldFault,
    /// What was last told of how it stands and what it holds; `None`: it must be told anew.
    told_stands: Option<EffectState>,
    told_holds: Option<Option<(u64, u64)>>,
}

impl Resident {
    /// At the place `place` of the compiled plan. Nothing of it sounds yet: whoever shows it knows that without being told.
    pub fn new(effect: &Effect, instance: &Instance, settings: Prepared, place: usize, plan: &[Controller]) -> Self {
        Self {
            gate: Gate::Out,
            held: [None; VOICES],
            works: WorkedBy::new(instance.by, plan),
            place,
            pool: 0,
            part: 0,
            reads: 0,
            trim: 0,
            feeds: None,
            doomed: false,
            // What the scene itself works comes and goes in a straight line.
            level: if instance.by == By::Scene && effect.declaration.x_is_loudness { |x| x } else { effect.level },
            reads_analysis: settings.wants_analysis,
            reads_model: effect.wants_model,
            settings,
            broken: false,
            fault: ToldFault::default(),
            told_stands: Some(EffectState::Out),
            told_holds: Some(None),
        }
    }

    /// Does something with each voice that it holds.
    fn each(&self, pool: &mut Pool, mut what: impl FnMut(&mut Voice)) {
        for slot in self.held.into_iter().flatten() {
            pool.get_mut(slot).into_iter().for_each(&mut what);
        }
    }

    /// It is as if nothing had happened yet.
    pub fn forget(&mut self, pool: &mut Pool) {
        self.gate = Gate::Out;
        self.each(pool, Voice::free);
        self.held = [None; VOICES];
    }

    /// Nothing of it begins any more, and what sounds is silent after so many samples.
    pub fn doom(&mut self, pool: &mut Pool, hurry: u32) {
        self.doomed = true;
        self.each(pool, |voice| voice.leave(hurry));
    }

    /// Takes the place of the one that it is in the piece before. Its voices are where `slot` says.
    pub fn carry(&mut self, old: &mut Self, pool: &mut Pool, slot: impl Fn(&Pool, usize) -> usize) {
        (self.gate, self.broken, self.fault) = (old.gate, old.broken, old.fault.anew());
        (self.told_stands, self.told_holds) = (None, None);
        self.held = std::mem::take(&mut old.held).map(|held| held.map(|held| slot(pool, held)));
        let place = self.place;
        self.each(pool, |voice| voice.owner = Some(place));
    }

    /// The scene that comes has it too: the sound goes on, and glides to where it sounds there. What an earlier scene
    /// left behind is hurried out, here and below.
    pub fn carry_on(&mut self, gains: &[f32], change: SceneChange, pool: &mut Pool) {
        self.each(pool, |voice| match voice.life {
            Life::Free | Life::Falling => {}
            Life::Sounding | Life::Ending => voice.sends.go(gains, change.fade),
            Life::Leaving => voice.leave(change.hurry),
        });
    }

    /// The scene that comes does not have it.
    pub fn go(&mut self, change: SceneChange, pool: &mut Pool) {
        self.each(pool, |voice| match voice.life {
            Life::Free | Life::Falling => {}
            Life::Sounding | Life::Ending => voice.leave(change.fade),
            Life::Leaving => voice.leave(change.hurry),
        });
        self.gate = Gate::Out;
    }

    /// A scene that has it comes after one that did not.
    pub fn come(
        &mut self,
        moment: BlockMoment,
        state: Option<&ControllerState>,
        gains: &[f32],
        change: SceneChange,
        reads: EffectReads,
    ) {
        let EffectReads { pool, memory } = reads;
        self.each(pool, |voice| {
            if voice.life == Life::Leaving {
                voice.leave(change.hurry);
            }
        });
        self.wait(state, true);
        if !moment.hushed && self.works == WorkedBy::Scene {
            self.begin(moment, 1.0, change.fade, gains, EffectReads { pool, memory });
        }
    }

    /// Sets the gate to where the controller stands: ready if it is at rest, else held.
    fn wait(&mut self, state: Option<&ControllerState>, may_move: bool) {
        self.gate = match (self.works, state) {
            (WorkedBy::Controller { by_moving, .. }, Some(state)) if !state.at_rest => {
                Gate::Held { from: (by_moving && may_move).then_some(state.value) }
            }
            _ => Gate::Ready,
        };
    }

    /// Everything falls silent.
    pub fn hush(&mut self, timings: Timings, pool: &mut Pool) {
        self.each(pool, |voice| voice.leave(timings.hush));
        if self.gate != Gate::Out {
            self.gate = Gate::Held { from: None };
        }
    }

    /// Hush is released: nothing begins before its controller has come to rest, but what the scene itself works is
    /// there again.
    pub fn release(
        &mut self,
        moment: BlockMoment,
        state: Option<&ControllerState>,
        gains: &[f32],
        fade: u32,
        reads: EffectReads,
    ) {
        if self.gate == Gate::Out {
            return;
        }
        self.wait(state, false);
        if self.works == WorkedBy::Scene {
            self.begin(moment, 1.0, fade, gains, reads);
        }
    }

    /// Its controller has a new value.
    pub fn moved(&mut self, moment: BlockMoment, state: &ControllerState, gains: &[f32], reads: EffectReads) {
        if moment.hushed || self.works == WorkedBy::Scene {
            return;
        }
        match self.gate {
            Gate::Out => {}
            Gate::Held { .. } if state.at_rest => self.gate = Gate::Ready,
            Gate::Held { from: Some(from) } if (state.value - from).abs() >= TAKES_HOLD => {
                self.begin_by(moment, state.value, gains, reads);
            }
            Gate::Held { .. } => {}
            Gate::Ready => {
                if !state.at_rest {
                    self.begin_by(moment, state.value, gains, reads);
                }
            }
            Gate::On { .. } if state.at_rest => {
                let (works, timings) = (self.works, moment.timings);
                if let Some(voice) = self.sounding(reads.pool) {
                    voice.end(|change| works.end(change, timings));
                }
                self.gate = Gate::Ready;
            }
            Gate::On { .. } => {
                let (works, timings) = (self.works, moment.timings);
                if let Some(voice) = self.sounding(reads.pool) {
                    voice.follow(state.value, |change| works.follow(change, timings));
                }
            }
        }
    }

    /// At a grid line: what found no free voice begins now if there is one.
    pub fn at_line(&mut self, moment: BlockMoment, state: Option<&ControllerState>, gains: &[f32], reads: EffectReads) {
        if (self.gate == Gate::On { waits: true }) && !moment.hushed {
            match state {
                Some(state) => self.begin_by(moment, state.value, gains, reads),
                None => self.begin(moment, 1.0, moment.timings.glide, gains, reads),
            }
        }
    }

    fn begin_by(&mut self, moment: BlockMoment, value: f32, gains: &[f32], reads: EffectReads) {
        self.begin(moment, value, self.works.follow(value, moment.timings), gains, reads);
    }

    fn begin(
        &mut self,
        moment: BlockMoment,
        value: f32,
        rise: u32,
        gains: &[f32],
        EffectReads { pool, memory }: EffectReads,
    ) {
        if self.doomed || self.broken {
            return;
        }
        if self.held.iter().flatten().count() + 1 >= VOICES {
            // Two are there already: the older makes room.
            let oldest = self.held.into_iter().flatten().filter_map(|slot| Some((pool.get(slot)?.began, slot))).min();
            let oldest = oldest.and_then(|(_, slot)| pool.get_mut(slot));
            oldest.into_iter().for_each(|voice| voice.leave(moment.timings.hurry));
        } else {
            pool.make_room(moment.timings);
        }
        let free = self.held.iter().position(Option::is_none).and_then(|ordinal| Some((ordinal, pool.free()?)));
        let Some((ordinal, slot)) = free else {
            self.gate = Gate::On { waits: true };
            return;
        };
        let seed = (self.place * VOICES + ordinal) as u64;
        let begins = VoiceBegin { owner: self.place, settings: &self.settings, seed, value, rise, gains };
        let heard = memory.heard(moment.at);
        let Some(voice) = pool.get_mut(slot) else { return };
        let begun = caught(|| voice.begin(begins, moment.timings, &heard));
        self.held.get_mut(ordinal).into_iter().for_each(|held| *held = Some(slot));
        self.gate = Gate::On { waits: false };
        if let Err(spot) = begun {
            self.broke(moment.at, spot, moment.timings, pool, Some(slot));
        }
    }

    /// It panicked, in this voice.
    fn broke(&mut self, sample: u64, spot: Spot, timings: Timings, pool: &mut Pool, slot: Option<usize>) {
        slot.and_then(|slot| pool.get_mut(slot)).into_iter().for_each(|voice| voice.spoiled = true);
        self.fault = ToldFault::of(Fault { sample, spot });
        self.let_down(timings, pool);
    }

    /// From here on it is silent: what sounds falls from its last sample.
    pub fn let_down(&mut self, timings: Timings, pool: &mut Pool) {
        self.broken = true;
        self.each(pool, |voice| voice.let_down(timings));
    }

    /// Whether it reads this of its source's memory.
    pub fn reads_insight(&self, insight: Insight) -> bool {
        match insight {
            Insight::Analysis => self.reads_analysis,
            Insight::Model => self.reads_model,
        }
    }

    /// Says how it stands and what it holds, where that is not what was last told; `say` returns whether it was told.
    pub fn tell(&mut self, moment: BlockMoment, pool: &mut Pool, mut say: impl FnMut(Reading) -> bool) {
        let effect = InstanceId::new(self.place);
        let (span, lacks) = match self.broken {
            true => (None, None),
            false => caught(|| self.told_by_voices(pool)).unwrap_or_else(|spot| {
                self.broke(moment.at, spot, moment.timings, pool, self.newest(pool));
                (None, None)
            }),
        };
        self.fault.tell(|fault| say(Reading::Broken { part: Part::Effect(effect), fault }));
        let stands = self.stands(moment.hushed, lacks);
        if self.told_stands != Some(stands) && say(Reading::Effect { effect, stands }) {
            self.told_stands = Some(stands);
        }
        if self.told_holds != Some(span) && say(Reading::Held { effect, span }) {
            self.told_holds = Some(span);
        }
    }

    /// Whether it has no part in the scene, nothing of it sounds, and that has been told: a block need not look at it. One
    /// that broke is looked at for ever, so that it is not forgotten when the piece changes.
    pub fn is_over(&self) -> bool {
        let told = self.told_stands == Some(EffectState::Out) && self.told_holds == Some(None);
        self.is_out() && self.is_silent() && told && !self.broken
    }

    /// How it stands in the scene, if that is what it lacks.
    pub fn stands(&self, hushed: bool, lacks: Option<Lack>) -> EffectState {
        match self.gate {
            Gate::Out => EffectState::Out,
            _ if self.broken => EffectState::Broken,
            _ if hushed => EffectState::Hushed,
            Gate::Held { from: None } => EffectState::Waits,
            Gate::Held { from: Some(_) } => EffectState::WaitsOrMoves,
            Gate::Ready => EffectState::Ready,
            Gate::On { .. } => lacks.map_or(EffectState::On, EffectState::Lacks),
        }
    }

    /// What it holds and what it lacks: the newest of its voices says it.
    pub fn told_by_voices(&self, pool: &Pool) -> (Option<(u64, u64)>, Option<Lack>) {
        let newest = self.newest(pool).and_then(|slot| pool.get(slot));
        newest.map_or((None, None), |voice| (voice.holds(), voice.lacks()))
    }

    fn newest(&self, pool: &Pool) -> Option<usize> {
        self.held.into_iter().flatten().max_by_key(|&slot| pool.get(slot).map_or(0, |voice| voice.began))
    }

    fn sounding<'a>(&self, pool: &'a mut Pool) -> Option<&'a mut Voice> {
        let sounds = |&slot: &usize| pool.get(slot).is_some_and(|voice| voice.life == Life::Sounding);
        let slot = self.held.into_iter().flatten().find(sounds)?;
        pool.get_mut(slot)
    }

    /// Whether it has no part in the scene.
    pub fn is_out(&self) -> bool {
        self.gate == Gate::Out
    }

    /// The controller that works it, by its place in the plan.
    pub fn controller(&self) -> Option<usize> {
        match self.works {
            WorkedBy::Scene => None,
            WorkedBy::Controller { index, .. } => Some(index),
        }
    }

    /// Whether no voice sounds.
    pub fn is_silent(&self) -> bool {
        self.held.iter().all(Option::is_none)
    }

    /// Adds the voices' samples to `sum`, and to each output at its send and at the level of their name.
    pub fn render(
        &mut self,
        CellPiece { from, now, gains }: CellPiece,
        reads: EffectReads,
        timings: Timings,
        sum: &mut [f32],
        mut add: impl FnMut(usize, &[f32]),
    ) {
        let EffectReads { pool, memory } = reads;
        let mut buffer = [0.0; CELL as usize];
        for nth in 0..VOICES {
            let Some(slot) = self.held.get(nth).copied().flatten() else { continue };
            let (Some(voice), Some(out)) = (pool.get_mut(slot), buffer.get_mut(..now.len())) else { return };
            if !self.broken {
                let heard = memory.heard((from - from % CELL).max(voice.began));
                let sounds = Sounds { settings: &self.settings, level: self.level };
                if let Err(spot) = caught(|| voice.render(from, now, &heard, sounds, timings, out)) {
                    self.broke(from, spot, timings, pool, Some(slot));
                }
            }
            let Some(voice) = pool.get_mut(slot) else { return };
            if self.broken {
                voice.fall(timings, out);
            }
            for (sum, &sound) in sum.iter_mut().zip(&*out) {
                *sum += sound;
            }
            out.iter_mut().zip(gains).for_each(|(out, gain)| *out *= gain);
            voice.sends.send(out, &mut add);
            if voice.life == Life::Free {
                self.held.get_mut(nth).into_iter().for_each(|held| *held = None);
            }
        }
    }
}

/// Samples from `from` on, all in one cell: what the source sounds, and the level of the effect's name.
pub(crate) struct CellPiece<'a> {
    pub from: u64,
    pub now: &'a [f32],
    pub gains: &'a [f32],
}

/// What a resident effect works on: the voices of its kind, and the past of its source.
pub(crate) struct EffectReads<'a> {
    pub pool: &'a mut Pool,
    pub memory: &'a Memory,
}

/// How far a continuous controller that was held through a change of scenes must move to take hold.
/// It is 0.05, less what single precision loses between two written values.
const TAKES_HOLD: f32 = 0.05 - 1e-6;

//! One resident effect: its voices, and when they begin and end.

use tenterhook_dsp::CELL;
use tenterhook_dsp::effects::{Effect, Settings};
use tenterhook_dsp::memory::{Insight, Memory};
use tenterhook_dsp::ramp::Ramp;
use tenterhook_plan::{By, Controller, EffectState, Instance, InstanceId, Part, SceneId};

use crate::clock::Clock;
use crate::controllers::State;
use crate::fault::{Fault, Spot, Told, caught};
use crate::reading::Reading;
use crate::voice::{Life, Voice};

/// How many voices an effect has: one that begins, one that ends, and one that is hurried out because a third begins.
const VOICES: usize = 3;

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
pub(crate) struct Moment {
    pub at: u64,
    pub scene: SceneId,
    pub hushed: bool,
    pub clock: Clock,
}

/// How one scene gives way to another.
#[derive(Clone, Copy)]
pub(crate) struct Change {
    /// Samples in which the old one goes and the new one comes.
    pub fade: u32,
    /// Samples in which what is still left of an even older one goes.
    pub hurry: u32,
}

/// What works a resident effect, with the times that its controller asks for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Works {
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

impl Works {
    pub fn new(by: By, controllers: &[Controller]) -> Self {
        let By::Controller(id) = by else { return Works::Scene };
        let controller = controllers.get(id.index());
        Works::Controller {
            index: id.index(),
            rise: controller.map_or(0.0, |controller| controller.rise),
            fall: controller.and_then(|controller| controller.fall),
            by_moving: controller.is_some_and(|controller| !controller.is_switch() && !controller.is_loudness()),
        }
    }

    /// How long x takes for a move by `change`.
    fn follow(self, change: f32, clock: Clock) -> u32 {
        let (rise, fall) = match self {
            Works::Scene => (0.0, 0.0),
            Works::Controller { rise, fall, .. } => (rise, fall.unwrap_or(0.0)),
        };
        let seconds = if change > 0.0 { rise } else { fall };
        clock.samples(seconds * f64::from(change.abs())).max(clock.glide)
    }

    /// How long x takes from `-change` to rest.
    fn end(self, change: f32, clock: Clock) -> u32 {
        match self {
            Works::Controller { fall: Some(fall), .. } => clock.samples(fall * f64::from(change.abs())).max(clock.end),
            Works::Controller { fall: None, .. } | Works::Scene => clock.end,
        }
    }
}

/// A resident effect.
pub(crate) struct Resident {
    pub gate: Gate,
    pub voices: Vec<Voice>,
    pub works: Works,
    /// The source that it reads, in the table's list.
    pub reads: usize,
    /// The source that its sound is for the effects after it.
    pub feeds: Option<usize>,
    /// It does not carry on into the table that is about to be installed: nothing of it begins any more.
    pub doomed: bool,
    level: fn(f32) -> f32,
    /// What of its source's memory it reads beside the sound.
    reads_analysis: bool,
    reads_model: bool,
    /// It, or what it reads, broke: it is silent, and nothing of it is called any more. It goes home with its table.
    pub broken: bool,
    /// Its own fault, if it was that.
    pub fault: Told,
    /// What was last told of how it stands, and of what it holds; `None`: nothing was.
    told_stands: Option<EffectState>,
    told_holds: Option<Option<(u64, u64)>>,
}

impl Resident {
    /// Makes all that it will ever need. Not for the audio thread.
    pub fn new(
        effect: &Effect,
        instance: &Instance,
        place: usize,
        controllers: &[Controller],
        rate: u32,
        outputs: usize,
    ) -> Self {
        let voice = |voice: usize| {
            let seed = (place * VOICES + voice) as u64;
            Voice::new((effect.make)(&Settings { values: &instance.settings, rate, seed }), outputs)
        };
        Self {
            gate: Gate::Out,
            voices: (0..VOICES).map(voice).collect(),
            works: Works::new(instance.by, controllers),
            reads: 0,
            feeds: None,
            doomed: false,
            level: effect.level,
            reads_analysis: (effect.wants_analysis)(&instance.settings),
            reads_model: effect.wants_model,
            broken: false,
            fault: Told::default(),
            told_stands: None,
            told_holds: None,
        }
    }

    /// Bytes that one takes whose processors take so many each.
    pub fn bytes(processor: usize, outputs: usize) -> usize {
        size_of::<Self>() + VOICES * (size_of::<Voice>() + processor + outputs * size_of::<Ramp>())
    }

    /// It is as if nothing had happened yet.
    pub fn forget(&mut self) {
        self.gate = Gate::Out;
        self.voices.iter_mut().for_each(|voice| voice.life = Life::Free);
    }

    /// The scene that comes has it too: the sound goes on, and glides to where it sounds there. What an earlier scene
    /// left behind is hurried out, here and below.
    pub fn carry_on(&mut self, gains: &[f32], change: Change) {
        for voice in &mut self.voices {
            match voice.life {
                Life::Free | Life::Falling => {}
                Life::Sounding | Life::Ending => voice.redirect(gains, change.fade),
                Life::Leaving => voice.leave(change.hurry),
            }
        }
    }

    /// The scene that comes does not have it.
    pub fn go(&mut self, change: Change) {
        for voice in &mut self.voices {
            match voice.life {
                Life::Free | Life::Falling => {}
                Life::Sounding | Life::Ending => voice.leave(change.fade),
                Life::Leaving => voice.leave(change.hurry),
            }
        }
        self.gate = Gate::Out;
    }

    /// A scene that has it comes after one that did not.
    pub fn come(&mut self, moment: Moment, state: Option<&State>, gains: &[f32], change: Change, memory: &Memory) {
        for voice in &mut self.voices {
            if voice.life == Life::Leaving {
                voice.leave(change.hurry);
            }
        }
        self.wait(state, true);
        if !moment.hushed && self.works == Works::Scene {
            self.begin(moment, 1.0, change.fade, gains, memory);
        }
    }

    /// Sets the gate to where the controller stands: ready if it is at rest, else held.
    fn wait(&mut self, state: Option<&State>, may_move: bool) {
        self.gate = match (self.works, state) {
            (Works::Controller { by_moving, .. }, Some(state)) if !state.at_rest => {
                Gate::Held { from: (by_moving && may_move).then_some(state.value) }
            }
            _ => Gate::Ready,
        };
    }

    /// Everything falls silent.
    pub fn hush(&mut self, clock: Clock) {
        self.voices.iter_mut().for_each(|voice| voice.leave(clock.hush));
        if self.gate != Gate::Out {
            self.gate = Gate::Held { from: None };
        }
    }

    /// Hush is released: nothing begins before its controller has come to rest, but what the scene itself works is
    /// there again.
    pub fn release(&mut self, moment: Moment, state: Option<&State>, gains: &[f32], fade: u32, memory: &Memory) {
        if self.gate == Gate::Out {
            return;
        }
        self.wait(state, false);
        if self.works == Works::Scene {
            self.begin(moment, 1.0, fade, gains, memory);
        }
    }

    /// Its controller has a new value.
    pub fn moved(&mut self, moment: Moment, state: &State, gains: &[f32], memory: &Memory) {
        if moment.hushed || self.works == Works::Scene {
            return;
        }
        match self.gate {
            Gate::Out => {}
            Gate::Held { .. } if state.at_rest => self.gate = Gate::Ready,
            Gate::Held { from: Some(from) } if (state.value - from).abs() >= TAKES_HOLD => {
                self.begin_by(moment, state.value, gains, memory);
            }
            Gate::Held { .. } => {}
            Gate::Ready => {
                if !state.at_rest {
                    self.begin_by(moment, state.value, gains, memory);
                }
            }
            Gate::On { .. } if state.at_rest => {
                let (works, clock) = (self.works, moment.clock);
                if let Some(voice) = self.sounding() {
                    voice.end(|change| works.end(change, clock));
                }
                self.gate = Gate::Ready;
            }
            Gate::On { .. } => {
                let (works, clock) = (self.works, moment.clock);
                if let Some(voice) = self.sounding() {
                    voice.follow(state.value, |change| works.follow(change, clock));
                }
            }
        }
    }

    /// At a grid line: what found no free voice begins now if there is one.
    pub fn at_line(&mut self, moment: Moment, state: Option<&State>, gains: &[f32], memory: &Memory) {
        if (self.gate == Gate::On { waits: true }) && !moment.hushed {
            match state {
                Some(state) => self.begin_by(moment, state.value, gains, memory),
                None => self.begin(moment, 1.0, moment.clock.glide, gains, memory),
            }
        }
    }

    fn begin_by(&mut self, moment: Moment, value: f32, gains: &[f32], memory: &Memory) {
        self.begin(moment, value, self.works.follow(value, moment.clock), gains, memory);
    }

    fn begin(&mut self, moment: Moment, value: f32, rise: u32, gains: &[f32], memory: &Memory) {
        if self.doomed || self.broken {
            return;
        }
        let busy = self.voices.iter().filter(|voice| voice.life != Life::Free).count();
        if busy + 1 >= VOICES {
            // Two are there already: the older makes room.
            let oldest =
                self.voices.iter_mut().filter(|voice| voice.life != Life::Free).min_by_key(|voice| voice.began);
            if let Some(oldest) = oldest {
                oldest.leave(moment.clock.hurry);
            }
        }
        let heard = memory.heard(moment.at);
        match self.voices.iter_mut().find(|voice| voice.life == Life::Free) {
            Some(voice) => {
                let begun = caught(|| voice.begin(value, rise, gains, moment.clock, &heard));
                self.gate = Gate::On { waits: false };
                if let Err(spot) = begun {
                    self.broke(moment.at, spot, moment.clock);
                }
            }
            None => self.gate = Gate::On { waits: true },
        }
    }

    /// It panicked.
    fn broke(&mut self, sample: u64, spot: Spot, clock: Clock) {
        self.fault = Told::of(Fault { sample, spot });
        self.let_down(clock);
    }

    /// From here on it is silent: what sounds falls from its last sample.
    pub fn let_down(&mut self, clock: Clock) {
        self.broken = true;
        self.voices.iter_mut().for_each(|voice| voice.let_down(clock));
    }

    /// Whether it reads this of its source's memory.
    pub fn reads_insight(&self, insight: Insight) -> bool {
        match insight {
            Insight::Analysis => self.reads_analysis,
            Insight::Model => self.reads_model,
        }
    }

    /// Says how it stands and what it holds, where that is not what was last told; `say` returns whether it was told.
    pub fn tell(&mut self, effect: InstanceId, moment: Moment, mut say: impl FnMut(Reading) -> bool) {
        let span = match self.broken {
            true => None,
            false => caught(|| self.holds()).unwrap_or_else(|spot| {
                self.broke(moment.at, spot, moment.clock);
                None
            }),
        };
        self.fault.tell(|fault| say(Reading::Broken { part: Part::Effect(effect), fault }));
        let stands = self.stands(moment.hushed);
        if self.told_stands != Some(stands) && say(Reading::Effect { effect, stands }) {
            self.told_stands = Some(stands);
        }
        if self.told_holds != Some(span) && say(Reading::Held { effect, span }) {
            self.told_holds = Some(span);
        }
    }

    /// How it stands in the scene.
    pub fn stands(&self, hushed: bool) -> EffectState {
        match self.gate {
            Gate::Out => EffectState::Out,
            _ if self.broken => EffectState::Broken,
            _ if hushed => EffectState::Waits,
            Gate::Held { from: None } => EffectState::Waits,
            Gate::Held { from: Some(_) } => EffectState::WaitsOrMoves,
            Gate::Ready => EffectState::Ready,
            Gate::On { .. } => EffectState::On,
        }
    }

    /// What it holds: the newest of its voices says it.
    pub fn holds(&self) -> Option<(u64, u64)> {
        let newest = self.voices.iter().filter(|voice| voice.life != Life::Free).max_by_key(|voice| voice.began);
        newest.and_then(Voice::holds)
    }

    fn sounding(&mut self) -> Option<&mut Voice> {
        self.voices.iter_mut().find(|voice| voice.life == Life::Sounding)
    }

    /// Whether it has no part in the scene.
    pub fn is_out(&self) -> bool {
        self.gate == Gate::Out
    }

    /// The controller that works it, by its place in the plan.
    pub fn controller(&self) -> Option<usize> {
        match self.works {
            Works::Scene => None,
            Works::Controller { index, .. } => Some(index),
        }
    }

    /// Whether no voice sounds.
    pub fn is_silent(&self) -> bool {
        self.voices.iter().all(|voice| voice.life == Life::Free)
    }

    /// Adds the voices' samples from `from` on, all in one cell, to `sum`, and to each output at its send.
    pub fn render(
        &mut self,
        from: u64,
        now: &[f32],
        memory: &Memory,
        clock: Clock,
        sum: &mut [f32],
        mut add: impl FnMut(usize, &[f32]),
    ) {
        let mut buffer = [0.0; CELL as usize];
        for nth in 0..self.voices.len() {
            let (Some(voice), Some(out)) = (self.voices.get_mut(nth), buffer.get_mut(..now.len())) else { return };
            if voice.life == Life::Free {
                continue;
            }
            if !self.broken {
                let heard = memory.heard((from - from % CELL).max(voice.began));
                if let Err(spot) = caught(|| voice.render(from, now, &heard, self.level, clock, out)) {
                    self.broke(from, spot, clock);
                }
            }
            let Some(voice) = self.voices.get_mut(nth) else { return };
            if self.broken {
                voice.fall(clock, out);
            }
            for (sum, &sound) in sum.iter_mut().zip(&*out) {
                *sum += sound;
            }
            for (output, send) in voice.sends.iter_mut().enumerate() {
                if send.is_silent() {
                    continue;
                }
                let mut sent = [0.0; CELL as usize];
                let Some(sent) = sent.get_mut(..out.len()) else { return };
                send.fill(sent);
                for (sent, &sound) in sent.iter_mut().zip(&*out) {
                    *sent *= sound;
                }
                add(output, sent);
            }
        }
    }
}

/// How far a continuous controller that was held through a change of scenes must move to take hold.
/// It is 0.05, less what single precision loses between two written values.
const TAKES_HOLD: f32 = 0.05 - 1e-6;

//! What happens in a run: the same gestures at the same samples in every run, whatever the block size.

use std::ops::Range;

use tenterhook_plan::{Address, ControllerId, Event, Gesture, Plan, SceneId, Timed};

use super::figures::WorstCause;

/// Frames between two moves of a controller, all of which move at once. Every block size that is measured by default
/// divides it, so that gestures come with a block's first sample, as live ones do.
const TICK: u64 = 256;

/// Seconds after the firing of a scene that still count as firing it: the shortest fade.
const FIRING: f64 = 0.020;

/// Seconds that each scene has in [`LoadScore::probe`], and those of them at whose end everything engages.
const SLOT: f64 = 0.8;
const SLOT_ENGAGES: f64 = 0.24;

#[derive(Clone, Copy)]
enum LoadMoment {
    /// All controllers leave rest in one block, and move from then on.
    Engage,
    /// All come to rest.
    Rest,
    Fire(SceneId),
    Hush,
    Release,
}

/// What happens, to the sample.
pub struct LoadScore {
    /// In the order of their samples.
    pub events: Vec<Timed<Event>>,
    /// How long it lasts.
    pub frames: u64,
    /// After so many samples the mics' sound begins again.
    pub turn: u64,
    /// The sample at which the first controller leaves rest: from here on blocks count.
    pub busy: u64,
    /// The samples at which effects begin all at once.
    engaging: Vec<u64>,
    /// The samples from a firing on that count as such.
    firing: Vec<Range<u64>>,
    /// The scenes in force, each from its sample on.
    scenes: Vec<(u64, SceneId)>,
}

/// So many seconds in ticks.
fn ticks(seconds: f64, rate: u32) -> u64 {
    (seconds * f64::from(rate) / TICK as f64).round() as u64
}

impl LoadScore {
    /// What is measured of a scene, which is in force from the first sample on, with everything at rest so that memories
    /// fill. Each engaging comes while what was before still ends or fades. The release of a hush begins what the scene
    /// itself works, which in a piece of one scene nothing else does.
    pub fn whole(plan: &Plan, rate: u32, scene: SceneId) -> Self {
        let moments = [
            (1.0, LoadMoment::Engage),
            (1.7, LoadMoment::Rest),
            (1.72, LoadMoment::Engage),
            (2.4, LoadMoment::Fire(neighbour(plan, scene))),
            (2.42, LoadMoment::Rest),
            (2.44, LoadMoment::Engage),
            (2.9, LoadMoment::Fire(scene)),
            (2.92, LoadMoment::Rest),
            (2.94, LoadMoment::Engage),
            (3.4, LoadMoment::Hush),
            (3.6, LoadMoment::Rest),
            (3.7, LoadMoment::Release),
            (3.72, LoadMoment::Engage),
        ];
        let moments: Vec<_> = moments.iter().map(|&(at, moment)| (ticks(at, rate), moment)).collect();
        Self::new(plan, rate, scene, &moments, ticks(4.1, rate))
    }

    /// Every scene in turn, each from silence and each with the same sound.
    pub fn probe(plan: &Plan, rate: u32) -> Self {
        let length = ticks(SLOT, rate);
        let slot = |index: usize| {
            let at = |seconds: f64| index as u64 * length + ticks(seconds, rate);
            [
                (at(0.0), LoadMoment::Hush),
                (at(0.2), LoadMoment::Rest),
                (at(0.2), LoadMoment::Fire(SceneId::new(index))),
                (at(0.22), LoadMoment::Release),
                (at(SLOT_ENGAGES), LoadMoment::Engage),
            ]
        };
        let moments: Vec<_> = (0..plan.scenes.len()).flat_map(slot).collect();
        let frames = plan.scenes.len() as u64 * length;
        Self { turn: length * TICK, ..Self::new(plan, rate, SceneId(0), &moments, frames) }
    }

    /// The scene of [`LoadScore::probe`] in which everything is engaged at a sample.
    pub fn probed(rate: u32, sample: u64) -> Option<usize> {
        let length = ticks(SLOT, rate) * TICK;
        (sample % length >= ticks(SLOT_ENGAGES, rate) * TICK).then_some((sample / length) as usize)
    }

    fn new(plan: &Plan, rate: u32, scene: SceneId, moments: &[(u64, LoadMoment)], length: u64) -> Self {
        let hands = Hands::of(plan);
        let (mut events, mut engaging, mut firing) = (Vec::new(), Vec::new(), Vec::new());
        let mut moments = moments.iter().copied().peekable();
        let busy = moments.peek().map_or(0, |(tick, _)| tick * TICK);
        let mut scenes = vec![(0, scene)];
        let mut moving = false;
        for tick in 0..length {
            let sample = tick * TICK;
            let mut gesture = |gesture| events.push(Timed { sample, what: Event::written(gesture) });
            let mut begins = false;
            while let Some((_, moment)) = moments.next_if(|(at, _)| *at <= tick) {
                match moment {
                    LoadMoment::Engage => {
                        (moving, begins) = (true, true);
                        engaging.push(sample);
                    }
                    LoadMoment::Rest => {
                        moving = false;
                        hands.all().for_each(|id| gesture(Gesture::Controller { id, value: 0.0 }));
                    }
                    LoadMoment::Fire(scene) => {
                        gesture(Gesture::Fire(scene));
                        scenes.push((sample, scene));
                        firing.push(sample..sample + (FIRING * f64::from(rate)) as u64);
                    }
                    LoadMoment::Hush => gesture(Gesture::Hush(true)),
                    LoadMoment::Release => {
                        gesture(Gesture::Hush(false));
                        engaging.push(sample);
                    }
                }
            }
            if moving {
                hands.moves(sample as f64 / f64::from(rate), begins).for_each(gesture);
            }
        }
        let frames = length * TICK;
        Self { events, frames, turn: frames, busy, engaging, firing, scenes }
    }

    /// The scene in force at the end of the block of these samples.
    pub fn scene(&self, block: Range<u64>) -> SceneId {
        let last = self.scenes.iter().rev().find(|(from, _)| *from < block.end);
        last.map_or(SceneId(0), |(_, scene)| *scene)
    }

    /// The cause of the block of these samples, where the gestures tell it.
    pub fn cause(&self, block: Range<u64>) -> Option<WorstCause> {
        if self.engaging.iter().any(|sample| block.contains(sample)) {
            Some(WorstCause::Engaging)
        } else if self.firing.iter().any(|firing| firing.start < block.end && block.start < firing.end) {
            Some(WorstCause::Firing)
        } else {
            None
        }
    }
}

/// The scene after this one, or the one before the last; of a single scene itself.
fn neighbour(plan: &Plan, scene: SceneId) -> SceneId {
    let index = scene.index();
    SceneId::new(if index + 1 < plan.scenes.len() { index + 1 } else { index.saturating_sub(1) })
}

/// The piece as it is measured: a controller that follows a mic's loudness is moved like a lever, so that it leaves rest
/// together with all others. What its own following costs, a few additions a sample, is left out.
pub fn by_hand(plan: &Plan) -> Plan {
    let mut plan = plan.clone();
    for controller in plan.controllers.iter_mut().filter(|controller| controller.is_loudness()) {
        controller.address = Address::Page;
    }
    plan
}

/// The controllers that work effects: those that fire or hush are left alone.
struct Hands {
    /// Those that know only off and on, then all others.
    switches: Vec<ControllerId>,
    levers: Vec<ControllerId>,
}

impl Hands {
    fn of(plan: &Plan) -> Self {
        let triggers = [plan.next, plan.back, plan.hush];
        let ids = (0..plan.controllers.len()).map(ControllerId::new).filter(|id| !triggers.contains(&Some(*id)));
        let (switches, levers) = ids.partition(|id| plan.controllers[id.index()].is_switch());
        Self { switches, levers }
    }

    fn all(&self) -> impl Iterator<Item = ControllerId> {
        self.switches.iter().chain(&self.levers).copied()
    }

    /// Every lever on its way up and down between 0.2 and 1, each at its own pace, at most 1.6 a second. A switch goes
    /// down at the beginning and stays.
    fn moves(&self, seconds: f64, begins: bool) -> impl Iterator<Item = Gesture> {
        let value = move |id: ControllerId| {
            let turn = seconds * (0.5 + 0.01 * (id.index() % 50) as f64);
            (0.2 + 1.6 * (turn.fract() - 0.5).abs()) as f32
        };
        let switches = self.switches.iter().filter(move |_| begins);
        let switches = switches.map(|&id| Gesture::Controller { id, value: 1.0 });
        switches.chain(self.levers.iter().map(move |&id| Gesture::Controller { id, value: value(id) }))
    }
}

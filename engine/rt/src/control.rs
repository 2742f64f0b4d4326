//! The control half: sends events and changed pieces to the audio thread, and takes back what happened and what is done
//! with. Everything here runs on any thread but that one.

use std::cell::Cell;
use std::collections::VecDeque;
use std::marker::PhantomData;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use ringbuf::traits::{Consumer, Observer, Producer, Split};
use ringbuf::{HeapCons, HeapProd, HeapRb};
use tenterhook_plan::{Applied, Event, Plan, SceneId, Who};

use crate::compiled_plan::{CompiledPlan, Making, Needs};
use crate::engine::Engine;
use crate::migration::{Had, Migration};
use crate::outbox::{Inbox, Outbox, OutboxItem};
use crate::reading::Reading;

/// Events on their way to the audio thread.
const EVENTS: usize = 4096;
/// Changed pieces on their way.
const COMPILED_PLANS: usize = 4;
/// Gestures that were applied: minutes of a busy pedal.
const RECORDS: usize = 65_536;
/// Readings: more than a second's for a hundred channels.
const READINGS: usize = 8192;

/// Bytes of all rings between the halves.
pub(crate) fn rings() -> usize {
    EVENTS * size_of::<Event>()
        + COMPILED_PLANS * size_of::<Box<CompiledPlan>>()
        + RECORDS * size_of::<OutboxItem<Applied>>()
        + READINGS * size_of::<OutboxItem<Reading>>()
}

/// The control half of an engine.
pub struct Control {
    rate: u32,
    events: HeapProd<Event>,
    compiled_plans: HeapProd<Box<CompiledPlan>>,
    records: Inbox<Applied>,
    readings: Inbox<Reading>,
    lost: Arc<AtomicU64>,
    /// Where compiled plans come home to, each once.
    homes: Vec<HeapCons<Box<CompiledPlan>>>,
    /// The plan that ids in [`Control::applied`] mean, and those that were handed over after it.
    plans: VecDeque<Plan>,
    /// Installations that the gestures have told of and the readings have not yet.
    behind: u32,
    /// What the sources and voices of the newest plan hold.
    had: Had,
    ports: Vec<String>,
    making: Making,
}

/// What the engine has to say, in order.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum EngineReport {
    /// A gesture was applied.
    Applied(Applied),
    /// A reading.
    Reading(Reading),
    /// The next piece that was handed over has taken over: [`Control::plan`] is that one now, and ids mean its.
    Installed,
}

/// The ring towards the engine is full: nothing was sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Full;

impl std::fmt::Display for Full {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("the engine has not taken anything for a while: is its audio device running?")
    }
}

impl std::error::Error for Full {}

/// Makes both halves of an engine that plays a piece at `rate` samples a second, with the scene `first` in force from
/// its first sample. Allocates all that the piece will ever need.
pub fn engine(plan: &Plan, rate: u32, first: SceneId) -> (Engine, Control) {
    engine_with(Making::default(), plan, rate, first)
}

/// The same, and it tells pitch and onsets of every mic, see [`Reading::Pitch`] and [`Reading::Onset`]. That changes
/// nothing in its sound.
pub fn hearing_engine(plan: &Plan, rate: u32, first: SceneId) -> (Engine, Control) {
    engine_with(Making { hears: true, ..Making::default() }, plan, rate, first)
}

/// The same as [`engine`], made as is said. Pieces that are handed over to it are made so, too.
pub fn engine_with(making: Making, plan: &Plan, rate: u32, first: SceneId) -> (Engine, Control) {
    let (events, events_out) = HeapRb::new(EVENTS).split();
    let (compiled_plans, compiled_plans_out) = HeapRb::new(COMPILED_PLANS).split();
    let (records_out, records) = Outbox::with_room(RECORDS);
    let (readings_out, readings) = Outbox::with_room(READINGS);
    let lost = Arc::new(AtomicU64::new(0));
    let ports: Vec<String> = plan.ports().into_iter().map(str::to_owned).collect();
    let needs = Needs::new(plan, rate, making);
    let had = Had::of(&needs);
    let (home, back) = HeapRb::new(1).split();
    let compiled = CompiledPlan::new(plan, rate, &ports, needs, making, Migration::default(), home);
    let engine = Engine {
        sample: 0,
        scene: SceneId::new(first.index().min(plan.scenes.len().saturating_sub(1))),
        since: 0,
        told_scene: None,
        hushed: false,
        fresh: Some(Who::Start),
        compiled: Box::new(compiled),
        coming: None,
        events: events_out,
        compiled_plans: compiled_plans_out,
        records: records_out,
        readings: readings_out,
        lost: Arc::clone(&lost),
        not_sync: PhantomData::<Cell<()>>,
    };
    let control = Control {
        rate,
        events,
        compiled_plans,
        records,
        readings,
        lost,
        homes: vec![back],
        plans: VecDeque::from([plan.clone()]),
        behind: 0,
        had,
        ports,
        making,
    };
    (engine, control)
}

/// Builds a changed piece for the engine that a [`Control`] belongs to. This takes a while: it allocates, and touches,
/// all that the piece will ever need.
pub struct Builder {
    rate: u32,
    old: Option<(Plan, Had)>,
    ports: Vec<String>,
    making: Making,
}

/// A changed piece, ready to take over.
pub struct Built {
    compiled: Box<CompiledPlan>,
    /// Where the compiled plan before it comes home to.
    back: HeapCons<Box<CompiledPlan>>,
    plan: Plan,
    had: Had,
    ports: Vec<String>,
}

impl Builder {
    /// Builds it.
    pub fn build(self, plan: &Plan) -> Box<Built> {
        let ports = plan.ports_after(&self.ports);
        let mut needs = Needs::new(plan, self.rate, self.making);
        let migration =
            self.old.map_or_else(Migration::default, |(old, had)| Migration::new(&old, &had, plan, &mut needs));
        let had = Had::of(&needs);
        let (home, back) = HeapRb::new(1).split();
        let compiled = Box::new(CompiledPlan::new(plan, self.rate, &ports, needs, self.making, migration, home));
        Box::new(Built { compiled, back, plan: plan.clone(), had, ports })
    }
}

impl Control {
    /// Sends an event, which acts at the first sample of the next block.
    ///
    /// # Errors
    /// [`Full`] when the engine has not taken events for a while.
    pub fn send(&mut self, event: Event) -> Result<(), Full> {
        self.events.try_push(event).map_err(|_| Full)
    }

    /// Puts a changed piece in the place of the present one: effects that are the same carry on, the rest fades.
    ///
    /// # Errors
    /// [`Full`] when the engine has not taken pieces for a while.
    pub fn replace(&mut self, plan: &Plan) -> Result<(), Full> {
        self.hand_over(self.builder().build(plan)).map_err(|_| Full)
    }

    /// Builds a changed piece on any thread, for [`Control::hand_over`].
    pub fn builder(&self) -> Builder {
        // There is always one: the plan of the newest compiled plan.
        let old = self.plans.back().cloned().map(|plan| (plan, self.had.clone()));
        Builder { rate: self.rate, old, ports: self.ports.clone(), making: self.making }
    }

    /// Puts a piece in the place of the present one that was built to follow it: no other may have been handed over
    /// since its [`builder`](Control::builder) was made.
    ///
    /// # Errors
    /// The piece itself, when the engine has not taken pieces for a while.
    pub fn hand_over(&mut self, built: Box<Built>) -> Result<(), Box<Built>> {
        self.collect();
        if self.compiled_plans.is_full() {
            return Err(built);
        }
        let Built { compiled, back, plan, had, ports } = *built;
        // There is room: nobody else puts anything in.
        if self.compiled_plans.try_push(compiled).is_ok() {
            self.homes.push(back);
            self.plans.push_back(plan);
            (self.had, self.ports) = (had, ports);
        }
        Ok(())
    }

    /// Whether the engine has applied all events that were sent.
    pub fn has_taken_all(&self) -> bool {
        self.events.is_empty()
    }

    /// Frees the compiled plans that came home.
    pub fn collect(&mut self) {
        self.homes.retain_mut(|home| home.try_pop().is_none());
    }

    /// The next gesture that was applied, in order. Its ids are those of [`Control::plan`].
    pub fn applied(&mut self) -> Option<Applied> {
        loop {
            match self.records.try_pop()? {
                OutboxItem::Of(applied) => return Some(applied),
                OutboxItem::Installed => self.install(),
            }
        }
    }

    /// The next of all that happened. Gestures come before the readings of the same time; both belong to
    /// [`Control::plan`]. Use either this, or [`Control::applied`] and [`Control::reading`].
    pub fn report(&mut self) -> Option<EngineReport> {
        let changes = match self.records.try_peek() {
            Some(OutboxItem::Of(_)) => return self.applied().map(EngineReport::Applied),
            Some(OutboxItem::Installed) => true,
            None => false,
        };
        if let Some(reading) = self.reading() {
            return Some(EngineReport::Reading(reading));
        }
        if !changes {
            return None;
        }
        self.records.try_pop();
        self.install();
        Some(EngineReport::Installed)
    }

    fn install(&mut self) {
        self.plans.pop_front();
        self.behind += 1;
        self.collect();
    }

    /// The plan that was in force when the last gesture taken by [`Control::applied`] was applied.
    #[expect(clippy::indexing_slicing, reason = "a plan is taken off only when the next one, behind it, is in force")]
    pub fn plan(&self) -> &Plan {
        &self.plans[0]
    }

    /// How many applied gestures were lost because nobody took them in time.
    pub fn lost(&self) -> u64 {
        self.lost.load(Ordering::Relaxed)
    }

    /// The next reading. Its ids are those of [`Control::plan`]: those of an earlier piece are left out, those of a
    /// later one wait until [`Control::applied`] has come to it.
    pub fn reading(&mut self) -> Option<Reading> {
        loop {
            match *self.readings.try_peek()? {
                OutboxItem::Of(reading) => {
                    self.readings.try_pop();
                    if self.behind == 0 {
                        return Some(reading);
                    }
                }
                OutboxItem::Installed => {
                    self.behind = self.behind.checked_sub(1)?;
                    self.readings.try_pop();
                }
            }
        }
    }

    /// The parts of port names that the piece's controllers ask for: bit n of [`tenterhook_plan::Midi::ports`] is set
    /// for a message from a port whose name holds the n-th.
    pub fn ports(&self) -> &[String] {
        &self.ports
    }
}

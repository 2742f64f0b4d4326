//! The control thread: events from many senders into the engine, and what the engine reports to all who ask.

mod events;

pub use events::Events;
use events::ROOM;
pub(crate) use events::Sent;

use crate::Error;
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, TrySendError, bounded};
use serde::Serialize;
use std::collections::VecDeque;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;
use tenterhook_plan::{Applied, Event, Gesture, Identity, InstanceId, Plan, SceneId, Stands};
use tenterhook_rt::{Built, Channel, Control, Fault, Part, Reading, Report};

/// Applied gestures that may wait for a subscriber.
const APPLIED_ROOM: usize = 1 << 16;
/// Readings that may wait for a subscriber: some seconds of a dozen channels.
const READINGS_ROOM: usize = 1 << 12;
/// How long the thread waits for an event before it looks at what the engine has to say.
const PAUSE: Duration = Duration::from_millis(2);

/// What the meter of one channel last said. Full scale = 1.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Meter {
    /// The greatest magnitude of a sample.
    pub peak: f32,
    /// The root of the mean square.
    pub rms: f32,
    /// Clips since the start.
    pub clips: u32,
    /// The least factor, 0…1, by which an output was limited; 1: not at all, and for every mic.
    pub reduction: f32,
    /// How many samples of a mic's input were NaN or infinite since the start; 0 for an output.
    pub bad: u64,
    /// Whether an output howls; never a mic.
    pub howls: bool,
    /// By how much a mic's input stands beside zero, once it has for a second; 0: it does not, and for an output.
    pub offset: f32,
}

impl Default for Meter {
    /// Silence.
    fn default() -> Self {
        Self { peak: 0.0, rms: 0.0, clips: 0, reduction: 1.0, bad: 0, howls: false, offset: 0.0 }
    }
}

/// A gesture as it was applied, with the piece that its ids belong to.
#[derive(Clone, Debug, PartialEq)]
pub struct Done {
    /// The gesture.
    pub applied: Applied,
    /// The piece that was in force.
    pub plan: Arc<Plan>,
}

/// A reading, with the piece that its ids belong to.
#[derive(Clone, Debug, PartialEq)]
pub struct Told {
    /// The reading.
    pub reading: Reading,
    /// The piece that was in force.
    pub plan: Arc<Plan>,
}

/// What the engine last reported: where everything stands. Every gesture shows in it as soon as it was applied; its
/// lists have one entry for each thing of `plan`. When a changed piece takes over, each entry goes on under the name of
/// its thing, as the engine itself goes on.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Snapshot {
    /// The piece in force, whose ids all others here are; `None` only in an empty snapshot.
    pub plan: Option<Arc<Plan>>,
    /// The sample before which the meters were last read.
    pub sample: u64,
    /// The scene in force, with the first sample of it: where it was fired, or a changed piece took over.
    pub scene: Option<(SceneId, u64)>,
    /// Whether everything is hushed.
    pub hushed: bool,
    /// The controllers' values, 0…1, by [`ControllerId`](tenterhook_plan::ControllerId). What fires or hushes stays 0.
    pub controllers: Vec<f32>,
    /// Whether a MIDI switch is most likely wired the other way round: its first word was that it was let go. By
    /// [`ControllerId`](tenterhook_plan::ControllerId).
    pub turned: Vec<bool>,
    /// How each effect stands, by [`InstanceId`](tenterhook_plan::InstanceId); looked at 30 times a second.
    pub effects: Vec<Stands>,
    /// The samples of its source that an effect holds, the first and the one after the last, by
    /// [`InstanceId`](tenterhook_plan::InstanceId).
    pub held: Vec<Option<(u64, u64)>>,
    /// The level of all outputs together, in dB, −120…12 (written gestures may bring up to 24); −120 is silence. One that
    /// rises is where it has come to.
    pub level_db: f32,
    /// Each output's own level, in the same numbers, by [`OutputId`](tenterhook_plan::OutputId).
    pub levels_db: Vec<f32>,
    /// Whether a mic is shut off, by [`MicId`](tenterhook_plan::MicId).
    pub muted: Vec<bool>,
    /// What panicked, each part once, in the order in which it did. It is silent, and so are the effects that read it.
    pub broken: Vec<(Part, Fault)>,
    /// The mics' meters, by [`MicId`](tenterhook_plan::MicId).
    pub mics: Vec<Meter>,
    /// The outputs' meters, by [`OutputId`](tenterhook_plan::OutputId).
    pub outputs: Vec<Meter>,
    /// Events that were lost on the way to the engine.
    pub events_lost: u64,
    /// Applied gestures that were lost on the way from it, to here or to a subscriber.
    pub applied_lost: u64,
}

impl Snapshot {
    /// Nothing was reported yet.
    pub(crate) fn of(plan: Arc<Plan>) -> Self {
        let (mics, outputs) = (plan.mics.len(), plan.outputs.len());
        Self {
            controllers: vec![0.0; plan.controllers.len()],
            turned: vec![false; plan.controllers.len()],
            effects: vec![Stands::Out; plan.instances.len()],
            held: vec![None; plan.instances.len()],
            levels_db: vec![0.0; outputs],
            muted: vec![false; mics],
            mics: vec![Meter::default(); mics],
            outputs: vec![Meter::default(); outputs],
            plan: Some(plan),
            ..Self::default()
        }
    }

    /// A gesture was applied.
    pub(crate) fn apply(&mut self, Applied { sample, what, .. }: Applied) {
        match what {
            Gesture::Controller { id, value } => set(&mut self.controllers, id.index(), value),
            Gesture::Fire(scene) => self.enter(scene, sample),
            Gesture::Hush(hushed) => self.hushed = hushed,
            Gesture::Level { output: None, db } => self.level_db = db,
            Gesture::Level { output: Some(id), db } => set(&mut self.levels_db, id.index(), db),
            Gesture::Mute { mic, muted } => set(&mut self.muted, mic.index(), muted),
            // They are applied as what they lead to.
            Gesture::Press { .. } | Gesture::Next | Gesture::Back => {}
        }
    }

    /// Whether everything stands already as a gesture would have it, whose ids are those of `plan`.
    pub(crate) fn stands(&self, gesture: Gesture, plan: &Arc<Plan>) -> bool {
        let Some(now) = &self.plan else { return false };
        let meant = if Arc::ptr_eq(plan, now) { Some(gesture) } else { gesture.moved(plan, now) };
        match meant {
            Some(Gesture::Controller { id, value }) => self.controllers.get(id.index()) == Some(&value),
            Some(Gesture::Fire(scene)) => self.scene.is_some_and(|(now, _)| now == scene),
            Some(Gesture::Hush(hushed)) => self.hushed == hushed,
            Some(Gesture::Level { output: None, db }) => self.level_db == db,
            Some(Gesture::Level { output: Some(id), db }) => self.levels_db.get(id.index()) == Some(&db),
            Some(Gesture::Mute { mic, muted }) => self.muted.get(mic.index()) == Some(&muted),
            Some(Gesture::Press { .. } | Gesture::Next | Gesture::Back) => false,
            // What it is for is gone.
            None => true,
        }
    }

    fn take_in(&mut self, reading: Reading) {
        match reading {
            Reading::Scene { sample, scene } => self.enter(scene, sample),
            Reading::Meter { sample, channel, peak, rms, clips, reduction, bad, howls, offset } => {
                self.sample = sample;
                let meter = Meter { peak, rms, clips, reduction, bad, howls, offset };
                match channel {
                    Channel::Mic(id) => set(&mut self.mics, id.index(), meter),
                    Channel::Output(id) => set(&mut self.outputs, id.index(), meter),
                }
            }
            Reading::Held { effect, span } => set(&mut self.held, effect.index(), span),
            Reading::Effect { effect, stands } => set(&mut self.effects, effect.index(), stands),
            Reading::Broken { part, fault } => {
                self.broken.retain(|(other, _)| *other != part);
                self.broken.push((part, fault));
            }
            Reading::Loudness { id, value } => set(&mut self.controllers, id.index(), value),
            // Of the moment: for those who read on.
            Reading::Pitch { .. } | Reading::Onset { .. } => {}
            Reading::Wired { id, turned } => set(&mut self.turned, id.index(), turned),
        }
    }

    /// A scene is told of twice, by its gesture and by a reading, either of which may be late or lost.
    fn enter(&mut self, scene: SceneId, sample: u64) {
        if self.scene.is_none_or(|(_, since)| since <= sample) {
            self.scene = Some((scene, sample));
        }
    }

    /// A changed piece has taken over.
    pub(crate) fn change(&mut self, plan: Arc<Plan>) {
        let Some(old) = self.plan.replace(Arc::clone(&plan)) else {
            *self = Self::of(plan);
            return;
        };
        let controllers = places(&old.controllers, &plan.controllers, |a, b| a.name == b.name);
        let outputs = places(&old.outputs, &plan.outputs, |a, b| a.name == b.name);
        let mics = places(&old.mics, &plan.mics, |a, b| a.name == b.name);
        let identities = |plan: &Plan| -> Vec<Identity> {
            (0..plan.instances.len()).map(|index| plan.identity(InstanceId::new(index))).collect()
        };
        let effects = places(&identities(&old), &identities(&plan), Identity::eq);
        // What goes on broken is told anew.
        self.broken.clear();
        carry(&mut self.controllers, &controllers, 0.0);
        carry(&mut self.turned, &controllers, false);
        carry(&mut self.effects, &effects, Stands::Out);
        carry(&mut self.held, &effects, None);
        carry(&mut self.levels_db, &outputs, 0.0);
        carry(&mut self.muted, &mics, false);
        carry(&mut self.mics, &mics, Meter::default());
        carry(&mut self.outputs, &outputs, Meter::default());
        self.scene = self.scene.map(|(scene, since)| (old.kept_scene(scene, &plan), since));
    }
}

fn set<T>(list: &mut [T], index: usize, value: T) {
    if let Some(place) = list.get_mut(index) {
        *place = value;
    }
}

/// For each thing of a changed piece its place in the piece before.
fn places<T>(old: &[T], new: &[T], same: impl Fn(&T, &T) -> bool) -> Vec<Option<usize>> {
    new.iter().map(|new| old.iter().position(|old| same(old, new))).collect()
}

fn carry<T: Copy>(list: &mut Vec<T>, places: &[Option<usize>], blank: T) {
    let value = |place: &Option<usize>| place.and_then(|place| list.get(place).copied()).unwrap_or(blank);
    *list = places.iter().map(value).collect();
}

/// Owns the engine's [`Control`] on a thread of its own.
pub struct Hub {
    events: Events,
    pieces: Sender<Arc<Plan>>,
    shared: Arc<Shared>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<Control>>,
}

struct Shared {
    snapshot: Mutex<Snapshot>,
    subscribers: Mutex<Vec<Sender<Done>>>,
    readers: Mutex<Vec<Sender<Told>>>,
}

impl Hub {
    /// Starts it. `subscribers` get every applied gesture from the first on, as from [`Hub::subscription`].
    ///
    /// # Errors
    /// [`Error::Thread`] if the system gives no thread.
    pub fn start(control: Control, subscribers: Vec<Sender<Done>>) -> Result<Self, Error> {
        let (events, incoming) = Events::channel();
        // One piece at a time: whoever sends another waits for the first to be taken.
        let (pieces, changes) = bounded(1);
        let plan = Arc::new(control.plan().clone());
        let snapshot = Mutex::new(Snapshot::of(Arc::clone(&plan)));
        let shared = Arc::new(Shared { snapshot, subscribers: Mutex::new(subscribers), readers: Mutex::default() });
        let stop = Arc::new(AtomicBool::new(false));
        let mut work = Work {
            control,
            plan,
            incoming,
            changes,
            building: None,
            changing: false,
            held: None,
            waiting: VecDeque::new(),
            shared: Arc::clone(&shared),
            events: events.clone(),
            lost: 0,
        };
        let stopped = Arc::clone(&stop);
        let run = move || {
            while !stopped.load(Ordering::Acquire) {
                work.turn();
            }
            // What the engine still had to say when it was stopped.
            work.report();
            work.control
        };
        let thread = std::thread::Builder::new().name("hub".to_owned()).spawn(run);
        let thread = Some(thread.map_err(|why| Error::Thread { why: why.to_string() })?);
        Ok(Self { events, pieces, shared, stop, thread })
    }

    /// A way to send events.
    pub fn events(&self) -> Events {
        self.events.clone()
    }

    /// Puts a changed piece in the place of the present one, after the events sent before. False: the hub is gone, or
    /// another change still waits for the engine.
    pub fn replace(&self, plan: Arc<Plan>) -> bool {
        self.pieces.try_send(plan).is_ok()
    }

    /// A channel for applied gestures, for [`Hub::start`].
    pub fn subscription() -> (Sender<Done>, Receiver<Done>) {
        bounded(APPLIED_ROOM)
    }

    /// All gestures that are applied from now on. Whoever does not take them in time loses them, counted.
    pub fn subscribe(&self) -> Receiver<Done> {
        let (sender, receiver) = Self::subscription();
        lock(&self.shared.subscribers).push(sender);
        receiver
    }

    /// All readings from now on, about 30 a second of each channel, and whatever changes. Whoever does not take them in
    /// time loses them: the snapshot has the newest.
    pub fn readings(&self) -> Receiver<Told> {
        let (sender, receiver) = bounded(READINGS_ROOM);
        lock(&self.shared.readers).push(sender);
        receiver
    }

    /// What the engine last reported.
    pub fn snapshot(&self) -> Snapshot {
        lock(&self.shared.snapshot).clone()
    }

    /// What the engine last reported, to be looked at from any thread.
    pub fn window(&self) -> Window {
        Window(Arc::clone(&self.shared))
    }

    /// Ends the thread, once all that the engine has reported is handed on, and gives the control back. Stop the source
    /// first.
    pub fn stop(mut self) -> Option<Control> {
        self.end()
    }

    fn end(&mut self) -> Option<Control> {
        self.stop.store(true, Ordering::Release);
        let control = self.thread.take()?.join().ok();
        lock(&self.shared.subscribers).clear();
        lock(&self.shared.readers).clear();
        control
    }
}

/// Where the [`Snapshot`] of a [`Hub`] can be looked at. Cheap to clone; any thread but the audio thread.
#[derive(Clone)]
pub struct Window(Arc<Shared>);

impl Window {
    /// What the engine last reported.
    pub fn snapshot(&self) -> Snapshot {
        lock(&self.0.snapshot).clone()
    }
}

impl Drop for Hub {
    fn drop(&mut self) {
        self.end();
    }
}

struct Work {
    control: Control,
    /// The piece in force.
    plan: Arc<Plan>,
    incoming: Receiver<Sent>,
    changes: Receiver<Arc<Plan>>,
    /// A changed piece that is being built, on a thread of its own.
    building: Option<Receiver<Box<Built>>>,
    /// A changed piece is on its way, and has not taken over yet.
    changing: bool,
    /// What the engine had no room for: nothing overtakes it.
    held: Option<Held>,
    /// Gestures with ids that came while a piece was on its way, each with the piece that it means.
    waiting: VecDeque<Sent>,
    shared: Arc<Shared>,
    events: Events,
    /// Applied gestures that a subscriber lost.
    lost: u64,
}

enum Held {
    Event(Event),
    Piece(Box<Built>),
}

impl Work {
    fn turn(&mut self) {
        match self.held.take() {
            Some(held) => {
                if self.hand(held) {
                    self.forward();
                } else {
                    std::thread::sleep(PAUSE);
                }
            }
            None if !self.changing && !self.waiting.is_empty() => self.forward(),
            None if self.waiting.len() >= ROOM => std::thread::sleep(PAUSE),
            None => match self.incoming.recv_timeout(PAUSE) {
                Ok(sent) => {
                    if self.take(sent) {
                        self.forward();
                    }
                }
                Err(RecvTimeoutError::Timeout) => self.forward(),
                // Never: this thread holds a sender itself. Should it be, do not spin.
                Err(RecvTimeoutError::Disconnected) => std::thread::sleep(PAUSE),
            },
        }
        self.report();
    }

    /// Hands on all that waits, until the engine has no more room.
    fn forward(&mut self) {
        while !self.changing
            && let Some(sent) = self.waiting.pop_front()
        {
            if !self.take(sent) {
                return;
            }
        }
        while self.waiting.len() < ROOM
            && let Ok(sent) = self.incoming.try_recv()
        {
            if !self.take(sent) {
                return;
            }
        }
        if self.changing {
            return;
        }
        match &self.building {
            None => {
                if let Ok(plan) = self.changes.try_recv() {
                    self.build(&plan);
                }
            }
            Some(building) => {
                if let Ok(built) = building.try_recv() {
                    (self.building, self.changing) = (None, true);
                    self.hand(Held::Piece(built));
                }
            }
        }
    }

    /// Builds a changed piece: elsewhere, since that takes longer than a pedal should wait.
    fn build(&mut self, plan: &Arc<Plan>) {
        let (done, building) = bounded(1);
        self.building = Some(building);
        let (builder, to_build) = (self.control.builder(), Arc::clone(plan));
        let send = done.clone();
        // If the hub has ended meanwhile nobody takes it.
        let run = move || drop(send.send(builder.build(&to_build)));
        if std::thread::Builder::new().name("build".to_owned()).spawn(run).is_err() {
            // Then here after all.
            let _ = done.send(self.control.builder().build(plan));
        }
    }

    /// Takes an event, and hands it on with the ids of the piece in force. While another takes over, nobody knows which
    /// of both it will meet: what has ids waits for these few milliseconds.
    fn take(&mut self, Sent { event, of }: Sent) -> bool {
        let event = match event {
            Event::Gesture(gesture, who) if gesture.has_id() => {
                let of = of.unwrap_or_else(|| Arc::clone(&self.plan));
                if self.changing {
                    self.waiting.push_back(Sent { event, of: Some(of) });
                    return true;
                }
                let same = Arc::ptr_eq(&of, &self.plan);
                let meant = if same { Some(gesture) } else { gesture.moved(&of, &self.plan) };
                // What it was for is gone.
                let Some(meant) = meant else { return true };
                Event::Gesture(meant, who)
            }
            other => other,
        };
        self.hand(Held::Event(event))
    }

    fn hand(&mut self, held: Held) -> bool {
        self.held = match held {
            Held::Event(event) => self.control.send(event).is_err().then_some(held),
            // What was sent before means the piece before.
            Held::Piece(_) if !self.control.has_taken_all() => Some(held),
            Held::Piece(built) => self.control.hand_over(built).err().map(Held::Piece),
        };
        self.held.is_none()
    }

    /// Takes in what the engine has to say, and hands it on.
    fn report(&mut self) {
        let mut snapshot = lock(&self.shared.snapshot);
        while let Some(report) = self.control.report() {
            match report {
                Report::Applied(applied) => {
                    snapshot.apply(applied);
                    let done = Done { applied, plan: Arc::clone(&self.plan) };
                    self.lost += hand_on(&self.shared.subscribers, &done);
                }
                Report::Reading(reading) => {
                    snapshot.take_in(reading);
                    hand_on(&self.shared.readers, &Told { reading, plan: Arc::clone(&self.plan) });
                }
                Report::Installed => {
                    self.plan = Arc::new(self.control.plan().clone());
                    self.changing = false;
                    snapshot.change(Arc::clone(&self.plan));
                }
            }
        }
        snapshot.events_lost = self.events.lost();
        snapshot.applied_lost = self.control.lost() + self.lost;
    }
}

/// Sends to all that are still there; returns to how many it was lost because they are slow.
fn hand_on<T: Clone>(to: &Mutex<Vec<Sender<T>>>, what: &T) -> u64 {
    let mut lost = 0;
    lock(to).retain(|one| match one.try_send(what.clone()) {
        Ok(()) => true,
        Err(TrySendError::Full(_)) => {
            lost += 1;
            true
        }
        Err(TrySendError::Disconnected(_)) => false,
    });
    lost
}

/// No holder of these locks can leave them half changed, so a panic elsewhere does not spoil them.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
mod tests;

//! The control thread: events from many senders into the engine, and what the engine reports to all who ask.

mod events;

pub use events::Events;
use events::ROOM;
pub(crate) use events::Sent;

use crate::Error;
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, TrySendError, bounded};
use std::collections::VecDeque;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;
use tenterhook_plan::{Applied, EngineState, Event, Meters, Plan, places};
use tenterhook_rt::{Built, Control, EngineReport, Reading};

/// Applied gestures that may wait for a subscriber.
const APPLIED_ROOM: usize = 1 << 16;
/// Readings that may wait for a subscriber: some seconds of a dozen channels.
const READINGS_ROOM: usize = 1 << 12;
/// How long the thread waits for an event before it looks at what the engine has to say.
const PAUSE: Duration = Duration::from_millis(2);

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

/// Owns the engine's [`Control`] on a thread of its own.
pub struct Hub {
    events: Events,
    pieces: Sender<Arc<Plan>>,
    shared: Arc<HubShared>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<Control>>,
}

struct HubShared {
    state: Mutex<Arc<EngineState>>,
    meters: Mutex<Meters>,
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
        let shared = Arc::new(HubShared {
            state: Mutex::new(Arc::new(EngineState::new(Arc::clone(&plan)))),
            meters: Mutex::new(Meters::new(&plan)),
            subscribers: Mutex::new(subscribers),
            readers: Mutex::default(),
        });
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
    /// time loses them: the state and the meters have the newest.
    pub fn readings(&self) -> Receiver<Told> {
        let (sender, receiver) = bounded(READINGS_ROOM);
        lock(&self.shared.readers).push(sender);
        receiver
    }

    /// What the engine last reported.
    pub fn state(&self) -> Arc<EngineState> {
        Arc::clone(&lock(&self.shared.state))
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

/// Where the state of a [`Hub`] can be looked at. Cheap to clone; any thread but the audio thread.
#[derive(Clone)]
pub struct Window(Arc<HubShared>);

impl Window {
    /// What the engine last reported. The same as before, and not a copy, unless something has changed.
    pub fn state(&self) -> Arc<EngineState> {
        Arc::clone(&lock(&self.0.state))
    }

    /// The same, with what the meters of that piece's channels last said.
    pub fn metered(&self) -> (Arc<EngineState>, Meters) {
        let state = lock(&self.0.state);
        (Arc::clone(&state), lock(&self.0.meters).clone())
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
    shared: Arc<HubShared>,
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
        let mut state = lock(&self.shared.state);
        while let Some(report) = self.control.report() {
            match report {
                EngineReport::Applied(applied) => {
                    // Whoever holds what it was before keeps that.
                    Arc::make_mut(&mut state).apply(applied);
                    let done = Done { applied, plan: Arc::clone(&self.plan) };
                    self.lost += hand_on(&self.shared.subscribers, &done);
                }
                EngineReport::Reading(reading) => {
                    match reading {
                        Reading::Meter { channel, meter, .. } => lock(&self.shared.meters).set(channel, meter),
                        // Of the moment: for those who read on.
                        Reading::Pitch { .. } | Reading::Onset { .. } | Reading::Held { .. } => {}
                        other => take_in(Arc::make_mut(&mut state), other),
                    }
                    hand_on(&self.shared.readers, &Told { reading, plan: Arc::clone(&self.plan) });
                }
                EngineReport::Installed => {
                    let before = std::mem::replace(&mut self.plan, Arc::new(self.control.plan().clone()));
                    self.changing = false;
                    lock(&self.shared.meters).change(&before, &self.plan);
                    Arc::make_mut(&mut state).change(&self.plan);
                }
            }
        }
        let lost = (self.events.lost(), self.control.lost() + self.lost);
        if lost != (state.events_lost, state.applied_lost) {
            let state = Arc::make_mut(&mut state);
            (state.events_lost, state.applied_lost) = lost;
        }
    }
}

/// Takes a reading in that tells how something stands.
fn take_in(state: &mut EngineState, reading: Reading) {
    match reading {
        Reading::Scene { sample, scene } => state.enter(scene, sample),
        Reading::Effect { effect, stands } => places::set(&mut state.effects, effect.index(), stands),
        Reading::Broken { part, fault } => {
            state.broken.retain(|other| other.part != part);
            state.broken.push(fault.broken(part));
        }
        Reading::Loudness { id, value } => places::set(&mut state.controllers, id.index(), value),
        Reading::Wired { id, turned } => places::set(&mut state.turned, id.index(), turned),
        Reading::Meter { .. } | Reading::Held { .. } | Reading::Pitch { .. } | Reading::Onset { .. } => {}
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

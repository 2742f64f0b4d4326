//! The control thread: events from many senders into the engine, and what the engine reports to all who ask.

use crate::Error;
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, TrySendError, bounded};
use serde::Serialize;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;
use tenterhook_plan::{Applied, Event, Gesture, Plan, SceneId};
use tenterhook_rt::{Channel, Control, Full, Reading};

/// Events that may wait for the engine.
const ROOM: usize = 1024;
/// Applied gestures that may wait for a subscriber.
const APPLIED_ROOM: usize = 1 << 16;
/// How long the thread waits for an event before it looks at what the engine has to say.
const PAUSE: Duration = Duration::from_millis(2);

/// Where events are sent to the engine. Cheap to clone; any thread but the audio thread.
#[derive(Clone, Debug)]
pub struct Events {
    sender: Sender<Event>,
    lost: Arc<AtomicU64>,
}

impl Events {
    /// A way in, and the end at which its events come out.
    pub(crate) fn channel() -> (Self, Receiver<Event>) {
        let (sender, receiver) = bounded(ROOM);
        (Self { sender, lost: Arc::default() }, receiver)
    }

    /// Sends an event; it acts at the first sample of the next block. Never waits: false means that far too many are
    /// waiting already, or that the hub is gone; the event is then lost, and counted.
    pub fn send(&self, event: Event) -> bool {
        let sent = self.sender.try_send(event).is_ok();
        if !sent {
            self.lost.fetch_add(1, Ordering::Relaxed);
        }
        sent
    }

    /// Sends a gesture; see [`send`](Events::send).
    pub fn gesture(&self, gesture: Gesture) -> bool {
        self.send(Event::Gesture(gesture))
    }

    /// How many events were lost.
    pub fn lost(&self) -> u64 {
        self.lost.load(Ordering::Relaxed)
    }
}

/// What the meter of one channel last said. Full scale = 1.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Meter {
    /// The greatest magnitude of a sample.
    pub peak: f32,
    /// The root of the mean square.
    pub rms: f32,
    /// Clips since the start.
    pub clips: u32,
}

/// A gesture as it was applied, with the piece that its ids belong to.
#[derive(Clone, Debug, PartialEq)]
pub struct Done {
    /// The gesture.
    pub applied: Applied,
    /// The piece that was in force.
    pub plan: Arc<Plan>,
}

/// What the engine last reported.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Snapshot {
    /// The piece in force when the last gesture was applied; `None` only in an empty snapshot.
    pub plan: Option<Arc<Plan>>,
    /// The scene in force, with the first sample of it.
    pub scene: Option<(SceneId, u64)>,
    /// Whether everything is hushed.
    pub hushed: bool,
    /// The mics' meters, by [`MicId`](tenterhook_plan::MicId).
    pub mics: Vec<Meter>,
    /// The outputs' meters, by [`OutputId`](tenterhook_plan::OutputId).
    pub outputs: Vec<Meter>,
    /// The samples of its source that an effect holds, the first and the one after the last, by
    /// [`InstanceId`](tenterhook_plan::InstanceId).
    pub held: Vec<Option<(u64, u64)>>,
    /// Events that were lost on the way to the engine.
    pub events_lost: u64,
    /// Applied gestures that were lost on the way from it, to here or to a subscriber.
    pub applied_lost: u64,
}

impl Snapshot {
    /// Nothing was reported yet.
    fn of(plan: Arc<Plan>) -> Self {
        let (mics, outputs) = (vec![Meter::default(); plan.mics.len()], vec![Meter::default(); plan.outputs.len()]);
        let held = vec![None; plan.instances.len()];
        Self { plan: Some(plan), mics, outputs, held, ..Self::default() }
    }

    fn take_in(&mut self, reading: Reading) {
        match reading {
            Reading::Scene { sample, scene } => self.scene = Some((scene, sample)),
            Reading::Meter { channel, peak, rms, clips } => {
                let (meters, index) = match channel {
                    Channel::Mic(id) => (&mut self.mics, id.index()),
                    Channel::Output(id) => (&mut self.outputs, id.index()),
                };
                // A changed piece may have more of them.
                if meters.len() <= index {
                    meters.resize(index + 1, Meter::default());
                }
                meters[index] = Meter { peak, rms, clips };
            }
            Reading::Held { effect, span } => {
                if self.held.len() <= effect.index() {
                    self.held.resize(effect.index() + 1, None);
                }
                self.held[effect.index()] = span;
            }
        }
    }
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
        let snapshot = Mutex::new(Snapshot::of(Arc::new(control.plan().clone())));
        let shared = Arc::new(Shared { snapshot, subscribers: Mutex::new(subscribers) });
        let stop = Arc::new(AtomicBool::new(false));
        let mut work = Work {
            control,
            incoming,
            changes,
            held: None,
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

    /// What the engine last reported.
    pub fn snapshot(&self) -> Snapshot {
        lock(&self.shared.snapshot).clone()
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
        control
    }
}

impl Drop for Hub {
    fn drop(&mut self) {
        self.end();
    }
}

struct Work {
    control: Control,
    incoming: Receiver<Event>,
    changes: Receiver<Arc<Plan>>,
    /// What the engine had no room for: nothing overtakes it.
    held: Option<Held>,
    shared: Arc<Shared>,
    events: Events,
    /// Applied gestures that a subscriber lost.
    lost: u64,
}

enum Held {
    Event(Event),
    Piece(Arc<Plan>),
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
            None => match self.incoming.recv_timeout(PAUSE) {
                Ok(event) => {
                    if self.hand(Held::Event(event)) {
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
        while let Ok(event) = self.incoming.try_recv() {
            if !self.hand(Held::Event(event)) {
                return;
            }
        }
        if let Ok(plan) = self.changes.try_recv() {
            self.hand(Held::Piece(plan));
        }
    }

    fn hand(&mut self, held: Held) -> bool {
        let result = match &held {
            Held::Event(event) => self.control.send(*event),
            Held::Piece(plan) => self.control.replace(plan),
        };
        match result {
            Ok(()) => true,
            Err(Full) => {
                self.held = Some(held);
                false
            }
        }
    }

    /// Takes in what the engine has to say.
    fn report(&mut self) {
        while let Some(applied) = self.control.applied() {
            // Few pieces change while they are played: nearly always the same one.
            let mut snapshot = lock(&self.shared.snapshot);
            let plan = match snapshot.plan.take() {
                Some(plan) if *plan == *self.control.plan() => plan,
                _ => Arc::new(self.control.plan().clone()),
            };
            snapshot.plan = Some(Arc::clone(&plan));
            if let Gesture::Hush(hushed) = applied.what {
                snapshot.hushed = hushed;
            }
            let done = Done { applied, plan };
            drop(snapshot);
            lock(&self.shared.subscribers).retain(|subscriber| match subscriber.try_send(done.clone()) {
                Ok(()) => true,
                Err(TrySendError::Full(_)) => {
                    self.lost += 1;
                    true
                }
                Err(TrySendError::Disconnected(_)) => false,
            });
        }
        let mut snapshot = lock(&self.shared.snapshot);
        while let Some(reading) = self.control.reading() {
            snapshot.take_in(reading);
        }
        snapshot.events_lost = self.events.lost();
        snapshot.applied_lost = self.control.lost() + self.lost;
    }
}

/// No holder of these locks can leave them half changed, so a panic elsewhere does not spoil them.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
mod tests;

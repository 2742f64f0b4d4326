//! The way in: events from many senders, each with the piece that it means.

use crossbeam_channel::{Receiver, Sender, bounded};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use tenterhook_plan::{Event, Gesture, Plan, Who};

/// Events that may wait for the engine.
pub(crate) const ROOM: usize = 1024;

/// Where events are sent to the engine. Cheap to clone; any thread but the audio thread.
#[derive(Clone, Debug)]
pub struct Events {
    sender: Sender<Sent>,
    lost: Arc<AtomicU64>,
    of: Option<Arc<Plan>>,
}

/// An event, and the piece whose ids it means; `None`: that which is in force when it comes.
#[derive(Clone, Debug)]
pub(crate) struct Sent {
    pub event: Event,
    pub of: Option<Arc<Plan>>,
}

impl Events {
    /// A way in, and the end at which its events come out.
    pub(crate) fn channel() -> (Self, Receiver<Sent>) {
        let (sender, receiver) = bounded(ROOM);
        (Self { sender, lost: Arc::default(), of: None }, receiver)
    }

    /// The same way in for gestures whose ids are those of `plan`, whichever version of the piece is in force when they
    /// come: there they reach what has the same name, and nothing where there is no such thing.
    pub fn of(&self, plan: &Arc<Plan>) -> Self {
        Self { of: Some(Arc::clone(plan)), ..self.clone() }
    }

    /// Sends an event; it acts at the first sample of the next block. Never waits: false means that far too many are
    /// waiting already, or that the hub is gone; the event is then lost, and counted.
    pub fn send(&self, event: Event) -> bool {
        let sent = self.sender.try_send(Sent { event, of: self.of.clone() }).is_ok();
        if !sent {
            self.lost.fetch_add(1, Ordering::Relaxed);
        }
        sent
    }

    /// Sends a gesture, and says whose it is; see [`send`](Events::send).
    pub fn gesture(&self, gesture: Gesture, who: Who) -> bool {
        self.send(Event::Gesture(gesture, who))
    }

    /// How many events were lost.
    pub fn lost(&self) -> u64 {
        self.lost.load(Ordering::Relaxed)
    }
}

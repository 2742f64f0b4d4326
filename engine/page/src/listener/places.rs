//! The places that connections take, and which makes room for the next.

use socket2::SockRef;
use std::collections::HashMap;
use std::net::Shutdown;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, Weak};
use tokio::net::TcpStream;

/// What a connection does.
#[derive(Clone, Copy)]
enum Does {
    /// Waits for a request; the lower, the longer.
    Waits(u64),
    Answers,
}

struct Place {
    stream: Weak<TcpStream>,
    does: Does,
}

#[derive(Default)]
struct Taken {
    /// Counts what happens: says which was first.
    count: u64,
    by: HashMap<u64, Place>,
}

impl Taken {
    fn next(&mut self) -> u64 {
        self.count += 1;
        self.count
    }
}

/// A bounded number of places.
pub(super) struct Places {
    most: usize,
    taken: Mutex<Taken>,
}

impl Places {
    pub(super) fn new(most: usize) -> Arc<Self> {
        Arc::new(Self { most, taken: Mutex::default() })
    }

    fn taken(&self) -> MutexGuard<'_, Taken> {
        self.taken.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A place for `stream`, which waits from now on. `None` if there is none and nobody makes room.
    pub(super) fn take(self: &Arc<Self>, stream: &Arc<TcpStream>) -> Option<Arc<Ticket>> {
        if self.taken().by.len() >= self.most && !self.make_room() {
            return None;
        }
        let mut taken = self.taken();
        let id = taken.next();
        taken.by.insert(id, Place { stream: Arc::downgrade(stream), does: Does::Waits(id) });
        Some(Arc::new(Ticket { id, places: Arc::clone(self) }))
    }

    /// Closes the connection that has waited longest; whether there was one.
    pub(super) fn make_room(&self) -> bool {
        let mut taken = self.taken();
        let waiting = taken.by.iter().filter_map(|(id, place)| match place.does {
            Does::Waits(since) => Some((since, *id)),
            Does::Answers => None,
        });
        let Some((_, id)) = waiting.min() else { return false };
        if let Some(place) = taken.by.remove(&id) {
            close(&place);
        }
        true
    }

    pub(super) fn close_all(&self) {
        self.taken().by.values().for_each(close);
    }

    pub(super) fn is_empty(&self) -> bool {
        self.taken().by.is_empty()
    }
}

/// Whoever reads or writes it learns that it has ended, and drops it.
fn close(place: &Place) {
    if let Some(stream) = place.stream.upgrade() {
        // It may have ended by itself just now.
        let _ = SockRef::from(&*stream).shutdown(Shutdown::Both);
    }
}

/// Holds a place until it is dropped.
pub(super) struct Ticket {
    id: u64,
    places: Arc<Places>,
}

impl Drop for Ticket {
    fn drop(&mut self) {
        self.places.taken().by.remove(&self.id);
    }
}

/// The connection is being answered until this is dropped.
pub(super) struct Busy {
    /// `None`: for good.
    ticket: Option<Arc<Ticket>>,
}

impl Busy {
    pub(super) fn new(ticket: Arc<Ticket>) -> Self {
        if let Some(place) = ticket.places.taken().by.get_mut(&ticket.id) {
            place.does = Does::Answers;
        }
        Self { ticket: Some(ticket) }
    }

    pub(super) fn for_good(mut self) {
        self.ticket = None;
    }
}

impl Drop for Busy {
    fn drop(&mut self) {
        let Some(ticket) = self.ticket.take() else { return };
        let mut taken = ticket.places.taken();
        let now = taken.next();
        if let Some(place) = taken.by.get_mut(&ticket.id) {
            place.does = Does::Waits(now);
        }
    }
}

//! The way out of the audio thread for what is said in ids, which mean another piece's from an installation on.

use ringbuf::traits::{Consumer, Producer, Split};
use ringbuf::{HeapCons, HeapProd, HeapRb};

/// One thing on its way.
#[derive(Clone, Copy, Debug)]
pub(crate) enum OutboxItem<T> {
    /// Something that was said.
    Of(T),
    /// From here on ids mean those of the next plan that was handed over.
    Installed,
}

/// The end at which the control thread takes things out.
pub(crate) type Inbox<T> = HeapCons<OutboxItem<T>>;

/// The audio thread's end. What is said may be lost when the ring is full; an installation never is, and nothing
/// overtakes it, so no id is ever taken for another piece's.
pub(crate) struct Outbox<T> {
    ring: HeapProd<OutboxItem<T>>,
    /// Installations that there was no room for yet.
    installed: u32,
}

impl<T> Outbox<T> {
    /// Both ends, with room for so many things.
    pub fn with_room(count: usize) -> (Self, Inbox<T>) {
        let (mut ring, mut inbox) = HeapRb::new(count).split();
        // Touched before use: the audio thread must not be the first to write to a page of memory.
        ring.push_iter(std::iter::repeat_with(|| OutboxItem::Installed));
        inbox.clear();
        (Self { ring, installed: 0 }, inbox)
    }

    /// AUDIO THREAD. Says something: false if there was no room.
    pub fn say(&mut self, what: T) -> bool {
        self.catch_up() && self.ring.try_push(OutboxItem::Of(what)).is_ok()
    }

    /// AUDIO THREAD. A changed piece has taken the place of the one before.
    pub fn installed(&mut self) {
        self.installed = self.installed.saturating_add(1);
        self.catch_up();
    }

    /// AUDIO THREAD. Tells of the installations that there was no room for: whether none is left.
    pub fn catch_up(&mut self) -> bool {
        while self.installed > 0 && self.ring.try_push(OutboxItem::Installed).is_ok() {
            self.installed -= 1;
        }
        self.installed == 0
    }
}

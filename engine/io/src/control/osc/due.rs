//! Gestures that are to act later.

use crate::{Error, Events};
use crossbeam_channel::{RecvTimeoutError, Sender, bounded};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;
use tenterhook_plan::{Gesture, Who};

/// Gestures that may wait for their time.
pub(crate) const ROOM: usize = 1024;

/// Sends gestures at their time, on a thread of its own that ends when this is dropped; what waits by then never acts.
pub(crate) struct Due {
    waiting: Sender<(Instant, Gesture, Events)>,
    count: Arc<AtomicUsize>,
}

impl Due {
    /// Starts the thread that waits.
    pub fn start() -> Result<Self, Error> {
        let (waiting, coming) = bounded::<(Instant, Gesture, Events)>(ROOM);
        let count = Arc::<AtomicUsize>::default();
        let left = Arc::clone(&count);
        let run = move || {
            // By their time, and those of the same time in the order in which they came.
            let mut queue = BTreeMap::new();
            let mut number = 0u64;
            loop {
                let next = queue.first_key_value().map(|(&(at, _), _)| at);
                let come = match next {
                    Some(at) => coming.recv_deadline(at),
                    None => coming.recv().map_err(RecvTimeoutError::from),
                };
                match come {
                    Ok((at, gesture, events)) => {
                        queue.insert((at, number), (gesture, events));
                        number += 1;
                    }
                    Err(RecvTimeoutError::Timeout) => {}
                    Err(RecvTimeoutError::Disconnected) => return,
                }
                let now = Instant::now();
                while let Some(entry) = queue.first_entry().filter(|entry| entry.key().0 <= now) {
                    let (gesture, events) = entry.remove();
                    left.fetch_sub(1, Ordering::AcqRel);
                    events.gesture(gesture, Who::Osc);
                }
            }
        };
        let thread = std::thread::Builder::new().name("osc-due".to_owned()).spawn(run);
        thread.map_err(|why| Error::Thread { why: why.to_string() })?;
        Ok(Self { waiting, count })
    }

    /// Keeps a gesture until `at`. False: far too many wait already, and it is lost.
    pub fn keep(&self, at: Instant, gesture: Gesture, events: Events) -> bool {
        let room =
            self.count.fetch_update(Ordering::AcqRel, Ordering::Acquire, |count| (count < ROOM).then_some(count + 1));
        room.is_ok() && self.waiting.try_send((at, gesture, events)).is_ok()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    #[test]
    fn they_act_in_the_order_of_their_times_and_not_before() {
        let (events, incoming) = Events::channel();
        let due = Due::start().unwrap();
        let now = Instant::now();
        let at = |milliseconds| now + Duration::from_millis(milliseconds);
        for (milliseconds, gesture) in
            [(3000, Gesture::Hush(true)), (1000, Gesture::Next), (3000, Gesture::Hush(false)), (2000, Gesture::Back)]
        {
            assert!(due.keep(at(milliseconds), gesture, events.clone()));
        }
        let expected =
            [(1000, Gesture::Next), (2000, Gesture::Back), (3000, Gesture::Hush(true)), (3000, Gesture::Hush(false))];
        for (milliseconds, gesture) in expected {
            let sent = incoming.recv_timeout(Duration::from_secs(20)).unwrap();
            assert_eq!(sent.event, tenterhook_plan::Event::Gesture(gesture, Who::Osc));
            assert!(Instant::now() >= at(milliseconds));
        }
    }

    #[test]
    fn what_finds_no_room_is_refused_and_there_is_room_again_once_they_have_acted() {
        let (events, incoming) = Events::channel();
        let due = Due::start().unwrap();
        let soon = Instant::now() + Duration::from_secs(3);
        let kept = (0..ROOM + 10).filter(|_| due.keep(soon, Gesture::Next, events.clone())).count();
        assert_eq!(kept, ROOM);
        for _ in 0..ROOM {
            incoming.recv_timeout(Duration::from_secs(20)).unwrap();
        }
        assert!(due.keep(soon, Gesture::Next, events));
    }
}

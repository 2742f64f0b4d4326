//! What the machine itself keeps everybody waiting for: the measure by which a promised time is held where others work too.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

/// How long this machine has let a program wait that only wanted to go on, since a moment.
pub struct Waiting {
    late: Arc<AtomicU64>,
    over: Arc<AtomicBool>,
}

impl Waiting {
    /// From here on it watches how long the machine keeps everybody waiting.
    pub fn begin() -> Self {
        let (late, over) = (Arc::new(AtomicU64::new(0)), Arc::new(AtomicBool::new(false)));
        let (counts, ends) = (Arc::clone(&late), Arc::clone(&over));
        let nap = Duration::from_millis(5);
        std::thread::spawn(move || {
            while !ends.load(Ordering::Relaxed) {
                let slept = std::time::Instant::now();
                std::thread::sleep(nap);
                counts.fetch_add(slept.elapsed().saturating_sub(nap).as_micros() as u64, Ordering::Relaxed);
            }
        });
        Self { late, over }
    }

    /// How much longer a thread has slept than it asked for, all together.
    pub fn late(&self) -> Duration {
        Duration::from_micros(self.late.load(Ordering::Relaxed))
    }
}

impl Drop for Waiting {
    fn drop(&mut self) {
        self.over.store(true, Ordering::Relaxed);
    }
}

//! The last seconds of every input, for a look at what has just been played.

use crate::record::tap::{self, TapEnd};
use crate::{Tap, WavRecording};
use ringbuf::traits::Consumer;
use std::collections::VecDeque;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

/// Seconds of sound that are kept.
pub const RECENT_SECONDS: u32 = 20;
/// Seconds of sound that wait for the thread.
const WAITING: f64 = 2.0;
/// How often it looks.
const PAUSE: Duration = Duration::from_millis(50);

/// Keeps what comes in, in memory only, on a thread of its own.
pub struct Recent {
    inputs: Arc<Mutex<RecentInputs>>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

/// A way to ask for what was kept; it may outlive the run.
#[derive(Clone)]
pub struct Listened(Arc<Mutex<RecentInputs>>);

struct RecentInputs {
    rate: u32,
    channels: Vec<VecDeque<f32>>,
}

impl Recent {
    /// Begins. The tap goes to the [`Player`](crate::Player).
    ///
    /// # Errors
    /// If the system gives no thread.
    pub fn start(inputs: usize, rate: u32) -> std::io::Result<(Self, Tap)> {
        let (tap, mut end) = tap::tap(inputs, 0, (WAITING * f64::from(rate)) as usize);
        let kept = Arc::new(Mutex::new(RecentInputs::new(inputs, rate)));
        let (stop, filled) = (Arc::new(AtomicBool::new(false)), Arc::clone(&kept));
        let stopped = Arc::clone(&stop);
        let run = move || {
            let mut at = 0;
            while !stopped.load(Ordering::Acquire) {
                filled.lock().unwrap_or_else(PoisonError::into_inner).take(&mut end, &mut at);
                std::thread::sleep(PAUSE);
            }
        };
        let thread = std::thread::Builder::new().name("recent".to_owned()).spawn(run)?;
        Ok((Self { inputs: kept, stop, thread: Some(thread) }, tap))
    }

    /// A way to ask for what was kept.
    pub fn listened(&self) -> Listened {
        Listened(Arc::clone(&self.inputs))
    }
}

impl Drop for Recent {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take() {
            // It has no way to panic.
            let _ = thread.join();
        }
    }
}

impl RecentInputs {
    fn new(inputs: usize, rate: u32) -> Self {
        let most = (RECENT_SECONDS * rate) as usize;
        Self { rate, channels: (0..inputs).map(|_| VecDeque::with_capacity(most)).collect() }
    }

    /// Takes over what has come since frame `at`; what was lost on the way is silence.
    fn take(&mut self, end: &mut TapEnd, at: &mut u64) {
        let most = (RECENT_SECONDS * self.rate) as usize;
        while let Some(span) = end.spans.try_pop() {
            let (frames, lost) = (span.frames as usize, usize::try_from(span.at - *at).unwrap_or(most));
            // A span is part of a block, and shorter than what is kept.
            let lost = lost.min(most.saturating_sub(frames));
            for channel in &mut self.channels {
                // Room first: what is kept takes no more memory, however far this thread was behind.
                channel.drain(..(channel.len() + lost + frames).saturating_sub(most).min(channel.len()));
                channel.extend(std::iter::repeat_n(0.0, lost));
            }
            for _ in 0..frames {
                for channel in &mut self.channels {
                    channel.push_back(end.samples.try_pop().unwrap_or(0.0));
                }
            }
            *at = span.at + u64::from(span.frames);
        }
    }
}

impl Listened {
    /// The last `seconds` of an input counted from 0, or less if there is not so much yet; `None`: there is nothing.
    pub fn last(&self, input: usize, seconds: f64) -> Option<WavRecording> {
        let inputs = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let channel = inputs.channels.get(input).filter(|channel| !channel.is_empty())?;
        let frames = ((seconds * f64::from(inputs.rate)) as usize).min(channel.len());
        Some(WavRecording {
            rate: inputs.rate,
            channels: vec![channel.range(channel.len() - frames..).copied().collect()],
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_seconds_are_there_in_their_order_and_no_more() {
        let rate = 100;
        let (mut tap, mut end) = tap::tap(2, 0, 10_000);
        let mut inputs = RecentInputs::new(2, rate);
        let (mut at, mut n) = (0, 0.0f32);
        for _ in 0..77 {
            let block: Vec<f32> = (0..50)
                .map(|_| {
                    n += 1.0;
                    n
                })
                .collect();
            let other: Vec<f32> = block.iter().map(|x| -x).collect();
            tap.block(&[&block, &other], &[], 50);
            inputs.take(&mut end, &mut at);
        }
        let listened = Listened(Arc::new(Mutex::new(inputs)));
        let last = listened.last(1, 0.5).unwrap();
        let want: Vec<f32> = (3801..=3850).map(|n| -(n as f32)).collect();
        assert_eq!((last.rate, &last.channels[0]), (rate, &want));
        assert_eq!(listened.last(0, 1e6).unwrap().channels[0].len(), 2000);
        assert!(listened.last(2, 1.0).is_none());
    }

    #[test]
    fn a_thread_that_was_held_up_takes_no_more_memory() {
        let (mut tap, mut end) = tap::tap(1, 0, 1000);
        let mut inputs = RecentInputs::new(1, 100);
        let (room, mut at) = (inputs.channels[0].capacity(), 0);
        // It looks after so many blocks: at last more have come than wait, and then more than are kept.
        for blocks in [1, 3, 15, 35, 100] {
            (0..blocks).for_each(|_| tap.block(&[&[1.0; 50]], &[], 50));
            inputs.take(&mut end, &mut at);
            assert_eq!(inputs.channels[0].capacity(), room, "after {blocks} blocks");
        }
        assert_eq!(inputs.channels[0].len(), 2000);
    }
}

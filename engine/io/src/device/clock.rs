//! The built-in clock: blocks at the pace of real time where there is no device.

use crate::device::priority;
use crate::{Error, Facts, PlayerSlot, Source, SourceState};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// When the machine slept for longer than this, the missed time is not made up for: the clock sets in anew.
const MOST_LATE: Duration = Duration::from_secs(1);

/// Blocks by the machine's clock. Its inputs are silent, its outputs go nowhere; with a
/// [sound](crate::Player::with_sound) and a [log](crate::Player::with_log) it plays and records without a device.
pub struct ClockSource {
    facts: Facts,
    stop: Arc<AtomicBool>,
    run: ClockRun,
}

enum ClockRun {
    Ready,
    Running(JoinHandle<()>),
    Stopped,
    Dead,
}

impl ClockSource {
    /// A clock of the facts' rate, block and numbers of channels; a rate or block of 0 becomes 1.
    pub fn new(facts: Facts) -> Self {
        let facts = Facts { rate: facts.rate.max(1), block: facts.block.max(1), ..facts };
        Self { facts, stop: Arc::default(), run: ClockRun::Ready }
    }
}

impl Source for ClockSource {
    fn facts(&self) -> &Facts {
        &self.facts
    }

    fn start(&mut self, seat: &PlayerSlot) -> Result<(), Error> {
        if !matches!(self.run, ClockRun::Ready) {
            return Err(Error::Started { source_name: self.facts.words.clone() });
        }
        let Facts { rate, block, inputs, outputs, .. } = self.facts;
        let silence = vec![0.0; block as usize];
        let mut heard = vec![vec![0.0; block as usize]; outputs];
        let (stop, seat) = (Arc::clone(&self.stop), seat.clone());
        let run = move || {
            // Refused, it runs as it is.
            priority::raise();
            let inputs = vec![silence.as_slice(); inputs];
            let mut outputs: Vec<&mut [f32]> = heard.iter_mut().map(Vec::as_mut_slice).collect();
            let (mut start, mut frames) = (Instant::now(), 0u64);
            while !stop.load(Ordering::Acquire) {
                // From the start each time, so that no error adds up; late blocks follow at once, none is left out.
                let due = start + Duration::from_secs_f64(frames as f64 / f64::from(rate));
                let now = Instant::now();
                if now > due + MOST_LATE {
                    (start, frames) = (now, 0);
                } else {
                    std::thread::sleep(due.saturating_duration_since(now));
                }
                seat.block(&inputs, &mut outputs);
                frames += u64::from(block);
            }
        };
        let thread = std::thread::Builder::new().name("clock".to_owned()).spawn(run);
        self.run = ClockRun::Running(thread.map_err(|why| Error::Thread { why: why.to_string() })?);
        Ok(())
    }

    fn stop(&mut self) {
        self.stop.store(true, Ordering::Release);
        self.run = match std::mem::replace(&mut self.run, ClockRun::Stopped) {
            ClockRun::Running(thread) => thread.join().map_or(ClockRun::Dead, |()| ClockRun::Stopped),
            ClockRun::Dead => ClockRun::Dead,
            ClockRun::Ready | ClockRun::Stopped => ClockRun::Stopped,
        };
    }

    fn state(&self) -> SourceState {
        let dead = SourceState::Dead { why: "the clock's thread ended by itself".to_owned() };
        match &self.run {
            ClockRun::Ready => SourceState::Ready,
            ClockRun::Running(thread) if thread.is_finished() => dead,
            ClockRun::Running(_) => SourceState::Running,
            ClockRun::Stopped => SourceState::Stopped,
            ClockRun::Dead => dead,
        }
    }
}

impl Drop for ClockSource {
    fn drop(&mut self) {
        self.stop();
    }
}

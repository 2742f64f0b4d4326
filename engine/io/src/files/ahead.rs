//! A recording that is read from the disk some seconds before it sounds.

use crate::files::resample::Flow;
use crate::{Error, MicFiles, Sound};
use ringbuf::traits::{Consumer, Observer, Producer, Split};
use ringbuf::{HeapCons, HeapProd, HeapRb};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError, Weak};
use std::time::Duration;

/// Seconds that are read ahead.
const AHEAD: f64 = 10.0;
/// Frames that are read at a time.
const CHUNK: usize = 4096;
/// How long the thread waits for room.
const PAUSE: Duration = Duration::from_millis(20);

/// How a recording that is read while it plays is getting on.
#[derive(Clone, Default)]
pub struct Ahead {
    late: Arc<AtomicU64>,
    trouble: Arc<Mutex<Option<String>>>,
}

impl Ahead {
    /// Frames that were silent because the disk brought them too late.
    pub fn late(&self) -> u64 {
        self.late.load(Ordering::Relaxed)
    }

    /// Why it could not be read to its end.
    pub fn trouble(&self) -> Option<String> {
        self.trouble.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// The recording at `rate` Hz as a [`Sound`], read ahead by a thread that ends with it. What comes too late is
    /// silent, counted, and left out, so that the rest keeps its time.
    ///
    /// # Errors
    /// [`Error`] if the rates cannot be joined, or the system gives no thread.
    pub fn play(&self, files: MicFiles, rate: u32) -> Result<(usize, Sound), Error> {
        let channels = files.channels();
        let mut reading = AheadReading::new(files, rate)?;
        let room = (AHEAD * f64::from(rate)) as usize * channels;
        let (mut full, mut empty) = HeapRb::new(room.max(1)).split();
        // Touched before use: the audio thread must not be the first to look at a page of memory.
        full.push_iter(std::iter::repeat(0.0));
        empty.clear();
        let frames = reading.frames;
        // Full before it begins.
        let mut more = self.fill(&mut reading, &mut full);
        let alive = Arc::new(());
        let (listener, ahead) = (Arc::downgrade(&alive), self.clone());
        let run = move || {
            while more && Weak::strong_count(&listener) > 0 {
                std::thread::sleep(PAUSE);
                more = ahead.fill(&mut reading, &mut full);
            }
        };
        let thread = std::thread::Builder::new().name("ahead".to_owned()).spawn(run);
        thread.map_err(|why| Error::Thread { why: why.to_string() })?;
        let mut playing = Playing { ring: empty, channels, at: 0, frames, owed: 0, late: Arc::clone(&self.late) };
        let sound = move |_, inputs: &mut [&mut [f32]]| {
            // It keeps the thread.
            let _alive = &alive;
            playing.block(inputs);
        };
        Ok((channels, Box::new(sound)))
    }

    /// Fills the ring; false: there is no more to come.
    fn fill(&self, reading: &mut AheadReading, ring: &mut HeapProd<f32>) -> bool {
        loop {
            let channels = reading.chunk.len();
            let ready = reading.chunk.first().map_or(0, Vec::len) - reading.sent;
            let fits = (ring.vacant_len() / channels).min(ready);
            for n in reading.sent..reading.sent + fits {
                ring.push_iter(reading.chunk.iter().map(|channel| channel[n]));
            }
            reading.sent += fits;
            if fits < ready {
                return true;
            }
            match reading.next() {
                Ok(true) => {}
                Ok(false) => return false,
                Err(why) => {
                    *self.trouble.lock().unwrap_or_else(PoisonError::into_inner) = Some(why);
                    return false;
                }
            }
        }
    }
}

/// The disk's end.
struct AheadReading {
    files: MicFiles,
    flow: Option<Flow>,
    /// Frames that it has at the rate at which it is played.
    frames: u64,
    /// What was read last, and how much of it has gone.
    chunk: Vec<Vec<f32>>,
    sent: usize,
}

impl AheadReading {
    fn new(files: MicFiles, rate: u32) -> Result<Self, Error> {
        let (from, channels) = (files.rate(), files.channels());
        let flow = match from == rate {
            true => None,
            false => Some(Flow::new(from, rate, channels, files.frames()).ok_or(Error::Convert { from, to: rate })?),
        };
        let frames = flow.as_ref().map_or(files.frames(), Flow::frames);
        Ok(Self { files, flow, frames, chunk: vec![Vec::new(); channels], sent: 0 })
    }

    /// Reads the next chunk; false: there is none.
    fn next(&mut self) -> Result<bool, String> {
        self.chunk.iter_mut().for_each(Vec::clear);
        self.sent = 0;
        match &mut self.flow {
            None => Ok(self.files.read(CHUNK, &mut self.chunk).map_err(|why| why.to_string())? > 0),
            Some(flow) => {
                // Its first chunks may be nothing but the filter's own delay.
                while !flow.is_over() && self.chunk.first().is_some_and(Vec::is_empty) {
                    flow.next(&mut self.files, &mut self.chunk)?;
                }
                Ok(self.chunk.first().is_some_and(|channel| !channel.is_empty()))
            }
        }
    }
}

/// The audio thread's end.
struct Playing {
    ring: HeapCons<f32>,
    channels: usize,
    at: u64,
    frames: u64,
    /// Frames that were silent and are still to come.
    owed: u64,
    late: Arc<AtomicU64>,
}

impl Playing {
    /// AUDIO THREAD.
    fn block(&mut self, inputs: &mut [&mut [f32]]) {
        let length = inputs.first().map_or(0, |input| input.len());
        let here = (self.ring.occupied_len() / self.channels) as u64;
        let dropped = self.owed.min(here);
        self.ring.skip(dropped as usize * self.channels);
        self.owed -= dropped;
        let left = usize::try_from(self.frames - self.at).unwrap_or(usize::MAX).min(length);
        let got = if self.owed > 0 { 0 } else { left.min((here - dropped) as usize) };
        for frame in 0..got {
            for n in 0..self.channels {
                let sample = self.ring.try_pop().unwrap_or(0.0);
                if let Some(input) = inputs.get_mut(n) {
                    input[frame] = sample;
                }
            }
        }
        let missing = (left - got) as u64;
        self.owed += missing;
        self.late.fetch_add(missing, Ordering::Relaxed);
        self.at += left as u64;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_comes_too_late_is_silent_and_counted_and_the_rest_keeps_its_time() {
        let (mut full, ring) = HeapRb::new(200).split();
        let late = Arc::<AtomicU64>::default();
        let mut playing = Playing { ring, channels: 2, at: 0, frames: 95, owed: 0, late: Arc::clone(&late) };
        let mut sent = 0u64;
        let mut bring = |count: u64| {
            for n in sent..sent + count {
                full.push_iter([n as f32 + 1.0, -(n as f32) - 1.0].into_iter());
            }
            sent += count;
        };
        let mut heard = [Vec::new(), Vec::new()];
        let mut play = |frames: usize| {
            let (mut one, mut other) = (vec![0.0; frames], vec![0.0; frames]);
            playing.block(&mut [&mut one, &mut other]);
            heard[0].extend(one);
            heard[1].extend(other);
        };
        bring(25);
        play(10);
        play(20);
        // Five are missing by now; of these only three come in time for nothing.
        bring(3);
        play(10);
        bring(42);
        play(20);
        bring(25);
        (0..6).for_each(|_| play(10));
        let want = |n: usize| match n {
            25..40 | 95.. => 0.0,
            n => n as f32 + 1.0,
        };
        for (n, (one, other)) in heard[0].iter().zip(&heard[1]).enumerate() {
            assert_eq!((*one, *other), (want(n), 0.0 - want(n)), "frame {n}");
        }
        assert_eq!(late.load(Ordering::Relaxed), 15, "and what lies beyond the end is not late");
    }
}

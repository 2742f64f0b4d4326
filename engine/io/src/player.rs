//! What a source of blocks drives on the audio thread.

use crate::worked::worked;
use crate::{MOST_CHANNELS, Stats, Tap};
use std::sync::Arc;
use std::time::{Duration, Instant};
use tenterhook_plan::{Event, Timed};
use tenterhook_rt::Engine;

/// A sound that takes the place of the mics. It is called on the audio thread with the sample at which a block begins
/// and one slice per input channel, silent beforehand, to be filled; so it must neither allocate nor wait.
pub type Sound = Box<dyn FnMut(u64, &mut [&mut [f32]]) + Send>;

/// A longer block than this is processed in pieces, so that buffers made beforehand suffice.
const MOST_FRAMES: usize = 4096;

/// The engine with all that goes with it on the audio thread: the log's tap, a sound in place of the mics, the timing.
pub struct Player {
    engine: Engine,
    rate: u32,
    stats: Arc<Stats>,
    tap: Option<Tap>,
    recent: Option<Tap>,
    sound: Option<(Sound, Vec<Vec<f32>>)>,
}

impl Player {
    /// A player for an engine that runs at `rate` Hz.
    pub fn new(engine: Engine, rate: u32) -> Self {
        Self { engine, rate, stats: Arc::default(), tap: None, recent: None, sound: None }
    }

    /// Writes all inputs and outputs to a log.
    pub fn with_log(self, tap: Tap) -> Self {
        Self { tap: Some(tap), ..self }
    }

    /// Keeps the last seconds of all inputs.
    pub fn with_recent(self, tap: Tap) -> Self {
        Self { recent: Some(tap), ..self }
    }

    /// Puts a sound of `channels` channels (at most [`MOST_CHANNELS`]) in the place of the device's inputs.
    pub fn with_sound(self, channels: usize, sound: Sound) -> Self {
        let buffers = vec![vec![0.0; MOST_FRAMES]; channels.min(MOST_CHANNELS)];
        Self { sound: Some((sound, buffers)), ..self }
    }

    /// The counts that this player feeds.
    pub fn stats(&self) -> Arc<Stats> {
        Arc::clone(&self.stats)
    }

    /// The sample with which the next block begins.
    pub fn sample(&self) -> u64 {
        self.engine.sample()
    }

    /// One block. AUDIO THREAD.
    ///
    /// All slices are as long as the block; of inputs and outputs no more than [`MOST_CHANNELS`] each are heeded.
    /// `events` are in order and lie in this block.
    #[cfg_attr(rtsan, sanitize(realtime = "nonblocking"))]
    pub fn block(&mut self, inputs: &[&[f32]], outputs: &mut [&mut [f32]], events: &[Timed<Event>]) {
        let (began, worked_before) = (Instant::now(), worked());
        let frames = outputs.first().map(|o| o.len()).or(inputs.first().map(|i| i.len())).unwrap_or(0);
        let (n_in, n_out) = (inputs.len().min(MOST_CHANNELS), outputs.len().min(MOST_CHANNELS));
        let (mut done, mut events) = (0, events);
        while done < frames {
            let length = (frames - done).min(MOST_FRAMES);
            let end = self.engine.sample() + length as u64;
            let now = if done + length == frames { events.len() } else { events.partition_point(|e| e.sample < end) };
            let mut piece_in: [&[f32]; MOST_CHANNELS] = [&[]; MOST_CHANNELS];
            for (piece, input) in piece_in.iter_mut().zip(inputs) {
                *piece = &input[done..done + length];
            }
            let mut piece_out: [&mut [f32]; MOST_CHANNELS] = std::array::from_fn(|_| Default::default());
            for (piece, output) in piece_out.iter_mut().zip(&mut *outputs) {
                *piece = &mut output[done..done + length];
            }
            self.piece(&piece_in[..n_in], &mut piece_out[..n_out], &events[..now], length);
            events = &events[now..];
            done += length;
        }
        let spent = began.elapsed();
        self.stats.block(spent, frames, self.rate);
        let lasts = Duration::from_secs_f64(frames as f64 / f64::from(self.rate.max(1)));
        // What took less time altogether took less work: the system is asked again only where a block was late.
        if spent > lasts && worked().zip(worked_before).is_some_and(|(now, before)| now.saturating_sub(before) > lasts)
        {
            self.stats.overworked();
        }
    }

    fn piece(&mut self, inputs: &[&[f32]], outputs: &mut [&mut [f32]], events: &[Timed<Event>], length: usize) {
        let mut given: [&[f32]; MOST_CHANNELS] = [&[]; MOST_CHANNELS];
        let inputs = match &mut self.sound {
            None => inputs,
            Some((sound, buffers)) => {
                let channels = buffers.len();
                let mut slices: [&mut [f32]; MOST_CHANNELS] = std::array::from_fn(|_| Default::default());
                for (slice, buffer) in slices.iter_mut().zip(&mut *buffers) {
                    *slice = &mut buffer[..length];
                    slice.fill(0.0);
                }
                sound(self.engine.sample(), &mut slices[..channels]);
                for (slice, buffer) in given.iter_mut().zip(&*buffers) {
                    *slice = &buffer[..length];
                }
                &given[..channels]
            }
        };
        self.engine.process(inputs, outputs, events);
        if let Some(recent) = &mut self.recent {
            recent.block(inputs, &[], length);
        }
        if let Some(tap) = &mut self.tap {
            tap.block(inputs, outputs, length);
        }
    }
}

/// A recording as a [`Sound`]: channel n is input n, silence after its end.
pub fn recording(channels: Vec<Vec<f32>>) -> Sound {
    Box::new(move |sample, inputs| {
        let at = usize::try_from(sample).unwrap_or(usize::MAX);
        for (input, channel) in inputs.iter_mut().zip(&channels) {
            let rest = channel.get(at..).unwrap_or_default();
            let length = rest.len().min(input.len());
            input[..length].copy_from_slice(&rest[..length]);
        }
    })
}

//! A device of one clock that runs at another rate than the engine.

use super::Converter;
use crate::{Error, MOST_CHANNELS};
use tenterhook_plan::{Event, Timed};

/// Frames that a converter makes at a time. Always the same number, so that it rounds the same whatever the device's
/// blocks are.
const STEP: usize = 16;
/// Events that may wait for the sound they came with.
const MOST_EVENTS: usize = 2048;

/// Stands between a device and the engine where their rates differ: takes the device's blocks and gives the device's
/// blocks, and has the engine play at its own rate between.
///
/// Output and events are the same however the device cuts its time into blocks, and so is the delay, [`Self::latency`].
/// Nothing but [`Self::new`] allocates.
///
/// ```no_run
/// # use tenterhook_io::{Bridge, Error, Player};
/// # fn source(mut player: Player, inputs: &[&[f32]], outputs: &mut [&mut [f32]]) -> Result<(), Error> {
/// // Where the source is opened; a device at the engine's own rate needs none, and calls the player itself.
/// let mut bridge = Bridge::new(48_000, 44_100, inputs.len(), outputs.len(), 1024)?;
/// // On the audio thread, block by block. An event's `sample` counts the device's frames from the block's first.
/// let events = [];
/// let lost = bridge.block(player.sample(), inputs, outputs, &events, |i, o, e| player.block(i, o, e));
/// # Ok(())
/// # }
/// ```
pub struct Bridge {
    inward: Converter,
    outward: Converter,
    inputs: usize,
    outputs: usize,
    most: usize,
    device_rate: f64,
    /// Of the device, for the inward converter.
    heard: Queue,
    /// For the engine, which takes all at once.
    given: Queue,
    /// Of the engine, for the outward converter.
    played: Queue,
    /// For the device.
    ready: Queue,
    /// Device frames taken in, and engine frames played, since the beginning.
    frame: u64,
    sample: u64,
    /// In order, at the engine's samples.
    events: Vec<Timed<Event>>,
    /// Engine frames of silence before the first that is played.
    head_start: usize,
}

impl Bridge {
    /// A bridge from a device at `device_rate` Hz to an engine at `engine_rate` Hz with so many channels each way (of
    /// each no more than [`MOST_CHANNELS`] are heeded). Blocks of up to `most_frames` frames are carried at once, longer
    /// ones in pieces.
    ///
    /// # Errors
    /// [`Error::Convert`] if a rate is 0, or far out of the range of sound.
    pub fn new(
        engine_rate: u32,
        device_rate: u32,
        inputs: usize,
        outputs: usize,
        most_frames: usize,
    ) -> Result<Self, Error> {
        let (inputs, outputs) = (inputs.min(MOST_CHANNELS), outputs.min(MOST_CHANNELS));
        let most = most_frames.max(STEP);
        let inward = Converter::new(device_rate, engine_rate, inputs, STEP)?;
        let outward = Converter::new(engine_rate, device_rate, outputs, STEP)?;
        // Of n device frames at least (n - 1) / step - STEP engine frames have been made, and no more than
        // 2 + (n + STEP - 1) / step are needed to answer with n. One more, since both are rounded.
        let head_start = STEP + 3 + (STEP as f64 * outward.step()).ceil() as usize;
        let most_played = ((most + 3) as f64 / inward.step()).ceil() as usize + 2 * STEP;
        let mut played = Queue::new(outward.channels(), most_played + 2 * head_start + outward.most_taken());
        played.length = head_start;
        Ok(Self {
            heard: Queue::new(inward.channels(), most + inward.most_taken()),
            given: Queue::new(inward.channels(), most_played),
            played,
            ready: Queue::new(outward.channels(), most + STEP),
            inward,
            outward,
            inputs,
            outputs,
            most,
            device_rate: f64::from(device_rate),
            frame: 0,
            sample: 0,
            events: Vec::with_capacity(MOST_EVENTS),
            head_start,
        })
    }

    /// The seconds by which sound from the device's input to its output is late through this bridge, beside what the
    /// engine itself adds.
    pub fn latency(&self) -> f64 {
        // The places of what comes out first: in engine frames, and of these in device frames.
        let engine = self.outward.first() - self.head_start as f64;
        -(self.inward.first() + engine * self.inward.step()) / self.device_rate
    }

    /// One block of the device. AUDIO THREAD.
    ///
    /// `sample` is the engine's next sample; `events` are in order, and the `sample` of each is its frame in this block.
    /// `play` gets blocks at the engine's rate, and each event at the engine's sample at which the sound arrives that
    /// came with it. Returns how many events were lost because too many came at once.
    pub fn block(
        &mut self,
        sample: u64,
        inputs: &[&[f32]],
        outputs: &mut [&mut [f32]],
        events: &[Timed<Event>],
        mut play: impl FnMut(&[&[f32]], &mut [&mut [f32]], &[Timed<Event>]),
    ) -> u64 {
        let frames = outputs.first().map(|o| o.len()).or(inputs.first().map(|i| i.len())).unwrap_or(0);
        let (begin, mut sample, mut events, mut lost, mut done) = (self.frame, sample, events, 0, 0);
        while done < frames {
            let length = (frames - done).min(self.most);
            let now = if done + length == frames {
                events.len()
            } else {
                events.partition_point(|event| event.sample < (done + length) as u64)
            };
            for event in &events[..now] {
                lost += u64::from(!self.wait(sample, begin, event));
            }
            events = &events[now..];
            self.heard.push(inputs, done, length);
            self.frame += length as u64;
            sample += self.play(sample, &mut play);
            self.answer(length);
            for (output, ready) in outputs.iter_mut().zip(&self.ready.channels) {
                output[done..done + length].copy_from_slice(&ready[..length]);
            }
            for output in outputs.iter_mut().skip(self.outputs) {
                output[done..done + length].fill(0.0);
            }
            self.ready.skip(length);
            done += length;
        }
        lost
    }

    /// Keeps an event for the engine's sample at which its sound arrives; false if there is no room.
    fn wait(&mut self, sample: u64, begin: u64, event: &Timed<Event>) -> bool {
        let frame = (begin + event.sample) as f64;
        let at = ((frame - self.inward.first()) / self.inward.step()).round() as u64;
        let at = sample + at.saturating_sub(self.sample);
        let room = self.events.len() < MOST_EVENTS;
        if room {
            self.events.push(Timed { sample: at, what: event.what });
        }
        room
    }

    /// Has the engine play all that can be made of what was heard; how many frames.
    fn play(&mut self, sample: u64, play: &mut impl FnMut(&[&[f32]], &mut [&mut [f32]], &[Timed<Event>])) -> u64 {
        let mut taken = 0;
        while taken + self.inward.needs(STEP) <= self.heard.length {
            let (took, made) =
                self.inward.make(&self.heard.channels, taken, &mut self.given.channels, self.given.length);
            // Never: it makes a step or the program is wrong; then silence is better than to wait here for ever.
            if made == 0 {
                break;
            }
            taken += took;
            self.given.length += made;
        }
        self.heard.skip(taken);
        let length = std::mem::take(&mut self.given.length);
        if length == 0 {
            return 0;
        }
        let mut inputs: [&[f32]; MOST_CHANNELS] = [&[]; MOST_CHANNELS];
        for (input, given) in inputs.iter_mut().zip(&self.given.channels) {
            *input = &given[..length];
        }
        let mut outputs: [&mut [f32]; MOST_CHANNELS] = std::array::from_fn(|_| Default::default());
        let at = self.played.length;
        for (output, played) in outputs.iter_mut().zip(&mut self.played.channels) {
            *output = &mut played[at..at + length];
        }
        let now = self.events.partition_point(|event| event.sample < sample + length as u64);
        play(&inputs[..self.inputs], &mut outputs[..self.outputs], &self.events[..now]);
        self.events.drain(..now);
        self.played.length += length;
        self.sample += length as u64;
        length as u64
    }

    /// Makes ready what the device is owed: `length` frames.
    fn answer(&mut self, length: usize) {
        let mut taken = 0;
        while self.ready.length < length {
            // Always there, by the head start.
            if taken + self.outward.needs(STEP) > self.played.length {
                break;
            }
            let (took, made) =
                self.outward.make(&self.played.channels, taken, &mut self.ready.channels, self.ready.length);
            if made == 0 {
                break;
            }
            taken += took;
            self.ready.length += made;
        }
        self.played.skip(taken);
    }
}

/// Frames that wait, in buffers made beforehand.
struct Queue {
    channels: Vec<Vec<f32>>,
    length: usize,
}

impl Queue {
    fn new(channels: usize, most: usize) -> Self {
        Self { channels: vec![vec![0.0; most]; channels], length: 0 }
    }

    /// Appends a part of a block; a channel that is missing is silent.
    fn push(&mut self, block: &[&[f32]], from: usize, length: usize) {
        let at = self.length..self.length + length;
        for (n, channel) in self.channels.iter_mut().enumerate() {
            match block.get(n) {
                Some(block) => channel[at.clone()].copy_from_slice(&block[from..from + length]),
                None => channel[at.clone()].fill(0.0),
            }
        }
        self.length += length;
    }

    fn skip(&mut self, frames: usize) {
        let frames = frames.min(self.length);
        for channel in &mut self.channels {
            channel.copy_within(frames..self.length, 0);
        }
        self.length -= frames;
    }
}

//! What a source of blocks drives on the audio thread.

use crate::device::worked::worked;
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
/// Frames over which the inputs go on from where they broke off, so that no memory holds a step: 5 ms at 48 kHz.
const JOINED: usize = 240;
/// Seconds over which outputs rise when a device has come back in the middle of a sound.
const RISE: f64 = 0.1;

/// The engine with all that goes with it on the audio thread: the log's tap, a sound in place of the mics, the timing.
pub struct Player {
    engine: Engine,
    rate: u32,
    stats: Arc<Stats>,
    tap: Option<Tap>,
    recent: Option<Tap>,
    /// With its number of channels.
    sound: Option<(Sound, usize)>,
    /// What the engine hears, of each channel a piece. A server's own buffers may be written by the next player's cycle
    /// while a late block still reads them: the log would not hold what was heard.
    heard: Vec<Vec<f32>>,
    /// The last sample of each input.
    last: [f32; MOST_CHANNELS],
    joint: Joint,
}

/// How one device's sound is joined to that of the device before.
struct Joint {
    /// Frames by now since the change, for the inputs; at [`JOINED`] all is over.
    joined: usize,
    /// Frames by now since the change, for the outputs, and how long they rise.
    risen: usize,
    rise: usize,
}

impl Joint {
    fn is_over(&self) -> bool {
        self.joined == JOINED
    }

    /// The inputs of a piece no longer than what is left of the joint.
    fn join(&mut self, inputs: &mut [&mut [f32]], last: &[f32; MOST_CHANNELS], length: usize) {
        for (input, last) in inputs.iter_mut().zip(last) {
            for (n, sample) in input.iter_mut().enumerate() {
                let share = (self.joined + n + 1) as f32 / JOINED as f32;
                // What is no number dies in the engine, where it is counted.
                *sample = *sample * share + if last.is_finite() { last * (1.0 - share) } else { 0.0 };
            }
        }
        self.joined += length;
    }

    fn raise(&mut self, outputs: &mut [&mut [f32]], length: usize) {
        for output in outputs {
            for (n, sample) in output[..length].iter_mut().enumerate() {
                *sample *= ((self.risen + n) as f32 / self.rise as f32).min(1.0);
            }
        }
        self.risen = (self.risen + length).min(self.rise);
    }
}

impl Player {
    /// A player for an engine that runs at `rate` Hz.
    pub fn new(engine: Engine, rate: u32) -> Self {
        let rise = (RISE * f64::from(rate)) as usize;
        Self {
            engine,
            rate,
            stats: Arc::default(),
            tap: None,
            recent: None,
            sound: None,
            heard: vec![vec![0.0; MOST_FRAMES]; MOST_CHANNELS],
            last: [0.0; MOST_CHANNELS],
            joint: Joint { joined: JOINED, risen: rise, rise },
        }
    }

    /// From now on another device drives it: the inputs go on from where they were, and the outputs rise from silence
    /// (what a log keeps of them does not).
    pub(crate) fn change_device(&mut self) {
        (self.joint.joined, self.joint.risen) = (0, 0);
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
        Self { sound: Some((sound, channels.min(MOST_CHANNELS))), ..self }
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
            let most = if self.joint.is_over() { MOST_FRAMES } else { JOINED - self.joint.joined };
            let length = (frames - done).min(most);
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
        if spent > lasts {
            let work = worked().zip(worked_before).map(|(now, before)| now.saturating_sub(before));
            self.stats.late(work.map(|work| work > lasts));
        }
    }

    fn piece(&mut self, inputs: &[&[f32]], outputs: &mut [&mut [f32]], events: &[Timed<Event>], length: usize) {
        let channels = self.sound.as_ref().map_or(inputs.len().min(MOST_CHANNELS), |(_, channels)| *channels);
        let mut heard: [&mut [f32]; MOST_CHANNELS] = std::array::from_fn(|_| Default::default());
        for (slice, buffer) in heard.iter_mut().zip(&mut self.heard) {
            *slice = &mut buffer[..length];
        }
        let heard = &mut heard[..channels];
        match &mut self.sound {
            None => heard.iter_mut().zip(inputs).for_each(|(heard, input)| heard.copy_from_slice(&input[..length])),
            Some((sound, _)) => {
                heard.iter_mut().for_each(|heard| heard.fill(0.0));
                sound(self.engine.sample(), heard);
            }
        }
        if self.joint.is_over() {
            for (last, heard) in self.last.iter_mut().zip(&*heard) {
                *last = heard.last().copied().unwrap_or_default();
            }
        } else {
            self.joint.join(heard, &self.last, length);
        }
        let mut inputs: [&[f32]; MOST_CHANNELS] = [&[]; MOST_CHANNELS];
        for (input, heard) in inputs.iter_mut().zip(&*heard) {
            *input = heard;
        }
        let inputs = &inputs[..channels];
        self.engine.process(inputs, outputs, events);
        if let Some(recent) = &mut self.recent {
            recent.block(inputs, &[], length);
        }
        if let Some(tap) = &mut self.tap {
            tap.block(inputs, outputs, length);
        }
        if self.joint.risen < self.joint.rise {
            self.joint.raise(outputs, length);
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

#[cfg(test)]
mod tests {
    use super::*;
    use tenterhook_plan::SceneId;

    const PIECE: &str = "mics = { voice = 1 }\noutputs = { left = 1 }\n[[scene]]\nmark = \"A\"\n\
                         mic.voice.direct = { by = \"scene\" }\n";

    /// The greatest step from one sample to the next.
    fn leap(sound: &[f32]) -> f32 {
        sound.windows(2).map(|pair| (pair[1] - pair[0]).abs()).fold(0.0, f32::max)
    }

    /// A device is changed in the midst of a constant sound for one that sends the opposite: what the engine hears, and so
    /// what every memory and the log hold, goes over within 5 ms; what the new device is sent rises from silence.
    #[test]
    fn a_change_of_device_is_joined_in_what_is_heard_and_rises_in_what_is_played() {
        const RATE: u32 = 48_000;
        let piece = tenterhook_config::Text::new("reed.toml", PIECE);
        let plan = tenterhook_config::check(&piece, None).expect("nothing is wrong with it").plan;
        for block in [1, 16, 64, 441, 9600] {
            let (engine, _control) = tenterhook_rt::engine(&plan, RATE, SceneId(0));
            let (tap, end) = crate::record::tap::tap(1, 1, 480_000);
            let mut player = Player::new(engine, RATE).with_log(tap);
            let mut sent = Vec::new();
            let mut play = |player: &mut Player, value: f32, frames: usize| {
                for _ in 0..frames / block {
                    let mut out = vec![0.0; block];
                    player.block(&[&vec![value; block]], &mut [&mut out], &[]);
                    sent.extend(out);
                }
            };
            play(&mut player, 0.4, 19_200 / block * block);
            let changed = player.sample() as usize;
            player.change_device();
            play(&mut player, -0.4, 9_600 / block * block);
            drop(player);

            let mut end = end;
            let kept: Vec<f32> = ringbuf::traits::Consumer::pop_iter(&mut end.samples).collect();
            let (heard, played): (Vec<f32>, Vec<f32>) = kept.chunks_exact(2).map(|frame| (frame[0], frame[1])).unzip();
            assert_eq!(heard.len(), sent.len());
            // A straight line of 240 frames from one to the other.
            assert!(leap(&heard) < 1.01 * 0.8 / 240.0, "heard: a step of {} in blocks of {block}", leap(&heard));
            assert_eq!((heard[changed - 1], heard[changed + 240]), (0.4, -0.4));
            // The log holds what the engine played; the device gets it from silence on, within a tenth of a second.
            assert_eq!(sent[..changed], played[..changed]);
            assert_eq!(sent[changed], 0.0);
            for (n, (sent, played)) in sent[changed..].iter().zip(&played[changed..]).enumerate() {
                let most = played.abs() * (n as f32 / 4800.0).min(1.0);
                assert!((sent.abs() - most).abs() < 1e-6, "frame {n}: {sent} of {played}");
            }
        }
    }
}

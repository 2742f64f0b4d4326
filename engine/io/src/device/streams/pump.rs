//! The output side of a pair of streams: takes input, has it processed, and gives it to the device.

use crate::device::edge::{Converter, Inlet, Intake, Terms};
use crate::{Error, Facts, MOST_CHANNELS, PlayerSlot, Stats};
use cpal::SizedSample;
use dasp_sample::FromSample;
use ringbuf::traits::{Consumer, Observer, Producer, Split};
use ringbuf::{HeapCons, HeapProd, HeapRb};
use std::time::Instant;

/// Frames of the device that are processed at a time.
const PIECE: usize = 1024;
/// How many seconds of input may wait for the output side.
const RING_SECONDS: f64 = 0.25;

/// Where a pump's input is put.
pub(super) enum Ear {
    /// The samples themselves.
    Plain { ring: HeapProd<f32>, channels: usize },
    /// With the time at which they came.
    Following { intake: Intake, since: Instant },
}

impl Ear {
    /// A block of interleaved samples; how many frames found no room. AUDIO THREAD of the input.
    pub fn hear(&mut self, frames: usize, samples: impl Iterator<Item = f32>) -> usize {
        match self {
            Ear::Plain { ring, channels } => {
                let kept = frames.min(ring.vacant_len() / *channels);
                ring.push_iter(samples.take(kept * *channels));
                frames - kept
            }
            Ear::Following { intake, since } => intake.put(since.elapsed().as_secs_f64(), frames, samples),
        }
    }
}

/// Where a pump's input comes from.
enum PumpHeard {
    Nothing,
    Plain {
        ring: HeapCons<f32>,
        /// Frames that should wait in the ring when the first block begins.
        prefill: usize,
        begun: bool,
        interleaved: Vec<f32>,
    },
    Following(Box<Inlet>),
}

/// The output side.
pub(super) struct Pump {
    heard: PumpHeard,
    seat: Option<PlayerSlot>,
    /// To the device's rate, if it is not the engine's.
    outward: Option<Converter>,
    device_rate: f64,
    since: Instant,
    inputs: Vec<Vec<f32>>,
    played: Vec<Vec<f32>>,
    /// What goes to the device where that is not what was played.
    outputs: Vec<Vec<f32>>,
}

impl Pump {
    /// One that gives silence.
    pub fn silent() -> Self {
        Self {
            heard: PumpHeard::Nothing,
            seat: None,
            outward: None,
            device_rate: 1.0,
            since: Instant::now(),
            inputs: Vec::new(),
            played: Vec::new(),
            outputs: Vec::new(),
        }
    }

    /// One that drives who sits there; it hears nothing yet.
    ///
    /// # Errors
    /// [`Error::Convert`]: the rates are none.
    pub fn new(seat: PlayerSlot, facts: &Facts) -> Result<Self, Error> {
        let Facts { rate, device_rate, inputs, outputs, .. } = *facts;
        let other = (rate != device_rate).then(|| Converter::new(rate, device_rate, outputs, PIECE));
        let (outward, most) = (other.transpose()?, Self::most(rate, device_rate));
        Ok(Self {
            seat: Some(seat),
            outputs: vec![vec![0.0; PIECE]; if outward.is_some() { outputs } else { 0 }],
            outward,
            device_rate: f64::from(device_rate),
            inputs: vec![vec![0.0; most]; inputs],
            played: vec![vec![0.0; most]; outputs],
            ..Self::silent()
        })
    }

    /// The most frames that the engine is asked for at a time.
    pub fn most(rate: u32, device_rate: u32) -> usize {
        // A converter takes two more to begin with, and rounds up.
        (PIECE as f64 * f64::from(rate) / f64::from(device_rate)).ceil() as usize + 3
    }

    /// Hears the samples themselves, of which `prefill` frames are to wait; where to put them.
    pub fn hear_plainly(&mut self, prefill: usize) -> Ear {
        let channels = self.inputs.len();
        let room = ((RING_SECONDS * self.device_rate) as usize).max(8 * prefill);
        let (mut ring, end) = HeapRb::new(room * channels).split();
        ring.push_iter(std::iter::repeat_n(0.0, prefill * channels));
        let interleaved = vec![0.0; PIECE * channels];
        self.heard = PumpHeard::Plain { ring: end, prefill, begun: false, interleaved };
        Ear::Plain { ring, channels }
    }

    /// Hears what follows the output's clock; where to put it.
    ///
    /// # Errors
    /// [`Error::Convert`]: the rates are none.
    pub fn hear(&mut self, terms: Terms) -> Result<Ear, Error> {
        let (intake, inlet) = terms.ends()?;
        self.heard = PumpHeard::Following(Box::new(inlet));
        Ok(Ear::Following { intake, since: self.since })
    }

    /// Fills a block of interleaved samples. AUDIO THREAD of the output.
    pub fn fill<T: SizedSample + FromSample<f32>>(&mut self, data: &mut [T], channels: usize, stats: &Stats) {
        let now = self.since.elapsed().as_secs_f64();
        self.begin(now, data.len() / channels, stats);
        for piece in data.chunks_mut(PIECE * channels) {
            let length = piece.len() / channels;
            let frames = self.outward.as_mut().map_or(length, |outward| outward.needs(length));
            self.take(now, frames, stats);
            self.play(frames);
            if let Some(outward) = &mut self.outward {
                outward.make(&self.played, 0, &mut self.outputs, 0);
            }
            let outputs = if self.outward.is_some() { &self.outputs } else { &self.played };
            for (n, frame) in piece.chunks_exact_mut(channels).enumerate() {
                let silent = frame.iter_mut().skip(outputs.len());
                silent.for_each(|sample| *sample = T::from_sample(0.0));
                for (sample, output) in frame.iter_mut().zip(outputs) {
                    *sample = T::from_sample(output[n]);
                }
            }
        }
    }

    fn begin(&mut self, now: f64, frames: usize, stats: &Stats) {
        match &mut self.heard {
            PumpHeard::Nothing | PumpHeard::Plain { begun: true, .. } => {}
            PumpHeard::Plain { ring, prefill, begun, .. } => {
                // What gathered in the ring while the two streams started would be a delay for the whole run.
                let (waiting, wanted) = (ring.occupied_len(), (*prefill + frames) * self.inputs.len());
                ring.skip(waiting.saturating_sub(wanted));
                *begun = true;
            }
            PumpHeard::Following(inlet) => inlet.look(now, frames as f64 / self.device_rate, stats),
        }
    }

    /// The next input frames; silence for those that have not come.
    fn take(&mut self, now: f64, length: usize, stats: &Stats) {
        match &mut self.heard {
            PumpHeard::Nothing => {}
            PumpHeard::Plain { ring, interleaved, .. } => {
                let used = self.inputs.len();
                let interleaved = &mut interleaved[..length * used];
                // Only whole frames go into the ring, each in one piece.
                let got = ring.pop_slice(interleaved);
                interleaved[got..].fill(0.0);
                stats.missing((length - got / used) as u64);
                for (n, input) in self.inputs.iter_mut().enumerate() {
                    for (to, from) in input.iter_mut().zip(interleaved.iter().skip(n).step_by(used)) {
                        *to = *from;
                    }
                }
            }
            PumpHeard::Following(inlet) => inlet.pull(now, length, &mut self.inputs, stats),
        }
    }

    fn play(&mut self, length: usize) {
        let Some(seat) = &self.seat else { return };
        let mut inputs: [&[f32]; MOST_CHANNELS] = [&[]; MOST_CHANNELS];
        for (slice, input) in inputs.iter_mut().zip(&self.inputs) {
            *slice = &input[..length];
        }
        let (n_in, n_out) = (self.inputs.len(), self.played.len());
        let mut outputs: [&mut [f32]; MOST_CHANNELS] = std::array::from_fn(|_| Default::default());
        for (slice, output) in outputs.iter_mut().zip(&mut self.played) {
            *slice = &mut output[..length];
        }
        seat.block(&inputs[..n_in], &mut outputs[..n_out]);
    }
}

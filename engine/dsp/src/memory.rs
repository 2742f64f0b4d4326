//! What a source has sounded so far.

use crate::CELL;

/// The last seconds of one source: a ring, allocated and touched when it is made.
#[derive(Debug)]
pub struct Memory {
    ring: Box<[f32]>,
    /// The sample after the last one written.
    written: u64,
}

impl Memory {
    /// Room for at least `samples` samples of the past.
    pub fn new(samples: usize) -> Self {
        let length = samples.max(2 * CELL as usize).next_power_of_two();
        // Written rather than zero-allocated, so that its pages are there before the audio thread needs them.
        let mut ring = Vec::with_capacity(length);
        ring.extend((0..length).map(|i| std::hint::black_box(i as f32 * 0.0)));
        Self { ring: ring.into_boxed_slice(), written: 0 }
    }

    /// Writes the sound from sample `from` on: the sample after the last one written, or any if nothing is written yet.
    pub fn write(&mut self, from: u64, samples: &[f32]) {
        let mask = self.ring.len() - 1;
        for (i, &sample) in samples.iter().enumerate() {
            self.ring[(from as usize + i) & mask] = sample;
        }
        self.written = from + samples.len() as u64;
    }

    /// The past as it may be read for the samples of one cell: everything before the sample `end`.
    pub fn heard(&self, end: u64) -> Heard<'_> {
        Heard { ring: &self.ring, end: end.min(self.written) }
    }

    /// How many samples it holds.
    pub fn capacity(&self) -> usize {
        self.ring.len()
    }
}

/// A source's past up to a sample, which lies at a place that no block size moves: the start of the present cell, or
/// the beginning of the effect that reads. So an effect can neither read the future nor read differently when the
/// device's blocks differ.
#[derive(Clone, Copy, Debug)]
pub struct Heard<'a> {
    ring: &'a [f32],
    end: u64,
}

impl Heard<'_> {
    /// The sample after the last one that may be read.
    pub fn end(&self) -> u64 {
        self.end
    }

    /// The sound at one sample: silence before the beginning, beyond the memory's reach and after [`Heard::end`].
    pub fn at(&self, sample: i64) -> f32 {
        let reach = self.ring.len() as u64;
        if sample < 0 || sample as u64 >= self.end || self.end - sample as u64 > reach - CELL {
            return 0.0;
        }
        self.ring[sample as usize & (self.ring.len() - 1)]
    }

    /// Fills `out` with the sound from sample `from` on, as [`Heard::at`] gives it.
    pub fn read(&self, from: i64, out: &mut [f32]) {
        for (i, out) in out.iter_mut().enumerate() {
            *out = self.at(from + i as i64);
        }
    }
}

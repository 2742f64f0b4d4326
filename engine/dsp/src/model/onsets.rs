//! Where something was struck, plucked or spoken: found by the energy of the sound's steps from sample to sample.

use std::ops::Range;

/// Blocks kept: a power of two that holds 64 ms.
const KEPT: usize = 128;
/// Onsets kept.
const LAST: usize = 16;

/// What an onset must be, in blocks of 1 ms.
const BEFORE: Range<usize> = 3..25;
const AFTER: usize = 18;
const DEAD: u64 = 20;
const SOFT: u64 = 45;

/// A sound starts from silence where, within so many blocks, its energy rises so much.
const STARTS: usize = 18;
const RISE: f32 = 1e5;

/// Listens to one source; knows an onset [`Onsets::delay`] samples after it.
pub(super) struct Onsets {
    /// Samples per block of 1 ms.
    block: usize,
    energies: [f32; KEPT],
    /// Blocks finished.
    blocks: u64,
    /// The energy of the block in work, its samples so far, and the sample before.
    energy: f32,
    filled: usize,
    before: f32,
    /// The first sample of block 0.
    start: u64,
    last: u64,
    found: [u64; LAST],
    count: usize,
    /// The last start from silence.
    started: Option<u64>,
    started_block: u64,
}

impl Onsets {
    pub fn new(rate: u32) -> Self {
        Self {
            block: (rate as usize / 1000).max(1),
            energies: [0.0; KEPT],
            blocks: 0,
            energy: 0.0,
            filled: 0,
            before: 0.0,
            start: 0,
            last: 0,
            found: [0; LAST],
            count: 0,
            started: None,
            started_block: 0,
        }
    }

    /// Samples from an onset to when it is surely known.
    pub fn delay(&self) -> u64 {
        (self.block * (AFTER + 3)) as u64
    }

    /// The onsets known, oldest first.
    pub fn found(&self) -> impl DoubleEndedIterator<Item = u64> + '_ {
        let kept = self.count.min(LAST);
        (self.count - kept..self.count).filter_map(|i| self.found.get(i % LAST).copied())
    }

    /// Where the sound last came out of silence, be it ever so softly.
    pub fn started(&self) -> Option<u64> {
        self.started
    }

    /// How many onsets there were so far.
    pub fn count(&self) -> u64 {
        self.count as u64
    }

    /// Takes in the samples from `from` on; `read` fills a slice with earlier sound from a sample on.
    pub fn feed(&mut self, from: u64, samples: &[f32], read: &impl Fn(i64, &mut [f32])) {
        if self.blocks == 0 && self.filled == 0 {
            self.start = from;
        }
        let mut rest = samples;
        while !rest.is_empty() {
            let (piece, later) = rest.split_at(rest.len().min(self.block - self.filled));
            let mut before = self.before;
            for &x in piece {
                self.energy += (x - before).powi(2);
                before = x;
            }
            self.before = before;
            self.filled += piece.len();
            if self.filled == self.block {
                if let Some(place) = self.energies.get_mut(self.blocks as usize % KEPT) {
                    *place = if self.energy < 1e-24 { 0.0 } else { self.energy };
                }
                (self.filled, self.energy) = (0, 0.0);
                self.blocks += 1;
                self.judge(read);
            }
            rest = later;
        }
    }

    /// Two blocks from this one on.
    fn pair(&self, block: u64) -> f32 {
        let at = |block: u64| self.energies.get(block as usize % KEPT).copied().unwrap_or(0.0);
        at(block) + at(block + 1)
    }

    fn judge(&mut self, read: &impl Fn(i64, &mut [f32])) {
        let Some(block) = self.blocks.checked_sub(AFTER as u64 + 2) else { return };
        if block < BEFORE.end as u64 {
            return;
        }
        self.judge_start(block, read);
        if self.count > 0 && block < self.last + DEAD {
            return;
        }
        let now = self.pair(block);
        if now < 1e-12 * self.block as f32 {
            return;
        }
        let most = |range: Range<u64>| range.map(|i| self.pair(i)).fold(0.0, f32::max);
        let past = most(block - BEFORE.end as u64..block - BEFORE.start as u64 + 1);
        if now <= 4.0 * past {
            return;
        }
        // The pulses of a low voice that comes out of silence grow as fast as that.
        let soft = self.started.is_some() && (3..SOFT).contains(&(block - self.started_block.min(block)));
        if soft && now <= 100.0 * past {
            return;
        }
        let (near, future) = (most(block..block + 5), most(block..block + AFTER as u64));
        if (now > 4.0 * past && near > 0.5 * future) || (now > 12.0 * past && near > 0.2 * future) {
            let at = self.place(block, 1e-4, read);
            if let Some(found) = self.found.get_mut(self.count % LAST) {
                *found = at;
            }
            self.count += 1;
            self.last = block;
        }
    }

    fn judge_start(&mut self, block: u64, read: &impl Fn(i64, &mut [f32])) {
        if self.started.is_some() && block < self.started_block + 2 * STARTS as u64 {
            return;
        }
        let most = |range: Range<u64>| range.map(|i| self.pair(i)).fold(0.0, f32::max);
        let future = most(block + STARTS as u64 - 2..block + STARTS as u64);
        let past = most(block - BEFORE.end as u64..block - 1);
        if self.pair(block) > 4.0 * past && future > 1e-10 * self.block as f32 && future > RISE * past {
            // The last sample of silence: sounds begin from 0.
            self.started = Some(self.place(block, 1e-10, read).saturating_sub(1));
            self.started_block = block;
        }
    }

    /// The sample at which the onset of this block begins: the first whose step stands out of those before it, and is
    /// no less than a part of the highest near it.
    fn place(&self, block: u64, part: f32, read: &impl Fn(i64, &mut [f32])) -> u64 {
        let start = self.start as i64 + (block as i64) * self.block as i64;
        let ahead = 3 * self.block as i64;
        let mut peak = 0.0f32;
        let mut sound = [0.0; 64];
        let mut steps = |from: i64, to: i64, each: &mut dyn FnMut(i64, f32) -> bool| {
            let mut from = from;
            while from < to {
                let length = (to - from).min(63) as usize;
                let Some(piece) = sound.get_mut(..=length) else { return };
                read(from - 1, piece);
                for (pair, at) in piece.windows(2).zip(from..) {
                    if let &[a, b] = pair
                        && each(at, (b - a).powi(2))
                    {
                        return;
                    }
                }
                from += length as i64;
            }
        };
        steps(start, start + 6 * self.block as i64, &mut |_, step| {
            peak = peak.max(step);
            false
        });
        let mut quiet = 0.0f32;
        steps(start - ahead - 10 * self.block as i64, start - ahead, &mut |_, step| {
            quiet = quiet.max(step);
            false
        });
        let limit = part * peak + 4.0 * quiet;
        let mut found = start;
        steps(start - ahead, start + 6 * self.block as i64, &mut |at, step| {
            found = at;
            step > limit
        });
        u64::try_from(found).unwrap_or(0)
    }
}

//! Where something was struck, plucked or spoken: found by the energy of the sound's steps from sample to sample, and of
//! the changes of these steps, in which a soft attack is less hidden by low notes that still ring.

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

/// How many times the energy before an onset its own must be at least, and then how great a part of what comes after.
const LEAPS: [(f32, f32); 2] = [(4.0, 0.5), (12.0, 0.2)];
/// The same of a low string, and at last what part of the first few blocks the first must be.
const LOW: (f32, f32, f32) = (30.0, 0.015, 0.3);
/// The same for changes of steps: a creaking voice leaps 4.8 times. What is less than this part of the loudest of late
/// is no stroke, but a bow that leaves its string, or a damper: the notes that ring on are not to be cut for it.
const HIGH: (f32, f32, f32) = (5.6, 0.5, 0.003);
/// What is left of that after a block.
const LATE: f32 = 0.998;

/// What an energy is of.
#[derive(Clone, Copy, Debug)]
enum Of {
    Steps,
    Changes,
}

impl Of {
    /// Its own of both.
    fn of(self, [steps, changes]: [f32; 2]) -> f32 {
        match self {
            Self::Steps => steps,
            Self::Changes => changes,
        }
    }
}

/// Listens to one source; knows an onset [`Onsets::delay`] samples after it.
pub(super) struct Onsets {
    /// Samples per block of 1 ms.
    block: usize,
    /// Energies of the steps, and of their changes.
    energies: [[f32; 2]; KEPT],
    /// The most that a block of late had.
    loudest: f32,
    /// Blocks finished.
    blocks: u64,
    /// The energy of the block in work, its samples so far, and the sample before.
    energy: [f32; 2],
    filled: usize,
    before: [f32; 2],
    /// The first sample of block 0.
    start: u64,
    last: u64,
    /// Each with the sample from which on it is known.
    found: [(u64, u64); LAST],
    count: usize,
    /// The last start from silence.
    started: Option<u64>,
    started_block: u64,
}

impl Onsets {
    /// For `rate` samples a second; nothing has been heard.
    pub fn new(rate: u32) -> Self {
        Self {
            block: (rate as usize / 1000).max(1),
            energies: [[0.0; 2]; KEPT],
            loudest: 0.0,
            blocks: 0,
            energy: [0.0; 2],
            filled: 0,
            before: [0.0; 2],
            start: 0,
            last: 0,
            found: [(0, 0); LAST],
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
        (self.count - kept..self.count).filter_map(|i| self.found.get(i % LAST)).map(|&(at, _)| at)
    }

    /// Those that are known at the sample `end`. One that comes within a cell after it takes none of them away: more
    /// than one does not.
    pub fn known(&self, end: u64) -> impl Iterator<Item = u64> + '_ {
        let is_known = move |&&(_, known): &&(u64, u64)| known <= end;
        let kept = self.count.min(LAST);
        let of = move |range: std::ops::Range<usize>| range.filter_map(|i| self.found.get(i % LAST));
        let after = self.count - of(self.count - kept..self.count).rev().take_while(|one| !is_known(one)).count();
        of(after.saturating_sub(LAST - 1).max(self.count - kept)..after).map(|&(at, _)| at)
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
            let [mut last, mut before] = self.before;
            for &x in piece {
                let step = x - last;
                self.energy[0] += step * step;
                self.energy[1] += (step - (last - before)).powi(2);
                (last, before) = (x, last);
            }
            self.before = [last, before];
            self.filled += piece.len();
            if self.filled == self.block {
                if let Some(place) = self.energies.get_mut(self.blocks as usize % KEPT) {
                    *place = self.energy.map(|energy| if energy < 1e-24 { 0.0 } else { energy });
                }
                self.loudest = (self.loudest * LATE).max(self.energy[0]).max(1e-24);
                (self.filled, self.energy) = (0, [0.0; 2]);
                self.blocks += 1;
                self.judge(read);
            }
            rest = later;
        }
    }

    /// The energy of two blocks from this one on.
    fn pair(&self, of: Of, block: u64) -> f32 {
        let at = |block: u64| self.energies.get(block as usize % KEPT).map_or(0.0, |energies| of.of(*energies));
        at(block) + at(block + 1)
    }

    /// The most that two of these blocks have.
    fn most(&self, of: Of, blocks: Range<u64>) -> f32 {
        blocks.map(|block| self.pair(of, block)).fold(0.0, f32::max)
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
        if let Some(of) = [Of::Steps, Of::Changes].into_iter().find(|&of| self.begins(of, block)) {
            let at = self.place(of, block, 1e-4, read);
            if let Some(found) = self.found.get_mut(self.count % LAST) {
                *found = (at, self.start + self.blocks * self.block as u64);
            }
            self.count += 1;
            self.last = block;
        }
    }

    /// Whether something begins in this block.
    fn begins(&self, of: Of, block: u64) -> bool {
        let now = self.pair(of, block);
        if now < 1e-12 * self.block as f32 {
            return false;
        }
        let past = self.most(of, block - BEFORE.end as u64..block - BEFORE.start as u64 + 1);
        // The pulses of a low voice that comes out of silence grow as fast as that.
        let soft = self.started.is_some() && (3..SOFT).contains(&(block - self.started_block.min(block)));
        let times = now / past.max(1e-30);
        if times <= if soft { 100.0 } else { 4.0 } {
            return false;
        }
        let (near, future) = (self.most(of, block..block + 5), self.most(of, block..block + AFTER as u64));
        // The first period of a low string may be much weaker than the next, but it is there at once.
        match of {
            Of::Steps => {
                LEAPS.iter().any(|&(leap, part)| times > leap && near > part * future)
                    || times > LOW.0 && near > LOW.1 * future && now > LOW.2 * near
            }
            Of::Changes => {
                let heard = self.pair(Of::Steps, block) > HIGH.2 * self.loudest;
                heard && times > HIGH.0 && near > HIGH.1 * future
            }
        }
    }

    fn judge_start(&mut self, block: u64, read: &impl Fn(i64, &mut [f32])) {
        if self.started.is_some() && block < self.started_block + 2 * STARTS as u64 {
            return;
        }
        let future = self.most(Of::Steps, block + STARTS as u64 - 2..block + STARTS as u64);
        let past = self.most(Of::Steps, block - BEFORE.end as u64..block - 1);
        if self.pair(Of::Steps, block) > 4.0 * past && future > 1e-10 * self.block as f32 && future > RISE * past {
            // The last sample of silence: sounds begin from 0.
            self.started = Some(self.place(Of::Steps, block, 1e-10, read).saturating_sub(1));
            self.started_block = block;
        }
    }

    /// The sample at which the onset of this block begins: the first whose step stands out of those before it, and is
    /// no less than a part of the highest near it.
    fn place(&self, of: Of, block: u64, part: f32, read: &impl Fn(i64, &mut [f32])) -> u64 {
        let start = self.start as i64 + (block as i64) * self.block as i64;
        let ahead = 3 * self.block as i64;
        let mut peak = 0.0f32;
        let mut sound = [0.0; 64];
        let mut steps = |from: i64, to: i64, each: &mut dyn FnMut(i64, f32) -> bool| {
            let mut from = from;
            while from < to {
                let length = (to - from).min(62) as usize;
                let Some(piece) = sound.get_mut(..length + 2) else { return };
                read(from - 2, piece);
                for (three, at) in piece.windows(3).zip(from..) {
                    let &[a, b, c] = three else { continue };
                    let step = match of {
                        Of::Steps => c - b,
                        Of::Changes => c - 2.0 * b + a,
                    };
                    if each(at, step.powi(2)) {
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

#[cfg(test)]
mod tests {
    use super::*;
    use std::f32::consts::TAU;

    const RATE: f32 = 48_000.0;

    /// Harmonics 1…15 at 1/k from a moment on, each dying away, within 2 ms there.
    fn string(hertz: f32, since: f32) -> f32 {
        if since < 0.0 {
            return 0.0;
        }
        let rise = 0.5 - 0.5 * (TAU / 2.0 * (since / 0.002).min(1.0)).cos();
        let partial = |k: f32| (-since * k.sqrt() / 0.13).exp() / k * (TAU * hertz * k * since).sin();
        (1..16).map(|k| rise * partial(k as f32)).sum()
    }

    /// Onsets found in a second of sound, in seconds.
    fn found(sound: impl Fn(f32) -> f32) -> Vec<f32> {
        let sound: Vec<f32> = (0..48_000).map(|i| 0.2 * sound(i as f32 / RATE)).collect();
        let read = |at: i64, out: &mut [f32]| {
            let x = |i: usize| usize::try_from(at + i as i64).ok().and_then(|at| sound.get(at)).copied();
            out.iter_mut().enumerate().for_each(|(i, out)| *out = x(i).unwrap_or(0.0));
        };
        let mut onsets = Onsets::new(48_000);
        for (number, piece) in sound.chunks(32).enumerate() {
            onsets.feed(number as u64 * 32, piece, &read);
        }
        onsets.found().map(|at| at as f32 / RATE).collect()
    }

    #[test]
    fn strings_of_all_lengths_are_found_where_they_are_plucked_the_last_ringing_or_not() {
        for hertz in [65.0, 87.0, 110.0, 196.0, 440.0, 880.0] {
            let found = found(|t| string(hertz, t - 0.3) + string(1.2 * hertz, t - 0.65));
            assert_eq!(found.len(), 2, "{hertz} Hz: {found:?}");
            for (found, due) in found.iter().zip([0.3, 0.65]) {
                assert!((found - due).abs() < 0.001, "{hertz} Hz: {found} s for {due} s");
            }
        }
    }

    #[test]
    fn a_soft_stroke_over_a_low_note_that_sounds_is_found_within_its_first_period() {
        let ringing = |t: f32| (1..25).map(|k| (TAU * 110.0 * k as f32 * t).sin() / (k as f32).powf(1.5)).sum::<f32>();
        let found = found(|t| ringing(t) + 0.7 * string(247.0, t - 0.5));
        assert!(found.iter().any(|at| (0.5..0.505).contains(at)), "{found:?}");
    }

    #[test]
    fn the_faint_click_of_an_end_does_not_cut_what_still_rings() {
        let cut = |t: f32| if t < 0.95 { string(98.0, t - 0.03) } else { 0.0 };
        let found = found(|t| cut(t) + string(131.0, t - 0.55));
        assert_eq!(found.len(), 2, "{found:?}");
    }
}

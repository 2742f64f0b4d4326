//! How much of the time that a block lasts the processing takes.

use serde::Serialize;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU32, AtomicU64, Ordering::Relaxed};
use std::time::Duration;
use tenterhook_rt::Spot;

/// Classes of the histogram: one per percent of a block's time; the last holds all from there up.
const CLASSES: usize = 201;
/// A block's time as a whole number, so that shares can be added up in an atomic.
const WHOLE: f64 = 1_000_000.0;

/// Late blocks, and gaps, whose time is kept: the last of each.
const KEPT: usize = 64;
/// A gap so many frames after a block that worked too long is its doing.
const AFTER: u64 = 8192;

/// What went wrong in time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum FaultKind {
    /// A block was late by its own work.
    Overworked,
    /// A block was late because the machine held it up.
    HeldUp,
    /// A block was late, and this system does not tell why.
    Late,
    /// The device reported a gap just after a block was late by its own work.
    OwnGap,
    /// The device reported a gap that no work of this program made.
    Gap,
}

impl FaultKind {
    const ALL: [Self; 5] = [Self::Overworked, Self::HeldUp, Self::Late, Self::OwnGap, Self::Gap];
}

/// One thing that went wrong in time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct LateFault {
    /// The engine's sample at which it was seen, to a block or two.
    pub sample: u64,
    /// What it was.
    pub kind: FaultKind,
}

/// The last faults, written by any thread without waiting. A reader may miss one that is just being overwritten.
#[derive(Debug)]
struct Faults {
    count: AtomicU64,
    /// Each a sample times the number of kinds, and the kind.
    ring: [AtomicU64; KEPT],
}

impl Default for Faults {
    fn default() -> Self {
        Self { count: AtomicU64::new(0), ring: std::array::from_fn(|_| AtomicU64::new(0)) }
    }
}

impl Faults {
    fn note(&self, sample: u64, kind: FaultKind) {
        let place = self.count.fetch_add(1, Relaxed) as usize % KEPT;
        self.ring[place].store(sample * FaultKind::ALL.len() as u64 + kind as u64, Relaxed);
    }

    fn read(&self) -> Vec<LateFault> {
        let count = self.count.load(Relaxed) as usize;
        let kinds = FaultKind::ALL.len() as u64;
        let one = |n: usize| {
            let noted = self.ring[n % KEPT].load(Relaxed);
            LateFault { sample: noted / kinds, kind: FaultKind::ALL[(noted % kinds) as usize] }
        };
        (count.saturating_sub(KEPT)..count).map(one).collect()
    }
}

/// Counts that the audio thread feeds and anyone may read.
#[derive(Debug)]
pub struct Stats {
    blocks: AtomicU64,
    frames: AtomicU64,
    late: AtomicU64,
    overworked: AtomicU64,
    /// The sample after the last block that worked too long; 0: there was none.
    overworked_at: AtomicU64,
    sum: AtomicU64,
    most: AtomicU64,
    histogram: [AtomicU64; CLASSES],
    xruns: AtomicU64,
    skipped: AtomicU64,
    missing: AtomicU64,
    dropped: AtomicU64,
    away: AtomicU64,
    events_lost: AtomicU64,
    broken: AtomicU64,
    /// The place that broke first.
    broke_at: OnceLock<Spot>,
    /// The bits of a number of ppm; not a number: none is known.
    drift: AtomicU32,
    late_blocks: Faults,
    gaps: Faults,
}

impl Default for Stats {
    fn default() -> Self {
        let zero = || AtomicU64::new(0);
        Self {
            blocks: zero(),
            frames: zero(),
            late: zero(),
            overworked: zero(),
            overworked_at: zero(),
            sum: zero(),
            most: zero(),
            histogram: std::array::from_fn(|_| zero()),
            xruns: zero(),
            skipped: zero(),
            missing: zero(),
            dropped: zero(),
            away: zero(),
            events_lost: zero(),
            broken: zero(),
            broke_at: OnceLock::new(),
            drift: AtomicU32::new(f32::NAN.to_bits()),
            late_blocks: Faults::default(),
            gaps: Faults::default(),
        }
    }
}

impl Stats {
    /// A block of `frames` at `rate` Hz took `spent`. Any thread; neither waits nor allocates.
    pub fn block(&self, spent: Duration, frames: usize, rate: u32) {
        if frames == 0 || rate == 0 {
            return;
        }
        let share = spent.as_secs_f64() * f64::from(rate) / frames as f64;
        let whole = (share * WHOLE) as u64;
        self.blocks.fetch_add(1, Relaxed);
        self.frames.fetch_add(frames as u64, Relaxed);
        self.late.fetch_add(u64::from(share > 1.0), Relaxed);
        self.sum.fetch_add(whole, Relaxed);
        self.most.fetch_max(whole, Relaxed);
        self.histogram[((share * 100.0) as usize).min(CLASSES - 1)].fetch_add(1, Relaxed);
    }

    /// The block that was just counted was late; `overworked`: whether its work, apart from what it waited, took longer
    /// than it lasts, if the system tells. Any thread.
    pub(crate) fn late(&self, overworked: Option<bool>) {
        let sample = self.frames.load(Relaxed);
        let kind = match overworked {
            Some(true) => FaultKind::Overworked,
            Some(false) => FaultKind::HeldUp,
            None => FaultKind::Late,
        };
        if kind == FaultKind::Overworked {
            self.overworked.fetch_add(1, Relaxed);
            self.overworked_at.store(sample, Relaxed);
        }
        self.late_blocks.note(sample, kind);
    }

    /// The device reported a gap. Any thread.
    pub(crate) fn xrun(&self) {
        self.xruns.fetch_add(1, Relaxed);
        let (sample, worked) = (self.frames.load(Relaxed), self.overworked_at.load(Relaxed));
        let own = worked > 0 && sample.saturating_sub(worked) < AFTER;
        self.gaps.note(sample, if own { FaultKind::OwnGap } else { FaultKind::Gap });
    }

    /// The server's clock went on by frames that this program was not asked for.
    pub(crate) fn skipped(&self, frames: u64) {
        self.skipped.fetch_add(frames, Relaxed);
    }

    /// Input frames that had not come yet when they were due: silence stood in for them.
    pub(crate) fn missing(&self, frames: u64) {
        self.missing.fetch_add(frames, Relaxed);
    }

    /// Input frames for which there was no room.
    pub(crate) fn dropped(&self, frames: u64) {
        self.dropped.fetch_add(frames, Relaxed);
    }

    /// Frames for which nothing drove the engine, because its device had gone or was just back.
    pub(crate) fn away(&self, frames: u64) {
        self.away.fetch_add(frames, Relaxed);
    }

    /// Messages for which a block had no room.
    pub(crate) fn events_lost(&self, events: u64) {
        self.events_lost.fetch_add(events, Relaxed);
    }

    /// The engine itself broke off a block, at this place of the program. Only the audio thread, which alone sets it: so
    /// nobody waits.
    pub(crate) fn broke(&self, spot: Spot) {
        self.broken.fetch_add(1, Relaxed);
        // Of many the first says most.
        let _ = self.broke_at.set(spot);
    }

    /// By how many ppm the input's clock is faster than the output's; `None`: one clock, or not known yet.
    pub(crate) fn drift(&self, ppm: Option<f32>) {
        self.drift.store(ppm.unwrap_or(f32::NAN).to_bits(), Relaxed);
    }

    /// The counts as they stand.
    pub fn load(&self) -> Load {
        let blocks = self.blocks.load(Relaxed);
        Load {
            blocks,
            frames: self.frames.load(Relaxed),
            late: self.late.load(Relaxed),
            overworked: self.overworked.load(Relaxed),
            mean: self.sum.load(Relaxed) as f64 / WHOLE / blocks.max(1) as f64,
            most: self.most.load(Relaxed) as f64 / WHOLE,
            histogram: self.histogram.iter().map(|class| class.load(Relaxed)).collect(),
            xruns: self.xruns.load(Relaxed),
            skipped: self.skipped.load(Relaxed),
            missing: self.missing.load(Relaxed),
            dropped: self.dropped.load(Relaxed),
            away: self.away.load(Relaxed),
            faults: [self.late_blocks.read(), self.gaps.read()].concat(),
            events_lost: self.events_lost.load(Relaxed),
            broken: self.broken.load(Relaxed),
            broke_at: self.broke_at.get().map(Spot::to_string),
            drift_ppm: Some(f32::from_bits(self.drift.load(Relaxed))).filter(|ppm| ppm.is_finite()),
        }
    }
}

/// The counts of a run at one moment. Shares: 1 is all of a block's time.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Load {
    /// Blocks processed.
    pub blocks: u64,
    /// Frames processed: the sample that comes next.
    pub frames: u64,
    /// Blocks that took longer than they last.
    pub late: u64,
    /// Of these, the blocks whose own work took longer than they last, by the processor's time of the audio thread; the
    /// other late ones the machine held up. 0 where the system does not tell (it does on Linux).
    pub overworked: u64,
    /// The mean share.
    pub mean: f64,
    /// The greatest share.
    pub most: f64,
    /// Blocks per percent of share: class n holds n % up to n + 1 %, the last one all above.
    #[serde(skip)]
    pub histogram: Vec<u64>,
    /// Gaps that the device reported.
    pub xruns: u64,
    /// Frames by which the JACK server's clock ran ahead of the engine's, through its gaps.
    pub skipped: u64,
    /// Input frames for which silence stood in, because the device had not delivered them.
    pub missing: u64,
    /// Input frames thrown away, because the output side did not take them.
    pub dropped: u64,
    /// Frames, to some hundredths of a second, for which nothing drove the engine, because its device had gone or was
    /// just back.
    pub away: u64,
    /// The last late blocks, then the last gaps, each in the order in which they were seen.
    pub faults: Vec<LateFault>,
    /// MIDI messages for which a block had no room.
    pub events_lost: u64,
    /// Blocks that broke off by a fault of the engine itself, and the place in the program of the first.
    pub broken: u64,
    /// See above.
    pub broke_at: Option<String>,
    /// By how many ppm the input's clock is faster than the output's, where they are two and that is known.
    pub drift_ppm: Option<f32>,
}

impl Load {
    /// The share that `part` (0…1) of all blocks did not pass, in whole percents rounded up; `None` before any block.
    pub fn percentile(&self, part: f64) -> Option<f64> {
        let total: u64 = self.histogram.iter().sum();
        let wanted = (part.clamp(0.0, 1.0) * total as f64).ceil().max(1.0) as u64;
        let mut seen = 0;
        self.histogram.iter().enumerate().find_map(|(class, blocks)| {
            seen += blocks;
            (total > 0 && seen >= wanted).then_some((class + 1) as f64 / 100.0)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_faults_are_kept_with_their_time_and_cause() {
        let stats = Stats::default();
        assert_eq!(stats.load().faults, []);
        let block = |spent| stats.block(Duration::from_micros(spent), 48, 48_000);
        stats.xrun();
        block(1500);
        stats.late(Some(false));
        block(1500);
        stats.late(Some(true));
        stats.xrun();
        (0..AFTER / 48 + 1).for_each(|_| block(100));
        stats.xrun();
        let load = stats.load();
        let fault = |sample, kind| LateFault { sample, kind };
        let last = load.frames;
        let late = [fault(48, FaultKind::HeldUp), fault(96, FaultKind::Overworked)];
        let gaps = [fault(0, FaultKind::Gap), fault(96, FaultKind::OwnGap), fault(last, FaultKind::Gap)];
        let want = [&late[..], &gaps[..]].concat();
        assert_eq!(load.faults, want);
        assert_eq!((load.late, load.overworked, load.xruns), (2, 1, 3));
        (0..2 * KEPT).for_each(|_| stats.xrun());
        let want = [&late[..], &[fault(last, FaultKind::Gap); KEPT]].concat();
        assert_eq!(stats.load().faults, want, "many gaps push out no late block");
    }

    #[test]
    fn shares_are_those_of_the_blocks_own_time() {
        let stats = Stats::default();
        assert_eq!(stats.load().percentile(0.5), None);
        // 48 frames at 48 kHz last 1 ms.
        for _ in 0..99 {
            stats.block(Duration::from_micros(255), 48, 48_000);
        }
        stats.block(Duration::from_micros(1500), 48, 48_000);
        let load = stats.load();
        assert_eq!((load.blocks, load.late), (100, 1));
        assert_eq!(load.percentile(0.5), Some(0.26));
        assert_eq!(load.percentile(1.0), Some(1.51));
        assert!((load.most - 1.5).abs() < 1e-6);
        assert!((load.mean - (99.0 * 0.255 + 1.5) / 100.0).abs() < 1e-6);
    }
}

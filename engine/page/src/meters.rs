//! What a soundcheck needs to know of each channel, worked out once for all who look.
//!
//! Time is the engine's, in samples. A reading whose sample lies before the last one belongs to a new run, with which
//! everything starts again.

use std::collections::VecDeque;

use tenterhook_plan::MeterReading;

/// Seconds that a peak is held before it falls, as shown: common practice, no source.
const HOLD: f64 = 2.0;
/// Seconds that a peak is held for the verdict: a phrase and the breath after it. Common practice, no source.
const PHRASE: f64 = 5.0;
/// Seconds in which a peak that is no longer held falls by 20 dB: common practice, no source.
const FALL: f64 = 1.0;
/// Seconds for which a clip is shown: common practice, no source.
const CLIP_SHOWN: f64 = 2.0;
/// Seconds that the noise floor is looked for in, and those that must be known first.
const FLOOR_SPAN: f64 = 10.0;
const FLOOR_KNOWN: f64 = 3.0;
/// One reading of so many lies under the noise floor.
const FLOOR_PART: usize = 10;
/// The most readings kept for the noise floor: 10 s at the 31 a second that an engine gives at most.
const FLOOR_READINGS: usize = 320;
/// Seconds without a reading after which the noise floor is unknown again.
const GAP: f64 = 1.0;
/// Falls of so many dB, and levels that were reduced by so many, are silence.
const SILENCE_DB: f32 = 120.0;

/// A limiter that takes less is not worth a word, in dB: common practice, no source.
const LIMITED_DB: f32 = 0.5;

/// Slots of the history in a second.
pub const SLOTS_A_SECOND: u64 = 10;
/// Slots that are kept: 20 s.
pub const SLOTS: usize = 200;
/// The level at and below which the history no longer tells levels apart, in dBFS.
pub const QUIETEST_DB: i8 = -90;

/// What to think of a channel's level, from quiet to loud.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Verdict {
    /// Nothing that could be told from a dead line.
    #[default]
    Nothing,
    /// Something, but the gain wants to go up.
    TooQuiet,
    /// As it should be.
    Good,
    /// Little room is left: the gain wants to go down.
    Hot,
    /// It was at full scale within the last 2 s.
    Clipped,
}

/// From which peak on a verdict holds, and under which it is given up again, in dBFS. The peak is the greatest sample
/// of the last 5 s, and the two differ so that the verdict does not flicker.
///
/// - Nothing: a line with only its preamplifier's noise stays under -70 dBFS at usual gains. Common practice, no source.
/// - Good begins at the alignment level of EBU R 68, -18 dBFS.
/// - Hot begins at -6 dBFS: R 68 puts the highest level that is permitted 9 dB above the alignment level, as a programme
///   meter reads it, and says that the true peaks may be 3 dB higher than that.
/// - The 3 and 6 dB in between: common practice, no source.
const LIMITS: [(Verdict, f32, f32); 4] = [
    (Verdict::Nothing, f32::NEG_INFINITY, f32::NEG_INFINITY),
    (Verdict::TooQuiet, -64.0, -70.0),
    (Verdict::Good, -18.0, -21.0),
    (Verdict::Hot, -6.0, -9.0),
];

impl Verdict {
    /// The verdict on a peak in dBFS, after this one.
    fn next(self, peak_db: f32) -> Self {
        let highest = |limit: fn(&(Self, f32, f32)) -> f32| {
            let reached = LIMITS.iter().rev().find(|row| limit(row) <= peak_db);
            reached.map_or(Self::Nothing, |row| row.0)
        };
        // What holds is never more than what is not yet given up.
        self.clamp(highest(|row| row.1), highest(|row| row.2))
    }
}

/// What is shown of one channel; full scale = 1.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ShownMeters {
    /// The greatest magnitude since this was last taken.
    pub peak: f32,
    /// The held peak: stays for 2 s, then falls by 20 dB a second.
    pub held: f32,
    /// The root of the mean square.
    pub rms: f32,
    /// The noise floor: the level that a tenth of the last 10 s lay under; `None` until 3 s are known.
    pub floor: Option<f32>,
    /// The held peak over the root of the mean square, in dB; `None` in silence.
    pub crest_db: Option<f32>,
    /// The limiter's greatest reduction since this was last taken, 0…120 dB.
    pub reduction_db: f32,
    /// Whether the limiter worked at the last reading.
    pub limited: bool,
    /// Clips since the last reset.
    pub clips: u32,
    /// Whether one was within the last 2 s.
    pub clipped: bool,
    /// What to think of it.
    pub verdict: Verdict,
    /// Whether the verdict was good or more since the last reset.
    pub heard: bool,
}

/// The loudness of the last 20 s.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LoudnessHistory {
    /// The first slot: slot n is the engine's time from n/10 s to before (n+1)/10 s.
    pub from_slot: u64,
    /// For each channel the greatest root of the mean square in each slot, in whole dBFS, -90 and above.
    pub channels: Vec<Vec<i8>>,
}

/// The meters of all channels.
#[derive(Clone, Debug)]
pub struct PageMeters {
    rate: u32,
    channels: Vec<MeteredChannel>,
}

impl PageMeters {
    /// Meters for so many channels of a run at `rate` samples a second, of which nothing is known yet.
    pub fn new(rate: u32, channels: usize) -> Self {
        Self { rate: rate.max(1), channels: vec![MeteredChannel::default(); channels] }
    }

    /// Takes in a reading of a channel at the engine's sample; one of a channel that is not there is left out. What is no
    /// number, or out of its range, counts as nothing.
    pub fn feed(&mut self, channel: usize, sample: u64, reading: MeterReading) {
        if let Some(channel) = self.channels.get_mut(channel) {
            channel.feed(self.rate, sample, reading);
        }
    }

    /// What is to be shown of each channel; the peaks and reductions start again.
    pub fn take(&mut self) -> Vec<ShownMeters> {
        self.channels.iter_mut().map(|channel| channel.take(self.rate)).collect()
    }

    /// Forgets clips, held peaks and who was heard.
    pub fn reset(&mut self) {
        self.channels.iter_mut().for_each(MeteredChannel::reset);
    }

    /// The channels of a changed piece: for each the place it had before, if it had one.
    pub fn rearrange(&mut self, places: &[Option<usize>]) {
        let channel = |place: &Option<usize>| place.and_then(|place| self.channels.get(place).cloned());
        self.channels = places.iter().map(|place| channel(place).unwrap_or_default()).collect();
    }

    /// The history of the first `count` channels: up to 20 s, which end with the last slot that any of them has.
    pub fn history(&self, count: usize) -> LoudnessHistory {
        let channels = &self.channels[..count.min(self.channels.len())];
        let end = channels.iter().map(|channel| channel.history.end).max().unwrap_or(0);
        let from_slot = end.saturating_sub(SLOTS as u64);
        let levels = |channel: &MeteredChannel| (from_slot..end).map(|slot| channel.history.level(slot)).collect();
        LoudnessHistory { from_slot, channels: channels.iter().map(levels).collect() }
    }
}

/// One channel.
#[derive(Clone, Debug, Default)]
struct MeteredChannel {
    /// The sample of the last reading.
    now: u64,
    peak: f32,
    held: HeldPeak,
    judged: HeldPeak,
    rms: f32,
    floor: Floor,
    reduction_db: f32,
    limited: bool,
    /// Clips since the last reset, and what the last reading said.
    clips: u32,
    counted: u32,
    clipped_at: Option<u64>,
    verdict: Verdict,
    heard: bool,
    history: Slots,
}

impl MeteredChannel {
    fn feed(&mut self, rate: u32, sample: u64, reading: MeterReading) {
        if sample < self.now {
            *self = Self::default();
        }
        let (peak, rms) = (level(reading.peak), level(reading.rms));
        self.now = sample;
        self.peak = self.peak.max(peak);
        self.held.feed(self.now, rate, HOLD, peak);
        self.judged.feed(self.now, rate, PHRASE, peak);
        self.rms = rms;
        self.floor.feed(self.now, rate, rms);
        self.history.feed(self.now, rate, rms);
        let reduction_db =
            if reading.reduction < 1.0 { (-decibels(level(reading.reduction))).min(SILENCE_DB) } else { 0.0 };
        self.limited = reduction_db > LIMITED_DB;
        self.reduction_db = self.reduction_db.max(reduction_db);
        // A count that is less than it was has begun again.
        let clips = reading.clips.checked_sub(self.counted).unwrap_or(reading.clips);
        self.counted = reading.clips;
        self.clips = self.clips.saturating_add(clips);
        if clips > 0 {
            self.clipped_at = Some(self.now);
        }
        self.verdict = self.verdict.next(decibels(self.judged.at(self.now, rate, PHRASE)));
        self.heard |= clips > 0 || self.verdict >= Verdict::Good;
    }

    fn take(&mut self, rate: u32) -> ShownMeters {
        let held = self.held.at(self.now, rate, HOLD);
        let clipped = self.clipped_at.is_some_and(|at| seconds(at, self.now, rate) <= CLIP_SHOWN);
        ShownMeters {
            peak: std::mem::take(&mut self.peak),
            held,
            rms: self.rms,
            floor: self.floor.level(rate),
            crest_db: (held > 0.0 && self.rms > 0.0).then(|| decibels(held) - decibels(self.rms)),
            reduction_db: std::mem::take(&mut self.reduction_db),
            limited: self.limited,
            clips: self.clips,
            clipped,
            verdict: if clipped { Verdict::Clipped } else { self.verdict },
            heard: self.heard,
        }
    }

    fn reset(&mut self) {
        (self.held, self.judged, self.peak) = (HeldPeak::default(), HeldPeak::default(), 0.0);
        (self.clips, self.clipped_at) = (0, None);
        (self.verdict, self.heard) = (Verdict::Nothing, false);
    }
}

/// A peak that is held, then falls.
#[derive(Clone, Copy, Debug, Default)]
struct HeldPeak {
    top: f32,
    since: u64,
}

impl HeldPeak {
    fn feed(&mut self, now: u64, rate: u32, hold: f64, peak: f32) {
        if peak >= self.at(now, rate, hold) {
            *self = Self { top: peak, since: now };
        }
    }

    fn at(&self, now: u64, rate: u32, hold: f64) -> f32 {
        let fallen_db = 20.0 * (seconds(self.since, now, rate) - hold).max(0.0) / FALL;
        if fallen_db >= f64::from(SILENCE_DB) { 0.0 } else { self.top * 10f64.powf(-fallen_db / 20.0) as f32 }
    }
}

/// The readings that the noise floor is looked for in, oldest first.
#[derive(Clone, Debug, Default)]
struct Floor {
    readings: VecDeque<(u64, f32)>,
}

impl Floor {
    fn feed(&mut self, now: u64, rate: u32, rms: f32) {
        if self.readings.back().is_some_and(|&(last, _)| seconds(last, now, rate) > GAP) {
            self.readings.clear();
        }
        self.readings.push_back((now, rms));
        while self.readings.len() > FLOOR_READINGS
            || self.readings.front().is_some_and(|&(first, _)| seconds(first, now, rate) > FLOOR_SPAN)
        {
            self.readings.pop_front();
        }
    }

    fn level(&self, rate: u32) -> Option<f32> {
        let (&(first, _), &(last, _)) = (self.readings.front()?, self.readings.back()?);
        if seconds(first, last, rate) < FLOOR_KNOWN {
            return None;
        }
        let mut levels: Vec<f32> = self.readings.iter().map(|&(_, rms)| rms).collect();
        let place = levels.len() / FLOOR_PART;
        Some(*levels.select_nth_unstable_by(place, f32::total_cmp).1)
    }
}

/// The greatest level of each slot.
#[derive(Clone, Debug, Default)]
struct Slots {
    levels: VecDeque<f32>,
    /// The slot after the last.
    end: u64,
}

impl Slots {
    fn feed(&mut self, now: u64, rate: u32, rms: f32) {
        let slot = u128::from(now) * u128::from(SLOTS_A_SECOND) / u128::from(rate);
        let slot = u64::try_from(slot).unwrap_or(u64::MAX);
        let new = slot.saturating_add(1).saturating_sub(self.end);
        // Slots without a reading are silent; after a long gap they are all that is left.
        for _ in 0..new.min(SLOTS as u64) {
            if self.levels.len() == SLOTS {
                self.levels.pop_front();
            }
            self.levels.push_back(0.0);
        }
        self.end = self.end.max(slot.saturating_add(1));
        if let Some(last) = self.levels.back_mut() {
            *last = last.max(rms);
        }
    }

    fn level(&self, slot: u64) -> i8 {
        let first = self.end.saturating_sub(self.levels.len() as u64);
        let place = slot.checked_sub(first).and_then(|place| usize::try_from(place).ok());
        let level = place.and_then(|place| self.levels.get(place).copied()).unwrap_or(0.0);
        decibels(level).round().clamp(f32::from(QUIETEST_DB), f32::from(i8::MAX)) as i8
    }
}

/// A level as it can be: what is no number or less than nothing is 0.
fn level(value: f32) -> f32 {
    if value.is_finite() { value.max(0.0) } else { 0.0 }
}

/// An amplitude in dBFS; −∞ for 0.
fn decibels(amplitude: f32) -> f32 {
    20.0 * amplitude.log10()
}

fn seconds(from: u64, to: u64, rate: u32) -> f64 {
    to.saturating_sub(from) as f64 / f64::from(rate)
}

#[cfg(test)]
mod tests;

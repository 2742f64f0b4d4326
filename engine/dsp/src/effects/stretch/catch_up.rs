//! The foot that comes back: the reading hurries after the player, and what it cannot make up is crossed.

use super::super::samples;
use crate::CELL;

/// How far behind the player the reading comes to be, in seconds.
pub(super) const BEHIND: f64 = 0.3;

/// The fastest that it reads, times the played pace.
const FASTEST: f64 = 3.0;

/// Where it begins to hurry: from there on down x also takes the level away.
const THIRD: f32 = 1.0 / 3.0;

/// Below this it is softer than -20 dB, and what is left may be crossed.
const SOFT: f32 = 0.154;

/// A foot that goes back by less than this in a second stands. What it does is seen over so many seconds: longer than a
/// tremor takes, and than one step of a fine pedal to the next.
const MOVES: f64 = 0.06;
const SEEN: f64 = 0.15;

/// Seconds in which another pace is come to.
const GLIDE: f64 = 0.03;

/// How long a crossing takes, how long it may wait for a gap between two attacks, and how far behind the reading may stay
/// when the foot has come to stand, in seconds.
const CROSSING: f64 = 0.09;
const GAP: f64 = 0.3;
const NEAR: f64 = 0.05;

/// A cross-fade from what is read to what sounded a little while ago.
#[derive(Clone, Copy)]
pub(super) struct Crossing {
    /// The grid line at which it began.
    pub begun: u64,
    /// How alike both are, −1…1, and the products of both and of each with itself of which it is told.
    likeness: f32,
    sums: [f32; 3],
}

impl Crossing {
    pub fn at(begun: u64) -> Self {
        Self { begun, likeness: 0.0, sums: [0.0; 3] }
    }

    /// Goes from `cell` over to `plain` in a cell of one that takes `length` samples.
    pub fn mix(&mut self, from: u64, length: u64, plain: &[f32; CELL as usize], cell: &mut [f32; CELL as usize]) {
        // What has sounded over the last 10 ms or so tells.
        self.sums.iter_mut().for_each(|sum| *sum *= 0.93);
        let [product, ones, twos] = &mut self.sums;
        for (&one, &two) in cell.iter().zip(plain) {
            *product += one * two;
            *ones += one * one;
            *twos += two * two;
        }
        let before = self.likeness;
        let energy = (*ones * *twos).sqrt();
        self.likeness = if energy > 1e-9 { (*product / energy).clamp(-0.5, 1.0) } else { 0.0 };
        for (i, (out, &plain)) in cell.iter_mut().zip(plain).enumerate() {
            let new = ((from - self.begun) as f32 + i as f32) / length as f32;
            let old = 1.0 - new;
            let likeness = before + (self.likeness - before) * i as f32 / CELL as f32;
            // As in reverse: two gains that keep the power of a sum whose parts are that much alike.
            *out = (*out * old + plain * new) / (new * new + old * old + 2.0 * likeness * new * old).sqrt();
        }
    }
}

/// What a crossing waits for.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Waits {
    /// There is nothing to cross.
    No,
    /// For a gap between two attacks.
    ForGap,
    /// It has waited long enough.
    NoLonger,
}

/// What a foot does, cell by cell, and what the reading makes of it.
pub(super) struct CatchUp {
    rate: f64,
    x: f32,
    /// By how much x grows in a sample.
    speed: f64,
    /// It came back, and the reading is still too far behind.
    returning: bool,
    /// By how much it reads faster than x says.
    faster: f64,
    /// Samples for which a crossing has waited.
    waited: u64,
    /// The crossing that is under way.
    pub crossing: Option<Crossing>,
    /// Samples that one takes.
    pub length: u64,
    /// Samples of [`BEHIND`].
    pub behind: u64,
}

impl CatchUp {
    pub fn new(rate: u32) -> Self {
        Self {
            rate: f64::from(rate),
            x: 0.0,
            speed: 0.0,
            returning: false,
            faster: 0.0,
            waited: 0,
            crossing: None,
            length: (samples(CROSSING, rate) as u64).next_multiple_of(CELL),
            behind: samples(BEHIND, rate) as u64,
        }
    }

    /// Nothing has moved yet.
    pub fn begin(&mut self) {
        (self.x, self.speed, self.faster) = (0.0, 0.0, 0.0);
        (self.returning, self.waited, self.crossing) = (false, 0, None);
    }

    /// The pace in a cell where x asks for `pace`, the reading being `lag` samples behind.
    pub fn pace(&mut self, x: f32, pace: f64, lag: f64) -> f64 {
        let share = |seconds: f64| 1.0 - (-(CELL as f64) / (seconds * self.rate)).exp();
        let (seen, glide) = (share(SEEN), share(GLIDE));
        self.speed += (f64::from(x - self.x) / CELL as f64 - self.speed) * seen;
        self.x = x;
        let lost = lag - self.behind as f64;
        let (forth, back) = (self.speed > MOVES / self.rate, self.goes_back());
        self.returning = if back { lost > 0.0 } else { self.returning && !forth && lost > NEAR * self.rate };
        let hurries = back && self.returning && !self.is_due(lost);
        let wanted = if hurries { (1.0 + lost / self.left()).clamp(pace, FASTEST) } else { pace };
        self.faster += (wanted - pace - self.faster) * glide;
        // A foot that stands reads at exactly the pace that it asks for.
        if wanted == pace && self.faster.abs() < 1e-3 {
            self.faster = 0.0;
        }
        pace + self.faster
    }

    fn goes_back(&self) -> bool {
        self.x < THIRD && self.speed < -MOVES / self.rate
    }

    /// Samples until it is at rest, if it goes on so.
    fn left(&self) -> f64 {
        (f64::from(self.x) / -self.speed).max(1.0)
    }

    /// Whether so much is to be crossed.
    fn is_due(&self, lost: f64) -> bool {
        let too_much = !self.goes_back() || (FASTEST - 1.0) * self.left() < lost;
        self.returning && self.x < SOFT && lost > NEAR * self.rate && too_much
    }

    /// Whether a crossing is due in this cell, and what for it waits.
    pub fn waits(&mut self, lag: f64) -> Waits {
        if !self.is_due(lag - self.behind as f64) {
            self.waited = 0;
            return Waits::No;
        }
        self.waited += CELL;
        if self.waited as f64 > GAP * self.rate { Waits::NoLonger } else { Waits::ForGap }
    }
}

//! The foot that comes back: the reading hurries after the player, and what it cannot make up is crossed.

use super::super::samples;
use crate::CELL;
use crate::cross_fade;

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
        self.likeness = if energy > 1e-9 { *product / energy } else { 0.0 };
        for (i, (out, &plain)) in cell.iter_mut().zip(plain).enumerate() {
            let new = ((from - self.begun) as f32 + i as f32) / length as f32;
            let likeness = before + (self.likeness - before) * i as f32 / CELL as f32;
            *out = (*out * (1.0 - new) + plain * new) / cross_fade::loudness(new, likeness);
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

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: f64 = 48_000.0;

    /// What a foot comes to: at each cell its x, the lag in seconds, how much faster than asked is read, and what a
    /// crossing waits for. There is never a gap.
    fn follow(lag: f64, seconds: f64, foot: impl Fn(f64) -> f64) -> Vec<(f32, f64, f64, Waits)> {
        let mut catch_up = CatchUp::new(RATE as u32);
        let mut lag = lag * RATE;
        let cell = |n: u64| {
            let x = foot(n as f64 * CELL as f64 / RATE) as f32;
            let asked = 8f64.powf(-f64::from(x));
            let pace = catch_up.pace(x, asked, lag);
            let waits = catch_up.waits(lag);
            lag += (1.0 - pace) * CELL as f64;
            (x, lag / RATE, pace - asked, waits)
        };
        (0..(seconds * RATE) as u64 / CELL).map(cell).collect()
    }

    #[test]
    fn a_crossing_takes_60_to_120_ms_and_waits_no_longer_than_0_3_s() {
        for rate in [8_000, 44_100, 48_000, 192_000] {
            let seconds = CatchUp::new(rate).length as f64 / f64::from(rate);
            assert!((0.06..=0.12).contains(&seconds), "{seconds} s at {rate}");
        }
        let cells = follow(6.0, 2.0, |t| (0.5 - t).max(0.03));
        let first = cells.iter().position(|(.., waits)| *waits != Waits::No).expect("so much is to be crossed");
        let last = cells.iter().position(|(.., waits)| *waits == Waits::NoLonger).expect("it does not wait for ever");
        let waited = (last - first) as f64 * CELL as f64 / RATE;
        assert!((0.29..=0.31).contains(&waited), "{waited} s");
        assert!(cells[first].0 < SOFT);
    }

    #[test]
    fn what_it_can_make_up_is_not_crossed() {
        for (lag, back) in [(0.8, 1.5), (1.5, 2.5), (2.0, 3.0)] {
            let cells = follow(lag, back + 0.5, |t| (0.33 * (1.0 - t / back)).max(0.0));
            assert!(cells.iter().all(|(.., waits)| *waits == Waits::No), "{lag} s behind, {back} s back");
            let end = cells.last().unwrap().1;
            assert!(end < 0.36, "{lag} s behind, {back} s back: {end} s");
        }
    }

    #[test]
    fn above_a_third_it_reads_as_it_is_asked() {
        let cells = follow(3.0, 3.0, |t| 1.0 - t / 3.0);
        let hurries = cells.iter().position(|(_, _, faster, _)| *faster > 0.01).expect("it hurries");
        assert!((0.30..=0.334).contains(&cells[hurries].0), "from {} on", cells[hurries].0);
    }

    #[test]
    fn a_foot_that_goes_down_again_crosses_nothing() {
        // Almost back, while much is left; then slowly down again, where what is left would be crossed.
        let cells = follow(6.0, 2.1, |t| if t < 0.95 { 1.0 - t } else { 0.05 + 0.08 * (t - 0.95) });
        assert!(cells.iter().any(|(.., waits)| *waits != Waits::No));
        let down = &cells[(1.7 * RATE) as usize / CELL as usize..];
        assert!(down.iter().all(|(x, _, _, waits)| *x < SOFT && *waits == Waits::No));
    }
}

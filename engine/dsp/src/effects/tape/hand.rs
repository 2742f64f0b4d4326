//! The hand on a fader: whether it moves, and how.

use super::smooth;

/// A fader that has not moved for so many seconds stands; a movement no longer than this may be one of its steps, which
/// the engine smooths over 20 ms; and while it stands the moment is let down over this.
const STANDS: f64 = 0.005;
const SINGLE: f64 = 0.025;
const DOWN: f64 = 1.5;

/// The next step of a fader may come so much later than the ones before before the moment begins to be let down.
const LATE: f64 = 1.5;

/// How x moves: a fader comes in steps, each a short movement, between which it stands.
#[derive(Clone, Copy)]
pub(super) struct Hand {
    /// Our samples after which one that does not move stands; up to which a movement may be a single step; after which
    /// the sound of one that stands has been let down.
    stands: u32,
    single: u32,
    down: u32,
    /// Where x was, and where the present movement began.
    pub target: f64,
    pub start: f64,
    /// Our samples since it last moved, and since the present movement began.
    stood: u32,
    pub since: u32,
    /// Our samples from a step to the next; 0: it moves evenly.
    pub interval: f64,
    /// Whether the movement before it began less than `down` ago.
    pub goes_on: bool,
    /// Whether x has gone faster than the head can, in what may be a step, or just now.
    pub leaps: bool,
    /// Whether it is still open what the head does when this movement is over.
    pub undecided: bool,
}

/// What a hand does at a sample.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum HandMove {
    /// It may be a step, or the beginning of more.
    Begins,
    /// It moves evenly.
    Even,
    Stands,
}

impl Hand {
    pub fn new(rate: f64) -> Self {
        let samples = |seconds: f64| (seconds * rate).round() as u32;
        let down = samples(DOWN);
        Self {
            stands: samples(STANDS),
            single: samples(SINGLE),
            down,
            target: 0.0,
            start: 0.0,
            stood: down,
            since: down,
            interval: 0.0,
            goes_on: false,
            leaps: false,
            undecided: false,
        }
    }

    /// Moves to `target`; the head goes no further than `fastest` in a sample.
    pub fn follow(&mut self, target: f64, fastest: f64) -> HandMove {
        let leaps = (target - self.target).abs() > fastest;
        self.since = self.since.saturating_add(1);
        if target == self.target {
            self.stood = self.stood.saturating_add(1);
        } else {
            if self.stood >= self.stands {
                self.goes_on = self.since < self.down;
                if self.goes_on && self.interval > 0.0 {
                    self.interval = 0.5 * (self.interval + f64::from(self.since));
                } else {
                    self.interval = f64::from(self.since);
                }
                (self.start, self.since, self.undecided) = (self.target, 0, true);
            }
            (self.target, self.stood) = (target, 0);
        }
        let even = self.since - self.since.min(self.stood) > self.single;
        if even {
            self.interval = 0.0;
        }
        // Of an even movement each sample counts by itself.
        self.leaps = leaps || (self.leaps && self.since > 0 && !even);
        match even {
            _ if self.stood >= self.stands => HandMove::Stands,
            true => HandMove::Even,
            false => HandMove::Begins,
        }
    }

    /// How loud the moment under it still is.
    pub fn loudness(&self) -> f64 {
        let (stood, down) = (f64::from(self.stood), f64::from(self.down));
        let expected = (LATE * self.interval).min(0.7 * down);
        smooth((down - stood) / (down - expected))
    }
}

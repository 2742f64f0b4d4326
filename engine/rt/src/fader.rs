//! The level of an output, of all together, or of the effects of one name: a live one rises slowly enough for a hand to
//! take it back.

use tenterhook_dsp::CELL;
use tenterhook_dsp::ramp::Ramp;
use tenterhook_plan::{LEAST_LEVEL_DB, LEAST_TRIM_DB, MOST_LEVEL_DB, MOST_TRIM_DB, MOST_WRITTEN_LEVEL_DB, Who, gain};

use crate::timings::Timings;

/// How fast a live level rises, in dB a second: up to 0 dB, and above. Our own choice: from nothing to 0 dB in 2 s, and
/// a second from there to what is twice as loud in sound pressure.
const RISE_DB: f64 = 60.0;
const RISE_ABOVE_DB: f64 = 6.0;

/// A level in dB, which glides from one value to the next.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Fader {
    ramp: Ramp,
    /// The level that was taken last.
    db: f32,
    /// A live level above it, to which it rises in steps, and whose it is.
    wish: Option<(f32, Who)>,
    /// The sample from which on the next step may be taken.
    ready: u64,
    range: Range,
}

/// What a level may be, in dB.
#[derive(Clone, Copy, Debug)]
struct Range {
    least: f32,
    most: f32,
    /// Where it is written down.
    most_written: f32,
}

impl Range {
    const OUTPUT: Self = Self { least: LEAST_LEVEL_DB, most: MOST_LEVEL_DB, most_written: MOST_WRITTEN_LEVEL_DB };
    const TRIM: Self = Self { least: LEAST_TRIM_DB, most: MOST_TRIM_DB, most_written: MOST_TRIM_DB };
}

impl Fader {
    /// An output's, or that of all, at 0 dB.
    pub const NEW: Self = Self { ramp: Ramp::at(1.0), db: 0.0, wish: None, ready: 0, range: Range::OUTPUT };

    /// That of the effects of one name, at what the hall says.
    pub fn trim(db: f32) -> Self {
        Self { ramp: Ramp::at(gain(db.into())), db, range: Range::TRIM, ..Self::NEW }
    }

    /// The level in dB.
    pub fn db(&self) -> f32 {
        self.db
    }

    /// A gesture's level, live or written down. Returns what is taken at once.
    pub fn gesture(&mut self, db: f32, who: Who, timings: Timings) -> Option<f32> {
        if who.is_live() { self.wish(db, who, timings) } else { self.take(db, timings) }
    }

    /// A level that is written down: it is taken as it stands. Returns what is taken; `None`: it is no number.
    pub fn take(&mut self, db: f32, timings: Timings) -> Option<f32> {
        (!db.is_nan()).then(|| self.set(db.clamp(self.range.least, self.range.most_written), timings))
    }

    /// A live level: downwards it is taken at once, and returned; upwards it is wished for. It takes the place of what
    /// was wished before.
    pub fn wish(&mut self, db: f32, who: Who, timings: Timings) -> Option<f32> {
        if db.is_nan() {
            return None;
        }
        let db = db.clamp(self.range.least, self.range.most);
        if db <= self.db {
            return Some(self.set(db, timings));
        }
        self.wish = Some((db, who));
        None
    }

    /// At a grid line: the next step upwards, if one is due.
    pub fn step(&mut self, sample: u64, timings: Timings) -> Option<(f32, Who)> {
        let (wish, who) = self.wish?;
        if sample < self.ready {
            return None;
        }
        let samples = timings.level_cells * CELL;
        let step = |rise: f64| (rise * samples as f64 / f64::from(timings.rate)) as f32;
        let db = match self.db {
            below if below < 0.0 => (below + step(RISE_DB)).min(0.0),
            above => above + step(RISE_ABOVE_DB),
        };
        self.ready = sample + samples;
        let db = self.set(db.min(wish), timings);
        if db < wish {
            self.wish = Some((wish, who));
        }
        Some((db, who))
    }

    fn set(&mut self, db: f32, timings: Timings) -> f32 {
        (self.db, self.wish) = (db, None);
        self.ramp.go(gain(db.into()), timings.glide);
        db
    }

    /// The next sample's gain.
    pub fn advance(&mut self) -> f32 {
        self.ramp.advance()
    }

    /// Whether it stands still.
    pub fn is_still(&self) -> bool {
        self.ramp.left() == 0
    }

    /// The next samples' gains.
    pub fn fill(&mut self, out: &mut [f32]) {
        self.ramp.fill(out);
    }
}

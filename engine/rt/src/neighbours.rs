//! Who hears whom: how strongly each mic hears the players of the others, learned from moments when one plays alone.
//!
//! A mic's sound is its own player's when it is 6 dB or more above all that the neighbours explain. They explain what
//! their mics heard lately, times how strongly this mic hears them. What two mics hear that follows one course is one
//! player's: of the two ratios of their levels at which that comes, the lower one is the far player, the higher one the
//! near. All numbers without a source are common practice.

use tenterhook_dsp::CELL;
use tenterhook_plan::{Address, Plan, gain};

use crate::compiled_plan::Making;
use crate::in_room::{InRoom, RoomPace};
use crate::strip::SourceStrip;

/// How much softer a mic hears a neighbour than that neighbour's own mic does, in dB after trim, until it is learnt.
const UNLEARNT: f32 = -12.0;

/// Frames over which it is looked whether two mics follow one course, and the part of the way that a frame's power goes in
/// smoothing: some 40 ms, longer than the way from mic to mic.
const WINDOW: u32 = 60;
const SMOOTH: f32 = 0.25;

/// Two mics follow one course when their powers correlate by so much, and both vary by so much of their mean.
const ALIKE: f32 = 0.93;
const VARIES: f32 = 0.3;

/// A mic sounds when it is so many times over its noise, and is loud: 6 and 20 dB.
const SOUNDS: f32 = 4.0;
const LOUD: f32 = 100.0;

/// Of two players each is heard by so many dB louder in the own mic than in the other's, and ratios so near are the same.
const NEAR: f32 = 6.0;
const APART: f32 = 12.0;

/// The first ratio is told by so many dB.
const SURE: f32 = 4.0;

/// A ratio of two mics' levels while one of the players sounds alone.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Ratio {
    db: f32,
    /// The other mic heard nothing: it is this or more extreme.
    bound: bool,
}

impl Ratio {
    /// The same with another number.
    fn map(self, db: impl Fn(f32) -> f32) -> Self {
        Self { db: db(self.db), ..self }
    }
}

/// Which of two players sounds alone: the far one, of whom the first mic hears less than the second, or the near one.
#[derive(Clone, Copy)]
enum Alone {
    Far,
    Near,
}

/// What is known of two mics, the first over the second.
#[derive(Clone, Copy, Debug, Default)]
struct Pair {
    of: (usize, usize),
    /// By how many dB the first is trimmed more than the second.
    trims: f32,
    frames: u32,
    /// Sums of both powers, of their squares, and of their product.
    sums: [f32; 5],
    /// While the second player sounds alone, and while the first does.
    low: Option<Ratio>,
    high: Option<Ratio>,
    /// How strongly the first mic hears the second player, and the second mic the first, as a power over that player's
    /// own mic.
    heard: [Option<f32>; 2],
}

/// A ratio in dB as one of powers.
fn power(db: f32) -> f32 {
    gain(f64::from(db)).powi(2)
}

impl Pair {
    /// Takes in a frame of both.
    fn take_in(&mut self, one: MicLevel, two: MicLevel) {
        let (x, y) = (one.smooth, two.smooth);
        for (sum, part) in self.sums.iter_mut().zip([x, y, x * x, y * y, x * y]) {
            *sum += part;
        }
        self.frames += 1;
        if self.frames == WINDOW {
            let before = (self.low, self.high);
            self.weigh(one.noise, two.noise);
            if before != (self.low, self.high) {
                self.tell();
            }
            (self.frames, self.sums) = (0, [0.0; 5]);
        }
    }

    fn tell(&mut self) {
        self.heard = [self.low.map(|low| power(low.db)), self.high.map(|high| power(-high.db))];
    }

    /// What the window tells.
    fn weigh(&mut self, noise_one: f32, noise_two: f32) {
        let [x, y, xx, yy, xy] = self.sums.map(|sum| sum / WINDOW as f32);
        if x <= 0.0 || y <= 0.0 {
            return;
        }
        let ratio = 10.0 * (x / y).log10();
        let [one, two] =
            [(x, noise_one), (y, noise_two)].map(|(power, noise)| (power > SOUNDS * noise, power > LOUD * noise));
        match (one, two) {
            // Only one of them hears anything.
            ((false, _), (_, true)) if self.low.is_none_or(|low| ratio < low.db) => {
                self.low = Some(Ratio { db: ratio, bound: true });
            }
            ((_, true), (false, _)) if self.high.is_none_or(|high| ratio > high.db) => {
                self.high = Some(Ratio { db: ratio, bound: true });
            }
            ((true, loud), (true, loud_too)) if loud || loud_too => {
                let (vary_x, vary_y, both) = (xx - x * x, yy - y * y, xy - x * y);
                let varies = vary_x > (VARIES * x).powi(2) && vary_y > (VARIES * y).powi(2);
                if varies && both > ALIKE * (vary_x * vary_y).sqrt() {
                    self.learn(ratio);
                }
            }
            _ => {}
        }
    }

    /// One player sounded alone, at this ratio. A room lets some notes through better than others, and those that the other
    /// mic heard most of count most.
    fn learn(&mut self, ratio: f32) {
        let (known, more) = match self.alone(ratio) {
            Some(Alone::Far) => (&mut self.low, 1.0),
            Some(Alone::Near) => (&mut self.high, -1.0),
            None => return,
        };
        let db = match *known {
            Some(Ratio { db, bound: false }) => db + if more * (ratio - db) > 0.0 { 0.5 } else { 0.1 } * (ratio - db),
            _ => ratio,
        };
        *known = Some(Ratio { db, bound: false });
    }

    /// Which of the two it is; `None`: none of them, or not to be told.
    fn alone(&self, ratio: f32) -> Option<Alone> {
        let learned = |one: Option<Ratio>| one.filter(|one| !one.bound);
        let near = |one: Option<Ratio>| learned(one).is_some_and(|one| (ratio - one.db).abs() <= NEAR);
        let below = |one: Option<Ratio>, by: f32| one.is_some_and(|one| ratio <= one.db - by);
        let above = |one: Option<Ratio>, by: f32| one.is_some_and(|one| ratio >= one.db + by);
        let (low, high) = (self.low, self.high);
        // Trims may be there to make players alike, or may not.
        let first = ratio - 0.5 * self.trims;
        match (learned(low), learned(high)) {
            _ if near(low) || below(low, 0.0) => Some(Alone::Far),
            _ if near(high) || above(high, 0.0) => Some(Alone::Near),
            // Whoever it is, the own mic hears them louder.
            (Some(_), Some(_)) => None,
            (low, None) if above(low, APART) => Some(Alone::Near),
            (None, high) if below(high, APART) => Some(Alone::Far),
            _ if first <= -SURE => Some(Alone::Far),
            _ if first >= SURE => Some(Alone::Near),
            _ => None,
        }
    }
}

/// How loud a mic is.
#[derive(Clone, Copy, Debug, Default)]
struct MicLevel {
    smooth: f32,
    noise: f32,
    /// What of it is in the room.
    room: InRoom,
    held: f32,
}

/// Those who play, and how strongly each mic hears them.
pub(crate) struct Neighbours {
    /// Samples of a frame; 0: nobody asks.
    frame: u64,
    levels: Vec<MicLevel>,
    pace: RoomPace,
    /// Of each mic with each later one.
    pairs: Vec<Pair>,
    /// The mics of each source that is a mic or a group, and those that are its neighbours.
    sources: Vec<(Vec<usize>, Vec<usize>)>,
}

/// The place of a pair among all of `mics`.
fn place(mics: usize, one: usize, two: usize) -> usize {
    one * (2 * mics - one - 1) / 2 + two - one - 1
}

#[expect(clippy::indexing_slicing, reason = "each list is as long as there are mics, pairs or sources of the plan")]
impl Neighbours {
    /// Those of a plan: of nobody, where nothing asks whose a sound is.
    pub fn new(plan: &Plan, making: Making, rate: u32) -> Self {
        let mics = plan.mics.len();
        let asked = plan.controllers.iter().any(|one| matches!(one.address, Address::Loudness { .. }))
            || plan.instances.iter().any(|one| making.effect(one.effect).heeds_its_player);
        let groups: Vec<Vec<usize>> =
            plan.groups.iter().map(|group| group.mics.iter().map(|id| id.index()).collect()).collect();
        let together = |one: usize, two: usize| {
            one == two || groups.iter().any(|group| group.contains(&one) && group.contains(&two))
        };
        let beside = |own: Vec<usize>| {
            let others = (0..mics).filter(|&other| own.iter().all(|&mic| !together(mic, other))).collect();
            (own, others)
        };
        let trims: Vec<f32> = plan.mics.iter().map(|mic| 20.0 * mic.trim.gain().log10()).collect();
        let pair = |one: usize, two: usize| Pair { of: (one, two), trims: trims[one] - trims[two], ..Pair::default() };
        let sources: Vec<_> = (0..mics).map(|mic| vec![mic]).chain(groups.iter().cloned()).map(beside).collect();
        let frame = tenterhook_dsp::memory::level_frame(rate);
        Self {
            pace: RoomPace::new(frame, rate),
            frame: if asked && mics > 1 { frame } else { 0 },
            levels: vec![MicLevel::default(); mics],
            pairs: (0..mics)
                .flat_map(|one| (one + 1..mics).map(move |two| (one, two)))
                .map(|(one, two)| pair(one, two))
                .collect(),
            sources,
        }
    }

    /// How many bytes those of so many mics and sources take.
    pub fn bytes(plan: &Plan) -> usize {
        let (mics, sources) = (plan.mics.len(), plan.mics.len() + plan.groups.len());
        mics * size_of::<MicLevel>()
            + mics * mics.saturating_sub(1) / 2 * size_of::<Pair>()
            + sources * (size_of::<(Vec<usize>, Vec<usize>)>() + mics * size_of::<usize>())
    }

    /// Takes over what was learned of two mics that both carry on: those of the piece before, and these.
    pub fn carry(&mut self, old: &Self, mics: &[(usize, usize)]) {
        for &(i, j) in mics {
            self.levels[j] = old.levels[i];
            for &(k, l) in mics.iter().filter(|&&(k, _)| k != i) {
                if j > l {
                    continue;
                }
                let Pair { low, high, heard: [one, two], trims, .. } =
                    old.pairs[place(old.levels.len(), i.min(k), i.max(k))];
                let turned = |ratio: Option<Ratio>| ratio.map(|ratio| ratio.map(|db| -db));
                let (low, high, heard, trims) = match i < k {
                    true => (low, high, [one, two], trims),
                    false => (turned(high), turned(low), [two, one], -trims),
                };
                let of = place(self.levels.len(), j, l);
                let mut pair = Pair { low, high, heard, ..self.pairs[of] };
                // What was learned is of the mics as they are.
                let by = pair.trims - trims;
                if by != 0.0 {
                    let moved = |ratio: Option<Ratio>| ratio.map(|ratio| ratio.map(|db| db + by));
                    (pair.low, pair.high) = (moved(low), moved(high));
                    pair.tell();
                }
                self.pairs[of] = pair;
            }
        }
    }

    /// What the neighbours explain of a mic's power in the cell that has just ended.
    pub fn explained_now(&self, mic: usize, sources: &[SourceStrip]) -> f32 {
        if self.frame == 0 { 0.0 } else { self.explain(mic, |other| sources[other].memory.cell_power()) }
    }

    /// At a grid line: when a frame has ended, what the neighbours explain of it; and at each line a part of what is to
    /// be learned from it.
    pub fn at_line(&mut self, line: u64, sources: &mut [SourceStrip]) {
        if self.frame == 0 {
            return;
        }
        let (cell, cells) = (line % self.frame / CELL, self.frame / CELL);
        if cell == 0 {
            for (level, source) in self.levels.iter_mut().zip(&*sources) {
                let Some((power, noise)) = source.memory.level(line) else { continue };
                level.smooth += (power - level.smooth) * SMOOTH;
                level.noise = noise;
                level.held = level.room.step(power, self.pace);
            }
            for (place, source) in sources.iter_mut().enumerate().take(self.sources.len()) {
                source.memory.explain(line, self.explain(place, |other| self.levels[other].held));
            }
        }
        for pair in self.pairs.iter_mut().skip(cell as usize).step_by(cells as usize) {
            let (one, two) = pair.of;
            pair.take_in(self.levels[one], self.levels[two]);
        }
    }

    /// What is learned adds up; of those of whom nothing is learned the loudest counts.
    fn explain(&self, source: usize, level: impl Fn(usize) -> f32) -> f32 {
        let (own, others) = &self.sources[source];
        let unlearnt = power(UNLEARNT);
        let (mut learned, mut loudest) = (0.0, 0.0f32);
        for &other in others {
            let held = level(other);
            for &mic in own {
                match self.heard(mic, other) {
                    Some(part) => learned += held * part,
                    None => loudest = loudest.max(held * unlearnt),
                }
            }
        }
        learned + loudest
    }

    /// How strongly a mic hears the player of another, if that is learned.
    fn heard(&self, mic: usize, other: usize) -> Option<f32> {
        let [one, two] = self.pairs[place(self.levels.len(), mic.min(other), mic.max(other))].heard;
        if mic < other { one } else { two }
    }
}

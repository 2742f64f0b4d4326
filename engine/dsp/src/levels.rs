//! How loud a source was, frame by frame of 10 ms on an absolute clock, and what of it was sound.

use crate::CELL;
use crate::bytes::many;
use crate::prefault::prefaulted;

/// Seconds of a frame, to the nearest grid line.
const FRAME: f64 = 0.01;

/// The powers (mean squares) below which the noise of a source is never thought to lie, and above which neither: -75 and
/// -45 dB re full scale.
const LEAST_NOISE: f32 = 3.162e-8;
const MOST_NOISE: f32 = 3.162e-5;

/// What counts as sound is so many times the noise's power: 12 dB.
const SOUND: f32 = 15.85;

/// A noise that comes to be louder is learned by 0.25 dB a second.
const LEARNS: f64 = 0.25;

/// Up to this power, -52 dB, it is learned at once that nothing was softer for so many seconds, or twice as many: a room is
/// there from the first note on, and again when a mic is let in. A player may hold a note so long, but hardly so softly.
const ROOM: f32 = 6.31e-6;
const ROOM_SECONDS: f64 = 2.0;
/// The first time it is sooner.
const FIRST_ROOM_SECONDS: f64 = 0.5;

/// How much louder than what neighbours explain a sound must be to be the player's own, as a power: 6 dB.
pub(crate) const OWN: f32 = 3.98;

/// What is softer than the loudest frame of the second before it by so much, as a power, is a sound's tail: 26 dB.
const TAIL: f32 = 0.002_512;
const TAIL_SECONDS: f64 = 1.0;

/// One frame.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct LevelFrame {
    /// The mean square.
    pub power: f32,
    /// The power of the source's noise as it was known then.
    pub noise: f32,
    /// The power that neighbours explain.
    explained: f32,
}

impl LevelFrame {
    fn is_sound(&self) -> bool {
        self.power > SOUND * self.noise
    }

    fn is_own(&self) -> bool {
        self.power >= OWN * self.explained
    }
}

/// The levels of one source, as far back as its memory reaches.
pub(crate) struct Levels {
    /// Samples of a frame: whole cells.
    length: u64,
    frames: Box<[LevelFrame]>,
    /// The sum of squares of the frame in work, what it was at the last grid line, and the power of the cell before that.
    sum: f64,
    before: f64,
    cell: f32,
    /// The power, smoothed over some frames, of which the noise is the least.
    smoothed: f32,
    noise: f32,
    /// The least smoothed power of the time before, and of this time, which ends after so many frames.
    least: [f32; 2],
    left: u64,
    /// Frames of such a time.
    room: u64,
    /// By how much the noise's power may grow from a frame to the next.
    rise: f32,
    /// How many frames may lie between a sound's loudest and its tail.
    tail: u64,
}

impl Levels {
    /// Samples of a frame.
    pub fn length(rate: u32) -> u64 {
        ((f64::from(rate) * FRAME / CELL as f64).round() as u64).max(1) * CELL
    }

    fn count(rate: u32, samples: usize) -> usize {
        samples / Self::length(rate) as usize + 2
    }

    /// Those of the last `samples` samples at `rate` samples a second.
    pub fn new(rate: u32, samples: usize) -> Self {
        let length = Self::length(rate);
        let frames = |seconds: f64| ((seconds * f64::from(rate)) as u64 / length).max(1);
        Self {
            length,
            frames: prefaulted(LevelFrame::default(), Self::count(rate, samples)),
            sum: 0.0,
            before: 0.0,
            cell: 0.0,
            smoothed: 0.0,
            noise: LEAST_NOISE,
            least: [LEAST_NOISE, f32::MAX],
            left: frames(FIRST_ROOM_SECONDS),
            room: frames(ROOM_SECONDS),
            tail: frames(TAIL_SECONDS),
            rise: 10f64.powf(0.1 * LEARNS * length as f64 / f64::from(rate)) as f32,
        }
    }

    /// Bytes that one takes beside itself.
    pub fn bytes(rate: u32, samples: usize) -> usize {
        many::<LevelFrame>(Self::count(rate, samples))
    }

    /// Takes in the sound from sample `from` on, which no grid line cuts.
    pub fn take_in(&mut self, from: u64, piece: &[f32]) {
        // One after the other: the sum is the same however the sound is cut.
        self.sum = piece.iter().fold(self.sum, |sum, &x| sum + f64::from(x) * f64::from(x));
        let end = from + piece.len() as u64;
        if end.is_multiple_of(CELL) {
            self.cell = ((self.sum - self.before) / CELL as f64) as f32;
            self.before = self.sum;
        }
        if !end.is_multiple_of(self.length) {
            return;
        }
        let power = (self.sum / self.length as f64) as f32;
        (self.sum, self.before) = (0.0, 0.0);
        self.smoothed += (power - self.smoothed) * 0.25;
        let [before, least] = self.least;
        self.least = [before, least.min(self.smoothed)];
        self.left = self.left.saturating_sub(1);
        if self.left == 0 {
            (self.least, self.left) = ([self.least[1], f32::MAX], self.room);
        }
        let room = self.least[0].min(self.least[1]).min(ROOM);
        self.noise = (self.noise * self.rise).max(room).min(self.smoothed).clamp(LEAST_NOISE, MOST_NOISE);
        let place = (end / self.length - 1) as usize % self.frames.len();
        if let Some(frame) = self.frames.get_mut(place) {
            *frame = LevelFrame { power, noise: self.noise, explained: 0.0 };
        }
    }

    /// The power of the last whole cell.
    pub fn cell(&self) -> f32 {
        self.cell
    }

    /// The frame that ends at a sample, if one does that was taken in.
    pub fn frame(&self, end: u64) -> Option<&LevelFrame> {
        let number = (end / self.length).checked_sub(1).filter(|_| end.is_multiple_of(self.length))?;
        self.frames.get(number as usize % self.frames.len())
    }

    /// So much of the power of the frame that ends there is explained by neighbours.
    pub fn explain(&mut self, end: u64, power: f32) {
        let place = (end / self.length).wrapping_sub(1) as usize % self.frames.len();
        if let Some(frame) = self.frames.get_mut(place) {
            frame.explained = power;
        }
    }

    /// What is known of them at the sample `end`, of what has been heard from `first` on.
    pub fn until(&self, first: u64, end: u64) -> KnownLevels<'_> {
        let frames = end / self.length;
        let kept = frames.saturating_sub(self.frames.len() as u64 - 1);
        KnownLevels { levels: self, first: first.div_ceil(self.length).max(kept).min(frames), after: frames }
    }
}

/// The levels of a source as they are known at a sample: of whole frames that have ended.
#[derive(Clone, Copy)]
pub(crate) struct KnownLevels<'a> {
    levels: &'a Levels,
    /// The numbers of the first frame and of the one after the last.
    first: u64,
    after: u64,
}

impl KnownLevels<'_> {
    fn get(&self, number: u64) -> LevelFrame {
        let place = number as usize % self.levels.frames.len();
        self.levels.frames.get(place).copied().unwrap_or_default()
    }

    /// Whether the frame that ends at a sample is the player's own sound, or nothing that neighbours explain.
    pub fn is_own(&self, end: u64) -> bool {
        let number = (end / self.levels.length).wrapping_sub(1);
        !(self.first..self.after).contains(&number) || self.get(number).is_own()
    }

    /// Whether anything sounds in these samples, as far as they are known.
    pub fn sounds(&self, from: u64, to: u64) -> bool {
        let numbers = from / self.levels.length..to.div_ceil(self.levels.length);
        (numbers.start.max(self.first)..numbers.end.min(self.after)).any(|number| self.get(number).is_sound())
    }

    /// The sample after the last sound that ended no more than `within` samples ago, its tail left out; `end`, where these
    /// are known, if it sounds there.
    pub fn end_of_sound(&self, end: u64, within: u64) -> Option<u64> {
        let earliest = (end.saturating_sub(within) / self.levels.length).max(self.first);
        let last = (earliest..self.after).rev().find(|&number| self.get(number).is_sound())?;
        let before = last.saturating_sub(self.levels.tail).max(self.first)..=last;
        let loudest = before.clone().map(|number| self.get(number).power).fold(0.0, f32::max);
        let last = before.rev().find(|&number| self.get(number).power >= TAIL * loudest)?;
        Some(if last + 1 == self.after { end } else { (last + 1) * self.levels.length })
    }
}

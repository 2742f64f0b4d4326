//! What pitch a source has at this moment, known soon: the lags at which its last milliseconds are most like themselves.
//!
//! The likeness of a lag is 1 less the squared difference over the sum of both energies, of sound thinned to about 12 kHz
//! (McLeod and Wyvill, "A smarter way to find pitch", Proc. ICMC 2005). It is taken over a short and a long stretch of the
//! past: the short one knows a new note sooner, the long one knows lower notes. A note's period is refined at the largest
//! multiple in reach, so its error is a small part of a sample.

use crate::CELL;
use crate::bytes::many;
use crate::memory::Heard;
use crate::prefault::prefaulted;
use crate::windows::scaled;
use std::f64::consts::{PI, TAU};

/// The longest lag, in seconds.
pub(super) const LONGEST: f64 = 1.0 / 60.0;
/// The shortest period that is looked for, in seconds.
const SHORTEST: f64 = 1.0 / 1500.0;
/// The short stretch as a part of the long one, which is as long as the longest lag.
const SHORT: f64 = 0.45;
/// The first lag that is almost as good as the best is the period.
const AS_GOOD: f32 = 0.93;
/// How much worse the long stretch may be before the short one is believed.
const SOONER: f32 = 0.04;
/// Jumps are at least so long, in seconds.
const JUMP: f64 = 0.005;
/// What a jump to the same sound costs beside one to a stranger: so few long jumps are better than many short ones.
const COST: f32 = 0.02;
/// Grid lines of the past that are thinned at one line while it catches up.
const CATCH_UP: u64 = 12;
/// Below this power there is nothing to find.
const SILENT: f32 = 1e-10;

/// What is known of the sound.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct FoundPitch {
    /// The period in samples; 0 if there is none.
    pub period: f64,
    /// How periodic it is, 0…1.
    pub clear: f32,
    /// The share of the power that the first harmonic has, 0…1.
    pub first: f32,
    /// How alike the sound is at both ends of the best jump there is, −1…1.
    pub alike: f32,
    /// Whether there is no sound at all.
    pub silent: bool,
}

/// See the module.
pub(super) struct PitchFinder {
    /// Every how many samples one is kept, and the filter before that.
    apart: usize,
    filter: Box<[f32]>,
    piece: Box<[f32]>,
    /// The kept samples, the newest last: so many as the longest lag and the long stretch.
    kept: Box<[f32]>,
    /// The sound as it was when the present round began.
    frame: Box<[f32]>,
    /// Energies of the frame up to each place.
    energy: Box<[f64]>,
    short: usize,
    long: usize,
    /// The likeness over both stretches at each lag.
    likeness: [Box<[f32]>; 2],
    /// The likeness that is known, as long as a round goes on.
    known: Box<[f32]>,
    shortest: usize,
    jump: usize,
    /// The sample up to which all is thinned.
    thinned: u64,
    step: usize,
    steps: usize,
    pub found: FoundPitch,
}

impl PitchFinder {
    /// For `rate` samples a second; allocates all that it needs.
    pub fn new(rate: u32) -> Self {
        let apart = (scaled(2048, rate) / 512).clamp(1, CELL as usize);
        let kept_rate = f64::from(rate) / apart as f64;
        let long = ((kept_rate * LONGEST) as usize).max(16);
        let short = (long as f64 * SHORT) as usize;
        let taps = 8 * apart;
        let middle = (taps - 1) as f64 / 2.0;
        let tap = |i: usize| {
            let t = (i as f64 - middle) / apart as f64;
            let sinc = if t.abs() < 1e-9 { 1.0 } else { (PI * 0.8 * t).sin() / (PI * 0.8 * t) };
            sinc * (0.5 + 0.5 * (PI * (i as f64 - middle) / (middle + 1.0)).cos())
        };
        let sum: f64 = (0..taps).map(tap).sum();
        let lag = |seconds: f64| (kept_rate * seconds) as usize;
        let silence = |length: usize| prefaulted(0.0f32, length);
        Self {
            apart,
            filter: (0..taps).map(|i| (tap(i) / sum) as f32).collect(),
            piece: silence(taps + CELL as usize),
            kept: silence(2 * long + 1),
            frame: silence(2 * long + 1),
            energy: prefaulted(0.0, 2 * long + 2),
            short,
            long,
            likeness: [silence(short + 2), silence(long + 2)],
            known: silence(long + 2),
            shortest: lag(SHORTEST).max(2),
            jump: lag(JUMP).max(2),
            thinned: 0,
            step: 0,
            // A round takes as many lines as samples are apart, 2.7 ms at 48 kHz.
            steps: apart,
            found: FoundPitch::default(),
        }
    }

    /// Bytes that one takes beside itself.
    pub fn bytes(rate: u32) -> usize {
        let apart = (scaled(2048, rate) / 512).clamp(1, CELL as usize);
        let long = ((f64::from(rate) / apart as f64 * LONGEST) as usize).max(16);
        let short = (long as f64 * SHORT) as usize;
        many::<f32>(16 * apart + CELL as usize + 4 * long + 2 + short + 2 + 2 * (long + 2)) + many::<f64>(2 * long + 2)
    }

    /// How far back of its beginning it reads, in seconds.
    pub const PAST: f64 = 2.0 * LONGEST + 0.01;

    /// Begins afresh at a sample: the past is taken in at the next lines.
    pub fn begin(&mut self, at: u64) {
        let past = (self.kept.len() * self.apart) as u64;
        self.kept.fill(0.0);
        self.thinned = (at.saturating_sub(past) / CELL) * CELL;
        self.known.fill(0.0);
        (self.step, self.found) = (0, FoundPitch::default());
    }

    /// What is due at a grid line.
    pub fn advance(&mut self, line: u64, heard: &Heard<'_>) {
        for _ in 0..CATCH_UP {
            if self.thinned + CELL > line {
                break;
            }
            self.thin(heard);
        }
        if self.thinned < line {
            return;
        }
        if self.step == 0 {
            self.start();
        }
        let lags = (self.long + 2).div_ceil(self.steps);
        let first = self.step * lags;
        (first..(first + lags).min(self.long + 2)).for_each(|lag| self.compare(lag));
        self.step += 1;
        if self.step == self.steps {
            self.step = 0;
            self.choose();
        }
    }

    /// The best jump of `least` to `most` samples, and how alike the sound is at both ends of it; none if there is no room
    /// for any.
    pub fn jump(&self, least: f64, most: f64) -> Option<(f64, f32)> {
        let apart = self.apart as f64;
        let least = ((least / apart).ceil() as usize).max(self.jump);
        let most = ((most / apart) as usize).min(self.long);
        (least < most).then(|| jump(&self.known, least, most)).map(|(lag, alike)| (lag * apart, alike))
    }

    /// Takes in the next cell.
    fn thin(&mut self, heard: &Heard<'_>) {
        let taps = self.filter.len();
        heard.read(self.thinned as i64 - taps as i64, &mut self.piece);
        let count = CELL as usize / self.apart;
        self.kept.copy_within(count.., 0);
        let start = self.kept.len() - count;
        for (i, kept) in self.kept.iter_mut().skip(start).enumerate() {
            let end = taps + (i + 1) * self.apart;
            let past = self.piece.get(end - taps..end).unwrap_or_default();
            let sum: f32 = sum(past, &self.filter, |x, w| x * w);
            *kept = if sum.abs() < 1e-9 { 0.0 } else { sum };
        }
        self.thinned += CELL;
    }

    /// Takes the sound as it is for a round.
    fn start(&mut self) {
        self.frame.copy_from_slice(&self.kept);
        let mut sum = 0.0;
        for (energy, x) in self.energy.iter_mut().skip(1).zip(&self.frame) {
            sum += f64::from(x * x);
            *energy = sum;
        }
    }

    /// How alike the sound is at this lag.
    fn compare(&mut self, lag: usize) {
        let end = self.frame.len();
        let energy = |from: usize, to: usize| match (self.energy.get(from), self.energy.get(to)) {
            (Some(from), Some(to)) => (to - from) as f32,
            _ => 0.0,
        };
        let difference = |from: usize, to: usize| {
            let now = self.frame.get(from..to).unwrap_or_default();
            let then = self.frame.get(from.saturating_sub(lag)..to - lag).unwrap_or_default();
            sum(now, then, |a, b| (a - b) * (a - b))
        };
        let mut differs = difference(end - self.short, end);
        for (place, length) in [self.short, self.long].into_iter().enumerate() {
            let from = end - length;
            if place == 1 {
                differs += difference(from, end - self.short);
            }
            // The last lag has no room for the whole of the long stretch: it is there for its neighbour's sake.
            let both = energy(from, end) + energy(from.saturating_sub(lag), end - lag);
            let alike = if both > SILENT * length as f32 { 1.0 - differs / both } else { 0.0 };
            if let Some(likeness) = self.likeness.get_mut(place).and_then(|likeness| likeness.get_mut(lag)) {
                *likeness = alike;
            }
        }
    }

    fn choose(&mut self) {
        let power = self.energy.last().copied().unwrap_or(0.0) as f32 / self.frame.len() as f32;
        if power < SILENT {
            self.found = FoundPitch { silent: true, ..FoundPitch::default() };
            return;
        }
        let [short, long] = &self.likeness;
        let periods = [short, long].map(|likeness| period(likeness, self.shortest));
        let [soon, late] = periods;
        let (lag, clear) = if soon.1 > late.1 + SOONER { soon } else { late };
        let alike = [short, long].map(|likeness| jump(likeness, self.jump, likeness.len()).1);
        let soon = alike[0] > alike[1] + SOONER;
        let alike = if soon { alike[0] } else { alike[1] };
        self.known.fill(0.0);
        self.known.iter_mut().zip(if soon { short } else { long }).for_each(|(known, new)| *known = *new);
        let apart = self.apart as f64;
        self.found = FoundPitch {
            period: lag * apart,
            clear: clear.clamp(0.0, 1.0),
            first: self.first(lag),
            alike: alike.clamp(-1.0, 1.0),
            silent: false,
        };
    }

    /// The share of the first harmonic in the power of the last whole periods.
    fn first(&self, lag: f64) -> f32 {
        if lag < 1.0 {
            return 0.0;
        }
        let samples = ((self.long as f64 / lag).floor().max(1.0) * lag).round() as usize;
        let turn = TAU / lag;
        let (sin, cos) = turn.sin_cos();
        let (mut re, mut im, mut power) = (0.0, 0.0, 0.0);
        let (mut c, mut s) = (1.0, 0.0);
        for &x in self.frame.iter().rev().take(samples) {
            let x = f64::from(x);
            (re, im, power) = (re + x * c, im + x * s, power + x * x);
            (c, s) = (c * cos - s * sin, c * sin + s * cos);
        }
        if power > 0.0 { (2.0 * (re * re + im * im) / (samples as f64 * power)).min(1.0) as f32 } else { 0.0 }
    }
}

/// The sum over pairs; eight side by side, which the compiler makes vectors of.
fn sum(one: &[f32], two: &[f32], of: impl Fn(f32, f32) -> f32) -> f32 {
    let mut sums = [0.0f32; 8];
    let (ones, twos) = (one.chunks_exact(8), two.chunks_exact(8));
    let rest: f32 = ones.remainder().iter().zip(twos.remainder()).map(|(a, b)| of(*a, *b)).sum();
    for (one, two) in ones.zip(twos) {
        for ((sum, one), two) in sums.iter_mut().zip(one).zip(two) {
            *sum += of(*one, *two);
        }
    }
    sums.iter().sum::<f32>() + rest
}

fn is_peak(likeness: &[f32], lag: usize) -> bool {
    match likeness.get(lag.wrapping_sub(1)..lag + 2) {
        Some(&[a, b, c]) => b >= a && b > c,
        _ => false,
    }
}

/// The peak between samples, by a parabola through three.
fn top(likeness: &[f32], lag: usize) -> (f64, f32) {
    let Some(&[a, b, c]) = likeness.get(lag.wrapping_sub(1)..lag + 2) else { return (lag as f64, 0.0) };
    let (a, b, c) = (f64::from(a), f64::from(b), f64::from(c));
    let bend = a - 2.0 * b + c;
    let off = if bend < 0.0 { (0.5 * (a - c) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    (lag as f64 + off, (b - 0.25 * (a - c) * off) as f32)
}

/// The period in lags, and how clear it is.
fn period(likeness: &[f32], shortest: usize) -> (f64, f32) {
    let peaks = || (shortest..likeness.len()).filter(|&lag| is_peak(likeness, lag)).map(|lag| top(likeness, lag));
    let best = peaks().map(|(_, clear)| clear).fold(0.0, f32::max);
    let Some((first, clear)) = peaks().find(|(_, clear)| *clear > 0.0 && *clear >= AS_GOOD * best) else {
        return (0.0, 0.0);
    };
    // At twice the multiple each time, as long as the peak there is where it must be.
    let (mut lag, mut times) = (first, 1.0f64);
    let room = (likeness.len() - 2) as f64;
    while let Some(next) = [2.0 * times, times + 1.0].into_iter().find(|next| next * lag <= room && *next > times) {
        let near = (next * lag).round() as usize;
        let place = (near.saturating_sub(1)..=near + 1).find(|&lag| is_peak(likeness, lag));
        let Some((top, _)) = place.map(|place| top(likeness, place)).filter(|(_, alike)| *alike >= AS_GOOD * clear)
        else {
            break;
        };
        (lag, times) = (top / next, next);
    }
    (lag, clear)
}

/// The best lag to jump by from `least` to before `most`, and how alike the sound is at both ends of it.
fn jump(likeness: &[f32], least: usize, most: usize) -> (f64, f32) {
    let cost = |(lag, alike): (f64, f32)| (1.0 - alike + COST) / lag as f32;
    let peaks = (least..most.min(likeness.len())).filter(|&lag| is_peak(likeness, lag)).map(|lag| top(likeness, lag));
    let best = peaks.min_by(|a, b| cost(*a).total_cmp(&cost(*b)));
    // Where there is no peak all are about alike.
    best.unwrap_or((least as f64, likeness.get(least).copied().unwrap_or(0.0)))
}

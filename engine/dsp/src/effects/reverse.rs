//! reverse.

use super::{Effect, Processor, Settings, number};
use crate::CELL;
use crate::guard::settle;
use crate::memory::Heard;
use tenterhook_plan::declare::{Declaration, Emits, Kind, SettingDeclaration, Unit};

pub(super) const EFFECT: Effect = Effect {
    declaration: Declaration {
        name: "reverse",
        help: "The last span of sound heard backwards, span after span.",
        x: "how loud the reversed sound is",
        settings: &[SettingDeclaration {
            name: "span",
            help: "How much sound is turned round at a time.",
            kind: Kind::Quantity { unit: Unit::Seconds, least: 0.05, most: 20.0, default: 1.5 },
        }],
        emits: Emits::Audio,
    },
    level: |x| x,
    // The old span is read on backwards through the cross-fade, and may have begun two searches back; the rest is for the
    // grid lines.
    reach: |settings| 2.0 * (number(settings, 0, 1.5) + SEAM + SEARCH) + 0.03,
    wants_analysis: |_| false,
    lag: |_, _| 0.0,
    make: |settings| Box::new(Reverse::new(settings)),
};

/// The cross-fade between two spans, in seconds; shorter spans have a shorter one, a quarter of the span.
const SEAM: f64 = 0.02;

/// How far apart the places are among which a span's start is chosen, and how long the choice takes, in seconds; of a
/// short span a quarter at most.
const SEARCH: f64 = 0.02;

/// Plays the sound heard before each span backwards. The first span begins at the gesture with the sample before it, the
/// others at grid lines: just before, the place to read from is chosen, the one that is most like what the old span goes
/// on with, so that the cross-fade from one to the other meets in phase.
struct Reverse {
    /// From one span's beginning to the next.
    span: u64,
    /// How long the choice takes: whole cells.
    search: u64,
    /// Every how many samples a start is tried, at about 12 kHz, before the best is made exact.
    stride: usize,
    /// Where the present span began.
    begun: u64,
    /// At sample t the source's sample `turn − t` is heard.
    turn: i64,
    /// The same of the span before, while it is still heard.
    before: Option<i64>,
    /// What the old span goes on with through the seam.
    old: Box<[f32]>,
    /// The last sound heard when the choice began, backwards: a new span starts at one of its first places.
    new: Box<[f32]>,
    /// Both, every `stride`-th sample of them.
    old_coarse: Box<[f32]>,
    new_coarse: Box<[f32]>,
    /// The best start so far, a place in `new`.
    best: usize,
    /// How like the old sound it is, −1…1.
    likeness: f32,
}

impl Reverse {
    fn new(settings: &Settings<'_>) -> Self {
        let span = (settings.samples(settings.number(0, 1.5)) as u64).max(8 * CELL).next_multiple_of(CELL);
        let seam = (settings.samples(SEAM)).min(span as usize / 4).max(1);
        let search = (settings.samples(SEARCH) as u64).min(span / 4).next_multiple_of(CELL);
        let stride = (settings.rate as usize / 12_000).max(1);
        let silence = |samples: usize| vec![0.0; samples].into_boxed_slice();
        Self {
            span,
            search,
            stride,
            begun: 0,
            turn: 0,
            before: None,
            old: silence(seam),
            new: silence(seam + search as usize),
            old_coarse: silence(seam.div_ceil(stride)),
            new_coarse: silence((seam + search as usize).div_ceil(stride)),
            best: 0,
            likeness: 0.0,
        }
    }

    /// The grid line at which the next span begins.
    fn next(&self) -> u64 {
        self.begun.saturating_add(self.span).next_multiple_of(CELL)
    }

    /// What is due at a grid line.
    fn advance(&mut self, line: u64, heard: &Heard<'_>) {
        let next = self.next();
        if line >= next {
            let start = (next - self.search) as i64 - self.best as i64;
            self.before = Some(self.turn);
            self.turn = start - 1 + next as i64;
            self.begun = next;
        } else if let Some(since) = (line + self.search).checked_sub(next) {
            let (since, stride) = (since as usize, self.stride);
            if since == 0 {
                self.listen(line, next, heard);
            }
            if since + (CELL as usize) < self.search as usize {
                // The starts of this cell.
                for coarse in since.div_ceil(stride)..(since + CELL as usize).div_ceil(stride) {
                    let new = self.new_coarse.get(coarse..).unwrap_or_default();
                    self.keep(coarse * stride, correlation(&self.old_coarse, new));
                }
            } else {
                // The last cell's starts are left out; the best is made exact instead.
                let around = self.best.saturating_sub(stride - 1)..self.best + stride;
                self.likeness = -1.0;
                for start in around {
                    self.keep(start, correlation(&self.old, self.new.get(start..).unwrap_or_default()));
                }
            }
        }
    }

    /// Takes in what the search, which begins at `line`, compares.
    fn listen(&mut self, line: u64, next: u64, heard: &Heard<'_>) {
        heard.read(self.turn - (next as i64 + self.old.len() as i64 - 1), &mut self.old);
        heard.read(line as i64 - self.new.len() as i64, &mut self.new);
        for (fine, coarse) in [(&mut self.old, &mut self.old_coarse), (&mut self.new, &mut self.new_coarse)] {
            fine.reverse();
            coarse.iter_mut().zip(fine.iter().step_by(self.stride)).for_each(|(coarse, fine)| *coarse = *fine);
        }
        (self.best, self.likeness) = (0, -1.0);
    }

    /// Keeps the start that is most alike.
    fn keep(&mut self, start: usize, likeness: f32) {
        if likeness > self.likeness {
            (self.best, self.likeness) = (start, likeness);
        }
    }
}

/// The normalised correlation of two sounds over the shorter of them, up to seven samples less; 0 where there is silence.
fn correlation(one: &[f32], two: &[f32]) -> f32 {
    // Eight sums side by side, which the compiler makes vectors of.
    let mut sums = [[0.0f32; 8]; 3];
    let [products, ones, twos] = &mut sums;
    for (one, two) in one.chunks_exact(8).zip(two.chunks_exact(8)) {
        for lane in 0..8 {
            products[lane] += one[lane] * two[lane];
            ones[lane] += one[lane] * one[lane];
            twos[lane] += two[lane] * two[lane];
        }
    }
    let [product, one, two] = sums.map(|lanes| lanes.iter().sum::<f32>());
    if one > 1e-12 && two > 1e-12 { product / (one.sqrt() * two.sqrt()) } else { 0.0 }
}

impl Processor for Reverse {
    fn begin(&mut self, at: u64, _heard: &Heard<'_>) {
        self.begun = at;
        self.turn = 2 * at as i64 - 1;
        self.before = None;
        (self.best, self.likeness) = (0, 0.0);
    }

    fn render(&mut self, from: u64, _now: &[f32], _x: &[f32], heard: &Heard<'_>, out: &mut [f32]) {
        if from.is_multiple_of(CELL) && from > self.begun {
            self.advance(from, heard);
        }
        for (out, at) in out.iter_mut().zip(from..) {
            *out = heard.at(self.turn - at as i64);
            let Some(before) = self.before else { continue };
            let since = at.saturating_sub(self.begun);
            if since >= self.old.len() as u64 {
                self.before = None;
                continue;
            }
            // Two gains that keep the power of a sum whose parts are that much alike: straight for equal parts, of
            // constant power for strangers.
            let new = (since as f32 + 0.5) / self.old.len() as f32;
            let old = 1.0 - new;
            let power = new * new + old * old + 2.0 * self.likeness.clamp(0.0, 1.0) * new * old;
            *out = settle((*out * new + heard.at(before - at as i64) * old) / power.sqrt());
        }
    }
}

//! reverse.

mod onsets;
mod seam;

use super::{Effect, Processor, Settings, number};
use crate::CELL;
use crate::guard::settle;
use crate::memory::Heard;
use crate::random::bits;
use seam::{Readings, Seam};
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
    // The old span is read on backwards through the cross-fade, and may have begun so long before two grid lines; the
    // rest is for the lines and their stagger.
    reach: |settings| 2.0 * (number(settings, 0, 1.5) + SEAM) + RANGE + SEARCH + 0.06,
    wants_analysis: |_| false,
    wants_model: false,
    lag: |_, _| 0.0,
    bytes: Reverse::bytes,
    make: |settings| Box::new(Reverse::new(settings)),
};

/// The cross-fade between two spans, in seconds; shorter spans have a shorter one, a quarter of the span.
const SEAM: f64 = 0.02;

/// How far apart the places are among which a span's start is chosen, in seconds: enough to come past a note's beginning
/// with the whole seam; of a short span half at most.
const RANGE: f64 = 0.04;

/// How long the choice takes, in seconds; of a short span a quarter at most.
const SEARCH: f64 = 0.02;

/// Plays the sound heard before each span backwards. The first span begins at the gesture with the sample before it, the
/// others at grid lines; in the time before, the place to read from is chosen.
struct Reverse {
    /// From one span's beginning to the next.
    span: u64,
    /// Samples of the cross-fade.
    length: u64,
    /// How long the choice takes, in cells, and how many cells before the next span's beginning it is done.
    cells: u64,
    stagger: u64,
    /// Where the present span began.
    begun: u64,
    /// The sample before which its reading started.
    start: i64,
    /// At sample t the source's sample `turn − t` is heard.
    turn: i64,
    /// The same of the span before, while it is still heard, and how like this one it is.
    before: Option<(i64, f32)>,
    seam: Seam,
}

impl Reverse {
    fn span(settings: &Settings<'_>) -> u64 {
        (settings.samples(settings.number(0, 1.5)) as u64).max(8 * CELL).next_multiple_of(CELL)
    }

    fn bytes(settings: &Settings<'_>) -> usize {
        let span = Self::span(settings);
        let part = |seconds: f64, most: u64| (settings.samples(seconds) as u64).clamp(1, most) as usize;
        size_of::<Self>() + Seam::bytes(settings.rate, part(SEAM, span / 4), part(RANGE, span / 2))
    }

    fn new(settings: &Settings<'_>) -> Self {
        let span = Self::span(settings);
        let part = |seconds: f64, most: u64| (settings.samples(seconds) as u64).clamp(1, most);
        let length = part(SEAM, span / 4);
        let quarter = span / 4 / CELL;
        Self {
            span,
            length,
            cells: part(SEARCH, span / 4).div_ceil(CELL),
            stagger: bits(settings.seed, 0, 0) % quarter.clamp(1, 8),
            begun: 0,
            start: 0,
            turn: 0,
            before: None,
            seam: Seam::new(settings.rate, length as usize, part(RANGE, span / 2) as usize),
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
            let (start, likeness) = self.seam.found();
            self.before = Some((self.turn, likeness));
            self.start = start;
            self.turn = start - 1 + next as i64;
            self.begun = next;
        } else if let Some(cell) = (line + (self.cells + self.stagger) * CELL).checked_sub(next).map(|past| past / CELL)
            && cell < self.cells
        {
            if cell == 0 {
                let old = self.turn - next as i64;
                self.seam.begin(line, Readings { old, span: self.span as i64, before: self.start });
            }
            self.seam.advance(cell, self.cells, heard);
        }
    }
}

impl Processor for Reverse {
    fn begin(&mut self, at: u64, _heard: &Heard<'_>) {
        self.begun = at;
        self.start = at as i64;
        self.turn = 2 * at as i64 - 1;
        self.before = None;
    }

    fn render(&mut self, from: u64, _now: &[f32], _x: &[f32], heard: &Heard<'_>, out: &mut [f32]) {
        if from.is_multiple_of(CELL) && from > self.begun {
            self.advance(from, heard);
        }
        for (out, at) in out.iter_mut().zip(from..) {
            *out = heard.at(self.turn - at as i64);
            let Some((before, likeness)) = self.before else { continue };
            let since = at.saturating_sub(self.begun);
            if since >= self.length {
                self.before = None;
                continue;
            }
            // Two gains that keep the power of a sum whose parts are that much alike: straight for equal parts, of
            // constant power for strangers.
            let new = (since as f32 + 0.5) / self.length as f32;
            let old = 1.0 - new;
            // Opposites would need more than is there: a sum of almost nothing stays small.
            let power = new * new + old * old + 2.0 * likeness.max(-0.5) * new * old;
            *out = settle((*out * new + heard.at(before - at as i64) * old) / power.sqrt());
        }
    }
}

//! reverse.

mod onsets;
mod splice_search;

use super::settings::QuantitySetting;
use super::{EffectVoice, Given, Measured, loudness, samples};
use crate::CELL;
use crate::cross_fade;
use crate::guard::settle;
use crate::memory::Heard;
use crate::random::bits;
use splice_search::{Readings, SpliceExtent, SpliceSearch};
use tenterhook_plan::Lack;
use tenterhook_plan::declare::{Declaration, Emits, Unit};

const SPAN: QuantitySetting = QuantitySetting {
    name: "span",
    help: "How much sound is turned round at a time.",
    unit: Unit::Seconds,
    least: 0.05,
    most: 20.0,
    default: 1.5,
};

/// The cross-fade between two spans, in seconds; shorter spans have a shorter one, a quarter of the span.
const SPLICE: f64 = 0.02;

/// How far apart the places are among which a span's start is chosen, in seconds: enough to come past a note's beginning
/// with the whole splice; of a short span half at most.
const RANGE: f64 = 0.04;

/// How long the choice takes, in seconds; of a short span a quarter at most.
const SEARCH: f64 = 0.02;

/// A gesture comes late: the sound that it means may have ended a span before it, or so many seconds.
const LATE: f64 = 3.0;

/// Plays the sound heard before each span backwards. The first span begins at the gesture with the end of the last sound
/// before it, the others at grid lines; in the time before, the place to read from is chosen.
pub(super) struct Reverse {
    times: SpanTimes,
    /// How many cells before the next span's beginning the choice is done.
    stagger: u64,
    /// Where the present span began.
    begun: u64,
    /// The sample before which its reading started.
    start: i64,
    /// At sample t the source's sample `turn − t` is heard.
    turn: i64,
    /// The same of the span before, while it is still heard, and how like this one it is.
    before: Option<(i64, f32)>,
    splice: SpliceSearch,
    /// Nothing had sounded before the first span, which is the present one.
    nothing: bool,
}

/// What a span asks for.
#[derive(Clone, Copy, Default)]
pub(super) struct SpanTimes {
    seconds: f64,
    /// From one span's beginning to the next.
    span: u64,
    /// How long ago the last sound before the first span may have ended.
    late: u64,
    /// Samples of the cross-fade, and how far apart the places are among which it is chosen.
    splice: SpliceExtent,
    /// How long the choice takes, in cells.
    cells: u64,
}

impl SpanTimes {
    fn new(seconds: f64, rate: u32) -> Self {
        let span = (samples(seconds, rate) as u64).max(8 * CELL).next_multiple_of(CELL);
        let part = |seconds: f64, most: u64| (samples(seconds, rate) as u64).clamp(1, most);
        let splice = SpliceExtent { length: part(SPLICE, span / 4) as usize, range: part(RANGE, span / 2) as usize };
        let late = (samples(LATE, rate) as u64).max(span);
        Self { seconds, span, late, splice, cells: part(SEARCH, span / 4).div_ceil(CELL) }
    }
}

impl Reverse {
    /// The grid line at which the next span begins.
    fn next(&self) -> u64 {
        self.begun.saturating_add(self.times.span).next_multiple_of(CELL)
    }

    /// What is due at a grid line.
    fn advance(&mut self, line: u64, heard: &Heard<'_>) {
        let next = self.next();
        if line >= next {
            let (start, likeness) = self.splice.found();
            self.before = Some((self.turn, likeness));
            self.start = start;
            self.turn = start - 1 + next as i64;
            self.begun = next;
            self.nothing = false;
        } else if let Some(cell) =
            (line + (self.times.cells + self.stagger) * CELL).checked_sub(next).map(|past| past / CELL)
            && cell < self.times.cells
        {
            if cell == 0 {
                let old = self.turn - next as i64;
                self.splice.begin(line, Readings { old, span: self.times.span as i64, before: self.start });
            }
            self.splice.advance(cell, self.times.cells, heard);
        }
    }
}

impl EffectVoice for Reverse {
    const DECLARATION: Declaration = Declaration {
        name: "reverse",
        help: "The last span of sound heard backwards, span after span. A late gesture begins at the end of the last sound, \
               up to a span or 3 s ago; later spans keep the rests.",
        x: "how loud the reversed sound is",
        x_is_loudness: true,
        settings: &[SPAN.declare()],
        emits: Emits::Audio,
    };

    type Settings = SpanTimes;

    fn settings(given: &Given<'_>) -> SpanTimes {
        SpanTimes::new(given.number(&SPAN), given.rate)
    }

    fn level(x: f32) -> f32 {
        loudness(x)
    }

    /// The old span is read on backwards through the cross-fade, and may have begun so long before two grid lines, or at
    /// the end of a sound before the first; the rest is for the lines and their stagger.
    fn reach(times: &SpanTimes) -> f64 {
        2.0 * (times.seconds + SPLICE) + RANGE + SEARCH + 0.06 + times.seconds.max(LATE)
    }

    /// The seconds of a span: a longer one needs as much room or more.
    fn room(times: &SpanTimes) -> f64 {
        times.seconds
    }

    fn bytes(rate: u32, room: f64) -> usize {
        size_of::<Self>() + SpliceSearch::bytes(rate, SpanTimes::new(room, rate).splice)
    }

    fn new(rate: u32, room: f64) -> Self {
        let times = SpanTimes::new(room, rate);
        Self {
            times,
            stagger: 0,
            begun: 0,
            start: 0,
            turn: 0,
            before: None,
            nothing: false,
            splice: SpliceSearch::new(rate, times.splice),
        }
    }

    fn begin(&mut self, at: u64, heard: &Heard<'_>, times: &SpanTimes, seed: u64) {
        self.times = *times;
        self.stagger = bits(seed, 0, 0) % (times.span / 4 / CELL).clamp(1, 8);
        self.splice.resize(times.splice);
        self.begun = at;
        let sounded = heard.levels().and_then(|levels| levels.end_of_sound(at, times.late));
        self.nothing = sounded.is_none();
        self.start = sounded.unwrap_or(at) as i64;
        self.turn = self.start - 1 + at as i64;
        self.before = None;
    }

    fn render(&mut self, from: u64, _: &[f32], _: &[f32], heard: &Heard<'_>, _: &SpanTimes, out: &mut [f32]) {
        if from.is_multiple_of(CELL) && from > self.begun {
            self.advance(from, heard);
        }
        for (out, at) in out.iter_mut().zip(from..) {
            *out = heard.at(self.turn - at as i64);
            let Some((before, likeness)) = self.before else { continue };
            let since = at.saturating_sub(self.begun);
            if since >= self.times.splice.length as u64 {
                self.before = None;
                continue;
            }
            let new = (since as f32 + 0.5) / self.times.splice.length as f32;
            let both = *out * new + heard.at(before - at as i64) * (1.0 - new);
            *out = settle(both / cross_fade::loudness(new, likeness));
        }
    }

    fn lacks(&self) -> Option<Lack> {
        self.nothing.then_some(Lack::NothingSounded)
    }
}

impl Measured for Reverse {}

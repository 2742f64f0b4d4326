//! double.
//!
//! Three ways to read the past, each in grains that cross-fade:
//!
//! - A note is read pitch-synchronously (Moulines and Charpentier, "Pitch-synchronous waveform processing techniques for
//!   text-to-speech synthesis using diphones", Speech Communication 9, 1990): grains two periods long, around the places
//!   where a period has its energy, sound so much closer together or further apart than they were. Each grain is read at
//!   the source's own pace, so the formants stay.
//! - A chord has no one period, and a lone partial no formants: they are read at the pace of the interval, and whenever
//!   the reading comes too near to the present or too far from it, it jumps to a place that is alike.
//!   Two notes find jumps that suit both: the first partials keep their level to 0.4 dB. Of three or four there is none
//!   that suits all, and what is lost at the exact frequency comes out beside it: by a fifth a spread triad keeps −5 dB, by
//!   an octave it may keep almost nothing. The level stays even, the pitch is rough. More would need a longer past.
//! - Noise has no pitch to move: it is read plainly.
//!
//! Marks and places are kept in fractions of a sample and never rounded, so that the interval does not drift.

mod grain;
mod pitch;

use super::settings::IntervalSetting;
use super::{EffectVoice, Given, Measured, loudness, samples};
use crate::CELL;
use crate::bytes::many;
use crate::guard::settle;
use crate::memory::Heard;
use crate::prefault::prefaulted;
use grain::{Grain, GrainReading, Half, SIDE, Scratch};
use pitch::{FoundPitch, LONGEST, PitchFinder};
use std::f64::consts::TAU;
use tenterhook_plan::declare::{Declaration, Emits};

const INTERVAL: IntervalSetting = IntervalSetting {
    name: "interval",
    help: "How far above the mic the second voice is; \"down\" after a name, or cents below 0, is below it.",
    least: -2400.0,
    most: 2400.0,
    default: -1200.0,
};

/// How far behind the present a place is read at least, in samples: a cell, and what is read on its far side.
const BEHIND: f64 = (CELL as usize + SIDE) as f64;

/// How long the grains of what has no period are, from mark to mark, in seconds.
const PLAIN: f64 = 0.005;
const SHIFTED: f64 = 0.008;

/// A note begins to be one when it is so clear, and is one no more when it is less clear than the second number; the same
/// of sound that is alike at some lag.
const NOTE: (f32, f32) = (0.85, 0.7);
const ALIKE: (f32, f32) = (0.5, 0.35);
/// A note's first harmonic has at least so much of its power: without one the period is that of a chord. Above the second
/// number it is a lone partial, and it stays one down to the third.
const FIRST: (f32, f32, f32) = (0.003, 0.97, 0.94);

/// Above so many Hz partials are too far apart to tell of formants, and a note is read like a chord; it stays a note up to
/// the second number.
const HIGH: (f64, f64) = (600.0, 640.0);

/// How much of the way to where the energy of a period is a grain is moved, and how far at most in periods.
const DRAWN: f64 = 0.25;
const DRAWN_MOST: f64 = 0.06;
/// Grains that sound at a time at most: twice four, and those that are made ahead.
const GRAINS: usize = 40;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Way {
    Plain,
    Note,
    Shifted,
}

/// See the module.
pub(super) struct Double {
    ratio: f64,
    /// Samples a second.
    rate: f64,
    scratch: Scratch,
    pitch: PitchFinder,
    way: Way,
    lone: bool,
    begun: u64,
    grains: [Option<Grain>; GRAINS],
    /// The grain made last.
    newest: usize,
    period: Box<[f32]>,
    cell: [f32; CELL as usize],
    /// The sample from which on the cell is made.
    made: u64,
}

/// From a grain to the next: how far their marks are apart, and half of their windows.
struct Link {
    apart: f64,
    half: f64,
}

/// How the mic is read plainly, and at the interval.
pub(super) struct DoubleSettings {
    ratio: f64,
    plain: GrainReading,
    shifted: GrainReading,
}

impl Double {
    /// Decides by what was found how the next grain is read.
    fn choose(&mut self) {
        let FoundPitch { period, clear, first, alike, silent, .. } = self.pitch.found;
        let least = |way: Way, (enter, leave): (f32, f32)| if self.way == way { leave } else { enter };
        self.lone = first > if self.lone { FIRST.2 } else { FIRST.1 };
        let high = if self.way == Way::Note { HIGH.1 } else { HIGH.0 };
        let low = period * high > self.rate;
        let note = clear > least(Way::Note, NOTE) && first > FIRST.0 && low && !self.lone;
        self.way = if silent || self.ratio == 1.0 {
            Way::Plain
        } else if note {
            Way::Note
        } else if alike > least(Way::Shifted, ALIKE) {
            Way::Shifted
        } else {
            Way::Plain
        };
    }

    fn link(&self) -> Link {
        match self.way {
            Way::Plain => Link { apart: PLAIN * self.rate, half: PLAIN * self.rate },
            Way::Note => {
                let period = self.pitch.found.period;
                Link { apart: period / self.ratio, half: period }
            }
            Way::Shifted => {
                let length = SHIFTED * self.rate / (self.ratio - 1.0).max(1.0);
                Link { apart: length, half: length }
            }
        }
    }

    /// Makes the grains whose rise begins before `until`; `line` is the first sample that is not made yet.
    fn follow(&mut self, line: f64, until: f64, heard: &Heard<'_>) {
        // More than a few do not begin in one cell; the bound only keeps it from ever being endless.
        for _ in 0..CELL {
            let Some(Some(last)) = self.grains.get(self.newest).copied() else { return };
            let link = self.link();
            if last.mark + (link.apart - link.half).min(0.0) >= until {
                return;
            }
            let next = self.grain(&last, &link, line, heard);
            if let Some(Some(last)) = self.grains.get_mut(self.newest) {
                last.fall = Some(next.rise);
            }
            self.newest = (self.newest + 1) % GRAINS;
            if let Some(place) = self.grains.get_mut(self.newest) {
                *place = Some(next);
            }
        }
    }

    fn grain(&mut self, last: &Grain, link: &Link, line: f64, heard: &Heard<'_>) -> Grain {
        let mark = last.mark + link.apart;
        let pace = if last.shifted { self.ratio } else { 1.0 };
        let found = self.pitch.found;
        // No sample may be wanted before it is heard: neither of this grain, whose fall may be a little longer than its
        // rise, nor of the last one's fall.
        let shifted = self.way == Way::Shifted;
        let own = if shifted { self.ratio } else { 1.0 };
        let mut half = link.half.min(mark - line);
        if pace > 1.0 {
            half = half.min(((last.mark - BEHIND - last.middle) / (pace - 1.0)).max(1.0));
        }
        let latest = mark - BEHIND - if own > 1.0 { (own - 1.0) * half * 1.05 } else { (1.0 - own) * half };
        let mut alike = 1.0;
        let middle = match self.way {
            Way::Note => {
                let whole = last.middle + ((latest - last.middle) / found.period).floor() * found.period;
                let drawn = whole + self.draw(whole, heard);
                if drawn > latest { drawn - found.period } else { drawn }
            }
            // In silence nobody hears it come back to the present.
            _ if found.silent => latest,
            Way::Shifted => {
                let on = last.middle + pace * link.apart;
                let (by, like) = self.jump(on, latest, own > 1.0);
                alike = like;
                on + by
            }
            Way::Plain => latest.min(last.middle + pace * link.apart),
        };
        // Grains of a note add up to the source's power: so many times more or fewer of them sound.
        let gain = if self.way == Way::Note { self.ratio.sqrt().recip() as f32 } else { 1.0 };
        Grain { mark, middle, shifted, gain, rise: Half { length: half, alike }, fall: None }
    }

    /// From where a shifted reading would go on to where it does, not later than `latest`, and how alike both places are.
    fn jump(&self, on: f64, latest: f64, fast: bool) -> (f64, f32) {
        let farthest = LONGEST * self.rate;
        let behind = latest - on;
        if fast && behind < 0.0 {
            // It has come too near to the present.
            let jump = self.pitch.jump(-behind, farthest.max(1.0 - behind));
            return jump.map_or((behind, 0.0), |(lag, alike)| (-lag, alike));
        }
        // It falls behind: it waits for a jump as good as the best there is, but not longer than that takes.
        let best = self.pitch.jump(0.0, farthest);
        match self.pitch.jump(0.0, behind) {
            Some((lag, alike)) if behind >= farthest || best.is_some_and(|(best, _)| (lag - best).abs() < 1.0) => {
                (lag, alike)
            }
            _ if behind < 0.0 => (behind, 0.0),
            _ => (0.0, 1.0),
        }
    }

    /// How far to move a grain around this place towards the place at which a period has its energy.
    fn draw(&mut self, middle: f64, heard: &Heard<'_>) -> f64 {
        let period = self.pitch.found.period;
        let length = (period.round() as usize).min(self.period.len());
        let from = heard.end() as i64 - length as i64;
        let Some(sound) = self.period.get_mut(..length) else { return 0.0 };
        heard.read(from, sound);
        let (sin, cos) = (TAU / period).sin_cos();
        let start = TAU * ((from as f64 - self.begun as f64 - middle) / period).fract();
        let (mut s, mut c) = start.sin_cos();
        let (mut re, mut im, mut power) = (0.0, 0.0, 0.0);
        for &x in &*sound {
            let square = f64::from(x) * f64::from(x);
            (re, im, power) = (re + square * c, im + square * s, power + square);
            (c, s) = (c * cos - s * sin, c * sin + s * cos);
        }
        if re.hypot(im) < 0.1 * power {
            return 0.0;
        }
        let off = im.atan2(re) / TAU;
        (DRAWN * off).clamp(-DRAWN_MOST, DRAWN_MOST) * period
    }

    /// Makes the rest of the cell from `from` on.
    fn make(&mut self, from: u64, heard: &Heard<'_>, settings: &DoubleSettings) {
        let length = (CELL - from % CELL) as usize;
        let line = (from - self.begun) as f64;
        self.choose();
        self.follow(line, line + length as f64, heard);
        self.made = from;
        self.cell = [0.0; CELL as usize];
        let out = self.cell.get_mut(..length).unwrap_or_default();
        for slot in &mut self.grains {
            let Some(grain) = slot else { continue };
            if grain.is_over(line) {
                *slot = None;
                continue;
            }
            let mut window = [0.0; CELL as usize];
            let mut any = false;
            for (i, w) in window.iter_mut().take(length).enumerate() {
                *w = grain.window(line + i as f64);
                any |= *w != 0.0;
            }
            if any {
                let (reading, pace) =
                    if grain.shifted { (&settings.shifted, self.ratio) } else { (&settings.plain, 1.0) };
                let place = grain.middle + (line - grain.mark) * pace;
                let whole = place.floor();
                let place = (self.begun as i64 + whole as i64, place - whole);
                reading.add(&mut self.scratch, place, &window, heard, out);
            }
        }
    }
}

impl EffectVoice for Double {
    const DECLARATION: Declaration = Declaration {
        name: "double",
        help: "The mic joined by itself at an interval.",
        x: "how loud the second voice is",
        x_is_loudness: true,
        settings: &[INTERVAL.declare()],
        emits: Emits::Audio,
    };

    type Settings = DoubleSettings;

    fn settings(given: &Given<'_>) -> DoubleSettings {
        let ratio = (given.cents(&INTERVAL).clamp(INTERVAL.least, INTERVAL.most) / 1200.0).exp2();
        DoubleSettings { ratio, plain: GrainReading::new(1.0), shifted: GrainReading::new(ratio) }
    }

    fn level(x: f32) -> f32 {
        loudness(x)
    }

    fn reach(_: &DoubleSettings) -> f64 {
        PitchFinder::PAST + 0.06
    }

    fn room(settings: &DoubleSettings) -> f64 {
        settings.ratio.max(1.0)
    }

    fn settings_bytes(settings: &DoubleSettings) -> usize {
        settings.plain.bytes() + settings.shifted.bytes()
    }

    fn bytes(rate: u32, room: f64) -> usize {
        size_of::<Self>()
            + Scratch::bytes(room)
            + PitchFinder::bytes(rate)
            + many::<f32>(samples(LONGEST, rate) + 2 * CELL as usize)
    }

    fn new(rate: u32, room: f64) -> Self {
        Self {
            ratio: 1.0,
            rate: f64::from(rate),
            scratch: Scratch::new(room),
            pitch: PitchFinder::new(rate),
            way: Way::Plain,
            lone: false,
            begun: 0,
            grains: [None; GRAINS],
            newest: 0,
            period: prefaulted(0.0, samples(LONGEST, rate) + 2 * CELL as usize),
            cell: [0.0; CELL as usize],
            made: 0,
        }
    }

    fn begin(&mut self, at: u64, _: &Heard<'_>, settings: &DoubleSettings, _: u64) {
        (self.ratio, self.begun) = (settings.ratio, at);
        self.pitch.begin(at);
        (self.way, self.lone) = (Way::Plain, false);
        self.grains = [None; GRAINS];
        self.newest = 0;
        let first = Grain {
            mark: 0.0,
            middle: -BEHIND,
            shifted: false,
            gain: 1.0,
            rise: Half { length: 1.0, alike: 1.0 },
            fall: None,
        };
        if let Some(place) = self.grains.first_mut() {
            *place = Some(first);
        }
        self.made = at.wrapping_sub(CELL);
    }

    fn render(
        &mut self,
        from: u64,
        _: &[f32],
        _: &[f32],
        heard: &Heard<'_>,
        settings: &DoubleSettings,
        out: &mut [f32],
    ) {
        if from.is_multiple_of(CELL) {
            self.pitch.advance(from, heard);
        }
        if from.is_multiple_of(CELL) || from == self.begun {
            self.make(from, heard, settings);
        }
        let made = (from - self.made) as usize;
        for (out, sound) in out.iter_mut().zip(self.cell.iter().skip(made)) {
            *out = settle(*sound);
        }
    }
}

impl Measured for Double {
    /// Nothing is known of its pitch yet: it is read plainly.
    fn lag(_: &DoubleSettings, _: u32, _: &[f32]) -> f64 {
        BEHIND
    }
}

//! What a source's sound is made of, moment by moment: partials, noise, onsets. One model per source, on an absolute
//! clock, read by every effect that makes the sound anew.
//!
//! Every 512 samples (at 44.1 and 48 kHz) a frame is taken apart; a [`Knot`] tells what it held. The work is cut into
//! steps at grid lines, and a knot is known from a grid line on that depends on nothing but its own number. No frame's
//! window reaches across an onset, so that nothing of a note is found before it.

mod lobe;
mod noise;
mod onsets;
mod peaks;
mod tracks;

use crate::schedule::Schedule;
use crate::windows::scaled;
use lobe::Lobe;
use noise::Noise;
use onsets::Onsets;
use peaks::{Peaks, USUAL};
use realfft::num_complex::Complex32;
use tracks::{Frame, Heard, Tracks};

pub(crate) use noise::{decode, places};

/// Frames after one that are known when its partials are told.
const AHEAD: u64 = 5;
/// Frames after one that are known when the bend of its partials is measured.
const BENT: u64 = 2;
/// Spectra kept.
const SPECTRA: usize = 8;
/// Knots kept.
const KNOTS: usize = 64;
/// Steps of a frame: see [`Model::step`].
const STEPS: u64 = 14;
/// Partials told of at once.
pub(crate) const PARTIALS: usize = tracks::PARTIALS;
/// Their slots: one for every track.
pub(crate) const SLOTS: usize = 128;

/// Seconds before an onset and after it that belong to it.
pub(crate) const ATTACK: (f64, f64) = (0.002, 0.007);

/// A partial at a knot.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Partial {
    /// Its place among the tracks, and its number: the same from birth to end, and no other's.
    pub slot: u8,
    pub id: u32,
    /// Its phase in turns, 0…1, of a cosine.
    pub turns: f32,
    /// Its frequency in periods per sample.
    pub frequency: f32,
    /// Its level in octaves of amplitude, and its change per sample.
    pub level: f32,
    pub slope: f32,
}

/// What a source held at one moment.
#[derive(Clone, Debug)]
pub(crate) struct Knot {
    /// The moment.
    pub middle: u64,
    /// The onset between the knot before and this one, if there is any: the last.
    pub onset: Option<u64>,
    /// The grid line from which on it is known.
    known: u64,
    partials: [Partial; PARTIALS],
    count: usize,
    /// The noise's envelope: every second bin's standard deviation, see [`decode`].
    pub noise: Box<[u16]>,
}

impl Knot {
    /// The partials that sound.
    pub fn partials(&self) -> &[Partial] {
        self.partials.get(..self.count).unwrap_or_default()
    }
}

/// See the module.
pub(crate) struct Model {
    schedule: Schedule,
    stagger: u64,
    /// Samples from a frame's middle to the grid line of its first step.
    behind: u64,
    attack: (u64, u64),
    onsets: Onsets,
    peaks: Peaks,
    tracks: Tracks,
    lobe: Lobe,
    noise: Noise,
    /// Bins of the noise's envelope over which it is averaged, and those of a sudden change.
    near: (usize, usize),
    width: usize,
    /// The last frames, by number.
    frames: [Option<Frame>; SPECTRA],
    spectra: Box<[Box<[Complex32]>]>,
    taken: Box<[Complex32]>,
    /// The partials in work and what they were in the spectrum.
    told: [Partial; PARTIALS],
    heard: [Heard; PARTIALS],
    count: usize,
    last: Frame,
    told_of: Frame,
    knots: Box<[Knot]>,
    /// Knots made so far.
    made: u64,
}

impl Model {
    /// A model for `rate` samples a second; `stagger` moves its steps against those of other sources.
    pub fn new(rate: u32, stagger: u64) -> Self {
        let hop = scaled(2048, rate) / 4;
        let schedule = Schedule::new(hop, STEPS);
        let onsets = Onsets::new(rate);
        let peaks = Peaks::new(rate);
        let spectrum = || vec![Complex32::new(0.0, 0.0); peaks.spectrum()].into_boxed_slice();
        let samples = |seconds: f64| (seconds * f64::from(rate)).round() as u64;
        let knot = Knot {
            middle: 0,
            onset: None,
            known: u64::MAX,
            partials: [Partial::default(); PARTIALS],
            count: 0,
            noise: vec![0; places(rate)].into(),
        };
        Self {
            stagger: schedule.stagger(stagger),
            behind: (peaks.size() as u64 / 2 + onsets.delay()).next_multiple_of(schedule.hop()),
            attack: (samples(ATTACK.0), samples(ATTACK.1)),
            tracks: Tracks::new(),
            lobe: Lobe::new(),
            noise: Noise::new(rate),
            near: (3, 12),
            width: USUAL,
            frames: [None; SPECTRA],
            spectra: (0..SPECTRA).map(|_| spectrum()).collect(),
            taken: spectrum(),
            told: [Partial::default(); PARTIALS],
            heard: [Heard { bins: 0.0, wide: 1.0, amplitude: 0.0, turns: 0.0 }; PARTIALS],
            count: 0,
            last: Frame::default(),
            told_of: Frame::default(),
            knots: vec![knot; KNOTS].into(),
            made: 0,
            schedule,
            onsets,
            peaks,
        }
    }

    /// Samples of the past that it reads.
    pub fn reach(rate: u32) -> usize {
        // The longest window and what it waits for an onset, or the search for an onset's beginning.
        let peaks = scaled(4096, rate);
        2 * peaks + rate as usize / 20
    }

    /// Samples from one knot to the next, but for onsets.
    pub fn hop(&self) -> u64 {
        self.schedule.hop()
    }

    /// The number of the knot after the last that is known at `end`.
    pub fn known(&self, end: u64) -> u64 {
        let mut made = self.made;
        while made > 0 && self.knot(made - 1).is_none_or(|knot| knot.known > end) {
            made -= 1;
        }
        made
    }

    /// A knot by its number, if it is still kept.
    pub fn knot(&self, number: u64) -> Option<&Knot> {
        (number < self.made && number + KNOTS as u64 >= self.made)
            .then(|| self.knots.get(number as usize % KNOTS))
            .flatten()
    }

    /// The number of the first knot kept.
    pub fn first(&self) -> u64 {
        self.made.saturating_sub(KNOTS as u64)
    }

    /// Takes in the samples from `from` on, up to the end of their cell at most.
    pub fn feed(&mut self, from: u64, samples: &[f32], read: impl Fn(i64, &mut [f32])) {
        self.onsets.feed(from, samples, &read);
    }

    /// Does what is due at the grid line `line`; `read` fills a slice with the past from a sample on.
    pub fn advance(&mut self, line: u64, read: impl Fn(i64, &mut [f32])) {
        let (round, due) = self.schedule.due(line + self.stagger);
        for step in due {
            self.step(round, step, line, &read);
        }
    }

    fn step(&mut self, number: u64, step: u64, line: u64, read: &impl Fn(i64, &mut [f32])) {
        let told = number.checked_sub(AHEAD).and_then(|told| self.frame(told));
        let here = self.frame(number);
        match step {
            0 => {
                let frame = line.checked_sub(self.behind).and_then(|middle| self.place(number, middle));
                if let Some(place) = self.frames.get_mut(number as usize % SPECTRA) {
                    *place = frame.map(|(frame, _)| frame);
                }
                if let Some((frame, width)) = frame {
                    self.peaks.load(frame.middle, width, read);
                    self.width = width;
                    self.last = frame;
                }
            }
            1..=4 => {
                let (Some(frame), Some(spectrum)) = (here, self.spectra.get_mut(number as usize % SPECTRA)) else {
                    return;
                };
                match step {
                    1 => self.peaks.transform(spectrum),
                    2 => self.peaks.weigh(spectrum),
                    3 => {
                        self.peaks.find(self.width, spectrum);
                    }
                    _ => self.tracks.follow(frame, self.peaks.found()),
                }
            }
            5 | 6 => {
                if let Some(bent) = number.checked_sub(BENT) {
                    self.tracks.bend(bent, step as usize - 5, &self.lobe);
                }
            }
            7 => {
                self.taken.fill(Complex32::new(0.0, 0.0));
                self.count = 0;
                let Some(frame) = told else { return };
                let (told, heard, count) = (&mut self.told, &mut self.heard, &mut self.count);
                self.tracks.tell(frame.number, self.peaks.size(), &self.lobe, |partial, was| {
                    if let (Some(place), Some(was_place)) = (told.get_mut(*count), heard.get_mut(*count)) {
                        (*place, *was_place) = (partial, was);
                        *count += 1;
                    }
                });
            }
            8 | 9 => {
                let Some(frame) = told else { return };
                let Some(spectrum) = self.spectra.get_mut(frame.number as usize % SPECTRA) else { return };
                let half = self.count / 2;
                let range = if step == 8 { 0..half } else { half..self.count };
                for was in self.heard.get(range).unwrap_or_default() {
                    let turn = std::f32::consts::TAU * was.turns;
                    let z = Complex32::from_polar(was.amplitude, turn);
                    self.lobe.take_out(z, was.bins, was.wide, spectrum, &mut self.taken);
                }
            }
            10 => {
                let Some(frame) = told else { return };
                if frame.onsets != self.told_of.onsets {
                    self.noise.onset();
                }
                // A window's noise bandwidth in its own bins: 1.7268 (Harris).
                let gain = frame.window as f32 / (4.0 * 1.7268);
                if let Some(residual) = self.spectra.get(frame.number as usize % SPECTRA) {
                    self.noise.take_in(residual, &self.taken, gain);
                }
            }
            11 => {
                if told.is_some() {
                    self.noise.weigh();
                }
            }
            12 => {
                if told.is_some() {
                    self.noise.draw(self.near.0);
                }
            }
            _ => {
                let Some(frame) = told else { return };
                let onset = (frame.onsets != self.told_of.onsets)
                    .then(|| self.onsets.found().rev().find(|&onset| onset <= frame.middle))
                    .flatten();
                let Some(knot) = self.knots.get_mut(self.made as usize % KNOTS) else { return };
                (knot.middle, knot.onset, knot.known) = (frame.middle, onset, line);
                (knot.partials, knot.count) = (self.told, self.count);
                self.noise.hurry(self.near.1, &mut knot.noise);
                self.made += 1;
                self.told_of = frame;
            }
        }
    }

    fn frame(&self, number: u64) -> Option<Frame> {
        self.frames.get(number as usize % SPECTRA).copied().flatten().filter(|frame| frame.number == number)
    }

    /// Where a frame's window may lie and how long it may be, so that it does not reach across an onset: near `middle`
    /// or not at all.
    fn place(&self, number: u64, middle: u64) -> Option<(Frame, usize)> {
        let mut onsets = self.onsets.count();
        let (mut low, mut high) = (0, u64::MAX);
        for onset in self.onsets.found().rev() {
            if onset <= middle {
                low = onset + self.attack.1;
                break;
            }
            high = onset.saturating_sub(self.attack.0);
            onsets -= 1;
        }
        let mut width = USUAL;
        while self.peaks.window(width) as u64 > high.saturating_sub(low) {
            width = width.checked_sub(1)?;
        }
        let window = self.peaks.window(width);
        let half = window as u64 / 2;
        let place = middle.max(low + half).min(high.saturating_sub(half));
        let moved = place.abs_diff(middle);
        let first = self.last.window == 0 || place > self.last.middle;
        (moved <= self.schedule.hop() / 2 && first)
            .then_some((Frame { number, middle: place, window, onsets }, width))
    }
}

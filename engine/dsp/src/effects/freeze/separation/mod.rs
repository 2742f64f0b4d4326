//! Takes a span of sound apart, once, into steady partials and noise.
//!
//! 1. The span is read so that its pitch, whose course is known, stands still: a vibrato would smear its partials.
//! 2. One long transform of it shows the partials and, between them, the noise.
//! 3. A harmonic sound, one note, has its partials at exact multiples; else each peak is a partial of its own. The energy
//!    around a partial is the partial's: what the moment's own life spread out is heard as one steady tone. (Serra and
//!    Smith, "Spectral modeling synthesis", Computer Music Journal 14, 1990, for the separation; its peaks are all
//!    partials, which beat with each other when they are held.)
//! 4. Both are corrected so that in bands of two thirds of an octave they are as loud as the span itself.
//!
//! [`Separation::step`] does one small step; how many there are is known beforehand.

mod levels;
mod noise;
mod peaks;

use self::levels::{COMPARE, CORRECT, spacing, twice};
use self::peaks::level_of;
use super::hold::{HeldPartial, Hold, PARTIALS};
use super::spectrum::{BLOCK, SpanSpectrum};
use crate::aim::{FITS, HeldSpan, PitchCourse};
use crate::bytes::{many, plan_bytes};
use crate::memory::Heard;
use crate::prefault::prefaulted;
use crate::windows::{hann, scaled};
use realfft::num_complex::Complex32;
use realfft::{RealFftPlanner, RealToComplex};
use std::sync::Arc;

/// Bins in one place of the floor and in one cell of the noise.
const GROUP: usize = 3;

/// The most peaks that are looked at.
const PEAKS: usize = 384;

/// Levels that the floor tells apart, four to the octave of power.
const LEVELS: usize = 512;

/// Bands in which the sound is compared with the span, from 60 Hz on.
const BANDS: usize = 100;
const LOWEST: f64 = 60.0;
const HIGHEST: f64 = 18_000.0;

/// Places of the floor that are found in one step.
const AT_ONCE: usize = 160;

/// Nodes that are placed in one step.
const NODES: usize = 40;

/// Times that the model is corrected.
const ROUNDS: u64 = 2;

/// What is done, in order. Each part has so many steps.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum SeparationPart {
    Course,
    Fit,
    Clear,
    Place,
    Read,
    Gather,
    Combine,
    Floor,
    Peaks,
    Prune,
    Decide,
    Cells,
    Noise,
    Partials,
    Compare,
    Bands,
    Correct,
    Finish,
}

const PARTS: [SeparationPart; 18] = [
    SeparationPart::Course,
    SeparationPart::Fit,
    SeparationPart::Clear,
    SeparationPart::Place,
    SeparationPart::Read,
    SeparationPart::Gather,
    SeparationPart::Combine,
    SeparationPart::Floor,
    SeparationPart::Peaks,
    SeparationPart::Prune,
    SeparationPart::Decide,
    SeparationPart::Cells,
    SeparationPart::Noise,
    SeparationPart::Partials,
    SeparationPart::Compare,
    SeparationPart::Bands,
    SeparationPart::Correct,
    SeparationPart::Finish,
];

#[derive(Clone, Copy, Default)]
struct SeparationPeak {
    /// In bins.
    place: f32,
    power: f32,
    /// Over the floor.
    over: f32,
    gone: bool,
}

/// A partial in the making.
#[derive(Clone, Copy, Default)]
struct SpectralLine {
    /// In bins.
    place: f64,
    /// Its power, half the amplitude's square.
    power: f64,
    direction: Complex32,
}

/// See the module.
pub(crate) struct Separation {
    rate: f64,
    spectrum: SpanSpectrum,
    span: HeldSpan,
    length: usize,
    course: PitchCourse,
    /// Where the span is read: places and speeds at every `node`-th sample.
    node: usize,
    nodes: Box<[(f64, f32)]>,
    chunk: usize,
    sound: Box<[f32]>,
    /// Where the placing of nodes is, and where it began.
    walk: f64,
    start: f64,
    part: usize,
    done: u64,
    /// The floor in the making: levels, how many of each, how many below the one that is the floor.
    levels: Box<[u16]>,
    counts: Box<[u16]>,
    floor: Box<[f32]>,
    level: usize,
    below: u32,
    counted: u32,
    top: f32,
    peaks: Box<[SeparationPeak]>,
    found: usize,
    /// The held pitch in bins, 0 if it is not one note.
    pitch: f64,
    lines: Box<[SpectralLine]>,
    count: usize,
    /// Half of what a partial takes of the spectrum, in bins.
    zone: f64,
    /// Running sums of the power outside the partials and of the bins that it is of.
    sums: Box<[f64]>,
    bins: Box<[u32]>,
    next: usize,
    /// The noise's density at the bins of the hold's frames.
    noise: Box<[f32]>,
    compare: Arc<dyn RealToComplex<f32>>,
    scratch: Box<[Complex32]>,
    frame: Box<[f32]>,
    out: Box<[Complex32]>,
    window: Box<[f32]>,
    /// The span's own density, then its sums of sums.
    raw: Box<[f32]>,
    twice: Box<[f64]>,
    wanted: [f64; BANDS],
    noisy: [f64; BANDS],
    tonal: [f64; BANDS],
    partial_gain: [f32; BANDS],
    noise_gain: [f32; BANDS],
    /// Which band each bin of noise is in.
    band_of: Box<[f32]>,
}

impl Separation {
    /// For spans of up to `seconds`, and holds with frames of `size` samples.
    pub fn new(seconds: f64, rate: u32, size: usize) -> Self {
        let node = scaled(2048, rate) / 32;
        let longest = ((seconds * f64::from(rate)) as usize).next_multiple_of(node);
        let spectrum = SpanSpectrum::new(longest, rate);
        let groups = spectrum.power.len().div_ceil(GROUP);
        let chunk = node.max(384 / node * node);
        let compared = scaled(4096, rate).min(4096);
        let compare = RealFftPlanner::new().plan_fft_forward(compared);
        let rate = f64::from(rate);
        let band = |bin: usize| ((bin as f64 * rate / size as f64).max(1.0) / LOWEST).ln() / spacing();
        Self {
            rate,
            span: HeldSpan::default(),
            length: 0,
            course: PitchCourse::default(),
            node,
            nodes: prefaulted((0.0, 1.0), longest / node + 2),
            chunk,
            sound: prefaulted(0.0, chunk * 5 / 4 + 8),
            walk: 0.0,
            start: 0.0,
            part: PARTS.len(),
            done: 0,
            levels: prefaulted(0, groups),
            counts: prefaulted(0, LEVELS),
            floor: prefaulted(0.0, groups),
            level: 0,
            below: 0,
            counted: 0,
            top: 0.0,
            peaks: prefaulted(SeparationPeak::default(), PEAKS),
            found: 0,
            pitch: 0.0,
            lines: prefaulted(SpectralLine::default(), PARTIALS),
            count: 0,
            zone: 0.0,
            sums: prefaulted(0.0, groups + 1),
            bins: prefaulted(0, groups + 1),
            next: 0,
            noise: prefaulted(0.0, size / 2 + 1),
            scratch: prefaulted(Complex32::ZERO, compare.get_scratch_len()),
            compare,
            frame: prefaulted(0.0, compared),
            out: prefaulted(Complex32::ZERO, compared / 2 + 1),
            window: hann(compared).into(),
            raw: prefaulted(0.0, compared / 2 + 1),
            twice: prefaulted(0.0, (compared / 2 + 2).max(size / 2 + 2)),
            wanted: [0.0; BANDS],
            noisy: [0.0; BANDS],
            tonal: [0.0; BANDS],
            partial_gain: [1.0; BANDS],
            noise_gain: [1.0; BANDS],
            band_of: (0..=size / 2).map(|bin| (band(bin) as f32).clamp(0.0, (BANDS - 1) as f32)).collect(),
            spectrum,
        }
    }

    /// Bytes that one takes beside itself.
    pub fn bytes(seconds: f64, rate: u32, size: usize) -> usize {
        let node = scaled(2048, rate) / 32;
        let longest = ((seconds * f64::from(rate)) as usize).next_multiple_of(node);
        let spectrum = longest.next_power_of_two().max(512);
        let groups = SpanSpectrum::bins(spectrum, rate).div_ceil(GROUP);
        let chunk = node.max(384 / node * node);
        let compared = scaled(4096, rate).min(4096);
        let (half, bins) = (compared / 2 + 1, size / 2 + 1);
        SpanSpectrum::bytes(longest, rate)
            + many::<(f64, f64)>(longest / node + 2)
            + many::<f32>(chunk * 5 / 4 + 8 + groups + 2 * bins + 2 * compared + half)
            + many::<u16>(groups + LEVELS)
            + many::<SeparationPeak>(PEAKS)
            + many::<SpectralLine>(PARTIALS)
            + many::<f64>(groups + 1 + (half + 1).max(bins + 1))
            + many::<u32>(groups + 1)
            + many::<Complex32>(half)
            + plan_bytes(compared)
    }

    /// A new span.
    pub fn start(&mut self, span: HeldSpan) {
        self.span = span;
        self.length = (span.length() as usize).min(self.spectrum.span.len()) / self.node * self.node;
        (self.part, self.done) = (0, 0);
    }

    /// How many steps a span of so many samples takes.
    pub fn steps(&self, samples: u64) -> u64 {
        let length = (samples as usize).min(self.spectrum.span.len()) / self.node * self.node;
        PARTS.iter().map(|&part| self.steps_of(part, length)).sum()
    }

    fn steps_of(&self, part: SeparationPart, length: usize) -> u64 {
        let blocks = self.spectrum.power.len() / BLOCK;
        let steps = |work: usize, each: usize| work.div_ceil(each.max(1));
        (match part {
            SeparationPart::Fit => FITS as usize,
            SeparationPart::Place => steps(length / self.node + 1, NODES),
            SeparationPart::Read => steps(length, self.chunk),
            SeparationPart::Gather => 2 * self.spectrum.frames(),
            SeparationPart::Combine => steps(blocks, self.blocks()),
            SeparationPart::Floor => steps(self.levels.len(), AT_ONCE),
            SeparationPart::Peaks => steps(self.spectrum.power.len(), 1000),
            SeparationPart::Cells => steps(self.levels.len(), 400),
            SeparationPart::Noise => steps(self.noise.len(), 205),
            SeparationPart::Partials => steps(PARTIALS, 20),
            SeparationPart::Compare => COMPARE.len() * self.compared(length),
            SeparationPart::Correct => CORRECT.len() * ROUNDS as usize,
            SeparationPart::Bands => 2,
            SeparationPart::Course
            | SeparationPart::Clear
            | SeparationPart::Prune
            | SeparationPart::Decide
            | SeparationPart::Finish => 1,
        }) as u64
    }

    /// Blocks of bins that are put together in one step.
    fn blocks(&self) -> usize {
        (48 / self.spectrum.frames()).clamp(1, 8)
    }

    /// Frames of the span that the hold is compared with.
    fn compared(&self, length: usize) -> usize {
        let size = self.frame.len();
        1 + length.saturating_sub(size).div_ceil(size / 2)
    }

    /// Whether all is done.
    pub fn is_done(&self) -> bool {
        self.part >= PARTS.len()
    }

    /// The next step; the last one makes `hold` what the span was.
    pub fn step(&mut self, heard: &Heard<'_>, hold: &mut Hold) {
        let Some(&part) = PARTS.get(self.part) else { return };
        let step = self.done;
        let i = step as usize;
        match part {
            SeparationPart::Course => {
                let aim = heard.aim(self.rate as u32);
                self.course = aim.map_or(PitchCourse::default(), |aim| aim.course(self.span));
            }
            SeparationPart::Fit => self.course.fit(step),
            SeparationPart::Clear => self.clear(),
            SeparationPart::Place => self.place(i),
            SeparationPart::Read => self.read(i * self.chunk, heard),
            // Each frame is gathered, then transformed.
            SeparationPart::Gather if i.is_multiple_of(2) => self.spectrum.gather(i / 2),
            SeparationPart::Gather => self.spectrum.transform(i / 2),
            SeparationPart::Combine => self.combine(i * self.blocks()),
            SeparationPart::Floor => self.find_floor(i * AT_ONCE),
            SeparationPart::Peaks => self.find_peaks(i * 1000),
            SeparationPart::Prune => self.prune(),
            SeparationPart::Decide => self.decide(),
            SeparationPart::Cells => self.gather_noise(i * 400),
            SeparationPart::Noise => self.shape_noise(i * 205),
            SeparationPart::Partials => self.weigh_partials(i * 20),
            SeparationPart::Compare => {
                if let Some(&step) = COMPARE.get(i % COMPARE.len()) {
                    self.compare(i / COMPARE.len(), step, heard);
                }
            }
            SeparationPart::Bands if i == 0 => {
                twice(self.raw.iter().map(|&p| f64::from(p)), self.raw.len(), &mut self.twice)
            }
            SeparationPart::Bands => self.want(),
            SeparationPart::Correct => {
                if let Some(&step) = CORRECT.get(i % CORRECT.len()) {
                    self.correct(step);
                }
            }
            SeparationPart::Finish => self.finish(hold),
        }
        self.done += 1;
        while let Some(&part) = PARTS.get(self.part) {
            if self.done < self.steps_of(part, self.length) {
                break;
            }
            (self.part, self.done) = (self.part + 1, 0);
        }
    }

    /// The span's middle, which the partials' directions belong to.
    pub fn middle(&self) -> f64 {
        middle(self.span)
    }

    /// How fast the source turns at a sample.
    pub fn speed(&self, sample: f64) -> f64 {
        self.course.speed(sample)
    }

    /// Hertz in bins.
    fn bins(&self, hertz: f64) -> f64 {
        hertz / self.rate * self.spectrum.size() as f64
    }

    /// Nothing of a span before this one counts.
    fn clear(&mut self) {
        self.nodes.fill((0.0, 1.0));
        self.noise.fill(0.0);
        (self.wanted, self.noisy, self.tonal) = ([0.0; BANDS], [0.0; BANDS], [0.0; BANDS]);
        (self.partial_gain, self.noise_gain) = ([1.0; BANDS], [1.0; BANDS]);
        self.course.settle();
        self.spectrum.start(self.length);
        (self.found, self.count, self.next) = (0, 0, 0);
        (self.level, self.below, self.counted) = (0, 0, 0);
        (self.top, self.pitch) = (0.0, 0.0);
        self.counts.fill(0);
        self.raw.fill(0.0);
        // An even span has a node at its middle, an odd one half a step beside it.
        let odd = (self.length / self.node % 2) as f64;
        let back = 0.5 * odd * self.node as f64;
        self.walk = self.middle() - back / self.course.speed(self.middle() - back / 2.0);
        self.start = self.walk;
    }

    /// Where the span is read: some nodes, first from the middle on, then back from it.
    fn place(&mut self, step: usize) {
        let half = self.length / self.node / 2;
        let after = self.length / self.node + 1 - half;
        let first = step * NODES;
        for i in first..(first + NODES).min(after + half) {
            if i == after {
                self.walk = self.start;
            }
            let forwards = i < after;
            let step = if forwards { self.node as f64 } else { -(self.node as f64) };
            let here = 1.0 / self.course.speed(self.walk);
            // Heun's method.
            let next = self.walk + step * 0.5 * (here + 1.0 / self.course.speed(self.walk + step * here));
            let place = if forwards { half + i } else { half - 1 - (i - after) };
            if let Some(node) = self.nodes.get_mut(place) {
                *node = if forwards { (self.walk, here as f32) } else { (next, 1.0 / self.course.speed(next) as f32) };
            }
            self.walk = next;
        }
    }

    /// Reads a piece of the span, its pitch standing still, through the window.
    fn read(&mut self, from: usize, heard: &Heard<'_>) {
        let first = from / self.node;
        let Some(&(start, _)) = self.nodes.get(first) else { return };
        let base = start.floor() as i64 - 1;
        heard.read(base, &mut self.sound);
        let to = (from + self.chunk).min(self.length);
        let inverse = 1.0 / self.node as f32;
        for (node, place) in (first..).zip((from..to).step_by(self.node)) {
            let (Some(&(a, speed)), Some(&(_, next))) = (self.nodes.get(node), self.nodes.get(node + 1)) else {
                return;
            };
            let Some(span) = self.spectrum.span.get_mut(place..place + self.node) else { return };
            // The place in 32.32 bits, stepped by differences: a quadratic from node to node.
            let fixed = |x: f64| (x * 4_294_967_296.0) as i64;
            let bend = f64::from(next - speed) / (2 * self.node) as f64;
            let (mut at, mut step, twice) = (fixed(a - base as f64), fixed(f64::from(speed) + bend), fixed(2.0 * bend));
            for out in span {
                let whole = (at >> 32) as usize;
                let t = (at as u32 >> 8) as f32 * (1.0 / 16_777_216.0);
                at += step;
                step += twice;
                let around = self.sound.get(whole.wrapping_sub(1)..whole.wrapping_add(3));
                let &[a, b, c, d] = around.unwrap_or_default() else {
                    *out = 0.0;
                    continue;
                };
                // The cubic through four samples.
                let (ab, bc, cd) = (b - a, c - b, d - c);
                let (curve, bend) = (bc - ab, cd - bc - (bc - ab));
                *out = b + t * (bc + (t - 1.0) * (0.5 * curve + (t + 1.0) * (1.0 / 6.0) * bend));
            }
        }
        // The window is a quadratic from node to node, too.
        for place in (from..to).step_by(self.node) {
            let half = 0.5 * self.node as f32;
            let [a, b, c] = [0.0, 1.0, 2.0].map(|i| self.spectrum.window(place as f32 + i * half));
            let (rise, bend) = (4.0 * b - 3.0 * a - c, 2.0 * (a - 2.0 * b + c));
            let Some(span) = self.spectrum.span.get_mut(place..place + self.node) else { return };
            for (i, x) in span.iter_mut().enumerate() {
                let t = i as f32 * inverse;
                let y = *x * (a + t * (rise + t * bend));
                *x = if y.abs() < 1e-12 { 0.0 } else { y };
            }
        }
    }

    fn combine(&mut self, first: usize) {
        let last = (first + self.blocks()).min(self.spectrum.power.len() / BLOCK);
        self.spectrum.combine(first..last);
        let power = self.spectrum.power.get(first * BLOCK..last * BLOCK).unwrap_or_default();
        self.top = power.iter().copied().fold(self.top, f32::max);
        // Blocks begin between groups: each group is given its level with its first bin.
        let group = (first * BLOCK).div_ceil(GROUP);
        let power = self.spectrum.power.get(group * GROUP..last * BLOCK).unwrap_or_default();
        for (level, power) in self.levels.iter_mut().skip(group).zip(power.iter().step_by(GROUP)) {
            *level = level_of(*power);
        }
    }

    /// Hands the partials and the noise over.
    fn finish(&mut self, hold: &mut Hold) {
        let size = hold.size() as f32;
        hold.count = 0;
        for line in self.lines.iter().take(self.count).filter(|line| line.power > 1e-14) {
            if let Some(partial) = hold.partials.get_mut(hold.count) {
                let amplitude = (2.0 * line.power).sqrt() as f32;
                let frequency = line.place / self.spectrum.size() as f64;
                *partial = HeldPartial { frequency, amplitude, direction: line.direction };
                hold.count += 1;
            }
        }
        for (amplitude, &density) in hold.noise.iter_mut().zip(&self.noise) {
            // A frame's bins, with Hann's squares adding up to 3/2, have two thirds of a frame's length to the density.
            let power = density * 2.0 / (3.0 * size);
            *amplitude = if power < 1e-18 { 0.0 } else { power.sqrt() };
        }
    }
}

fn middle(span: HeldSpan) -> f64 {
    (span.from + span.to) as f64 / 2.0
}

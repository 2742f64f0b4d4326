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

use crate::aim::{Course, FITS, Span};
use crate::hold::{Hold, PARTIALS, Partial};
use crate::memory::Heard;
use crate::spectrum::{BLOCK, Spectrum};
use crate::windows::{hann, scaled};
use realfft::num_complex::Complex32;
use realfft::{RealFftPlanner, RealToComplex};
use std::sync::Arc;

/// Bins in one place of the floor and in one cell of the noise.
const GROUP: usize = 3;

/// How far over the floor a peak is surely a partial, and how far a harmonic's must be: 18 and 12 dB.
const CLEAR: f32 = 63.0;
const HARMONIC: f32 = 16.0;

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
enum Part {
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

const PARTS: [Part; 18] = [
    Part::Course,
    Part::Fit,
    Part::Clear,
    Part::Place,
    Part::Read,
    Part::Gather,
    Part::Combine,
    Part::Floor,
    Part::Peaks,
    Part::Prune,
    Part::Decide,
    Part::Cells,
    Part::Noise,
    Part::Partials,
    Part::Compare,
    Part::Bands,
    Part::Correct,
    Part::Finish,
];

#[derive(Clone, Copy, Default)]
struct Peak {
    /// In bins.
    place: f32,
    power: f32,
    /// Over the floor.
    over: f32,
    gone: bool,
}

/// A partial in the making.
#[derive(Clone, Copy, Default)]
struct Line {
    /// In bins.
    place: f64,
    /// Its power, half the amplitude's square.
    power: f64,
    direction: Complex32,
}

/// See the module.
pub(crate) struct Separation {
    rate: f64,
    spectrum: Spectrum,
    span: Span,
    length: usize,
    course: Course,
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
    peaks: Box<[Peak]>,
    found: usize,
    /// The held pitch in bins, 0 if it is not one note.
    pitch: f64,
    lines: Box<[Line]>,
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
        let spectrum = Spectrum::new(longest, rate);
        let groups = spectrum.power.len().div_ceil(GROUP);
        let chunk = node.max(384 / node * node);
        let compared = scaled(4096, rate).min(4096);
        let compare = RealFftPlanner::new().plan_fft_forward(compared);
        let none = Complex32::new(0.0, 0.0);
        let rate = f64::from(rate);
        let band = |bin: usize| ((bin as f64 * rate / size as f64).max(1.0) / LOWEST).ln() / spacing();
        Self {
            rate,
            span: Span::default(),
            length: 0,
            course: Course::default(),
            node,
            nodes: vec![(0.0, 1.0); longest / node + 2].into(),
            chunk,
            sound: vec![0.0; chunk * 5 / 4 + 8].into(),
            walk: 0.0,
            start: 0.0,
            part: PARTS.len(),
            done: 0,
            levels: vec![0; groups].into(),
            counts: vec![0; LEVELS].into(),
            floor: vec![0.0; groups].into(),
            level: 0,
            below: 0,
            counted: 0,
            top: 0.0,
            peaks: vec![Peak::default(); PEAKS].into(),
            found: 0,
            pitch: 0.0,
            lines: vec![Line::default(); PARTIALS].into(),
            count: 0,
            zone: 0.0,
            sums: vec![0.0; groups + 1].into(),
            bins: vec![0; groups + 1].into(),
            next: 0,
            noise: vec![0.0; size / 2 + 1].into(),
            scratch: vec![none; compare.get_scratch_len()].into(),
            compare,
            frame: vec![0.0; compared].into(),
            out: vec![none; compared / 2 + 1].into(),
            window: hann(compared).into(),
            raw: vec![0.0; compared / 2 + 1].into(),
            twice: vec![0.0; (compared / 2 + 2).max(size / 2 + 2)].into(),
            wanted: [0.0; BANDS],
            noisy: [0.0; BANDS],
            tonal: [0.0; BANDS],
            partial_gain: [1.0; BANDS],
            noise_gain: [1.0; BANDS],
            band_of: (0..=size / 2).map(|bin| (band(bin) as f32).clamp(0.0, (BANDS - 1) as f32)).collect(),
            spectrum,
        }
    }

    /// A new span.
    pub fn start(&mut self, span: Span) {
        self.span = span;
        self.length = (span.length() as usize).min(self.spectrum.span.len()) / self.node * self.node;
        (self.part, self.done) = (0, 0);
    }

    /// How many steps a span of so many samples takes.
    pub fn steps(&self, samples: u64) -> u64 {
        let length = (samples as usize).min(self.spectrum.span.len()) / self.node * self.node;
        PARTS.iter().map(|&part| self.steps_of(part, length)).sum()
    }

    fn steps_of(&self, part: Part, length: usize) -> u64 {
        let blocks = self.spectrum.power.len() / BLOCK;
        let steps = |work: usize, each: usize| work.div_ceil(each.max(1));
        (match part {
            Part::Fit => FITS as usize,
            Part::Place => steps(length / self.node + 1, NODES),
            Part::Read => steps(length, self.chunk),
            Part::Gather => 2 * self.spectrum.frames(),
            Part::Combine => steps(blocks, self.blocks()),
            Part::Floor => steps(self.levels.len(), AT_ONCE),
            Part::Peaks => steps(self.spectrum.power.len(), 1000),
            Part::Cells => steps(self.levels.len(), 400),
            Part::Noise => steps(self.noise.len(), 205),
            Part::Partials => steps(PARTIALS, 20),
            Part::Compare => 4 * self.compared(length),
            Part::Correct => 6 * ROUNDS as usize,
            Part::Bands => 2,
            Part::Course | Part::Clear | Part::Prune | Part::Decide | Part::Finish => 1,
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
            Part::Course => {
                let aim = heard.aim(self.rate as u32);
                self.course = aim.map_or(Course::default(), |aim| aim.course(self.span));
            }
            Part::Fit => self.course.fit(step),
            Part::Clear => self.clear(),
            Part::Place => self.place(i),
            Part::Read => self.read(i * self.chunk, heard),
            Part::Gather if i.is_multiple_of(2) => self.spectrum.gather(i / 2),
            Part::Gather => self.spectrum.transform(i / 2),
            Part::Combine => self.combine(i * self.blocks()),
            Part::Floor => self.find_floor(i * AT_ONCE),
            Part::Peaks => self.find_peaks(i * 1000),
            Part::Prune => self.prune(),
            Part::Decide => self.decide(),
            Part::Cells => self.gather_noise(i * 400),
            Part::Noise => self.shape_noise(i * 205),
            Part::Partials => self.weigh_partials(i * 20),
            Part::Compare => self.compare(i, heard),
            Part::Bands if i == 0 => twice(self.raw.iter().map(|&p| f64::from(p)), self.raw.len(), &mut self.twice),
            Part::Bands => self.want(),
            Part::Correct => self.correct(i % 6),
            Part::Finish => self.finish(hold),
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

    /// The floor between the partials: the 30th percentile of the power over 1.2 times the pitch to both sides, which of
    /// noise lies at 0.357 of its mean.
    fn find_floor(&mut self, from: usize) {
        let pitch = self.course.held() * self.spectrum.size() as f64;
        let reach = ((1.2 * pitch).max(self.bins(60.0)) / GROUP as f64) as usize;
        let last = self.levels.len();
        for place in from..(from + AT_ONCE).min(last) {
            let (enter, leave) = (place + reach, place.checked_sub(reach + 1));
            let entering = if place == 0 { 0..enter + 1 } else { enter..enter + 1 };
            for &level in self.levels.get(entering.start.min(last)..entering.end.min(last)).unwrap_or_default() {
                if let Some(count) = self.counts.get_mut(usize::from(level)) {
                    *count += 1;
                }
                self.counted += 1;
                self.below += u32::from(usize::from(level) < self.level);
            }
            if let Some(&level) = leave.and_then(|leave| self.levels.get(leave)) {
                if let Some(count) = self.counts.get_mut(usize::from(level)) {
                    *count = count.saturating_sub(1);
                }
                self.counted = self.counted.saturating_sub(1);
                self.below = self.below.saturating_sub(u32::from(usize::from(level) < self.level));
            }
            let wanted = self.counted * 3 / 10;
            let count = |level: usize| self.counts.get(level).copied().map_or(0, u32::from);
            while self.below > wanted && self.level > 0 {
                self.level -= 1;
                self.below -= count(self.level);
            }
            while self.below + count(self.level) <= wanted && self.level + 1 < LEVELS {
                self.below += count(self.level);
                self.level += 1;
            }
            if let Some(floor) = self.floor.get_mut(place) {
                *floor = power_of(self.level) / 0.357;
            }
        }
    }

    /// Peaks: local maxima 10 dB over the floor and less than 75 dB below the highest.
    fn find_peaks(&mut self, from: usize) {
        let least = (self.top * 10f32.powf(-7.5)).max(1e-20);
        let power = &self.spectrum.power;
        for k in from.max(1)..(from + 1000).min(power.len().saturating_sub(1)) {
            let Some(&[a, b, c]) = power.get(k - 1..k + 2) else { break };
            if !((b > a) & (b >= c) & (b > least)) {
                continue;
            }
            let floor = self.floor.get(k / GROUP).copied().unwrap_or(f32::MAX).max(1e-24);
            if b < 10.0 * floor {
                continue;
            }
            let (a, l, c) = (a.max(1e-24).ln(), b.ln(), c.max(1e-24).ln());
            let bend = a - 2.0 * l + c;
            let shift = if bend < 0.0 { (0.5 * (a - c) / bend).clamp(-0.5, 0.5) } else { 0.0 };
            if let Some(peak) = self.peaks.get_mut(self.found) {
                *peak = Peak { place: k as f32 + shift, power: b, over: b / floor, gone: false };
                self.found += 1;
            }
        }
    }

    /// Half the main lobe of the window, in bins.
    fn lobe(&self) -> f64 {
        4.0 * self.spectrum.size() as f64 / self.length.max(1) as f64
    }

    /// A peak within a lobe of a higher one is its skirt.
    fn prune(&mut self) {
        let near = (0.9 * self.lobe()) as f32;
        for i in 0..self.found {
            let Some(&peak) = self.peaks.get(i) else { break };
            let higher = |other: &Peak| other.power > peak.power && (other.place - peak.place).abs() < near;
            let close = |other: &&Peak| (other.place - peak.place).abs() < near;
            let after = self.peaks.iter().take(self.found).skip(i + 1).take_while(close).any(higher);
            let before = self.peaks.iter().take(i).rev().take_while(close).any(higher);
            if let Some(peak) = self.peaks.get_mut(i) {
                peak.gone = after || before;
            }
        }
        let mut kept = 0;
        for i in 0..self.found {
            if let Some(&peak) = self.peaks.get(i).filter(|peak| !peak.gone)
                && let Some(place) = self.peaks.get_mut(kept)
            {
                *place = peak;
                kept += 1;
            }
        }
        self.found = kept;
    }

    /// The peaks of harmonics, the strongest near each multiple of `pitch`: number, place, amplitude.
    fn harmonics(&self, pitch: f64) -> impl Iterator<Item = (f64, f64, f64)> + '_ {
        let number = move |peak: &Peak| (f64::from(peak.place) / pitch).round();
        let clear = move |peak: &&Peak| peak.over > CLEAR && number(peak) > 0.0;
        let mut peaks = self.peaks.iter().take(self.found).filter(clear).peekable();
        std::iter::from_fn(move || {
            let mut best = *peaks.next()?;
            while let Some(peak) = peaks.next_if(|peak| number(peak) == number(&best)) {
                if peak.power > best.power {
                    best = *peak;
                }
            }
            Some((number(&best), f64::from(best.place), f64::from(best.power).sqrt()))
        })
    }

    /// One note or several, and which partials.
    fn decide(&mut self) {
        let lobe = self.lobe();
        let mut pitch = self.course.held() * self.spectrum.size() as f64;
        let mut one = pitch > 2.0 && self.course.harmonicity > 0.85;
        if one {
            for most in [6.0, 16.0, 40.0] {
                let (mut sum, mut squares) = (0.0, 0.0);
                for (number, place, amplitude) in self.harmonics(pitch) {
                    if number <= most && (place - number * pitch).abs() < 0.2 * pitch {
                        sum += amplitude * number * place;
                        squares += amplitude * number * number;
                    }
                }
                if squares > 0.0 {
                    pitch = sum / squares;
                }
            }
            let (mut off, mut all) = (0.0, 1e-30);
            for (number, place, amplitude) in self.harmonics(pitch) {
                off += amplitude * (place - number * pitch).abs() / pitch;
                all += amplitude;
            }
            one = off / all < 0.0065;
        }
        self.zone = lobe;
        self.pitch = 0.0;
        // Besides a note's harmonics only what is within 50 dB of the strongest, else within 65 dB.
        let least = if one { 1e-5 } else { 10f32.powf(-6.5) };
        let mut next = 1.0;
        if one {
            self.pitch = pitch;
            self.zone = lobe.max((pitch / 4.0).min(self.bins(50.0))).min(0.46 * pitch);
        }
        let end = self.spectrum.power.len() as f64 - lobe;
        self.count = 0;
        for i in 0..self.found {
            let Some(&peak) = self.peaks.get(i) else { break };
            let place = f64::from(peak.place);
            if place < 0.5 * lobe || place > end {
                continue;
            }
            if one {
                let number = (place / pitch).round();
                let off = (place - number * pitch).abs();
                if number >= next && off < self.zone && peak.over > HARMONIC {
                    // A harmonic has something of its own there.
                    self.push(number * pitch);
                    next = number + 1.0;
                    continue;
                }
                if off < self.zone.max(1.5 * lobe) {
                    continue;
                }
            }
            if peak.over > CLEAR && peak.power > least * self.top {
                self.push(place);
            }
        }
        let count = self.count;
        if let Some(lines) = self.lines.get_mut(..count) {
            lines.sort_unstable_by(|a, b| a.place.total_cmp(&b.place));
        }
    }

    fn push(&mut self, place: f64) {
        if let Some(line) = self.lines.get_mut(self.count) {
            *line = Line { place, ..Line::default() };
            self.count += 1;
        }
    }

    /// Sums the power outside the partials.
    fn gather_noise(&mut self, from: usize) {
        let zone = self.zone;
        for cell in from..(from + 400).min(self.levels.len()) {
            let (low, high) = ((cell * GROUP) as f64 - 0.5, (cell * GROUP + GROUP) as f64 - 0.5);
            while self.lines.get(self.next).is_some_and(|l| self.next < self.count && l.place + zone < low) {
                self.next += 1;
            }
            let taken = self.next < self.count && self.lines.get(self.next).is_some_and(|l| l.place - zone < high);
            let bins = self.spectrum.power.get(cell * GROUP..).unwrap_or_default();
            let bins = bins.get(..GROUP.min(bins.len())).unwrap_or_default();
            let (sum, count) =
                if taken { (0.0, 0) } else { (bins.iter().map(|&p| f64::from(p)).sum(), bins.len() as u32) };
            let (before, bins) =
                (self.sums.get(cell).copied().unwrap_or(0.0), self.bins.get(cell).copied().unwrap_or(0));
            if let (Some(s), Some(b)) = (self.sums.get_mut(cell + 1), self.bins.get_mut(cell + 1)) {
                (*s, *b) = (before + sum, bins + count);
            }
        }
    }

    /// The noise's density around a place, in bins.
    fn density(&self, place: f64, reach: f64) -> f64 {
        let last = self.sums.len() - 1;
        let mut reach = reach / GROUP as f64;
        let place = place / GROUP as f64;
        for _ in 0..6 {
            let low = ((place - reach).max(0.0) as usize).min(last);
            let high = ((place + reach).max(0.0) as usize + 1).min(last);
            let of = |i: usize| (self.sums.get(i).copied().unwrap_or(0.0), self.bins.get(i).copied().unwrap_or(0));
            let (a, b) = (of(low), of(high));
            if b.1 >= a.1 + 2 * GROUP as u32 {
                return ((b.0 - a.0) / f64::from(b.1 - a.1)).max(0.0);
            }
            reach *= 2.0;
        }
        0.0
    }

    /// The noise's density at the bins of the hold's frames: the mean over a sixth of an octave, or 60 Hz to both sides.
    fn shape_noise(&mut self, from: usize) {
        let last = (self.noise.len() - 1).max(1);
        let scale = self.spectrum.size() as f64 / (2 * last) as f64;
        let least = self.bins(60.0);
        let end = self.spectrum.power.len() as f64;
        for bin in from..(from + 205).min(last + 1) {
            let place = bin as f64 * scale;
            let density = if place < end { self.density(place, least.max(0.0595 * place)) } else { 0.0 };
            if let Some(noise) = self.noise.get_mut(bin) {
                *noise = if density < 1e-20 { 0.0 } else { density as f32 };
            }
        }
    }

    /// The power and the directions of the partials: all energy around them that is not the noise's.
    fn weigh_partials(&mut self, from: usize) {
        let least = self.bins(60.0);
        for i in from..(from + 20).min(self.count) {
            let Some(&line) = self.lines.get(i) else { break };
            let at = |i: usize| self.lines.get(i).filter(|_| i < self.count).map(|line| line.place);
            let low = i.checked_sub(1).and_then(at).map_or(0.0, |other| (other + line.place) / 2.0);
            let high = at(i + 1).map_or(f64::MAX, |other| (other + line.place) / 2.0);
            let low = (line.place - self.zone).max(low).ceil().max(0.0) as usize;
            let high = ((line.place + self.zone).min(high).floor() as usize + 1).min(self.spectrum.power.len());
            let bins = self.spectrum.power.get(low..high).unwrap_or_default();
            let all = f64::from(bins.iter().sum::<f32>());
            let noise = self.density(line.place, least.max(0.0595 * line.place)) * bins.len() as f64;
            let power = if all > 2.0 * noise { all - noise } else { 0.0 };
            let direction = self.spectrum.direction(line.place.round() as usize);
            if let Some(line) = self.lines.get_mut(i) {
                line.power = power * 2.0 / self.spectrum.size() as f64;
                line.direction = direction;
            }
        }
    }

    /// The span's own density, frame by frame.
    fn compare(&mut self, step: usize, heard: &Heard<'_>) {
        let (frame, step) = (step / 4, step % 4);
        let frames = self.compared(self.length);
        let size = self.frame.len();
        let length = self.length.min(size);
        match step {
            0 => {
                let room = (self.span.length() as usize).saturating_sub(length);
                let start = self.span.from + (room * frame / (frames - 1).max(1)) as i64;
                self.frame.fill(0.0);
                let Some(sound) = self.frame.get_mut(..length) else { return };
                heard.read(start, sound);
                let window = |(x, w): (&mut f32, f32)| {
                    let y = *x * w;
                    *x = if y.abs() < 1e-12 { 0.0 } else { y };
                };
                if length == size {
                    sound.iter_mut().zip(self.window.iter().copied()).for_each(window);
                } else {
                    let step = size as f32 / length.max(1) as f32;
                    let at = |i: usize| self.window.get((i as f32 * step) as usize).copied().unwrap_or(0.0);
                    sound.iter_mut().zip((0..length).map(at)).for_each(window);
                }
            }
            1 => {
                // All lengths were fixed when it was made.
                let _ = self.compare.process_with_scratch(&mut self.frame, &mut self.out, &mut self.scratch);
            }
            // The transform is the longest step of all: nothing comes beside it.
            2 => {}
            _ => {
                let scale = 1.0 / (0.375 * length.max(1) as f32 * frames as f32);
                for (raw, z) in self.raw.iter_mut().zip(&self.out) {
                    let flush = |x: f32| if x.abs() < 1e-9 { 0.0 } else { x };
                    let (re, im) = (flush(z.re), flush(z.im));
                    *raw += (re * re + im * im) * scale;
                }
            }
        }
    }

    /// A band's middle and half its width, in bins of the frames that are compared: never less than most of the pitch, so
    /// that there is always a partial in it.
    fn band(&self, band: usize) -> (f64, f64) {
        let bin = self.rate / self.frame.len() as f64;
        let pitch = self.pitch * self.rate / self.spectrum.size() as f64;
        let middle = LOWEST * (spacing() * band as f64).exp();
        let half = (0.26 * middle).max(0.8 * pitch).max(3.0 * bin);
        ((middle / bin).round(), (half / bin).round())
    }

    /// The power of the span in the bands.
    fn want(&mut self) {
        let size = self.frame.len();
        for band in 0..BANDS {
            let (middle, half) = self.band(band);
            let sum = triangle(&self.twice, middle, half);
            if let Some(wanted) = self.wanted.get_mut(band) {
                *wanted = sum * 2.0 / size as f64;
            }
        }
    }

    fn correct(&mut self, step: usize) {
        let size = self.frame.len();
        match step {
            0 => {
                twice(self.noise.iter().map(|&p| f64::from(p)), self.noise.len(), &mut self.twice);
            }
            1 => {
                let hold = 2 * (self.noise.len() - 1);
                let scale = hold as f64 / size as f64;
                for band in 0..BANDS {
                    let (middle, half) = self.band(band);
                    let sum = triangle(&self.twice, middle * scale, half * scale);
                    if let Some(noisy) = self.noisy.get_mut(band) {
                        *noisy = sum * 2.0 / hold as f64;
                    }
                }
            }
            2 => {
                self.tonal.fill(0.0);
                let scale = size as f64 / self.spectrum.size() as f64;
                let bands: [(f64, f64); BANDS] = std::array::from_fn(|band| self.band(band));
                let mut first = 0;
                for line in self.lines.iter().take(self.count) {
                    let place = line.place * scale;
                    // Bands rise in both edges, and so do the partials.
                    while bands.get(first).is_some_and(|(middle, half)| middle + half <= place) {
                        first += 1;
                    }
                    for (tonal, (middle, half)) in self.tonal.iter_mut().zip(&bands).skip(first) {
                        let weight = 1.0 - (place - middle).abs() / half;
                        if weight <= 0.0 {
                            break;
                        }
                        *tonal += weight * line.power;
                    }
                }
            }
            3 => {
                let gains = self.partial_gain.iter_mut().zip(&mut self.noise_gain);
                for (((partial, noise), wanted), (noisy, tonal)) in
                    gains.zip(self.wanted).zip(self.noisy.iter().zip(self.tonal))
                {
                    let all = noisy + tonal;
                    let ratio = if all > 1e-22 && wanted > 1e-22 { (wanted / all).clamp(0.25, 4.0) } else { 1.0 };
                    *partial = ratio as f32;
                    *noise = if all > 1e-22 { ((ratio as f32).log2() * (noisy / all) as f32).exp2() } else { 1.0 };
                }
            }
            4 => {
                let scale = self.rate / self.spectrum.size() as f64;
                for line in self.lines.iter_mut().take(self.count) {
                    let band = ((line.place * scale / LOWEST).max(1.0).ln() / spacing()) as f32;
                    line.power *= f64::from(between(&self.partial_gain, band));
                }
            }
            _ => {
                for (noise, &band) in self.noise.iter_mut().zip(&self.band_of) {
                    *noise *= between(&self.noise_gain, band);
                }
            }
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
                *partial = Partial { frequency, amplitude, direction: line.direction };
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

fn middle(span: Span) -> f64 {
    (span.from + span.to) as f64 / 2.0
}

/// From one band's middle to the next, as a logarithm.
fn spacing() -> f64 {
    (HIGHEST / LOWEST).ln() / (BANDS - 1) as f64
}

fn level_of(power: f32) -> u16 {
    ((rough_log2(power) + 80.0) * 4.0).clamp(0.0, (LEVELS - 1) as f32) as u16
}

fn power_of(level: usize) -> f32 {
    // The inverse of the rough logarithm.
    let log2 = level as f32 / 4.0 - 80.0 + 0.125;
    f32::from_bits(((log2 + 127.0).max(0.0) * (1 << 23) as f32) as u32)
}

/// The base-2 logarithm, within 0.09, from the number's own bits; about −127 for 0.
fn rough_log2(power: f32) -> f32 {
    power.to_bits() as f32 / (1 << 23) as f32 - 127.0
}

/// A value between two bands.
fn between(values: &[f32], place: f32) -> f32 {
    let place = place.clamp(0.0, (values.len() - 1) as f32);
    let (i, t) = (place as usize, place.fract());
    match values.get(i..i + 2) {
        Some(&[a, b]) => a + (b - a) * t,
        _ => values.last().copied().unwrap_or(1.0),
    }
}

/// The running sums of the running sums of so many values: beyond the last they would go on evenly.
fn twice(values: impl Iterator<Item = f64>, count: usize, out: &mut [f64]) {
    let (mut once, mut both) = (0.0, 0.0);
    let (sums, rest) = out.split_at_mut((count + 1).min(out.len()));
    for (out, value) in sums.iter_mut().zip(values.chain([0.0])) {
        *out = both;
        both += once;
        once += value;
    }
    for out in rest {
        *out = both;
        both += once;
    }
}

/// The values' sum under a triangle, 1 in its middle and 0 `half` to both sides, from their sums of sums.
fn triangle(twice: &[f64], middle: f64, half: f64) -> f64 {
    let of = |i: usize| twice.get(i).copied().unwrap_or(0.0);
    let at = |place: f64| {
        let place = place.max(0.0);
        // Beyond the end it goes on as it does there.
        let i = (place as usize).min(twice.len().saturating_sub(2));
        of(i) + (of(i + 1) - of(i)) * (place - i as f64)
    };
    let middle = middle + 1.0;
    ((at(middle + half) - 2.0 * at(middle) + at(middle - half)) / half.max(1.0)).max(0.0)
}

//! What a source's sound is made of, moment by moment: partials, noise, onsets. One model per source, on an absolute
//! clock, read by every effect that makes the sound anew.
//!
//! Every 512 samples (at 44.1 and 48 kHz) a frame is taken apart; a [`Breakpoint`] tells what it held. The work is cut into
//! steps at grid lines, and a breakpoint is known from a grid line on that depends on nothing but its own number. No frame's
//! window reaches across an onset, so that nothing of a note is found before it.

mod lobe;
mod noise;
mod onsets;
mod peaks;
mod period;
mod strength;
mod told;
mod tracks;

use crate::bytes::many;
use crate::prefault::prefaulted;
use crate::schedule::Schedule;
use crate::windows::scaled;
use lobe::Lobe;
use noise::NoiseModel;
use onsets::Onsets;
use peaks::{Peaks, USUAL};
use period::Period;
use realfft::num_complex::Complex32;
use tracks::{TrackFrame, Tracks};

mod residual;
use residual::Residual;

pub(crate) use noise::{decode, encode, places};
pub(crate) use strength::{SPAN, Strength};
pub(crate) use told::Known;
use told::ModelTold;

/// Frames after one that are known when its partials are told.
const AHEAD: u64 = 5;
/// Frames after one that are known when the bend of its partials is measured.
const BENT: u64 = 2;
/// Frames kept.
const FRAMES: usize = 8;
/// Breakpoints, noise frames and strengths kept.
const KEPT: usize = 64;
/// What is done at one grid line.
#[derive(Clone, Copy)]
enum ModelStep {
    /// Of the frame of the round.
    Load,
    Transform,
    Weigh,
    Find,
    Refine,
    Follow,
    Begin,
    /// Of frames before it: a half of what bends, and what is told.
    Bend(usize),
    Tell,
    /// Of the period.
    Period(period::PeriodStep),
    /// Of the noise.
    Residual,
    Partials,
    TakeIn,
    WeighNoise,
    Draw,
    Hurry,
    Nothing,
}

/// The steps of a round: first those of all rounds, then those of rounds of even number, in which noise is looked for, and
/// of the others, in which the period is.
const STEPS: [ModelStep; 10] = [
    ModelStep::Load,
    ModelStep::Transform,
    ModelStep::Weigh,
    ModelStep::Find,
    ModelStep::Refine,
    ModelStep::Follow,
    ModelStep::Begin,
    ModelStep::Bend(0),
    ModelStep::Bend(1),
    ModelStep::Tell,
];
const EVEN: [ModelStep; 6] = [
    ModelStep::Residual,
    ModelStep::Partials,
    ModelStep::TakeIn,
    ModelStep::WeighNoise,
    ModelStep::Draw,
    ModelStep::Hurry,
];
const ODD: [ModelStep; 6] = [
    ModelStep::Period(period::PeriodStep::Load),
    ModelStep::Period(period::PeriodStep::Transform),
    ModelStep::Period(period::PeriodStep::Correlate),
    ModelStep::Period(period::PeriodStep::Choose),
    ModelStep::Nothing,
    ModelStep::Nothing,
];

impl ModelStep {
    /// The one of this place in the round of this number.
    fn of(round: u64, place: u64) -> Self {
        let last = if round.is_multiple_of(2) { &EVEN } else { &ODD };
        STEPS.iter().chain(last).nth(place as usize).copied().unwrap_or(Self::Nothing)
    }
}
/// Partials told of at once.
pub(crate) const PARTIALS: usize = tracks::PARTIALS;
/// Their slots: one for every track.
pub(crate) const SLOTS: usize = 192;

/// What belongs to an onset and is neither partial nor noise: its sound from shortly before it to shortly after, in
/// samples.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Attack {
    pub before: usize,
    pub length: usize,
    /// Samples of its end that fades.
    fades: usize,
}

impl Attack {
    /// A model that has heard nothing, for `rate` samples a second; allocates all that it needs.
    pub fn new(rate: u32) -> Self {
        let samples = |seconds: f64| (seconds * f64::from(rate)).round() as usize;
        Self { before: samples(0.002), length: samples(0.009), fades: samples(0.003) }
    }

    /// Its gain at one of its samples; what else sounds has the complement.
    pub fn gain(&self, place: usize) -> f32 {
        let half = |part: f32| 0.5 - 0.5 * (std::f32::consts::PI * part).cos();
        if place < self.before {
            half((place as f32 + 0.5) / self.before as f32)
        } else {
            half((self.length.saturating_sub(place) as f32 / self.fades as f32).min(1.0))
        }
    }

    /// The same at `since` samples after the onset.
    fn at(&self, since: i64) -> f32 {
        match usize::try_from(since + self.before as i64) {
            Ok(place) if place < self.length => self.gain(place),
            _ => 0.0,
        }
    }
}

/// A partial at a breakpoint.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct ModelPartial {
    /// Its place among the tracks, and its number: the same from birth to end, and no other's.
    pub slot: u8,
    pub id: u32,
    /// Its phase in turns, 0…1, of a cosine.
    pub turns: f32,
    /// Its frequency in periods per sample.
    pub frequency: f32,
    /// At its first breakpoint how that changes per sample, and how far the phase lies beyond what the next breakpoints agree on.
    pub glide: f32,
    pub offset: f32,
    /// Its amplitude, below 0 where it is turned over; and the change of its level in octaves per sample.
    pub amplitude: f32,
    pub slope: f32,
}

/// What a source held at one moment.
#[derive(Clone, Debug)]
pub(crate) struct Breakpoint {
    /// The moment.
    pub middle: u64,
    /// The onset between the breakpoint before and this one, if there is any: the last.
    pub onset: Option<u64>,
    /// Where the sound came out of silence between the breakpoint before and this one, if it did.
    pub start: Option<u64>,
    partials: [ModelPartial; PARTIALS],
    count: usize,
}

/// What a source's noise was like at one moment.
#[derive(Clone, Debug)]
pub(crate) struct NoiseFrame {
    /// The moment.
    pub middle: u64,
    /// Standard deviations, one for every two bins, see [`decode`].
    pub envelope: Box<[u16]>,
}

impl Breakpoint {
    /// The partials that sound.
    pub fn partials(&self) -> &[ModelPartial] {
        self.partials.get(..self.count).unwrap_or_default()
    }
}

/// What a model knows at a sample, however far beyond it its source has been heard.
#[derive(Clone, Copy)]
pub(crate) struct ModelFindings<'a> {
    model: &'a Model,
    end: u64,
}

impl<'a> ModelFindings<'a> {
    /// What the source held, moment by moment.
    pub fn breakpoints(&self) -> Known<'a, Breakpoint> {
        self.model.breakpoints.known(self.end)
    }

    /// What its noise was like.
    pub fn noise_frames(&self) -> Known<'a, NoiseFrame> {
        self.model.noise_frames.known(self.end)
    }

    /// How strong it was.
    pub fn strengths(&self) -> Known<'a, Strength> {
        self.model.strengths.known(self.end)
    }

    /// The first onset from this sample on, as far as it is kept.
    pub fn onset(&self, from: u64) -> Option<u64> {
        self.model.onsets.known(self.end).find(|&onset| onset >= from)
    }
}

/// See the module.
pub(crate) struct Model {
    schedule: Schedule,
    stagger: u64,
    /// Samples from a frame's middle to the grid line of its first step.
    behind: u64,
    attack: Attack,
    onsets: Onsets,
    peaks: Peaks,
    tracks: Tracks,
    lobe: Lobe,
    noise: NoiseModel,
    period: Period,
    /// Bins of the noise's envelope over which it is averaged, and those of a sudden change.
    near: (usize, usize),
    width: usize,
    /// The last frames, by number.
    frames: [Option<TrackFrame>; FRAMES],
    spectrum: Box<[Complex32]>,
    residual: Residual,
    last: TrackFrame,
    /// Onsets before the last breakpoint.
    onsets_told: u64,
    breakpoints: ModelTold<Breakpoint>,
    noise_frames: ModelTold<NoiseFrame>,
    strengths: ModelTold<Strength>,
}

impl Model {
    /// A model for `rate` samples a second; `stagger` moves its steps against those of other sources.
    pub fn new(rate: u32, stagger: u64) -> Self {
        let hop = scaled(2048, rate) / 4;
        let schedule = Schedule::new(hop, (STEPS.len() + EVEN.len()) as u64);
        let onsets = Onsets::new(rate);
        let peaks = Peaks::new(rate);
        let breakpoint =
            Breakpoint { middle: 0, onset: None, start: None, partials: [ModelPartial::default(); PARTIALS], count: 0 };
        let noise_frame = NoiseFrame { middle: 0, envelope: prefaulted(0, places(rate)) };
        Self {
            stagger: schedule.stagger(stagger),
            behind: (peaks.size() as u64 / 2 + onsets.delay()).next_multiple_of(schedule.hop()),
            attack: Attack::new(rate),
            tracks: Tracks::new(),
            lobe: Lobe::new(),
            noise: NoiseModel::new(rate),
            period: Period::new(rate),
            near: (1, 6),
            width: USUAL,
            frames: [None; FRAMES],
            spectrum: prefaulted(Complex32::ZERO, peaks.spectrum()),
            residual: Residual::new(rate),
            last: TrackFrame::default(),
            onsets_told: 0,
            breakpoints: ModelTold::new(KEPT, breakpoint),
            noise_frames: ModelTold::new(KEPT, noise_frame),
            strengths: ModelTold::new(KEPT, Strength { start: 0, partials: 1.0, rest: 0.0 }),
            schedule,
            onsets,
            peaks,
        }
    }

    /// Bytes that one takes beside itself.
    pub fn bytes(rate: u32) -> usize {
        many::<Complex32>(Peaks::spectrum_of(rate))
            + Peaks::bytes(rate)
            + Tracks::bytes()
            + Lobe::bytes()
            + NoiseModel::bytes(rate)
            + Period::bytes(rate)
            + Residual::bytes(rate)
            + many::<(u64, Breakpoint)>(KEPT)
            + many::<(u64, NoiseFrame)>(KEPT)
            + many::<u16>(KEPT * places(rate))
            + many::<(u64, Strength)>(KEPT)
    }

    /// Samples of the past that it reads.
    pub fn reach(rate: u32) -> usize {
        // The longest window and what it waits for an onset, or the search for an onset's beginning.
        let peaks = scaled(4096, rate);
        2 * peaks + rate as usize / 20
    }

    /// What is known at the sample `end`: all that a reader gets to see of a model.
    pub fn until(&self, end: u64) -> ModelFindings<'_> {
        ModelFindings { model: self, end }
    }

    /// Takes in the samples from `from` on, up to the end of their cell at most.
    pub fn feed(&mut self, from: u64, samples: &[f32], read: impl Fn(i64, &mut [f32])) {
        self.onsets.feed(from, samples, &read);
        self.period.feed(from, samples);
    }

    /// Does what is due at the grid line `line`; `read` fills a slice with the past from a sample on.
    pub fn advance(&mut self, line: u64, read: impl Fn(i64, &mut [f32])) {
        // The residual's sound is made all the time, at twice the pace at most: breakpoints do not come evenly.
        for _ in 0..2 {
            let told = |strength| self.strengths.tell(line, |place| *place = strength);
            self.residual.go_on(self.attack, &self.breakpoints, &read, told);
        }
        let (round, due) = self.schedule.due(line + self.stagger);
        for step in due {
            self.step(round, ModelStep::of(round, step), line, &read);
        }
    }

    fn step(&mut self, number: u64, step: ModelStep, line: u64, read: &impl Fn(i64, &mut [f32])) {
        let here = self.frame(number);
        match step {
            ModelStep::Load => {
                let frame = line.checked_sub(self.behind).and_then(|middle| self.place(number, middle));
                if let Some(place) = self.frames.get_mut(number as usize % FRAMES) {
                    *place = frame.map(|(frame, _)| frame);
                }
                if let Some((frame, width)) = frame {
                    self.peaks.load(frame.middle, width, read);
                    self.width = width;
                    self.last = frame;
                }
            }
            // A frame that an onset left no room for has no spectrum.
            ModelStep::Transform
            | ModelStep::Weigh
            | ModelStep::Find
            | ModelStep::Refine
            | ModelStep::Follow
            | ModelStep::Begin
                if here.is_none() => {}
            ModelStep::Transform => self.peaks.transform(&mut self.spectrum),
            ModelStep::Weigh => self.peaks.weigh(&self.spectrum),
            ModelStep::Find => self.peaks.find(self.width),
            ModelStep::Refine => self.peaks.refine(&self.spectrum),
            ModelStep::Follow => {
                if let Some(frame) = here {
                    self.tracks.follow(frame, self.peaks.found(), &self.spectrum);
                }
            }
            ModelStep::Begin => {
                if let Some(frame) = here {
                    self.tracks.begin(frame, self.peaks.found(), &self.spectrum);
                }
            }
            ModelStep::Bend(half) => {
                if let Some(bent) = number.checked_sub(BENT) {
                    self.tracks.bend(bent, half, &self.lobe);
                }
            }
            ModelStep::Tell => {
                if let Some(frame) = number.checked_sub(AHEAD).and_then(|told| self.frame(told)) {
                    self.tell(frame, line);
                }
            }
            ModelStep::Period(step) => {
                let start = line.saturating_sub((line + self.stagger) % self.schedule.hop());
                self.period.step(step, start.saturating_sub(self.behind) + self.schedule.hop());
            }
            ModelStep::Residual => {
                self.residual.frame();
                self.residual.transform_rest();
            }
            ModelStep::Partials => self.residual.transform_partials(),
            ModelStep::TakeIn => {
                if let Some((rest, partials)) = self.residual.spectra() {
                    self.noise.take_in(rest, partials);
                }
            }
            ModelStep::WeighNoise => self.noise.weigh(),
            ModelStep::Draw => self.noise.draw(self.near.0),
            ModelStep::Hurry => {
                if let Some(middle) = self.residual.middle() {
                    self.noise_frames.tell(line, |noise_frame| {
                        noise_frame.middle = middle;
                        self.noise.hurry(self.near.1, &mut noise_frame.envelope);
                    });
                }
            }
            ModelStep::Nothing => {}
        }
    }

    /// Makes a breakpoint of a frame.
    fn tell(&mut self, frame: TrackFrame, line: u64) {
        let onset = (frame.onsets != self.onsets_told)
            .then(|| self.onsets.found().rev().find(|&onset| onset <= frame.middle))
            .flatten();
        let last = self.breakpoints.last().map_or(0, |breakpoint| breakpoint.middle);
        let start = self.onsets.started().filter(|&start| start >= last && start < frame.middle);
        self.breakpoints.tell(line, |breakpoint| {
            (breakpoint.middle, breakpoint.onset, breakpoint.start, breakpoint.count) = (frame.middle, onset, start, 0);
            self.tracks.tell(frame.number, |partial| {
                if let Some(place) = breakpoint.partials.get_mut(breakpoint.count) {
                    *place = partial;
                    breakpoint.count += 1;
                }
            });
        });
        self.onsets_told = frame.onsets;
    }

    fn frame(&self, number: u64) -> Option<TrackFrame> {
        self.frames.get(number as usize % FRAMES).copied().flatten().filter(|frame| frame.number == number)
    }

    /// Where a frame's window may lie and how long it may be, so that it does not reach across an onset: near `middle`
    /// or not at all.
    fn place(&self, number: u64, middle: u64) -> Option<(TrackFrame, usize)> {
        let mut onsets = self.onsets.count();
        let (mut low, mut high) = (0, u64::MAX);
        for onset in self.onsets.found().rev() {
            if onset <= middle {
                low = onset + (self.attack.length - self.attack.before) as u64;
                break;
            }
            high = onset.saturating_sub(self.attack.before as u64);
            onsets -= 1;
        }
        let mut width = self.period.width();
        while self.peaks.window(width) as u64 > high.saturating_sub(low) {
            width = width.checked_sub(1)?;
        }
        let window = self.peaks.window(width);
        let half = window as u64 / 2;
        let place = middle.max(low + half).min(high.saturating_sub(half));
        let moved = place.abs_diff(middle);
        let first = self.last.window == 0 || place > self.last.middle;
        (moved <= self.schedule.hop() / 2 && first)
            .then_some((TrackFrame { number, middle: place, window, onsets }, width))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::memory::Memory;
    use crate::random;

    #[test]
    fn white_noise_is_noise_of_its_level() {
        let mut memory = Memory::new(20_000, 48_000).modelled(48_000, 1);
        let gauss = |i: u64| (0..12).map(|k| random::even(5, i, k)).sum::<f64>() - 6.0;
        let sound: Vec<f32> = (0..96_000).map(|i| (0.1 * gauss(i)) as f32).collect();
        memory.write(0, &sound);
        let heard = memory.heard(96_000);
        let model = heard.model().expect("it was asked for");
        let (mut sum, mut count, mut partials) = (0.0, 0.0, 0.0);
        for number in model.noise_frames().first()..model.noise_frames().after() {
            let noise_frame = model.noise_frames().get(number).unwrap();
            for &x in &noise_frame.envelope[10..400] {
                sum += f64::from(decode(x)).powi(2);
                count += 1.0;
            }
        }
        for number in model.breakpoints().first()..model.breakpoints().after() {
            partials += model.breakpoints().get(number).unwrap().partials().len() as f64 / KEPT as f64;
        }
        let level = 10.0 * (sum / count / 0.01f64).log10();
        assert!(level.abs() < 0.05, "{level} dB, {partials} partials");
    }

    #[test]
    fn noise_is_told_of_once_at_a_time_whatever_onsets_there_are() {
        let mut memory = Memory::new(20_000, 48_000).modelled(48_000, 1);
        // A knock every 0.3 s leaves no room for some frames.
        let sound: Vec<f32> = (0..96_000u64)
            .map(|i| (random::even(5, i, 0) - 0.5) as f32 * (-((i % 14_400) as f32) / 500.0).exp())
            .collect();
        memory.write(0, &sound);
        let heard = memory.heard(96_000);
        let model = heard.model().expect("it was asked for");
        let noise_frames: Vec<u64> = (model.noise_frames().first()..model.noise_frames().after())
            .map(|number| model.noise_frames().get(number).unwrap().middle)
            .collect();
        assert!(model.onset(48_000).is_some() && noise_frames.len() > 40, "{} noise_frames", noise_frames.len());
        assert!(noise_frames.windows(2).all(|two| two[1] >= two[0] + 1024), "{noise_frames:?}");
    }
}

//! What a source's sound is like, moment by moment: one analysis per source, on an absolute clock.
//!
//! Every 512 samples (at 44.1 and 48 kHz) a frame of 2048 is weighed: how steady, how loud, how pitched. The work is cut
//! into steps at grid lines, and a moment is known from a grid line on that depends on nothing but its own number.

use crate::CELL;
use crate::bytes::{many, plan_bytes};
use crate::prefault::prefaulted;
use crate::schedule::Schedule;
use crate::transform;
use crate::windows::{hann, scaled};
use realfft::num_complex::Complex32;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use std::ops::RangeInclusive;
use std::sync::Arc;

const STEPS: [AnalysisStep; 5] = [
    AnalysisStep::Load,
    AnalysisStep::Transform,
    AnalysisStep::WeighBands,
    AnalysisStep::Correlate,
    AnalysisStep::WeighPitch,
];

/// What is done at one grid line.
#[derive(Clone, Copy)]
enum AnalysisStep {
    Load,
    Transform,
    WeighBands,
    Correlate,
    WeighPitch,
}
/// The highest tone that is told, in Hz, and into how many parts a period is divided to find it.
const HIGHEST: f32 = 2500.0;
const PARTS: usize = 6;
const BANDS: usize = 8;
/// Moments kept, about 1.4 s.
const KEPT: usize = 128;
/// The level of silence in dB: far below any mic's noise.
const SILENCE: f32 = -160.0;

/// One moment's measures.
#[derive(Clone, Copy, Debug)]
pub(crate) struct AnalysedMoment {
    /// The sample after its frame; 0 where there is none yet.
    pub end: u64,
    /// The grid line from which on it is known.
    known: u64,
    /// Levels of eight bands, dB.
    pub bands: [f32; BANDS],
    /// Level of 80…3500 Hz, dB.
    pub level: f32,
    /// The level that this source's pitched sound usually has, dB.
    pub usual: f32,
    /// Steadiness × harmonicity, 0…1.
    pub steady: f32,
    /// Steadiness × loudness × harmonicity: the above times a tenfold for every 25 dB over full scale.
    pub weight: f32,
    /// How periodic it is, 0…1.
    pub harmonicity: f32,
    /// The shortest period that fits, in samples; 0 if none does.
    pub period: f32,
    /// The same for tones above 800 Hz as well; 0 where nobody asked.
    pub tone: f32,
}

static NONE: AnalysedMoment = AnalysedMoment {
    end: 0,
    known: u64::MAX,
    bands: [SILENCE; BANDS],
    level: SILENCE,
    usual: SILENCE,
    steady: 0.0,
    weight: 0.0,
    harmonicity: 0.0,
    period: 0.0,
    tone: 0.0,
};

/// What an analysis knows at a sample, however far beyond it its source has been heard.
#[derive(Clone, Copy)]
pub(crate) struct Moments<'a> {
    analysis: &'a Analysis,
    end: u64,
}

impl<'a> Moments<'a> {
    /// The moment `back` hops before the newest whose frame has ended; `None` if it is not known there or then.
    pub fn get(&self, back: u64) -> Option<&'a AnalysedMoment> {
        let Analysis { stagger, schedule, .. } = self.analysis;
        let newest = (self.end + stagger) / schedule.hop() * schedule.hop();
        let moment = self.analysis.at(newest.checked_sub(back * schedule.hop() + stagger)?);
        // The place of the first is the next one's.
        let kept = back < KEPT as u64 - 1;
        (kept && moment.known <= self.end && moment.end > 0).then_some(moment)
    }

    /// Samples from one moment to the next.
    pub fn hop(&self) -> u64 {
        self.analysis.schedule.hop()
    }

    /// Samples of a moment's frame.
    pub fn size(&self) -> u64 {
        self.analysis.window.len() as u64
    }
}

/// See the module.
pub(crate) struct Analysis {
    schedule: Schedule,
    rate: f32,
    stagger: u64,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    scratch: Box<[Complex32]>,
    window: Box<[f32]>,
    /// The window's own autocorrelation over that at lag 0, at the lags that are looked at.
    lags: Box<[f32]>,
    first_lag: usize,
    time: Box<[f32]>,
    spectrum: Box<[Complex32]>,
    edges: [usize; BANDS + 1],
    voiced: RangeInclusive<usize>,
    moments: Box<[AnalysedMoment]>,
    /// The moment in work.
    moment: AnalysedMoment,
    /// Whether somebody asked for [`AnalysedMoment::tone`].
    tones: bool,
}

impl Analysis {
    /// An analysis for `rate` samples a second; `stagger` moves its steps against those of other sources.
    pub fn new(rate: u32, stagger: u64) -> Self {
        let (size, hop) = (scaled(2048, rate), scaled(2048, rate) / 4);
        let schedule = Schedule::new(hop, STEPS.len() as u64);
        // So much of nothing after the frame that no lag looked at comes round to it.
        let padded = size / 2 * 3;
        let mut planner = RealFftPlanner::new();
        let (forward, inverse) = (planner.plan_fft_forward(padded), planner.plan_fft_inverse(padded));
        let scratch = forward.get_scratch_len().max(inverse.get_scratch_len());
        let window = hann(size);
        let own = |lag: usize| window.iter().zip(window.iter().skip(lag)).map(|(a, b)| a * b).sum::<f32>();
        let second = rate as f32;
        let first_lag = (0.00125 * second) as usize;
        let lags = (first_lag..=(0.016 * second) as usize).map(|lag| own(lag).max(1e-3) / own(0)).collect();
        let bin = |hertz: f32| ((hertz * padded as f32 / second).round() as usize).clamp(1, padded / 2);
        Self {
            schedule,
            rate: second,
            stagger: schedule.stagger(stagger),
            scratch: prefaulted(Complex32::ZERO, scratch),
            window: window.into(),
            lags,
            first_lag,
            time: prefaulted(0.0, padded),
            spectrum: prefaulted(Complex32::ZERO, padded / 2 + 1),
            edges: std::array::from_fn(|i| bin(150.0 * (10_000.0f32 / 150.0).powf(i as f32 / BANDS as f32))),
            voiced: bin(80.0)..=bin(3500.0),
            moments: prefaulted(NONE, KEPT),
            moment: NONE,
            tones: false,
            forward,
            inverse,
        }
    }

    /// Bytes that one takes beside itself.
    pub fn bytes(rate: u32) -> usize {
        let size = scaled(2048, rate);
        let padded = size / 2 * 3;
        let lags = (0.016 * rate as f32) as usize + 1 - (0.00125 * rate as f32) as usize;
        // Twelve times a power of two takes other ways of transforming, and both ways share most.
        many::<f32>(size + padded + lags)
            + many::<Complex32>(padded / 2 + 1)
            + many::<AnalysedMoment>(KEPT)
            + 2 * plan_bytes(padded)
    }

    /// Tells the tones of its moments as well.
    pub fn tell_tones(&mut self) {
        self.tones = true;
    }

    /// Does what is due at the grid line `line`; `read` fills a slice with the sound that ends there.
    pub fn advance(&mut self, line: u64, read: impl Fn(&mut [f32])) {
        let (_, due) = self.schedule.due(line + self.stagger);
        for step in due.filter_map(|step| STEPS.get(step as usize)) {
            match step {
                AnalysisStep::Load => self.load(line, &read),
                AnalysisStep::Transform => self.transform(),
                AnalysisStep::WeighBands => self.weigh_bands(),
                AnalysisStep::Correlate => self.correlate(),
                AnalysisStep::WeighPitch => self.weigh_pitch(),
            }
        }
    }

    fn load(&mut self, line: u64, read: &impl Fn(&mut [f32])) {
        let size = self.window.len();
        let (frame, rest) = self.time.split_at_mut(size.min(self.time.len()));
        read(frame);
        for (x, w) in frame.iter_mut().zip(&self.window) {
            let y = *x * w;
            *x = if y.abs() < 1e-12 { 0.0 } else { y };
        }
        rest.fill(0.0);
        self.moment = AnalysedMoment { end: line, known: line + self.schedule.lead(), ..NONE };
    }

    fn transform(&mut self) {
        let scratch = self.scratch.get_mut(..self.forward.get_scratch_len()).unwrap_or_default();
        transform::forward(&*self.forward, &mut self.time, &mut self.spectrum, scratch);
    }

    fn weigh_bands(&mut self) {
        for z in &mut self.spectrum {
            let part = |x: f32| if x.abs() < 1e-9 { 0.0 } else { x };
            *z = Complex32::new(part(z.re).powi(2) + part(z.im).powi(2), 0.0);
        }
        // A full-scale sine's frame has a quarter of its length as amplitude.
        let full = (self.window.len() as f32 / 4.0).powi(2);
        let level = |bins: &[Complex32]| {
            // Sums side by side, which the compiler makes vectors of.
            let mut sums = [0.0f32; 8];
            let (eights, rest) = bins.as_chunks::<8>();
            for eight in eights {
                sums.iter_mut().zip(eight).for_each(|(sum, z)| *sum += z.re);
            }
            let power = (sums.iter().sum::<f32>() + rest.iter().map(|z| z.re).sum::<f32>()) / full;
            10.0 * power.max(1e-16).log10()
        };
        for (i, band) in self.moment.bands.iter_mut().enumerate() {
            if let (Some(&low), Some(&high)) = (self.edges.get(i), self.edges.get(i + 1)) {
                *band = level(self.spectrum.get(low..high).unwrap_or_default());
            }
        }
        // What lies far below the loudest band is its leakage or nothing that an ear would follow.
        let loudest = self.moment.bands.iter().copied().fold(SILENCE, f32::max);
        for band in &mut self.moment.bands {
            *band = band.max(loudest - 50.0);
        }
        self.moment.level = level(self.spectrum.get(self.voiced.clone()).unwrap_or_default());
    }

    fn correlate(&mut self) {
        let scratch = self.scratch.get_mut(..self.inverse.get_scratch_len()).unwrap_or_default();
        transform::inverse(&*self.inverse, &mut self.spectrum, &mut self.time, scratch);
    }

    /// The best normalised correlation at 62…800 Hz: the frame's own over the window's (Boersma, "Accurate short-term
    /// analysis of the fundamental frequency", Proc. Institute of Phonetic Sciences Amsterdam 17, 1993).
    fn weigh_pitch(&mut self) {
        let energy = self.time.first().copied().unwrap_or(0.0);
        let lags = self.time.get(self.first_lag..self.first_lag + self.lags.len()).unwrap_or_default();
        let mut most = [0.0f32; 8];
        for (x, own) in lags.chunks(8).zip(self.lags.chunks(8)) {
            for (most, (x, own)) in most.iter_mut().zip(x.iter().zip(own)) {
                let x = x / own;
                *most = if x > *most { x } else { *most };
            }
        }
        let best = most.into_iter().fold(0.0, f32::max);
        let harmonicity = if energy > 1e-12 { (best / energy).min(1.0) } else { 0.0 };
        let period = if harmonicity > 0.3 { self.period(best - 0.05 * energy) } else { 0.0 };
        let tone = if self.tones && period > 0.0 { self.tone(period, best - 0.1 * energy) } else { 0.0 };
        let hop = self.schedule.hop();
        let (earlier, last) = {
            let steps = (0.02 * self.rate / hop as f32).round() as u64;
            (*self.at(self.moment.end.wrapping_sub(steps * hop)), *self.at(self.moment.end.wrapping_sub(hop)))
        };
        let moment = &mut self.moment;
        let difference = moment.bands.iter().zip(earlier.bands).map(|(a, b)| (a - b).powi(2)).sum::<f32>();
        let difference = (difference / BANDS as f32).sqrt();
        let steadiness = (-(difference - 1.5).max(0.0) / 4.0).exp();
        (moment.harmonicity, moment.period, moment.tone) = (harmonicity, period, tone);
        moment.steady = steadiness * ((harmonicity - 0.5) / 0.4).clamp(0.0, 1.0);
        moment.weight = moment.steady * 10f32.powf(moment.level / 25.0);
        // Pitched sound teaches what is usual, over some two seconds of it.
        moment.usual = if moment.steady < 0.8 || moment.level < -70.0 {
            last.usual
        } else if last.usual <= SILENCE {
            moment.level
        } else {
            last.usual + (moment.level - last.usual) * (hop as f32 / (2.0 * self.rate))
        };
        let place = self.place(self.moment.end);
        if let Some(kept) = self.moments.get_mut(place) {
            *kept = self.moment;
        }
    }

    fn correlations(&self) -> impl Iterator<Item = f32> + '_ {
        self.time.iter().skip(self.first_lag).zip(&self.lags).map(|(x, own)| x / own)
    }

    /// The shortest lag at which the correlation has a peak of at least `least`, made exact at its highest multiple that
    /// was looked at: there the same error of a lag is a smaller one of the period.
    fn period(&self, least: f32) -> f32 {
        let at = |place: usize| match (self.time.get(self.first_lag + place), self.lags.get(place)) {
            (Some(x), Some(own)) => x / own,
            _ => f32::MIN,
        };
        let Some(mut place) = self.correlations().position(|x| x >= least) else { return 0.0 };
        while at(place + 1) > at(place) {
            place += 1;
        }
        let exact = |place: usize| {
            let (a, b, c) = (place.checked_sub(1).map_or(f32::MIN, at), at(place), at(place + 1));
            let bend = a - 2.0 * b + c;
            let shift = if a > f32::MIN && c > f32::MIN && bend < 0.0 { 0.5 * (a - c) / bend } else { 0.0 };
            (self.first_lag + place) as f32 + shift.clamp(-0.5, 0.5)
        };
        let mut period = exact(place);
        let most = (self.first_lag + self.lags.len()) as f32 - 2.0;
        let mut times = 2.0;
        while times * period < most {
            let near = (times * period).round() as usize - self.first_lag;
            let top = (near.saturating_sub(2)..=near + 2).max_by(|&a, &b| at(a).total_cmp(&at(b))).unwrap_or(near);
            if at(top) < least || top.abs_diff(near) == 2 {
                break;
            }
            period = exact(top) / times;
            times += 1.0;
        }
        period
    }

    /// The period itself of what fits a period of at least 1.25 ms: that, or a part of it that fits as well.
    fn tone(&self, period: f32, least: f32) -> f32 {
        // The window's own correlation is 1 within a few thousandths at the shorter lags.
        let own = |lag: usize| lag.checked_sub(self.first_lag).and_then(|place| self.lags.get(place)).unwrap_or(&1.0);
        let at = |lag: usize| self.time.get(lag).map_or(f32::MIN, |x| x / own(lag));
        // The top next to a lag, between the samples, and its height.
        let top = |near: f32, reach: usize| {
            let near = (near.round() as usize).max(reach);
            let lag = (near - reach..=near + reach).max_by(|&a, &b| at(a).total_cmp(&at(b))).unwrap_or(near);
            let (a, b, c) = (at(lag.saturating_sub(1)), at(lag), at(lag + 1));
            let bend = a - 2.0 * b + c;
            // The longest lag has no neighbour, and is no top.
            let is_top = b >= a && b >= c && bend < 0.0 && lag + 1 < self.first_lag + self.lags.len();
            let shift = if is_top { 0.5 * (a - c) / bend } else { 0.0 };
            is_top.then_some((lag as f32 + shift, b - 0.25 * (a - c) * shift))
        };
        // Just above 800 Hz what fits first is the slope behind the top. Without a top, at the end of the range, it is none.
        let Some((whole, _)) = top(period, 3) else { return 0.0 };
        let shortest = self.rate / HIGHEST;
        let parts = (2..=PARTS).rev().map(|part| whole / part as f32).filter(|part| *part >= shortest);
        let part = parts.filter_map(|part| top(part, 2)).find(|&(tone, height)| height >= least && tone < 0.75 * whole);
        let mut tone = part.map_or(whole, |(tone, _)| tone);
        // Exact at its highest multiple, as above.
        let most = (self.first_lag + self.lags.len()) as f32 - 3.0;
        let mut times = 2.0;
        while times * tone < most {
            match top(times * tone, 2) {
                Some((lag, height)) if height >= least && (lag - times * tone).abs() < 1.5 => tone = lag / times,
                _ => break,
            }
            times += 1.0;
        }
        tone
    }

    fn place(&self, end: u64) -> usize {
        ((end + self.stagger) / self.schedule.hop()) as usize & (KEPT - 1)
    }

    fn at(&self, end: u64) -> &AnalysedMoment {
        match self.moments.get(self.place(end.min(u64::MAX - CELL * 64))) {
            Some(moment) if moment.end == end => moment,
            _ => &NONE,
        }
    }

    /// What is known at the sample `end`: all that a reader gets to see of an analysis.
    pub fn until(&self, end: u64) -> Moments<'_> {
        Moments { analysis: self, end }
    }
}

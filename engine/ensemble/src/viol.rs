//! A bass viol: bowed and plucked strings on one body.

use crate::cycle::{Cycle, Phase};
use crate::filter::{Filter, smooth};
use crate::noise::Noise;
use crate::part::{Course, PartSound};
use crate::score::{EnsembleNote, gain};
use std::f64::consts::{PI, TAU};

/// The body: frequency in Hz, Q, dB. An air mode, plate modes and the hill of the bridge, invented near the sizes that
/// are usual for large bowed instruments; common practice, no source.
const BODY: [(f64, f64, f64); 7] = [
    (98.0, 5.0, 5.0),
    (172.0, 6.0, 6.0),
    (255.0, 7.0, 4.0),
    (390.0, 6.0, 5.0),
    (610.0, 5.0, 3.0),
    (1150.0, 2.0, 4.0),
    (2100.0, 3.0, -4.0),
];
const BOWED: f64 = 0.072;
const PLUCKED: f64 = 0.17;

/// What the strings sound through.
pub struct Body {
    filters: Vec<Filter>,
}

impl Body {
    /// A body that is at rest, at `rate` samples a second.
    pub fn new(rate: u32) -> Self {
        let ends = [Filter::highpass(95.0, rate), Filter::lowpass(4200.0, rate)];
        Self { filters: ends.into_iter().chain(BODY.map(|(hz, q, db)| Filter::peak(hz, q, db, rate))).collect() }
    }

    /// The next sample of what the strings move.
    pub fn next(&mut self, strings: f64) -> f64 {
        self.filters.iter_mut().fold(strings, |x, filter| filter.next(x))
    }
}

/// One note under the bow: a sawtooth (the string's motion under a bow, Helmholtz 1863) that brightens as the bow bites.
pub struct Bowed {
    course: Course,
    hz: f64,
    gain: f64,
    cycle: Cycle,
    phase: Phase,
    noise: Noise,
    wander: f64,
    hair: Filter,
    dark: f64,
}

impl Bowed {
    const ATTACK: f64 = 0.22;
    const RELEASE: f64 = 0.45;

    /// A note; `number` seeds what differs from note to note.
    pub fn new(rate: u32, note: &EnsembleNote, number: u64) -> Self {
        let hz = note.hz();
        let count = Cycle::harmonics_below(7000.0, hz * 1.02, rate);
        Self {
            course: Course::new(note.lasts + Self::RELEASE, rate),
            hz,
            gain: BOWED * gain(note.level),
            cycle: Cycle::new(&(1..=count).map(|k| (0.0, 1.0 / k as f64)).collect::<Vec<_>>()),
            phase: Phase::default(),
            noise: Noise::new(2, number),
            wander: 0.0,
            hair: Filter::bandpass(1800.0, 0.7, rate),
            dark: 0.0,
        }
    }
}

impl PartSound for Bowed {
    fn next(&mut self) -> Option<f64> {
        let (t, left) = self.course.next()?;
        let bow = smooth(t / Self::ATTACK);
        let lifted = smooth(left / Self::RELEASE);
        // The stroke swells a little and trembles with the arm.
        let stroke = 0.8 + 0.2 * smooth((t - 0.3) / 1.5) + 0.03 * (TAU * 3.1 * t).sin() * bow;
        let noise = self.noise.next();
        self.wander += (noise - self.wander) * TAU * 12.0 / self.course.rate;
        // The wander's RMS is about 0.016 √(48 kHz/rate): scaled to some 2 cents at any rate.
        let shake = 6.0 * (TAU * 4.9 * t).sin() * smooth((t - 0.6) / 0.9);
        let cents = self.wander * 120.0 * (self.course.rate / 48_000.0).sqrt() + shake - 8.0 * (-t / 0.05).exp();
        let phase = self.phase.next(self.hz * (cents / 1200.0).exp2() / self.course.rate);
        let string = self.cycle.at(phase);
        let corner = (700.0 + 2200.0 * bow * lifted * stroke).min(0.4 * self.course.rate);
        self.dark += (string - self.dark) * (1.0 - (-TAU * corner / self.course.rate).exp());
        // The hair slips once a cycle, and scrapes until the string has caught.
        let scrape = 0.035 + 0.05 * smooth(t / 0.03) * (-t / 0.12).exp();
        let hair = self.hair.next(noise) * scrape * (0.5 + phase);
        Some(self.gain * lifted * stroke * (bow * self.dark + smooth(t / 0.05) * hair))
    }
}

/// One note under the finger: partials that die away, the high ones first.
pub struct Plucked {
    course: Course,
    partials: Vec<StringPartial>,
    noise: Noise,
    finger: Filter,
    gain: f64,
}

/// A decaying sine, turned on by one complex product a sample.
struct StringPartial {
    turn: (f64, f64),
    now: (f64, f64),
}

impl Plucked {
    /// The finger damps the string over this time, in seconds.
    const DAMPED: f64 = 0.25;
    /// Where along the string it is plucked, as a part of its length.
    const PLACE: f64 = 0.22;
    /// Gut's stiffness: the n-th partial is n √(1 + B n²) (Fletcher 1964, JASA 36, 203; this B invented, small).
    const STIFFNESS: f64 = 2e-5;

    /// A note; `number` seeds what differs from note to note.
    pub fn new(rate: u32, note: &EnsembleNote, number: u64) -> Self {
        let hz = note.hz();
        let count = Cycle::harmonics_below(6000.0, hz * 1.05, rate).min(48);
        let partials = (1..=count).map(|k| {
            let n = k as f64;
            let step = TAU * n * hz * ((1.0 + Self::STIFFNESS * n * n) / (1.0 + Self::STIFFNESS)).sqrt();
            // Time to fall by 60 dB: gut is short, and shorter the higher.
            let t60 = (5.5 / (1.0 + 0.16 * n + 0.02 * n * n)) * (110.0 / hz).sqrt().clamp(0.5, 1.3);
            let fall = 0.001f64.powf(1.0 / (t60 * f64::from(rate)));
            let (sin, cos) = (step / f64::from(rate)).sin_cos();
            // The shape of a string pulled aside at one place, seen as the force on the bridge; a soft fingertip.
            let size = (PI * n * Self::PLACE).sin() / n * (-n / 10.0).exp();
            StringPartial { turn: (fall * cos, fall * sin), now: (size, 0.0) }
        });
        Self {
            course: Course::new(note.lasts + Self::DAMPED, rate),
            partials: partials.collect(),
            noise: Noise::new(3, number),
            finger: Filter::bandpass(700.0, 0.8, rate),
            gain: PLUCKED * gain(note.level),
        }
    }
}

impl PartSound for Plucked {
    fn next(&mut self) -> Option<f64> {
        let (t, left) = self.course.next()?;
        let mut string = 0.0;
        for StringPartial { turn, now } in &mut self.partials {
            string += now.1;
            *now = (now.0 * turn.0 - now.1 * turn.1, now.0 * turn.1 + now.1 * turn.0);
        }
        let touch = self.finger.next(self.noise.next()) * smooth(t / 0.004) * (-t / 0.012).exp();
        Some(self.gain * smooth(left / Self::DAMPED) * (smooth(t / 0.004) * string + 0.25 * touch))
    }
}

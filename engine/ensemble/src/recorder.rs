//! A treble recorder.

use crate::cycle::{Cycle, Phase};
use crate::filter::{Filter, smooth};
use crate::noise::Noise;
use crate::part::{Course, PartSound};
use crate::score::{EnsembleNote, gain};
use std::f64::consts::TAU;

/// The harmonics in dB re the first: nearly a sine, the odd ones above the even ones as in a pipe that overblows late.
/// Common practice, no source.
const HARMONICS_DB: [f64; 8] = [0.0, -24.0, -17.0, -36.0, -31.0, -44.0, -46.0, -52.0];
/// The peak of a note at level 0 dB.
const PEAK: f64 = 0.17;
const ATTACK: f64 = 0.045;
const RELEASE: f64 = 0.07;

/// One note, tongued.
pub struct Blown {
    course: Course,
    hz: f64,
    gain: f64,
    cycle: Cycle,
    phase: Phase,
    noise: Noise,
    chiff: [Filter; 2],
    breath: Filter,
}

impl Blown {
    /// A note; `number` seeds what differs from note to note.
    pub fn new(rate: u32, note: &EnsembleNote, number: u64) -> Self {
        let hz = note.hz();
        let count = Cycle::harmonics_below(12_000.0, hz * 1.02, rate).min(HARMONICS_DB.len());
        Self {
            course: Course::new(note.lasts + RELEASE, rate),
            hz,
            gain: PEAK * gain(note.level),
            cycle: Cycle::new(&HARMONICS_DB[..count].iter().map(|db| (0.0, gain(*db))).collect::<Vec<_>>()),
            phase: Phase::default(),
            noise: Noise::new(1, number),
            chiff: [2.0, 3.0].map(|k| Filter::bandpass(k * hz, 5.0, rate)),
            breath: Filter::bandpass(2200.0, 0.6, rate),
        }
    }
}

impl PartSound for Blown {
    fn next(&mut self) -> Option<f64> {
        let (t, left) = self.course.next()?;
        let blown = smooth(t / ATTACK) * smooth(left / RELEASE);
        // A slow tremble of the breath, more in loudness than in pitch; the air starts a little flat.
        let tremble = (TAU * 4.6 * t).sin() * smooth((t - 0.35) / 0.8);
        let cents = 4.0 * tremble - 25.0 * (-t / 0.025).exp();
        let tone = self.cycle.at(self.phase.next(self.hz * (cents / 1200.0).exp2() / self.course.rate));
        let noise = self.noise.next();
        let chiff = smooth(t / 0.008) * (-t / 0.022).exp();
        let [second, third] = &mut self.chiff;
        let puff = (second.next(noise) + 0.7 * third.next(noise)) * chiff * 0.9;
        let breath = self.breath.next(noise) * (0.014 + 0.12 * chiff);
        Some(self.gain * blown * (tone * (1.0 + 0.05 * tremble) + puff + breath))
    }
}

//! Meters: how loud a mic or an output is.

use crate::CELL;
use tenterhook_plan::MeterReading;

/// Seconds in which the mean square makes up 63 % of a step.
const INTEGRATION: f64 = 0.3;

/// A run of this many samples at full scale is one clip: common practice, no source.
const CLIP: u32 = 3;

/// Measures one channel: peak, root of the mean square, and how many times at least three samples in a row stood at full
/// scale or beyond. A full-scale sine reads 0.7071 (−3.01 dB), a full-scale square 1. What it shows changes at grid lines
/// only, so that it does not depend on the device's blocks.
#[derive(Clone, Copy, Debug)]
pub struct Meter {
    /// What each sample of a cell adds to the mean square by the cell's end, and what is left of it by then.
    weights: [f64; CELL as usize],
    left: f64,
    /// The mean square at the last grid line, and what the cell in work adds.
    square: f64,
    added: f64,
    peak: f32,
    run: u32,
    clips: u32,
    shown: MeterReading,
}

impl Meter {
    /// A meter for `rate` samples a second.
    pub fn new(rate: u32) -> Self {
        let pace = -(-1.0 / (INTEGRATION * f64::from(rate.max(1)))).exp_m1();
        let weights = std::array::from_fn(|i| pace * (1.0 - pace).powi(CELL as i32 - 1 - i as i32));
        Self {
            weights,
            left: (1.0 - pace).powi(CELL as i32),
            square: 0.0,
            added: 0.0,
            peak: 0.0,
            run: 0,
            clips: 0,
            shown: MeterReading::default(),
        }
    }

    /// Takes in the samples from sample `from` on, in any pieces.
    #[expect(clippy::indexing_slicing, reason = "a cell has a weight for each of its samples")]
    pub fn feed(&mut self, from: u64, samples: &[f32]) {
        for (sample, at) in samples.iter().zip(from..) {
            let size = sample.abs();
            self.peak = self.peak.max(size);
            let weight = self.weights[(at % CELL) as usize];
            self.added += f64::from(size) * f64::from(size) * weight;
            self.run = if size >= 1.0 { self.run.saturating_add(1) } else { 0 };
            if self.run == CLIP {
                self.clips = self.clips.saturating_add(1);
            }
            if (at + 1) % CELL == 0 {
                self.settle();
            }
        }
    }

    /// What it shows: the state at the last grid line.
    pub fn reading(&self) -> MeterReading {
        self.shown
    }

    /// What it shows; the peak starts again from there.
    pub fn take(&mut self) -> MeterReading {
        let reading = self.shown;
        self.shown.peak = 0.0;
        reading
    }

    fn settle(&mut self) {
        self.square = self.square * self.left + self.added;
        self.added = 0.0;
        // −200 dB is silence.
        if self.square < 1e-20 {
            self.square = 0.0;
        }
        (self.shown.peak, self.shown.rms) = (self.shown.peak.max(self.peak), self.square.sqrt() as f32);
        self.shown.clips = self.clips;
        self.peak = 0.0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::f64::consts::TAU;

    fn sine(seconds: f64) -> Vec<f32> {
        (0..(48_000.0 * seconds) as u32).map(|i| (TAU * 1000.0 * f64::from(i) / 48_000.0).sin() as f32).collect()
    }

    #[test]
    fn a_full_scale_sine_reads_3_decibels_down_and_a_square_0() {
        let mut meter = Meter::new(48_000);
        meter.feed(0, &sine(3.0));
        // 20 lg(1/√2) = −3.0103 dB.
        assert!((20.0 * meter.reading().rms.log10() + 3.0103).abs() < 0.02, "{:?}", meter.reading());
        assert!((meter.reading().peak - 1.0).abs() < 1e-6);
        let mut meter = Meter::new(48_000);
        meter.feed(0, &vec![0.5; 144_000]);
        assert!((meter.reading().rms - 0.5).abs() < 1e-4);
    }

    #[test]
    fn the_square_takes_300_milliseconds_for_63_percent() {
        let mut meter = Meter::new(48_000);
        meter.feed(0, &[1.0; 14_400]);
        assert!((f64::from(meter.reading().rms).powi(2) - (1.0 - (-1.0f64).exp())).abs() < 1e-4);
    }

    #[test]
    fn the_peak_is_held_until_it_is_taken() {
        let mut meter = Meter::new(48_000);
        meter.feed(0, &[0.0, -0.75, 0.0]);
        assert_eq!(meter.reading().peak, 0.0, "shown at the next grid line");
        meter.feed(3, &[0.0; 61]);
        assert_eq!((meter.take().peak, meter.take().peak), (0.75, 0.0));
        meter.feed(64, &[0.25; 32]);
        assert_eq!(meter.reading().peak, 0.25);
    }

    #[test]
    fn a_run_is_one_clip_however_long() {
        let mut meter = Meter::new(48_000);
        let mut sound = vec![1.0, 1.0, 0.5, -1.0, 1.5, -2.0, 1.0, 1.0, 0.9, 1.0, 1.0, 1.0];
        sound.resize(64, 0.0);
        meter.feed(0, &sound);
        assert_eq!(meter.reading().clips, 2);
    }

    #[test]
    fn ends_at_exactly_nothing() {
        let mut meter = Meter::new(48_000);
        meter.feed(0, &[1.0; 64]);
        meter.feed(64, &vec![0.0; 48_000 * 20]);
        assert_eq!(meter.reading().rms, 0.0);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..Default::default() })]

        #[test]
        fn the_cut_is_no_matter(sound in proptest::collection::vec(-2f32..2.0, 1..600), cut in 1usize..100) {
            let (mut whole, mut pieces) = (Meter::new(48_000), Meter::new(48_000));
            whole.feed(5, &sound);
            for (i, piece) in sound.chunks(cut).enumerate() {
                pieces.feed(5 + (i * cut) as u64, piece);
            }
            prop_assert_eq!(whole.reading(), pieces.reading());
        }
    }
}

//! Whether a mic's sound stands beside zero: a constant voltage (DC) that no ear hears, and that takes room, heats what
//! it reaches and clicks where something begins or ends.

use std::f64::consts::TAU;

use crate::CELL;

/// Seconds of one look. Two one after the other must see the same.
const WINDOW: f64 = 0.5;
/// A mean above this is said: −50 dBFS.
const MOST: f64 = 0.003_162_277_660_168_379_5;

/// Looks for a constant part. It decides at grid lines only.
///
/// The mean is weighted by a raised cosine, so that a deep loud tone, of which a part of a wave is left over, leaves less
/// than −70 dB from 20 Hz on.
#[derive(Clone, Copy, Debug)]
pub struct Offset {
    window: u64,
    cells: u64,
    cell: f64,
    sum: f64,
    /// The mean that was seen last.
    mean: f64,
    found: bool,
}

impl Offset {
    /// For `rate` samples a second.
    pub fn new(rate: u32) -> Self {
        let window = ((WINDOW * f64::from(rate) / CELL as f64).round() as u64).max(1);
        Self { window, cells: 0, cell: 0.0, sum: 0.0, mean: 0.0, found: false }
    }

    /// Takes in the samples from sample `from` on, in any pieces.
    pub fn feed(&mut self, from: u64, samples: &[f32]) {
        for (sample, at) in samples.iter().zip(from..) {
            self.cell += f64::from(*sample);
            if (at + 1).is_multiple_of(CELL) {
                self.settle();
            }
        }
    }

    /// The mean of the last half second as an amplitude, if it has been beyond −50 dBFS for a second; else 0.
    pub fn standing(&self) -> f32 {
        if self.found { self.mean as f32 } else { 0.0 }
    }

    fn settle(&mut self) {
        let place = (self.cells as f64 + 0.5) / self.window as f64;
        self.sum += self.cell * (1.0 - (TAU * place).cos());
        self.cell = 0.0;
        self.cells += 1;
        if self.cells >= self.window {
            let mean = self.sum / (self.window * CELL) as f64;
            self.found = mean.abs() > MOST && self.mean.abs() > MOST && mean * self.mean > 0.0;
            (self.mean, self.sum, self.cells) = (mean, 0.0, 0);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const RATE: u32 = 48_000;

    /// At which sample, if ever, it is seen.
    fn seen(sound: &[f32]) -> Option<usize> {
        let mut offset = Offset::new(RATE);
        sound
            .chunks(32)
            .enumerate()
            .position(|(n, cell)| {
                offset.feed(32 * n as u64, cell);
                offset.standing() != 0.0
            })
            .map(|cells| 32 * (cells + 1))
    }

    fn sound(seconds: f64, of: impl Fn(f64) -> f64) -> Vec<f32> {
        (0..(seconds * f64::from(RATE)) as usize).map(|n| of(n as f64 / f64::from(RATE)) as f32).collect()
    }

    fn db(db: f64) -> f64 {
        10f64.powf(db / 20.0)
    }

    #[test]
    fn more_than_50_decibels_below_full_scale_is_seen_within_a_second_and_a_half() {
        for level in [-49.5, -40.0, -6.0, 0.0] {
            for sign in [1.0, -1.0] {
                let at = seen(&sound(3.0, |_| sign * db(level))).unwrap_or(0);
                assert!((48_000..=72_000).contains(&at), "{level} dB: {at}");
            }
        }
        assert_eq!(seen(&sound(3.0, |_| db(-50.5))), None);
    }

    #[test]
    fn it_is_seen_under_a_loud_voice_and_loud_deep_tones_alone_are_none() {
        let tones = |t: f64| 0.4 * (TAU * 41.2 * t).sin() + 0.3 * (TAU * 98.7 * t).sin();
        assert!(seen(&sound(3.0, |t| db(-45.0) + tones(t))).is_some());
        for hz in 20..200 {
            let hz = f64::from(hz) + 0.37;
            assert_eq!(seen(&sound(2.0, |t| (TAU * hz * t).sin())), None, "{hz} Hz");
        }
    }

    #[test]
    fn a_knock_is_none_and_it_ends_with_the_cause() {
        assert_eq!(seen(&sound(3.0, |t| if (1.2..1.25).contains(&t) { 0.9 } else { 0.0 })), None);
        let mut offset = Offset::new(RATE);
        offset.feed(0, &[0.1; 96_000]);
        assert!((offset.standing() - 0.1).abs() < 1e-4, "{}", offset.standing());
        offset.feed(96_000, &[0.0; 48_000]);
        assert_eq!(offset.standing(), 0.0);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, cases: 24, ..Default::default() })]

        #[test]
        fn the_cut_is_no_matter(cut in 1usize..200, level in 0.001f32..0.9) {
            let (mut whole, mut pieces) = (Offset::new(RATE), Offset::new(RATE));
            let sound = vec![level; 60_000];
            whole.feed(0, &sound);
            for (n, piece) in sound.chunks(cut).enumerate() {
                pieces.feed((n * cut) as u64, piece);
            }
            prop_assert_eq!(whole.standing().to_bits(), pieces.standing().to_bits());
        }
    }
}

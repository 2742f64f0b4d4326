//! Whether an output howls: its sound comes back by a mic, louder each time, until only the limiter holds it.
//!
//! Two signs, each looked for in every 100 ms, with a sound that fills its peaks (root of the mean square within 4 dB of
//! the peak; a sine is 3 dB below, a square 0, music some 10 to 20):
//! - for 1.0 s the limiter has taken 6 dB or more;
//! - for 1.1 s it has taken 1 dB or more, and the peaks before it were the same within 0.5 dB in every 25 ms. What comes
//!   back by 1 to 6 dB too loud ends so: it stands at the ceiling, and nothing in it moves any more. Voices and
//!   instruments move by more.
//!
//! Both bounds are our own choice.

use crate::CELL;
use crate::limiter::Limiter;

/// Seconds of a part of a look, and parts of one look.
const PART: f64 = 0.025;
const PARTS: u32 = 4;
/// How many decibels the root of the mean square may be below the peak.
const CREST_DB: f64 = 4.0;
/// What a limiter takes from a howl, in decibels, and in how many looks one after the other.
const MUCH: (f64, u32) = (6.0, 10);
/// What it takes of one that stands still, and in how many.
const STILL: (f64, u32) = (1.0, 11);
/// By how much the peaks before it may differ then, in decibels.
const MOVES_DB: f64 = 0.5;

/// Looks for howling at one output. It decides at grid lines only.
#[derive(Clone, Copy, Debug)]
pub struct Howl {
    part: u64,
    cells: u64,
    parts: u32,
    peak: f32,
    square: f64,
    samples: u32,
    /// Looks in a row in which the limiter took much.
    much: u32,
    /// Looks in a row in which nothing moved.
    still: u32,
    /// The least and the greatest peak before the limiter, in parts: of this look, and of those that stood still.
    peaks: (f32, f32),
    stood: (f32, f32),
    howls: bool,
}

impl Howl {
    /// For `rate` samples a second.
    pub fn new(rate: u32) -> Self {
        Self {
            part: ((PART * f64::from(rate) / CELL as f64).round() as u64).max(1),
            cells: 0,
            parts: 0,
            peak: 0.0,
            square: 0.0,
            samples: 0,
            much: 0,
            still: 0,
            peaks: NONE,
            stood: NONE,
            howls: false,
        }
    }

    /// Takes in the samples from sample `from` on, all in one cell, as they left `limiter`.
    pub fn feed(&mut self, from: u64, samples: &[f32], limiter: &mut Limiter) {
        for sample in samples {
            self.peak = self.peak.max(sample.abs());
            self.square += f64::from(*sample) * f64::from(*sample);
        }
        self.samples += samples.len() as u32;
        if (from + samples.len() as u64).is_multiple_of(CELL) {
            self.cells += 1;
            if self.cells >= self.part {
                self.peaks = with(self.peaks, limiter.take_loudest());
                (self.cells, self.parts) = (0, self.parts + 1);
                if self.parts >= PARTS {
                    self.look(f64::from(limiter.take_lowest()));
                }
            }
        }
    }

    /// Whether it howls: as of the last look.
    pub fn howls(&self) -> bool {
        self.howls
    }

    fn look(&mut self, gain: f64) {
        let peak = f64::from(self.peak);
        let full = peak > 0.0 && self.square >= f64::from(self.samples) * peak * peak * 10f64.powf(-0.1 * CREST_DB);
        let taken = -20.0 * gain.max(1e-6).log10();
        let peaks = std::mem::replace(&mut self.peaks, NONE);
        (self.parts, self.peak, self.square, self.samples) = (0, 0.0, 0.0, 0);
        self.much = if full && taken >= MUCH.0 { self.much.saturating_add(1) } else { 0 };
        let together = with(with(self.stood, peaks.0), peaks.1);
        let (still, stood) = match full && taken >= STILL.0 {
            true if is_still(together) => (self.still.saturating_add(1), together),
            true if is_still(peaks) => (1, peaks),
            _ => (0, NONE),
        };
        (self.still, self.stood) = (still, stood);
        self.howls = self.much >= MUCH.1 || self.still >= STILL.1;
    }
}

/// The least and the greatest of nothing.
const NONE: (f32, f32) = (f32::INFINITY, 0.0);

fn with((least, greatest): (f32, f32), one: f32) -> (f32, f32) {
    (least.min(one), greatest.max(one))
}

fn is_still((least, greatest): (f32, f32)) -> bool {
    f64::from(greatest) <= f64::from(least) * 10f64.powf(MOVES_DB / 20.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::f64::consts::TAU;

    const RATE: u32 = 48_000;
    const CEILING: f32 = 0.891_250_9;

    fn db(db: f64) -> f64 {
        10f64.powf(db / 20.0)
    }

    /// At which sample, if ever, howling is seen in a sound.
    fn seen(cut: usize, sound: &[f32]) -> Option<usize> {
        let (mut limiter, mut howl) = (Limiter::new(CEILING, RATE), Howl::new(RATE));
        let mut from = 0;
        while from < sound.len() {
            let line = (from / CELL as usize + 1) * CELL as usize;
            let to = line.min(from + cut).min(sound.len());
            let mut piece = sound[from..to].to_vec();
            limiter.process(&mut piece);
            howl.feed(from as u64, &piece, &mut limiter);
            if howl.howls() {
                return Some(to);
            }
            from = to;
        }
        None
    }

    /// So many seconds of sines, each with its frequency, its level over the ceiling in dB and the depth of a tremor of 5 Hz.
    fn sines(seconds: f64, all: &[(f64, f64, f64)]) -> Vec<f32> {
        let one = |n: usize, &(hz, level, tremor): &(f64, f64, f64)| {
            let t = n as f64 / f64::from(RATE);
            let tremor = 1.0 + tremor * (TAU * 5.0 * t).sin();
            f64::from(CEILING) * db(level) * tremor * (TAU * hz * t).sin()
        };
        (0..(seconds * f64::from(RATE)) as usize)
            .map(|n| all.iter().map(|sine| one(n, sine)).sum::<f64>() as f32)
            .collect()
    }

    #[test]
    fn a_tone_held_down_by_6_decibels_is_seen_after_a_second() {
        for (hz, over) in [(100.0, 6.1), (440.0, 9.0), (3000.0, 20.0), (9000.0, 60.0)] {
            let at = seen(32, &sines(3.0, &[(hz, over, 0.0)])).unwrap_or(0);
            assert!((48_000..=72_000).contains(&at), "{hz} Hz, {over} dB: {at}");
        }
        // It trembles, as one that is being born does, and is still held down by 6 dB and more.
        let at = seen(32, &sines(3.0, &[(700.0, 12.0, 0.3)])).unwrap_or(0);
        assert!((48_000..=72_000).contains(&at), "{at}");
    }

    #[test]
    fn a_tone_that_stands_at_the_ceiling_without_moving_is_seen_by_a_second_and_a_half() {
        for over in [1.2, 3.01, 5.9] {
            let at = seen(32, &sines(3.0, &[(440.0, over, 0.0)])).unwrap_or(0);
            assert!((48_000..=72_000).contains(&at), "{over} dB: {at}");
        }
    }

    #[test]
    fn what_is_loud_and_moves_or_has_a_crest_is_none() {
        // A player's tone: a tremor of 1 dB each way, and of a third of one.
        for tremor in [0.12, 0.04] {
            assert_eq!(seen(32, &sines(10.0, &[(440.0, 3.0, tremor)])), None, "{tremor}");
        }
        // A chord in just thirds, each tone loud, limited by 3 dB and by 12.
        for over in [-9.5, 0.0] {
            let chord = [(220.0, over, 0.0), (275.0, over, 0.0), (330.0, over, 0.0), (440.0, over, 0.0)];
            assert_eq!(seen(32, &sines(10.0, &chord)), None, "{over}");
        }
        // A tone that is not limited.
        assert_eq!(seen(32, &sines(10.0, &[(440.0, -0.1, 0.0)])), None);
        // Strokes, six a second, by 20 dB too loud.
        let mut strokes = sines(10.0, &[(150.0, 20.0, 0.0), (310.0, 16.0, 0.0), (523.0, 16.0, 0.0)]);
        strokes.iter_mut().enumerate().for_each(|(n, y)| *y *= (-((n % 8000) as f32) / 1500.0).exp());
        assert_eq!(seen(32, &strokes), None);
    }

    #[test]
    fn a_second_is_needed_and_a_pause_begins_it_anew() {
        let mut sound = sines(3.0, &[(440.0, 12.0, 0.0)]);
        // A pause of 0.15 s in each second.
        sound.iter_mut().enumerate().filter(|(n, _)| n % 48_000 < 7200).for_each(|(_, y)| *y = 0.0);
        assert_eq!(seen(32, &sound), None);
    }

    #[test]
    fn it_ends_when_the_sound_does() {
        let (mut limiter, mut howl) = (Limiter::new(CEILING, RATE), Howl::new(RATE));
        let mut sound = sines(2.0, &[(440.0, 12.0, 0.0)]);
        sound.resize(48_000 * 3, 0.0);
        let mut heard = false;
        for (n, cell) in sound.chunks_mut(32).enumerate() {
            limiter.process(cell);
            howl.feed(32 * n as u64, cell, &mut limiter);
            heard |= howl.howls();
        }
        assert!(heard && !howl.howls());
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, cases: 24, ..Default::default() })]

        #[test]
        fn the_cut_is_no_matter(cut in 1usize..40, hz in 50f64..8000.0, over in 2f64..20.0) {
            let sound = sines(1.7, &[(hz, over, 0.0)]);
            prop_assert_eq!(seen(cut, &sound), seen(32, &sound));
        }
    }
}

//! An output's limiter.

/// Seconds in which the gain makes up 63 % of the way back to 1.
const RELEASE: f64 = 0.08;

/// Keeps an output at or under its ceiling: no look-ahead, so no delay; the gain falls at once and comes back smoothly.
///
/// While nothing comes near the ceiling the gain is exactly 1 and the sound passes bit for bit.
#[derive(Clone, Copy, Debug)]
pub struct Limiter {
    ceiling: f32,
    back: f64,
    /// In double precision: near 1 the steps of single precision are too coarse to come back by.
    gain: f64,
    least: f64,
    /// The same for another who asks, and the greatest magnitude that came in.
    lowest: f64,
    loudest: f64,
}

impl Limiter {
    /// A limiter with its ceiling as an amplitude (1.0 is full scale; at least 0) for `rate` samples a second.
    pub fn new(ceiling: f32, rate: u32) -> Self {
        let back = -(-1.0 / (RELEASE * f64::from(rate.max(1)))).exp_m1();
        Self { ceiling: ceiling.max(0.0), back, gain: 1.0, least: 1.0, lowest: 1.0, loudest: 0.0 }
    }

    /// Limits the samples in place: afterwards no magnitude is above the ceiling. The samples must not be NaN.
    pub fn process(&mut self, samples: &mut [f32]) {
        for sample in samples {
            let size = f64::from(sample.abs());
            self.loudest = self.loudest.max(size);
            if self.gain < 1.0 {
                self.gain += (1.0 - self.gain) * self.back;
                // Less than a thousandth of a decibel is left: it ends, so that quiet sound passes untouched again.
                if self.gain > 0.9999 {
                    self.gain = 1.0;
                }
            }
            if size * self.gain > f64::from(self.ceiling) {
                self.gain = f64::from(self.ceiling) / size;
                self.least = self.least.min(self.gain);
                self.lowest = self.lowest.min(self.gain);
            }
            if self.gain < 1.0 {
                // The quotient above is rounded: the last half a step belongs to the ceiling.
                *sample = ((f64::from(*sample) * self.gain) as f32).clamp(-self.ceiling, self.ceiling);
            }
        }
    }

    /// The gain at this moment: 1 when it is not working.
    pub fn gain(&self) -> f32 {
        self.gain as f32
    }

    /// The least gain since it was last taken.
    pub fn least_gain(&self) -> f32 {
        self.least as f32
    }

    /// The least gain since the last time this was taken, then starts again from the gain now.
    pub fn take_least_gain(&mut self) -> f32 {
        std::mem::replace(&mut self.least, self.gain) as f32
    }

    /// The same for another who asks at times of their own.
    pub fn take_lowest(&mut self) -> f32 {
        std::mem::replace(&mut self.lowest, self.gain) as f32
    }

    /// The greatest magnitude that came in since the last time this was taken.
    pub fn take_loudest(&mut self) -> f32 {
        std::mem::take(&mut self.loudest) as f32
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..Default::default() })]

        #[test]
        fn never_above_the_ceiling_and_the_cut_is_no_matter(
            sound in proptest::collection::vec(-16f32..16.0, 1..400),
            ceiling in 0.001f32..1.0,
            cut in 1usize..100,
        ) {
            let (mut whole, mut pieces) = (sound.clone(), sound);
            Limiter::new(ceiling, 48_000).process(&mut whole);
            let mut limiter = Limiter::new(ceiling, 48_000);
            pieces.chunks_mut(cut).for_each(|piece| limiter.process(piece));
            prop_assert!(whole.iter().all(|y| y.abs() <= ceiling));
            prop_assert_eq!(whole, pieces);
        }

        #[test]
        fn quiet_sound_passes_bit_for_bit(sound in proptest::collection::vec(-0.5f32..0.5, 1..400)) {
            let mut out = sound.clone();
            let mut limiter = Limiter::new(0.5, 48_000);
            limiter.process(&mut out);
            prop_assert_eq!(out, sound);
            prop_assert_eq!(limiter.take_least_gain(), 1.0);
        }
    }

    #[test]
    fn comes_back_smoothly_and_to_exactly_one() {
        let mut limiter = Limiter::new(0.5, 48_000);
        limiter.process(&mut [1.0]);
        assert_eq!(limiter.gain(), 0.5);
        let mut gains = Vec::new();
        for _ in 0..96_000 {
            limiter.process(&mut [0.01]);
            gains.push(limiter.gain());
        }
        assert!(gains.windows(2).all(|pair| pair[1] >= pair[0] && pair[1] - pair[0] < 2e-4), "no step back");
        // By definition 63 % of the way after 80 ms.
        assert!((gains[3839] - (1.0 - 0.5 / std::f32::consts::E)).abs() < 1e-3, "{}", gains[3839]);
        assert_eq!(gains.last(), Some(&1.0));
        assert_eq!((limiter.take_least_gain(), limiter.take_least_gain()), (0.5, 1.0));
    }

    #[test]
    fn a_ceiling_of_nothing_is_silence() {
        let mut out = [0.0, 1.0, -1e-9, 16.0, 0.0];
        Limiter::new(0.0, 48_000).process(&mut out);
        assert!(out.iter().all(|&y| y == 0.0));
    }
}

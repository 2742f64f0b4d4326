//! The input guard: what a converter, a driver or a file may hand over becomes sound that all else can trust.

/// The largest magnitude behind the guard, 24 dB over full scale.
pub const MOST: f32 = 16.0;

/// The smallest magnitude behind the guard besides 0: −180 dB. So no product of sound and gain comes near the denormal
/// numbers, and the processor's flush mode is no matter.
pub const LEAST: f32 = 1e-9;

/// A finite number as sound: below [`LEAST`] it is exactly 0, beyond ±[`MOST`] it is ±[`MOST`].
#[inline]
pub fn settle(sample: f32) -> f32 {
    if sample.abs() < LEAST { 0.0 } else { sample.clamp(-MOST, MOST) }
}

/// Makes any numbers into sound, and counts those that were none.
#[derive(Clone, Copy, Debug, Default)]
pub struct Guard {
    bad: u64,
}

impl Guard {
    /// A guard that has seen nothing yet.
    pub const fn new() -> Self {
        Self { bad: 0 }
    }

    /// Replaces NaN and infinity by 0 and settles the rest, see [`settle`].
    pub fn process(&mut self, samples: &mut [f32]) {
        for sample in samples {
            if sample.is_finite() {
                *sample = settle(*sample);
            } else {
                *sample = 0.0;
                self.bad = self.bad.wrapping_add(1);
            }
        }
    }

    /// How many samples were NaN or infinite so far.
    pub fn bad(&self) -> u64 {
        self.bad
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..Default::default() })]

        #[test]
        fn whatever_goes_in_sound_comes_out(bits in proptest::collection::vec(any::<u32>(), 0..200)) {
            let given: Vec<f32> = bits.iter().map(|&b| f32::from_bits(b)).collect();
            let mut out = given.clone();
            let mut guard = Guard::new();
            guard.process(&mut out);
            for (&x, &y) in given.iter().zip(&out) {
                prop_assert!(y.is_finite() && y.abs() <= 16.0 && (y == 0.0 || y.abs() >= 1e-9));
                if x.is_finite() && x.abs() <= 16.0 && x.abs() >= 1e-9 {
                    prop_assert_eq!(x.to_bits(), y.to_bits());
                }
            }
            prop_assert_eq!(guard.bad(), given.iter().filter(|x| !x.is_finite()).count() as u64);
        }
    }

    #[test]
    fn the_edges() {
        let mut samples = [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, 17.0, -1e30, 1e-40, -0.9e-9, 1e-9, -0.0];
        let mut guard = Guard::new();
        guard.process(&mut samples);
        assert_eq!(samples, [0.0, 0.0, 0.0, 16.0, -16.0, 0.0, 0.0, 1e-9, 0.0]);
        assert!(samples[8].is_sign_positive(), "one zero only");
        assert_eq!(guard.bad(), 3);
    }
}

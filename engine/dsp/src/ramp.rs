//! Values that move without a step: they count samples and end exactly on their target.

/// A value that goes to its target in a straight line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ramp {
    // In double precision: in single, the rounding of each step of a long ramp would add up to a click at its end.
    value: f64,
    step: f64,
    target: f32,
    left: u32,
}

impl Ramp {
    /// A value that stands still.
    pub const fn at(value: f32) -> Self {
        Self { value: value as f64, step: 0.0, target: value, left: 0 }
    }

    /// Stands still at `value` at once.
    pub fn set(&mut self, value: f32) {
        *self = Self::at(value);
    }

    /// Goes to `target`, which it reaches after `samples` samples; 0 samples: at once.
    pub fn go(&mut self, target: f32, samples: u32) {
        if samples == 0 {
            self.set(target);
        } else {
            self.target = target;
            self.left = samples;
            self.step = (f64::from(target) - self.value) / f64::from(samples);
        }
    }

    /// Stands still where it is.
    pub fn stay(&mut self) {
        self.set(self.value());
    }

    /// The next sample's value.
    #[inline]
    pub fn advance(&mut self) -> f32 {
        if self.left > 0 {
            self.left -= 1;
            self.value = if self.left == 0 { f64::from(self.target) } else { self.value + self.step };
        }
        self.value()
    }

    /// The next samples' values. A ramp that stands still costs next to nothing.
    #[inline]
    pub fn fill(&mut self, out: &mut [f32]) {
        let moving = out.len().min(self.left as usize);
        let (ramp, still) = out.split_at_mut(moving);
        ramp.iter_mut().for_each(|out| *out = self.advance());
        still.fill(self.value());
    }

    /// The value now.
    #[inline]
    pub fn value(&self) -> f32 {
        self.value as f32
    }

    /// The value it goes to.
    #[inline]
    pub fn target(&self) -> f32 {
        self.target
    }

    /// Samples until it stands still.
    #[inline]
    pub fn left(&self) -> u32 {
        self.left
    }

    /// Whether it stands still at exactly 0.
    #[inline]
    pub fn is_silent(&self) -> bool {
        self.left == 0 && self.value == 0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..Default::default() })]

        #[test]
        fn it_arrives_on_its_very_sample_and_exactly(from in -1f32..1.0, to in -1f32..1.0, samples in 1u32..200_000) {
            let mut ramp = Ramp::at(from);
            ramp.go(to, samples);
            // The even step, and what two values are rounded by.
            let step = (to - from).abs() / samples as f32 + 2.0 * f32::EPSILON;
            let mut last = from;
            for left in (0..samples).rev() {
                let value = ramp.advance();
                prop_assert!((value - last).abs() <= step, "a step at {left} left");
                prop_assert_eq!(ramp.left(), left);
                last = value;
            }
            prop_assert_eq!(last.to_bits(), to.to_bits());
            prop_assert_eq!(ramp.advance().to_bits(), to.to_bits());
        }
    }

    #[test]
    fn silent_is_exactly_0_and_standing_still() {
        let mut ramp = Ramp::at(1.0);
        ramp.go(0.0, 2);
        assert!(!ramp.is_silent());
        ramp.advance();
        assert!(!ramp.is_silent());
        ramp.advance();
        assert!(ramp.is_silent());
    }
}

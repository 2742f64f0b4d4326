//! Values that move without a step: they count samples and end exactly on their target.

/// A value that goes to its target in a straight line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ramp {
    value: f32,
    step: f32,
    target: f32,
    left: u32,
}

impl Ramp {
    /// A value that stands still.
    pub const fn at(value: f32) -> Self {
        Self { value, step: 0.0, target: value, left: 0 }
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
            self.step = (target - self.value) / samples as f32;
        }
    }

    /// Stands still where it is.
    pub fn stay(&mut self) {
        self.set(self.value);
    }

    /// The next sample's value.
    pub fn advance(&mut self) -> f32 {
        if self.left > 0 {
            self.left -= 1;
            self.value = if self.left == 0 { self.target } else { self.value + self.step };
        }
        self.value
    }

    /// The value now.
    pub fn value(&self) -> f32 {
        self.value
    }

    /// The value it goes to.
    pub fn target(&self) -> f32 {
        self.target
    }

    /// Samples until it stands still.
    pub fn left(&self) -> u32 {
        self.left
    }

    /// Whether it stands still at exactly 0.
    pub fn is_silent(&self) -> bool {
        self.left == 0 && self.value == 0.0
    }
}

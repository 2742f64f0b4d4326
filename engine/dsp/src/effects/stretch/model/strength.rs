//! How strong a source is, a little while at a time, beside what its model says: windows reach over ends, and what is
//! made anew from the model must not sound on where the source has ended.

/// Samples of a span.
pub(crate) const SPAN: u64 = 64;

/// What was heard in a span.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Strength {
    /// Its first sample, a multiple of [`SPAN`].
    pub start: u64,
    /// The power of the sound over that of the model's partials.
    pub partials: f32,
    /// The power of a sample of what the partials leave, no more than that of the sound.
    pub rest: f32,
}

/// Measures spans, sample by sample.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct StrengthMeter {
    start: u64,
    filled: u64,
    sound: f32,
    partials: f32,
    rest: f32,
}

impl StrengthMeter {
    /// Takes in a sample of the sound, of the partials and of what they leave.
    pub fn take_in(&mut self, at: u64, sound: f32, partials: f32, rest: f32) -> Option<Strength> {
        let start = at - at % SPAN;
        if start != self.start {
            *self = Self { start, ..Self::default() };
        }
        let square = |x: f32| if x.abs() < 1e-15 { 0.0 } else { x * x };
        self.sound += square(sound);
        self.partials += square(partials);
        self.rest += square(rest);
        self.filled += 1;
        (self.filled == SPAN).then(|| Strength {
            start,
            partials: self.sound / (self.partials + 1e-20),
            rest: self.rest.min(self.sound) / SPAN as f32,
        })
    }
}

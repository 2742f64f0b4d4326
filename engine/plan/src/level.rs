//! Levels in decibels and as factors.

/// A level in decibels re the unchanged sound.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Decibels(pub f64);

impl Decibels {
    /// The factor on the samples: 10^(dB/20); exactly 0 at −120 dB and below.
    pub fn gain(self) -> f32 {
        gain(self.0)
    }
}

/// The factor on the samples for a level in decibels: 10^(dB/20); exactly 0 at −120 dB and below.
pub fn gain(db: f64) -> f32 {
    if db <= -120.0 { 0.0 } else { 10f64.powf(db / 20.0) as f32 }
}

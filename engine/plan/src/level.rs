//! Levels in decibels and as factors.

/// The least level of an output, in dB: silence.
pub const LEAST_LEVEL_DB: f32 = -120.0;

/// The top of an output's level for whoever moves it live, in dB. Our own choice: four times the sound pressure.
pub const MOST_LEVEL_DB: f32 = 12.0;

/// The most that a level in a file of gestures may be, in dB. It is above [`MOST_LEVEL_DB`] because logs that were kept
/// when that was the top must sound as they did.
pub const MOST_WRITTEN_LEVEL_DB: f32 = 24.0;

/// The least and the greatest level of the effects of one name, in dB: it is for one evening's hall, not for silence. Our
/// own choice.
pub const LEAST_TRIM_DB: f32 = -24.0;
/// See [`LEAST_TRIM_DB`].
pub const MOST_TRIM_DB: f32 = 6.0;

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

//! What a piece brings along in files of its own: recorded sounds and tunings.

use std::fmt;
use std::sync::Arc;

/// A recorded sound.
#[derive(Clone, PartialEq)]
pub struct Recording {
    /// Where it lies, as the piece writes it.
    pub path: String,
    /// Samples a second.
    pub rate: u32,
    /// How much higher the hall is tuned than the piece by itself: where its speed makes its pitch, it runs so much faster.
    pub tuned: f64,
    /// Its samples: one channel, full scale 1. Shared, since several effects may play it.
    pub samples: Arc<[f32]>,
}

impl fmt::Debug for Recording {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { path, rate, tuned, samples } = self;
        let mut fields = f.debug_struct("Recording");
        fields.field("path", path).field("rate", rate).field("tuned", tuned).field("frames", &samples.len()).finish()
    }
}

/// What something is tuned to: a spectrum, or strings.
#[derive(Clone, Debug, PartialEq)]
pub struct Tuning {
    /// How the piece writes it: the path of a spectrum file, or the names of notes.
    pub said: String,
    /// Its partials or strings, the strongest first; at least one.
    pub partials: Vec<Partial>,
}

impl Tuning {
    /// Whether it is a spectrum file's, each partial by itself, and not strings, of which each has its harmonics.
    pub fn is_spectrum(&self) -> bool {
        self.said.trim().ends_with(".toml")
    }
}

/// One partial of a spectrum.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Partial {
    /// Its frequency, above 0.
    pub hz: f64,
    /// Its level: the amplitude of a sine, in dB relative to full scale; in a tuning relative to the others.
    pub db: f64,
}

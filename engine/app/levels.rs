//! The levels of a whole run, for its summary.

use serde_json::{Value, json};

/// A channel's levels.
#[derive(Clone, Copy, Debug, Default)]
pub struct Level {
    peak: f32,
    squares: f64,
    frames: u64,
}

impl Level {
    /// Takes in the channel's next samples.
    pub fn add(&mut self, samples: &[f32]) {
        for &sample in samples {
            self.peak = self.peak.max(sample.abs());
            self.squares += f64::from(sample) * f64::from(sample);
        }
        self.frames += samples.len() as u64;
    }

    /// The greatest magnitude, in dBFS; −∞ for silence.
    pub fn peak_db(&self) -> f64 {
        20.0 * f64::from(self.peak).log10()
    }

    /// The root of the mean square, in dB re a full-scale amplitude (so a full-scale sine reads −3.01); −∞ for silence.
    pub fn rms_db(&self) -> f64 {
        10.0 * (self.squares / self.frames.max(1) as f64).log10()
    }

    /// A row of a table.
    pub fn row(&self, name: &str) -> String {
        format!("{name:16} {:>8} {:>8}", decibels(self.peak_db()), decibels(self.rms_db()))
    }

    /// As JSON; silence has no level.
    pub fn json(&self, name: &str) -> Value {
        let level = |db: f64| db.is_finite().then_some(db);
        json!({ "name": name, "peak_db": level(self.peak_db()), "rms_db": level(self.rms_db()) })
    }
}

/// A level in words.
pub fn decibels(db: f64) -> String {
    if db.is_finite() { format!("{db:.1}") } else { "silent".to_owned() }
}

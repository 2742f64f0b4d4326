//! Sounds whose exact stretched version is known.
//!
//! A signal is a model whose controls are functions of the source's time. Rendered along a [`Course`] it is the exact
//! answer of a stretch along it: frequencies are kept, all that evolves is slowed. Along the course of ratio 1 it is what
//! the stretch gets. Noise has no one answer: each course has a realisation of its own.

mod course;
pub mod held;
pub mod holdout;
mod noise;
mod onsets;
mod random;
#[cfg(feature = "peers")]
pub mod sampled;
mod spoken;
mod strings;
mod tones;
mod voice;

use std::sync::OnceLock;

use crate::metrics::spectra::power;

pub use course::Course;
pub use noise::{breathy_tone, coloured_noise, shaped_noise};
pub use onsets::{clicks, plucks, struck_over_ringing};
pub use random::Random;
pub use spoken::{Consonant, Syllable, syllable};
pub use strings::viol;
pub use tones::{chord, steady_tone, unison_pair, vibrato_tone};
pub use voice::{Sung, Vowel, glide, vowel};

/// The level of sustained signals, as a root mean square: −20 dBFS.
pub const LEVEL: f64 = 0.1;

/// What a signal is, so which measures make sense.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// Steady partials.
    Tone,
    /// A tone with vibrato.
    Vibrato,
    /// Sung.
    Vowel,
    /// A tone with breath.
    Breath,
    /// A bowed string.
    Bowed,
    /// Voices that beat.
    Beat,
    /// Several pitched notes at once.
    Chord,
    /// Struck or plucked notes.
    Pluck,
    /// Clicks.
    Click,
    /// Noise.
    Noise,
    /// Recorded or sampled: without an exact answer.
    Sampled,
}

impl Kind {
    /// In small letters.
    pub fn name(self) -> &'static str {
        match self {
            Kind::Tone => "tone",
            Kind::Vibrato => "vibrato",
            Kind::Vowel => "vowel",
            Kind::Breath => "breath",
            Kind::Bowed => "bowed",
            Kind::Beat => "beat",
            Kind::Chord => "chord",
            Kind::Pluck => "pluck",
            Kind::Click => "click",
            Kind::Noise => "noise",
            Kind::Sampled => "sampled",
        }
    }
}

/// What a model's numbers are multiplied by.
#[derive(Clone, Copy, Debug)]
pub enum Scale {
    /// The source has this level.
    Level(f64),
    /// The source has this peak.
    Peak(f64),
    /// Every realisation has this level.
    Each(f64),
    /// Nothing.
    None,
}

type Model = Box<dyn Fn(&Course, &mut Random) -> Vec<f64> + Send + Sync>;

/// A sound and what is known of it. Times are the source's.
pub struct Signal {
    /// Its name in tables.
    pub name: String,
    /// What it is.
    pub kind: Kind,
    /// How long it is.
    pub seconds: f64,
    /// Hz of its steady partials.
    pub partials: Vec<f64>,
    /// When its notes begin.
    pub onsets: Vec<f64>,
    /// The mean fundamental, Hz.
    pub f0: Option<f64>,
    /// Hz, and cents to each side.
    pub vibrato: Option<(f64, f64)>,
    /// Another answer that can be defended as well.
    pub other: Option<Model>,
    model: Model,
    scale: Scale,
    gain: OnceLock<f64>,
}

impl Signal {
    /// A signal of which nothing more is known.
    pub fn new(
        name: &str,
        kind: Kind,
        seconds: f64,
        scale: Scale,
        model: impl Fn(&Course, &mut Random) -> Vec<f64> + Send + Sync + 'static,
    ) -> Self {
        Self {
            name: name.to_owned(),
            kind,
            seconds,
            partials: Vec::new(),
            onsets: Vec::new(),
            f0: None,
            vibrato: None,
            other: None,
            model: Box::new(model),
            scale,
            gain: OnceLock::new(),
        }
    }

    /// The same by another name.
    #[must_use]
    pub fn called(mut self, name: &str) -> Self {
        name.clone_into(&mut self.name);
        self
    }

    fn unscaled(&self, model: &Model, course: &Course, realisation: u64) -> Vec<f64> {
        model(course, &mut Random::new(&self.name, course.name ^ realisation))
    }

    fn scaled(&self, model: &Model, course: &Course, realisation: u64) -> Vec<f64> {
        let mut sound = self.unscaled(model, course, realisation);
        let level = |wanted: f64, sound: &[f64]| wanted / power(sound).sqrt();
        let peak = |sound: &[f64]| sound.iter().fold(0.0f64, |most, x| most.max(x.abs()));
        let source = || self.unscaled(&self.model, &Course::steady(self.seconds, 1.0), 0);
        let gain = match self.scale {
            Scale::Level(wanted) => *self.gain.get_or_init(|| level(wanted, &source())),
            Scale::Peak(wanted) => *self.gain.get_or_init(|| wanted / peak(&source())),
            Scale::Each(wanted) => level(wanted, &sound),
            Scale::None => 1.0,
        };
        sound.iter_mut().for_each(|x| *x *= gain);
        sound
    }

    /// Its sound along a course; `realisation` tells apart those of its noise.
    pub fn render(&self, course: &Course, realisation: u64) -> Vec<f64> {
        self.scaled(&self.model, course, realisation)
    }

    /// The other answer, if there is one.
    pub fn render_other(&self, course: &Course) -> Option<Vec<f64>> {
        Some(self.scaled(self.other.as_ref()?, course, 0))
    }

    /// What a stretch gets.
    pub fn source(&self) -> Vec<f64> {
        self.render(&Course::steady(self.seconds, 1.0), 0)
    }
}

/// The signals that effects may be tuned by.
pub fn modelled() -> Vec<Signal> {
    vec![
        steady_tone("tone_220", 220.0, 4.0),
        steady_tone("tone_453", 440.0 * (1.0f64 / 24.0).exp2(), 4.0),
        vibrato_tone("tone_vibrato", 440.0, 5.5, 30.0, 4.0),
        vowel(Sung::new("vowel_a", Vowel::AMen, 146.83)),
        vowel(Sung::new("vowel_i", Vowel::IWomen, 293.66)),
        breathy_tone("breathy", 587.33, -30.0, 4.0),
        unison_pair("unison_pair", 4.0),
        plucks("plucks", &[196.0, 246.94], 4.0),
        clicks("clicks", 4.0),
        coloured_noise("noise_white", |_| 1.0, 4.0),
        coloured_noise("noise_pink", |hz| hz.max(20.0).sqrt().recip(), 4.0),
    ]
}

//! A part: sounds that begin at their sample, may overlap, and end by themselves.

/// Something that sounds for a while.
pub trait PartSound {
    /// The next sample; `None` once it is over.
    fn next(&mut self) -> Option<f64>;
}

/// How far a sound has come.
pub struct Course {
    /// Samples a second.
    pub rate: f64,
    samples: u64,
    at: u64,
}

impl Course {
    /// The course of a sound of so many seconds.
    pub fn new(seconds: f64, rate: u32) -> Self {
        Self { rate: f64::from(rate), samples: crate::sample(seconds, rate), at: 0 }
    }

    /// The next sample: the seconds since the beginning and those that are left; `None` once it is over.
    pub fn next(&mut self) -> Option<(f64, f64)> {
        if self.at >= self.samples {
            return None;
        }
        let now = (self.at as f64 / self.rate, (self.samples - self.at) as f64 / self.rate);
        self.at += 1;
        Some(now)
    }
}

/// The sounds of one player, in the order of their beginnings.
pub struct EnsemblePart<S> {
    waiting: std::iter::Peekable<std::vec::IntoIter<(u64, S)>>,
    sounding: Vec<S>,
}

impl<S: PartSound> EnsemblePart<S> {
    /// A part of sounds, each with the sample at which it begins.
    pub fn new(mut sounds: Vec<(u64, S)>) -> Self {
        sounds.sort_by_key(|(start, _)| *start);
        Self { waiting: sounds.into_iter().peekable(), sounding: Vec::new() }
    }

    /// The sum of what sounds at this sample. To be asked for every sample in turn.
    pub fn next(&mut self, now: u64) -> f64 {
        while let Some((_, sound)) = self.waiting.next_if(|(start, _)| *start <= now) {
            self.sounding.push(sound);
        }
        let mut sum = 0.0;
        self.sounding.retain_mut(|sound| {
            let next = sound.next();
            sum += next.unwrap_or(0.0);
            next.is_some()
        });
        sum
    }
}

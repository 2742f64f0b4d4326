//! A sound taken apart, and all that is made from it: for `spectrum` and for the page.

mod chord;
mod files;
mod source;
mod studio;

pub use files::{FILES, Wanted, players};
pub use source::{from_file, from_mic, from_take, span};
pub use studio::Bench;

use std::ops::Range;
use std::sync::Arc;

use serde_json::{Value, json};
use tenterhook_plan::pitch::{nearest, note_name};
use tenterhook_spectra::{Moment, Partial, Study, study};

/// A partial is believed from here on.
const SURE: f64 = 0.5;
/// Partials weaker than the strongest by more than this are nobody's to play, in dB.
const FAINT_DB: f64 = 60.0;

/// A sound, taken apart.
pub struct Taken {
    /// What it is called.
    pub name: String,
    /// The mic that it came from, by its name in the piece.
    pub mic: Option<String>,
    pub rate: u32,
    pub sound: Arc<[f32]>,
    /// The frequency of a', by which notes are named.
    pub tuning_hz: f64,
    pub study: Study,
}

impl Taken {
    /// Takes a sound apart.
    pub fn apart(name: String, mic: Option<String>, rate: u32, sound: Arc<[f32]>, tuning_hz: f64) -> Self {
        let study = study(&sound, rate);
        Self { name, mic, rate, sound, tuning_hz, study }
    }

    /// The span that is looked at unless another is asked for.
    pub fn span(&self) -> Range<f64> {
        self.study.most_telling()
    }

    /// The partials of a moment that are worth writing, the strongest first.
    pub fn worth(moment: &Moment) -> Vec<Partial> {
        let sure: Vec<_> = moment.partials.iter().filter(|partial| partial.confidence >= SURE).copied().collect();
        let floor = sure.first().map_or(0.0, |strongest| strongest.db) - FAINT_DB;
        sure.into_iter().filter(|partial| partial.db >= floor).collect()
    }

    /// A moment, for programs.
    pub fn json(&self, moment: &Moment) -> Value {
        let rounded = |x: f64, places: i32| (x * 10f64.powi(places)).round() / 10f64.powi(places);
        let partial = |partial: &Partial| {
            let (note, cents) = nearest(partial.hz, self.tuning_hz);
            json!({
                "hz": rounded(partial.hz, 3), "db": rounded(partial.db, 2), "note": note_name(note),
                "cents": rounded(cents, 2), "confidence": rounded(partial.confidence, 3),
            })
        };
        let formant = |one: &tenterhook_spectra::Formant| json!({ "hz": rounded(one.hz, 1), "bandwidth_hz": rounded(one.bandwidth_hz, 1) });
        json!({
            "from": rounded(moment.span.start, 4), "to": rounded(moment.span.end, 4),
            "fundamental_hz": moment.fundamental_hz.map(|hz| rounded(hz, 3)),
            "harmonicity": rounded(moment.harmonicity, 3), "noise": rounded(moment.noise, 3),
            "formants": moment.formants.iter().map(formant).collect::<Vec<_>>(),
            "partials": moment.partials.iter().map(partial).collect::<Vec<_>>(),
        })
    }
}

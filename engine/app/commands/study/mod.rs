//! A sound taken apart, and all that is made from it: for `spectrum` and for the page.

mod chord;
mod files;
mod source;
mod studio;

pub use files::{FILES, Wanted, players};
pub use source::{from_file, from_mic, from_take, kept_plan, span};
pub use studio::Bench;

use std::ops::Range;
use std::sync::Arc;

use serde_json::{Value, json};
use tenterhook_plan::pitch::note_name;
use tenterhook_plan::players::{Player, instruments};
use tenterhook_plan::{Intonation, Plan};
use tenterhook_spectra::{Moment, Partial, Study, study};

/// A partial is believed from here on.
const SURE: f64 = 0.5;
/// The frequency of a' if nobody says anything, in Hz: ISO 16.
const TUNING_HZ: f64 = 440.0;
/// Partials weaker than the strongest by more than this are nobody's to play, in dB.
const FAINT_DB: f64 = 60.0;

/// How notes are named and written.
#[derive(Clone, Debug)]
pub struct Notation {
    /// Which frequency each note has.
    pub intonation: Intonation,
    /// Those whom a piece describes, of the players that notes are written for.
    pub players: Vec<Player>,
}

impl Notation {
    /// That of a piece, or where there is none the usual one.
    pub fn of(plan: Option<&Plan>) -> Self {
        let players = plan.map_or_else(Vec::new, |plan| plan.players.clone());
        Self { intonation: plan.map_or(TUNING_HZ.into(), Plan::intonation), players }
    }

    /// The names of all players, the piece's own first.
    pub fn players(&self) -> Vec<&str> {
        let own = self.players.iter().map(|one| one.name.as_str());
        let known = instruments().iter().map(|one| one.name);
        own.clone().chain(known.filter(|name| !own.clone().any(|other| other == *name))).collect()
    }
}

/// A sound, taken apart.
pub struct Taken {
    /// What it is called.
    pub name: String,
    /// The mic that it came from, by its name in the piece.
    pub mic: Option<String>,
    pub rate: u32,
    pub sound: Arc<[f32]>,
    pub notation: Notation,
    pub study: Study,
}

impl Taken {
    /// Takes a sound apart.
    pub fn apart(name: String, mic: Option<String>, rate: u32, sound: Arc<[f32]>, notation: Notation) -> Self {
        let study = study(&sound, rate);
        Self { name, mic, rate, sound, notation, study }
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
            let (note, cents) = self.notation.intonation.nearest(partial.hz);
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

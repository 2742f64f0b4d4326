//! The table of freeze.

use crate::RATE;
use crate::metrics::spectra::samples;
use crate::metrics::{hold, tones, whole};
use crate::report::Row;
use crate::signals::held::Held;
use crate::subjects::holds::{GUARD, HOLDS, JUDGED, judged};
use crate::subjects::ours::Ours;

/// What a hold should be like, and what is no better when it is better still.
#[rustfmt::skip]
pub const LIMITS: &[(&str, &str)] = &[
    ("ripple50_db", "0.4"),
    ("wobble_cents", "the note's own"),
    ("envelope_db", "0.26"),
    ("repetition", "0.06"),
    ("roughness_db", "0.7"),
];

fn part(x: &[f64], from: f64, to: f64) -> &[f64] {
    &x[samples(from)..samples(to).min(x.len())]
}

/// The highest [`hold::click`] of pieces as long as `length`: so that it compares with that of another sound so long.
fn click(x: &[f64], length: usize) -> f64 {
    let pieces: Vec<f64> = x.chunks_exact(length.min(x.len())).map(hold::click).collect();
    crate::metrics::spectra::median(&pieces)
}

/// A hold's figures beside the sound it holds: the half second up to 60 ms before the gesture, its life that of the
/// steady part.
fn judge(note: &Held, x: &[f64]) -> Vec<(&'static str, f64)> {
    let steady = part(&note.heard, note.steady.0, note.steady.1);
    let end = note.heard.len() as f64 / RATE - GUARD;
    let near = part(&note.heard, end - 0.5, end);
    let (strength, lag) = hold::repetition(x);
    let mut values = vec![
        ("level_db", whole::loudness(x) - whole::loudness(near)),
        ("drift_db_10s", hold::level_drift(x)),
        ("ripple50_db", hold::level_ripple(x, 0.05)),
        ("ripple20_db", hold::level_ripple(x, 0.02)),
        ("pitch_cents", hold::pitch_error(x, near, note.f0)),
        ("wobble_cents", hold::wobble(x, note.f0)),
        ("envelope_db", hold::envelope_error(x, near)),
        ("repetition", strength),
        ("repetition_lag_s", lag),
        ("roughness_db", hold::roughness(x, steady, note.f0)),
        ("click_db", click(x, steady.len())),
    ];
    if note.voice {
        values.push(("formant_hz", tones::formant_error(x, near)));
    }
    values
}

/// What the note's own life amounts to.
fn own(note: &Held) -> Vec<(&'static str, f64)> {
    let steady = part(&note.heard, note.steady.0, note.steady.1);
    vec![
        ("ripple50_db", hold::level_ripple(steady, 0.05)),
        ("ripple20_db", hold::level_ripple(steady, 0.02)),
        ("wobble_cents", hold::wobble(steady, note.f0)),
        ("click_db", hold::click(steady)),
    ]
}

/// The rows of one note: its own, ours with either aim, the textbook's.
pub fn rows(note: &Held, mut keep: impl FnMut(&str, &[f64])) -> Vec<Row> {
    let length = (JUDGED.1 * RATE) as usize;
    let row = |subject: &str, values| Row {
        group: if note.single { "notes" } else { "chords" }.to_owned(),
        subject: subject.to_owned(),
        signal: note.name.clone(),
        kind: if note.voice { "voice" } else { "other" },
        values,
    };
    keep("source", &note.heard);
    let mut rows = vec![row("the note itself", Ok(own(note)))];
    for (name, settings) in [("ours", "aim = \"steady\""), ("ours, now", "aim = \"now\"")] {
        let values = Ours::new("freeze", settings, 0.0).map(|ours| {
            let sound = ours.play(&note.heard, &[], &[(0, 1.0)], length);
            keep(name, &sound);
            judge(note, judged(&sound))
        });
        rows.push(row(name, values));
    }
    for (name, make) in HOLDS {
        let sound = make(&note.heard, length);
        keep(name, &sound);
        rows.push(row(name, Ok(judge(note, judged(&sound)))));
    }
    rows
}

//! Notes as a table, and partials as a spectrum file.

use std::fmt::Write;

use tenterhook_plan::{Intonation, Temperament, pitch};
use tenterhook_spectra::Partial;

use crate::{NotesError, Score, Step};

impl Score {
    /// The notes as CSV (RFC 4180), moment by moment, the players in their order: when, who, the nearest note and the
    /// cents above it, what sounds in Hz, and the partial's level in dBFS and its frequency in Hz. Times are to a
    /// millisecond, cents and levels to a hundredth, frequencies to a ten-thousandth.
    pub fn csv(&self) -> String {
        let mut rows: Vec<_> =
            self.parts.iter().flat_map(|part| part.notes.iter().map(move |note| (note, &part.player.name))).collect();
        rows.sort_by_key(|(note, _)| note.chord);
        let mut csv = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
        // In memory nothing can fail.
        let _ = csv.write_record(["seconds", "player", "note", "cents", "hz", "db", "partial_hz"]);
        for (note, player) in rows {
            let (key, cents) = note.written.key_and_cents(self.intonation);
            let _ = csv.write_record([
                &format!("{:.3}", self.spans[note.chord].start),
                player,
                &pitch::note_name(key),
                &format!("{:.2}", rounded(cents, 100.0)),
                &format!("{:.4}", note.hz(self.intonation)),
                &format!("{:.2}", note.tone.db),
                &format!("{:.4}", note.tone.hz),
            ]);
        }
        csv.into_inner().ok().and_then(|bytes| String::from_utf8(bytes).ok()).unwrap_or_default()
    }
}

/// The most partials that a spectrum file may hold.
const MOST: usize = 1000;

/// Partials as a spectrum file (TOML), one a line, in the order given: what a piece reads as a tuning or a chord. `about`
/// says in a word or two what sound it is. Of more than 1000 the strongest 1000 are written. Frequencies are to a
/// ten-thousandth of a Hz, levels to a hundredth of a dB.
///
/// # Errors
/// [`NotesError::Empty`], [`NotesError::Tuning`], [`NotesError::Number`] for what such a file cannot hold: frequencies from 1 to 100 000
/// Hz, levels from −200 to 200 dB.
pub fn spectrum_file(
    about: &str,
    partials: &[Partial],
    intonation: impl Into<Intonation>,
) -> Result<String, NotesError> {
    let intonation = intonation.into();
    let tuning_hz = intonation.tuning_hz;
    if partials.is_empty() {
        return Err(NotesError::Empty("this moment"));
    }
    if !(tuning_hz.is_normal() && tuning_hz > 0.0) {
        return Err(NotesError::Tuning(tuning_hz));
    }
    for (partial, one) in (1..).zip(partials) {
        for (what, value, range, remedy) in [
            ("the frequency", one.hz, 1.0..=100_000.0, "it must be from 1 to 100000 Hz"),
            ("the level", one.db, -200.0..=200.0, "it must be from -200 to 200 dB"),
            ("the confidence", one.confidence, 0.0..=1.0, "it must be from 0 to 1"),
        ] {
            if !range.contains(&value) {
                return Err(NotesError::Number { partial, what, value, remedy });
            }
        }
    }
    let mut by_level: Vec<usize> = (0..partials.len()).collect();
    by_level.sort_by(|&one, &other| partials[other].db.total_cmp(&partials[one].db));
    by_level.truncate(MOST);
    by_level.sort_unstable();
    let temperament = match intonation.temperament {
        Temperament::Equal => String::new(),
        other => format!(", {other}"),
    };
    // A comment ends with its line.
    let about: String = about.chars().map(|letter| if letter.is_control() { ' ' } else { letter }).collect();
    let mut text = format!(
        "# {about}: {} partials, notes at a' = {tuning_hz} Hz{temperament}.\n# Only hz and db are read; note, cents and confidence are \
         for you.\npartials = [\n",
        by_level.len()
    );
    for one in by_level {
        let Partial { hz, db, confidence } = partials[one];
        let (key, cents) = Step::Exact.write(intonation.note(hz), intonation).key_and_cents(intonation);
        let note = pitch::note_name(key);
        let _ = writeln!(
            text,
            "  {{ hz = {hz:.4}, db = {db:.2}, note = \"{note}\", cents = {:.1}, confidence = {confidence:.2} }},",
            rounded(cents, 10.0)
        );
    }
    text.push_str("]\n");
    Ok(text)
}

/// Rounded to a fraction of 1, without a sign for what is 0 then.
fn rounded(value: f64, fraction: f64) -> f64 {
    (value * fraction).round() / fraction + 0.0
}

//! Notes by name, and their frequencies in equal temperament; in any other by [`Intonation`](crate::Intonation).
//!
//! A note is its MIDI number (middle C is 60 and is called C4, as in scientific pitch notation); frequencies follow from
//! that of a', the tuning of a piece: f(n) = a' · 2^((n − 69)/12).

const NAMES: [&str; 12] = ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"];

/// The frequency of a note, which may lie between two keys, in Hz; `tuning_hz` is that of a'.
pub fn note_hz(note: f64, tuning_hz: f64) -> f64 {
    tuning_hz * ((note - 69.0) / 12.0).exp2()
}

/// The note of a frequency above 0, between two keys as it comes.
pub fn hz_note(hz: f64, tuning_hz: f64) -> f64 {
    69.0 + 12.0 * (hz / tuning_hz).log2()
}

/// The nearest key to a frequency above 0, and how many cents the frequency lies above it, −50…50.
pub fn nearest(hz: f64, tuning_hz: f64) -> (i32, f64) {
    let note = hz_note(hz, tuning_hz);
    let key = note.round();
    (key as i32, 100.0 * (note - key))
}

/// A note's name with sharps: `"C4"`, `"F#3"`.
#[expect(clippy::indexing_slicing, reason = "an octave has as many names as notes")]
pub fn note_name(note: i32) -> String {
    format!("{}{}", NAMES[note.rem_euclid(12) as usize], note.div_euclid(12) - 1)
}

/// The note of a name: a letter, sharps (`#` or `♯`) or flats (`b` or `♭`) if any, and the octave, such as `"F#4"` or
/// `"B♭3"`.
pub fn parse_note(name: &str) -> Option<i32> {
    let mut rest = name.chars();
    let letter = rest.next()?.to_ascii_uppercase();
    let step = NAMES.iter().position(|name| *name == letter.to_string())? as i32;
    let rest = rest.as_str();
    let octave = rest.trim_start_matches(['#', '♯', 'b', '♭']);
    let signs = &rest[..rest.len() - octave.len()];
    let alter: i32 = signs.chars().map(|sign| if matches!(sign, '#' | '♯') { 1 } else { -1 }).sum();
    let octave: i32 = octave.parse().ok().filter(|octave| (-1..=9).contains(octave))?;
    (signs.chars().count() <= 2).then_some(step + alter + 12 * (octave + 1)).filter(|note| (0..=127).contains(note))
}

#[cfg(test)]
mod tests {
    use super::*;

    // ISO 16:1975 and MIDI's numbering; values computed from the formula by an outside library.
    #[test]
    fn notes_have_their_published_frequencies() {
        for (name, hz440, hz415) in [("C2", 65.4064, 61.6901), ("F3", 174.6141, 164.6929), ("E5", 659.2551, 621.7974)] {
            let note = f64::from(parse_note(name).unwrap());
            assert!((note_hz(note, 440.0) - hz440).abs() < 1e-4);
            assert!((note_hz(note, 415.0) - hz415).abs() < 1e-4);
        }
    }

    #[test]
    fn names_are_read_as_they_are_written() {
        for note in 0..=127 {
            assert_eq!(parse_note(&note_name(note)), Some(note));
            assert_eq!(nearest(note_hz(f64::from(note) + 0.3, 415.0), 415.0).0, note);
        }
        assert_eq!(parse_note("Bb3"), parse_note("A#3"));
        assert_eq!([parse_note("B♭3"), parse_note("a♭♭4"), parse_note("F♯4")], [Some(58), Some(67), Some(66)]);
        for wrong in ["", "H3", "C", "C#b#4", "C10", "C-2", "é4", "4"] {
            assert_eq!(parse_note(wrong), None, "{wrong}");
        }
    }
}

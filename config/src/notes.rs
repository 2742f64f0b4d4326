//! Notes as a piece spells them: by name, with quarter-tones and cents, or as frequencies.

use crate::unit::{self, NUMBER};
use tenterhook_plan::Intonation;
use tenterhook_plan::declare::Unit;
use tenterhook_plan::pitch::parse_note;

/// The key of a note's name, as a MIDI number.
pub(crate) fn key(name: &str) -> Option<i32> {
    parse_note(name.trim())
}

/// A note's name as a regular expression (ECMA-262).
pub(crate) const NOTE: &str = "[A-Ga-g](#|b|♯|♭){0,2}[-+]?[0-9]+";

/// Signs of quarter-tones, up and down, and what they add in semitones.
const QUARTERS: [(char, f64); 4] = [('𝄲', 0.5), ('‡', 0.5), ('𝄳', -0.5), ('d', -0.5)];

/// The most cents that may stand behind a note.
const MOST_CENTS: f64 = 100.0;

/// Frequencies that a note may have, in Hz.
const HZ: std::ops::RangeInclusive<f64> = 8.0..=20_000.0;

/// Notes with quarter-tones, cents and frequencies, with spaces between them, as a regular expression (ECMA-262).
pub(crate) fn pattern() -> String {
    let note = r"[A-Ga-g](#|b|♯|♭|𝄲|‡|𝄳|d){0,2}[-+]?[0-9]+([-+\u2212][0-9]+(\.[0-9]+)?)?";
    format!(r"({note}|{NUMBER}\s*Hz)(\s+({note}|{NUMBER}\s*Hz))*")
}

/// The frequencies of notes with spaces between them, or what is wrong with one of them and what to write.
pub(crate) fn frequencies(said: &str, intonation: Intonation) -> Result<Vec<f64>, (String, String)> {
    let mut words: Vec<String> = Vec::new();
    for word in said.split_whitespace() {
        match words.last_mut() {
            // "220 Hz" is one.
            Some(number) if word == "Hz" && unit::number(&number.replace(',', ".")).is_some() => number.push_str(word),
            _ => words.push(word.to_owned()),
        }
    }
    if words.is_empty() {
        return Err(("this names no note".to_owned(), EXAMPLE.to_owned()));
    }
    words.iter().map(|word| frequency(word, intonation)).collect()
}

const EXAMPLE: &str = "write notes, as in \"D3 A3 F#4\", with cents as in \"A3+20\" or frequencies as in \"220 Hz\", or a \
                       spectrum file's name";

fn frequency(word: &str, intonation: Intonation) -> Result<f64, (String, String)> {
    if word.ends_with("Hz") {
        return match unit::parse(word, Unit::Hertz) {
            Ok(hz) if HZ.contains(&hz) => Ok(hz),
            _ => {
                if let Some(meant) = with_point(word, intonation) {
                    return Err((format!("\"{word}\" is no frequency of a string"), meant));
                }
                let (least, most) = (HZ.start(), HZ.end());
                Err((
                    format!("\"{word}\" is no frequency of a string"),
                    format!("write {least} Hz to {most} Hz, as in \"220 Hz\""),
                ))
            }
        };
    }
    let none = || {
        let remedy = match german(word) {
            Some(meant) => {
                format!("write \"{meant}\", as in \"D3 A3 F#4 {meant}\": notes have the letters A to G here")
            }
            None if unit::number(word).is_some_and(|hz| hz < 0.0 || word.starts_with('+')) => {
                "write cents right behind their note, as in \"A3+20\"".to_owned()
            }
            None if unit::number(word).is_some_and(|hz| HZ.contains(&hz)) => {
                format!("write \"{word} Hz\" if it is a frequency")
            }
            None => with_point(word, intonation).unwrap_or_else(|| EXAMPLE.to_owned()),
        };
        (format!("\"{word}\" is no note"), remedy)
    };
    let (name, cents) = apart(word).ok_or_else(none)?;
    if cents.abs() > MOST_CENTS {
        let remedy = format!("write at most {MOST_CENTS} cents, and beyond them another note");
        return Err((format!("\"{word}\" is {cents} cents from its note"), remedy));
    }
    // Signs of quarter-tones are taken out, so that what is left is a note's name.
    let mut signs = 0;
    let (mut plain, mut quarters) = (String::new(), 0.0);
    for (at, sign) in name.chars().enumerate() {
        signs += usize::from(at > 0 && (matches!(sign, '#' | 'b' | '♯' | '♭') || quarter(sign).is_some()));
        match quarter(sign).filter(|_| at > 0) {
            Some(by) => quarters += by,
            None => plain.push(sign),
        }
    }
    let key = parse_note(&plain).filter(|_| signs <= 2).ok_or_else(none)?;
    Ok(intonation.hz(f64::from(key) + quarters) * (cents / 1200.0).exp2())
}

/// What to write where a comma stands for the point of a number.
fn with_point(word: &str, intonation: Intonation) -> Option<String> {
    let meant = word.contains(',').then(|| word.replace(',', "."))?;
    frequency(&meant, intonation).is_ok().then(|| format!("write \"{meant}\": numbers have a point here"))
}

fn quarter(sign: char) -> Option<f64> {
    QUARTERS.iter().find(|(known, _)| *known == sign).map(|(_, by)| *by)
}

/// A note's name and the cents behind it.
fn apart(word: &str) -> Option<(&str, f64)> {
    // The first digit is the octave's; a sign behind it is that of the cents.
    let octave = word.find(|c: char| c.is_ascii_digit())?;
    let Some(sign) = word[octave..].find(['+', '-', '\u{2212}']).map(|at| octave + at) else {
        return Some((word, 0.0));
    };
    let (name, cents) = word.split_at(sign);
    let digits = cents.trim_start_matches(['+', '-', '\u{2212}']);
    let plain = digits.starts_with(|c: char| c.is_ascii_digit())
        && digits.ends_with(|c: char| c.is_ascii_digit())
        && digits.chars().all(|c| c.is_ascii_digit() || c == '.');
    unit::number(cents).filter(|_| plain).map(|cents| (name, cents))
}

/// What to write instead of a note that is none.
pub(crate) fn remedy(text: &str) -> String {
    match german(text) {
        Some(meant) => format!("write \"{meant}\": notes have the letters A to G here"),
        None => "write a letter and the octave, as in \"G3\" or \"Bb3\"; middle C is \"C4\"".to_owned(),
    }
}

/// In German, and in the lands around, H is what B is here.
fn german(text: &str) -> Option<String> {
    let meant = format!("B{}", text.trim().strip_prefix(['h', 'H'])?);
    key(&meant).map(|_| meant)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn one(said: &str, tuning_hz: f64) -> f64 {
        let all = frequencies(said, tuning_hz.into()).unwrap_or_else(|why| panic!("{said}: {why:?}"));
        assert_eq!(all.len(), 1, "{said}");
        all[0]
    }

    #[test]
    fn a_note_is_spelled_with_flats_quarter_tones_and_cents_or_in_hz() {
        let cents = |said: &str| 1200.0 * (one(said, 440.0) / 440.0).log2();
        for (said, above) in [
            ("A4", 0.0),
            ("a4+20", 20.0),
            ("a4-20.5", -20.5),
            ("A4\u{2212}14", -14.0),
            ("Bb4", 100.0),
            ("B♭4", 100.0),
            ("G♯4", -100.0),
            ("A𝄲4", 50.0),
            ("A‡4", 50.0),
            ("Ad4", -50.0),
            ("A𝄳4", -50.0),
            ("b♭d4", 50.0),
            ("A#‡4", 150.0),
            ("dd4", -750.0),
            ("d4", -700.0),
            ("C-1", -6900.0),
            ("C-1+50", -6850.0),
            ("Cb4", -1000.0),
            ("442 Hz", 7.851),
            ("442Hz", 7.851),
        ] {
            assert!((cents(said) - above).abs() < 0.001, "{said}: {}", cents(said));
        }
        // Hz are Hz, however a' is tuned.
        assert_eq!(one("220 Hz", 392.0), 220.0);
        assert_eq!(frequencies("D3  220 Hz\tA3+2", 440.0.into()).unwrap().len(), 3);
        for wrong in [
            "", "H3", "A", "A4+", "A4+x", "A4+101", "A###4", "A#bd4", "Hz", "220", "5 Hz", "30000 Hz", "220 hz", "la3",
            "А4", "A4+2.", "A4+-2",
        ] {
            assert!(frequencies(wrong, 440.0.into()).is_err(), "{wrong}");
        }
        assert!(frequencies("D3 H3", 440.0.into()).unwrap_err().1.contains("\"B3\""));
    }
}

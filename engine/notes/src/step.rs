//! How finely pitch is written: steps, and their spelling in letters and accidentals.

use crate::NotesError;
use crate::error::unknown;
use tenterhook_plan::{Intonation, Temperament, pitch};

/// How finely pitch is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Step {
    /// 12 steps in an octave.
    Semitone,
    /// 24 steps in an octave.
    QuarterTone,
    /// 48 steps in an octave.
    EighthTone,
    /// The nearest semitone, and above it the cents that are left.
    Exact,
}

impl Step {
    /// All of them with their names.
    pub const ALL: [(&'static str, Step); 4] = [
        ("semitone", Step::Semitone),
        ("quarter-tone", Step::QuarterTone),
        ("eighth-tone", Step::EighthTone),
        ("exact", Step::Exact),
    ];

    /// The step of a name.
    ///
    /// # Errors
    /// [`NotesError::Unknown`] with names that are near.
    pub fn named(name: &str) -> Result<Self, NotesError> {
        let found = Self::ALL.iter().find(|(known, _)| *known == name.trim().to_lowercase());
        found.map(|(_, step)| *step).ok_or_else(|| unknown("step", name, Self::ALL.iter().map(|(known, _)| *known)))
    }

    /// From one writable pitch to the next, in cents.
    pub fn cents(self) -> f64 {
        match self {
            Step::Semitone | Step::Exact => 100.0,
            Step::QuarterTone => 50.0,
            Step::EighthTone => 25.0,
        }
    }

    /// What is written for a pitch (a MIDI number, between two keys the part of the way).
    pub(crate) fn write(self, note: f64, intonation: Intonation) -> Written {
        let eighths = self.cents() / 25.0;
        let nearest = ((note * 4.0 / eighths).round() * eighths) as i32;
        let cents = if self == Step::Exact { intonation.between(note, f64::from(nearest) / 4.0) } else { 0.0 };
        Written { eighths: nearest, cents }
    }
}

/// A written pitch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Written {
    /// Its note in eighth-tones: four times its MIDI number.
    pub eighths: i32,
    /// What is added to it in words, in cents; 0 unless cents are written.
    pub cents: f64,
}

/// A written pitch in letters.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Spelling {
    /// C to B.
    pub letter: char,
    /// Eighth-tones above the letter: −2 (a quarter flat) to 5 (an eighth above the sharp).
    pub alter: i32,
    /// The octave; that of middle C is 4.
    pub octave: i32,
}

/// For each eighth-tone above C: the letter, and eighth-tones above it. Sharps, as in [`pitch::note_name`]; quarter-tones
/// lean on a natural letter where one is near.
const SPELLED: [(char, i32); 48] = {
    // For each key: its letter and whether it is a sharp.
    let keys = [
        ('C', 0),
        ('C', 1),
        ('D', 0),
        ('D', 1),
        ('E', 0),
        ('F', 0),
        ('F', 1),
        ('G', 0),
        ('G', 1),
        ('A', 0),
        ('A', 1),
        ('B', 0),
    ];
    let mut spelled = [('C', 0); 48];
    let mut at = 0;
    while at < 48 {
        let (key, above) = (at / 4, (at % 4) as i32);
        let (letter, sharp) = keys[key];
        let (next, next_sharp) = keys[(key + 1) % 12];
        // The middle between a sharp and a natural is the natural's quarter flat; else the higher half belongs to what
        // comes next.
        let to_next = above == 3 || (above == 2 && sharp == 1);
        spelled[at] = if to_next { (next, 4 * next_sharp + above - 4) } else { (letter, 4 * sharp + above) };
        at += 1;
    }
    spelled
};

impl Written {
    /// The pitch meant, as a MIDI number with its fraction; in an unequal temperament what the cents add to it is an
    /// estimate.
    pub fn note(self) -> f64 {
        f64::from(self.eighths) / 4.0 + self.cents / 100.0
    }

    /// The frequency meant, in Hz.
    pub fn hz(self, intonation: Intonation) -> f64 {
        match intonation.temperament {
            Temperament::Equal => intonation.hz(self.note()),
            _ => intonation.hz(f64::from(self.eighths) / 4.0) * (self.cents / 1200.0).exp2(),
        }
    }

    /// Its letter, accidental and octave.
    pub fn spelled(self) -> Spelling {
        let (letter, alter) = SPELLED[self.eighths.rem_euclid(48) as usize];
        // What leans down on the next C belongs to its octave.
        let octave = (self.eighths - alter).div_euclid(48) - 1;
        Spelling { letter, alter, octave }
    }

    /// The nearest key and the cents above it, as words: `F#4`, `F#4 +25`.
    pub fn named(self, intonation: impl Into<Intonation>) -> String {
        let (key, cents) = self.key_and_cents(intonation);
        match cents.round() as i32 {
            0 => pitch::note_name(key),
            cents => format!("{} {cents:+}", pitch::note_name(key)),
        }
    }

    /// The nearest key (its MIDI number), and how many cents the pitch meant lies above it.
    pub fn key_and_cents(self, intonation: impl Into<Intonation>) -> (i32, f64) {
        let intonation = intonation.into();
        match intonation.temperament {
            Temperament::Equal => {
                let key = self.note().round();
                (key as i32, 100.0 * (self.note() - key))
            }
            _ => {
                let note = f64::from(self.eighths) / 4.0;
                (note.round() as i32, intonation.between(note, note.round()) + self.cents)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spelling_means_its_pitch_and_stays_near_its_letter() {
        for eighths in 0..512 {
            let Spelling { letter, alter, octave } = Written { eighths, cents: 0.0 }.spelled();
            let letter = pitch::parse_note(&format!("{letter}{octave}"));
            if let Some(letter) = letter {
                assert_eq!(4 * letter + alter, eighths);
            }
            assert!((-2..=5).contains(&alter), "{eighths}: {alter}");
        }
        let spelled = |eighths| {
            let Spelling { letter, alter, octave } = Written { eighths, cents: 0.0 }.spelled();
            format!("{letter}{octave}{alter:+}")
        };
        // Around middle C.
        assert_eq!(
            [239, 240, 241, 242, 243, 244, 245, 246, 247, 248].map(spelled),
            ["C4-1", "C4+0", "C4+1", "C4+2", "C4+3", "C4+4", "C4+5", "D4-2", "D4-1", "D4+0"]
        );
    }

    // The first 32 harmonics rounded to 12, 24 and 48 steps, computed by an outside library (numpy).
    #[test]
    fn harmonics_are_written_with_their_published_deviations() {
        for (harmonic, semitone, quarter, eighth) in [
            (5.0, -13.686, -13.686, 11.314),
            (7.0, -31.174, 18.826, -6.174),
            (11.0, -48.682, 1.318, 1.318),
            (25.0, -27.373, 22.627, -2.373),
            (31.0, 45.036, -4.964, -4.964),
        ] {
            let note = 24.0 + 12.0 * f64::log2(harmonic);
            for (step, left) in [(Step::Semitone, semitone), (Step::QuarterTone, quarter), (Step::EighthTone, eighth)] {
                let off = 100.0 * (note - step.write(note, 440.0.into()).note());
                assert!((off - left).abs() < 0.001, "{harmonic} in {step:?}: {off}");
            }
            assert!((Step::Exact.write(note, 440.0.into()).cents - semitone).abs() < 0.001);
            assert!((Step::Exact.write(note, 440.0.into()).note() - note).abs() < 1e-9);
        }
    }

    #[test]
    fn names_say_key_and_cents() {
        assert_eq!(Written { eighths: 265, cents: 0.0 }.named(440.0), "F#4 +25");
        assert_eq!(Written { eighths: 264, cents: -13.7 }.named(440.0), "F#4 -14");
        assert_eq!(Written { eighths: 264, cents: 0.2 }.named(440.0), "F#4");
        assert_eq!(Step::named("Quarter-Tone"), Ok(Step::QuarterTone));
        assert_eq!(
            Step::named("quater-tone").unwrap_err().to_string(),
            "there is no step `quater-tone`: did you mean `quarter-tone`?"
        );
    }
}

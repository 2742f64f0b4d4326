//! Which frequency each note has: the tuning of a' and the temperament of the twelve notes.

use crate::pitch::{hz_note, nearest, note_hz};
use std::fmt;

/// The steps of the just scale above its first note, by name and as ratios: the common five-limit choices, one for each
/// semitone.
pub const JUST: [(&str, f64, f64); 12] = [
    ("unison", 1.0, 1.0),
    ("minor second", 16.0, 15.0),
    ("major second", 9.0, 8.0),
    ("minor third", 6.0, 5.0),
    ("major third", 5.0, 4.0),
    ("fourth", 4.0, 3.0),
    ("tritone", 45.0, 32.0),
    ("fifth", 3.0, 2.0),
    ("minor sixth", 8.0, 5.0),
    ("major sixth", 5.0, 3.0),
    ("minor seventh", 9.0, 5.0),
    ("major seventh", 15.0, 8.0),
];

/// How the twelve notes of an octave stand to one another.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum Temperament {
    /// All semitones alike.
    #[default]
    Equal,
    /// Fifths from e flat to g sharp, each narrow by a quarter of the syntonic comma (81/80): thirds are pure.
    QuarterComma,
    /// The same, narrow by a sixth of it.
    SixthComma,
    /// Vallotti's: the fifths from f to b narrow by a sixth of the Pythagorean comma, the others pure.
    Vallotti,
    /// In just intervals to one note, 0 (c) to 11 (b).
    Just(u8),
    /// Cents above c of each note from c to b. They begin with 0 and rise, and stay below 1200.
    Own([f64; 12]),
}

/// Those that have a name of their own.
const NAMED: [(&str, Temperament); 4] = [
    ("equal", Temperament::Equal),
    ("quarter-comma meantone", Temperament::QuarterComma),
    ("sixth-comma meantone", Temperament::SixthComma),
    ("Vallotti", Temperament::Vallotti),
];

/// What stands before the note that a just temperament is just to.
const JUST_TO: &str = "just to ";

/// Names of the twelve notes in small letters, as a temperament is just to them.
const NOTES: [&str; 12] = ["c", "c#", "d", "eb", "e", "f", "f#", "g", "ab", "a", "bb", "b"];

impl Temperament {
    /// The names that can be written, "just to" with each of its notes.
    pub fn names() -> impl Iterator<Item = String> + Clone {
        let just = NOTES.iter().map(|note| format!("{JUST_TO}{note}"));
        NAMED.iter().map(|(name, _)| (*name).to_owned()).chain(just)
    }

    /// The temperament of one of [`names`](Self::names).
    pub fn named(name: &str) -> Option<Self> {
        let known = NAMED.iter().find(|(known, _)| *known == name).map(|(_, temperament)| *temperament);
        let just = || name.strip_prefix(JUST_TO).and_then(|note| NOTES.iter().position(|known| *known == note));
        known.or_else(|| just().map(|note| Self::Just(note as u8)))
    }

    /// Cents above c of each note from c to b.
    #[expect(clippy::indexing_slicing, reason = "a remainder of 12 is the place of one of twelve")]
    pub fn cents(self) -> [f64; 12] {
        // Cents of a chain of fifths, c at 0; of each its size from what it leads up from, counted from c.
        let chain = |lowest: i32, fifth: &dyn Fn(i32) -> f64| {
            let mut cents = [0.0; 12];
            let (mut up, mut down) = (0.0, 0.0);
            for place in 0..12 + lowest {
                cents[(7 * place).rem_euclid(12) as usize] = f64::rem_euclid(up, 1200.0);
                up += fifth(place);
            }
            for place in (lowest..0).rev() {
                down -= fifth(place);
                cents[(7 * place).rem_euclid(12) as usize] = f64::rem_euclid(down, 1200.0);
            }
            cents
        };
        let of = |over: f64, under: f64| 1200.0 * (over / under).log2();
        let (pure, syntonic) = (of(3.0, 2.0), of(81.0, 80.0));
        match self {
            Self::Equal => std::array::from_fn(|note| 100.0 * note as f64),
            // E flat lies three fifths below c, g sharp eight above.
            Self::QuarterComma => chain(-3, &|_| pure - syntonic / 4.0),
            Self::SixthComma => chain(-3, &|_| pure - syntonic / 6.0),
            // F lies one fifth below c, b five above; twelve pure fifths miss seven octaves by the Pythagorean comma.
            Self::Vallotti => {
                let comma = 12.0 * pure - 7.0 * 1200.0;
                chain(-1, &|place| if place < 5 { pure - comma / 6.0 } else { pure })
            }
            Self::Just(to) => {
                let above = |note: i32| {
                    let (_, over, under) = JUST[(note - i32::from(to)).rem_euclid(12) as usize];
                    of(over, under) + 100.0 * f64::from(to)
                };
                std::array::from_fn(|note| (above(note as i32) - above(0)).rem_euclid(1200.0))
            }
            Self::Own(cents) => cents,
        }
    }
}

impl fmt::Display for Temperament {
    /// As a piece writes it.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Just(to) => write!(f, "{JUST_TO}{}", NOTES.get(usize::from(*to)).unwrap_or(&"c")),
            Self::Own(cents) => {
                let cents: Vec<_> = cents.iter().map(ToString::to_string).collect();
                write!(f, "[{}]", cents.join(", "))
            }
            named => f.write_str(NAMED.iter().find(|(_, one)| one == named).map_or("equal", |(name, _)| name)),
        }
    }
}

/// Which frequency each note has. A note is its MIDI number; what lies between two keys is a part of the way from one to
/// the other.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Intonation {
    /// The frequency of a', in Hz, whatever the temperament.
    pub tuning_hz: f64,
    /// How the others stand to it.
    pub temperament: Temperament,
}

impl From<f64> for Intonation {
    /// In equal temperament.
    fn from(tuning_hz: f64) -> Self {
        Self { tuning_hz, temperament: Temperament::Equal }
    }
}

impl Intonation {
    /// The frequency of a note, in Hz.
    pub fn hz(self, note: f64) -> f64 {
        match self.temperament {
            Temperament::Equal => note_hz(note, self.tuning_hz),
            _ => self.tuning_hz * (self.cents(note) / 1200.0).exp2(),
        }
    }

    /// The note of a frequency above 0.
    pub fn note(self, hz: f64) -> f64 {
        let equal = hz_note(hz, self.tuning_hz);
        if self.temperament == Temperament::Equal || !equal.is_finite() {
            return equal;
        }
        let cents = 100.0 * (equal - 69.0);
        // No key lies an octave from where it would in equal temperament.
        let (mut below, mut above) = (equal.floor() - 12.0, equal.ceil() + 12.0);
        while above - below > 1.5 {
            let middle = f64::midpoint(below, above).floor();
            if self.cents(middle) <= cents { below = middle } else { above = middle }
        }
        let (from, to) = (self.cents(below), self.cents(above));
        below + (cents - from) / (to - from)
    }

    /// The nearest key to a frequency above 0, and how many cents the frequency lies above it.
    pub fn nearest(self, hz: f64) -> (i32, f64) {
        match self.temperament {
            Temperament::Equal => nearest(hz, self.tuning_hz),
            _ => {
                let key = self.note(hz).round();
                (key as i32, 1200.0 * (hz / self.hz(key)).log2())
            }
        }
    }

    /// How many cents a note lies above another.
    pub fn between(self, note: f64, other: f64) -> f64 {
        match self.temperament {
            Temperament::Equal => 100.0 * (note - other),
            _ => self.cents(note) - self.cents(other),
        }
    }

    /// Cents above a'.
    fn cents(self, note: f64) -> f64 {
        let table = self.temperament.cents();
        let key = |key: f64| {
            let (octave, within) = ((key / 12.0).floor(), key.rem_euclid(12.0));
            1200.0 * octave + table.get(within as usize).copied().unwrap_or_default()
        };
        let (below, part) = (note.floor(), note - note.floor());
        let from = key(below);
        from + part * (key(below + 1.0) - from) - key(69.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pitch::parse_note;

    /// How far a temperament is from a table at most.
    fn off(temperament: Temperament, table: [f64; 12]) -> f64 {
        let cents = temperament.cents();
        cents.iter().zip(table).map(|(one, other)| (one - other).abs()).fold(0.0, f64::max)
    }

    // The scale archive of Manuel Op de Coul, meanquar.scl: "1/4-comma meantone scale. Pietro Aaron's temperament (1523)".
    #[test]
    fn quarter_comma_meantone_is_as_published() {
        let table = [
            0.0, 76.049, 193.15686, 310.26471, 386.31371, 503.42157, 579.47057, 696.57843, 772.62743, 889.73529,
            1006.84314, 1082.89214,
        ];
        assert!(off(Temperament::QuarterComma, table) < 6e-6);
    }

    // From memory, to the hundredth of a cent: the tables that handbooks of tuning print.
    #[test]
    fn the_others_are_as_handbooks_have_them() {
        let sixth = [0.0, 88.59, 196.74, 304.89, 393.48, 501.63, 590.22, 698.37, 786.96, 895.11, 1003.26, 1091.85];
        assert!(off(Temperament::SixthComma, sixth) < 0.006);
        let vallotti = [0.0, 94.13, 196.09, 298.04, 392.18, 501.96, 592.18, 698.04, 796.09, 894.13, 1000.0, 1090.22];
        assert!(off(Temperament::Vallotti, vallotti) < 0.006);
        let just_to_d = [0.0, 70.67, 182.40, 294.13, 386.31, 498.04, 568.72, 680.45, 772.63, 884.36, 996.09, 1066.76];
        assert!(off(Temperament::Just(2), just_to_d) < 0.006);
    }

    #[test]
    fn what_a_temperament_is_made_for_is_pure() {
        let interval = |temperament: Temperament, low: &str, high: &str| {
            let of = |name: &str| Intonation { tuning_hz: 415.0, temperament }.hz(f64::from(parse_note(name).unwrap()));
            of(high) / of(low)
        };
        for (low, high) in [("C4", "E4"), ("Eb3", "G3"), ("E4", "G#4"), ("A2", "C#3"), ("Bb3", "D4")] {
            assert!((interval(Temperament::QuarterComma, low, high) - 1.25).abs() < 1e-12, "{low} {high}");
        }
        for (low, high) in [("B3", "F#4"), ("F#3", "C#4"), ("C#4", "G#4"), ("Eb4", "Bb4"), ("Bb3", "F4")] {
            assert!((interval(Temperament::Vallotti, low, high) - 1.5).abs() < 1e-12, "{low} {high}");
        }
        for (high, ratio) in [("A3", 1.5), ("F#4", 2.5), ("Bb2", 0.8), ("C4", 1.8), ("D5", 4.0)] {
            assert!((interval(Temperament::Just(2), "D3", high) - ratio).abs() < 1e-12, "{high}");
        }
    }

    #[test]
    fn a_is_as_it_is_tuned_and_each_frequency_has_its_note() {
        let own = Temperament::Own([0.0, 60.0, 200.0, 330.0, 380.0, 500.0, 560.0, 700.0, 860.0, 900.0, 1010.0, 1199.0]);
        let all = Temperament::names().filter_map(|name| Temperament::named(&name)).chain([own]);
        for temperament in all {
            for tuning_hz in [392.0, 415.0, 440.0, 466.0] {
                let intonation = Intonation { tuning_hz, temperament };
                assert!(
                    (intonation.hz(69.0) - tuning_hz).abs() < 1e-9
                        && (intonation.hz(57.0) * 2.0 - tuning_hz).abs() < 1e-9
                );
                for tenth in 0..1280 {
                    let note = f64::from(tenth) / 10.0;
                    assert!((intonation.note(intonation.hz(note)) - note).abs() < 1e-6, "{temperament} {note}");
                }
                for key in 0..128 {
                    let (found, cents) = intonation.nearest(intonation.hz(f64::from(key)) * (3.0f64 / 1200.0).exp2());
                    // The last semitone of the odd one is a cent wide.
                    assert!(
                        found == key && (cents - 3.0).abs() < 1e-6 || temperament == own && key % 12 == 11,
                        "{temperament} {key}"
                    );
                }
            }
        }
    }

    #[test]
    fn equal_temperament_has_the_bits_that_it_had() {
        for note in 0..1270 {
            let note = f64::from(note) / 10.0;
            let intonation = Intonation::from(415.0);
            assert_eq!(intonation.hz(note).to_bits(), note_hz(note, 415.0).to_bits());
            let hz = intonation.hz(note);
            assert_eq!(intonation.note(hz).to_bits(), hz_note(hz, 415.0).to_bits());
        }
    }

    #[test]
    fn a_temperament_is_read_as_it_is_written() {
        for name in Temperament::names() {
            assert_eq!(Temperament::named(&name).map(|one| one.to_string()), Some(name));
        }
        assert_eq!(Temperament::named("just to h"), None);
        assert_eq!(Temperament::named("meantone"), None);
        assert_eq!(Temperament::Own([0.5; 12]).to_string().matches("0.5").count(), 12);
    }
}

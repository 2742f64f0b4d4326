//! Who plays: instruments and voices with their comfortable ranges, and how they are written for.

/// A clef on a staff of five lines.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Clef {
    /// G, F or C.
    pub sign: char,
    /// The line that it names, counted from the lowest.
    pub line: u8,
    /// Octaves by which what it shows is shifted: −1 with a small 8 below.
    pub octave: i32,
}

const TREBLE: Clef = Clef { sign: 'G', line: 2, octave: 0 };
const TREBLE_8: Clef = Clef { sign: 'G', line: 2, octave: -1 };
const ALTO: Clef = Clef { sign: 'C', line: 3, octave: 0 };
const TENOR: Clef = Clef { sign: 'C', line: 4, octave: 0 };
const BASS: Clef = Clef { sign: 'F', line: 4, octave: 0 };

/// The clefs that a piece can name. Their names are those of every primer.
pub const CLEFS: [(&str, &str, Clef); 10] = [
    ("treble", "G on the second line", TREBLE),
    ("treble 8", "the same, sounding an octave lower", TREBLE_8),
    ("french violin", "G on the first line", Clef { sign: 'G', line: 1, octave: 0 }),
    ("soprano", "C on the first line", Clef { sign: 'C', line: 1, octave: 0 }),
    ("mezzo-soprano", "C on the second line", Clef { sign: 'C', line: 2, octave: 0 }),
    ("alto", "C on the third line", ALTO),
    ("tenor", "C on the fourth line", TENOR),
    ("baritone", "F on the third line", Clef { sign: 'F', line: 3, octave: 0 }),
    ("bass", "F on the fourth line", BASS),
    ("bass 8", "the same, sounding an octave lower", Clef { sign: 'F', line: 4, octave: -1 }),
];

impl Clef {
    /// How many ledger lines a note needs; its place counts letters up from C0.
    pub fn ledgers(self, place: i32) -> u32 {
        let named = match self.sign {
            'G' => 32,
            'C' => 28,
            _ => 24,
        };
        let lowest = named + 7 * self.octave - 2 * (i32::from(self.line) - 1);
        ((lowest - place).max(place - lowest - 8).max(0) / 2) as u32
    }
}

/// How far something sounds above what is written for it; below, where it is negative.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Transposition {
    /// In semitones.
    pub semitones: i32,
    /// In letters: 1 of a second, 7 of an octave.
    pub letters: i32,
}

const AS_WRITTEN: Transposition = Transposition { semitones: 0, letters: 0 };
const OCTAVE_UP: Transposition = Transposition { semitones: 12, letters: 7 };
const OCTAVE_DOWN: Transposition = Transposition { semitones: -12, letters: -7 };

/// A kind of instrument or voice.
#[derive(Debug, PartialEq, Eq)]
pub struct Instrument {
    /// Its name as players write it.
    pub name: &'static str,
    /// Other names for it.
    pub aliases: &'static [&'static str],
    /// Its name in front of a later staff.
    pub short: &'static str,
    /// Its lowest comfortable sounding note, as a MIDI number: from there to `high` it has every key.
    pub low: i32,
    /// Its highest.
    pub high: i32,
    /// What it has below that, note by note: open strings beside the fingerboard, single bells.
    pub open: &'static [i32],
    /// Whether it plays between the keys, as exactly as the ear asks for.
    pub fine: bool,
    /// Whether it plays louder and softer.
    pub swells: bool,
    /// The clefs that its players read, the usual one first.
    pub clefs: &'static [Clef],
    /// How it sounds above what is written for it.
    pub transposition: Transposition,
    /// Its General MIDI program, counted from 0.
    pub program: u8,
    /// Its name in MusicXML's list of standard sounds.
    pub sound: &'static str,
}

/// All of them, in the order of a score.
pub fn instruments() -> &'static [Instrument] {
    INSTRUMENTS
}

/// Most of a row.
const BASE: Instrument = Instrument {
    name: "",
    aliases: &[],
    short: "",
    low: 12,
    high: 127,
    open: &[],
    fine: true,
    swells: true,
    clefs: &[TREBLE],
    transposition: AS_WRITTEN,
    program: 0,
    sound: "",
};

// Ranges are those in which a good player is at ease, not the ends of the instrument. "From memory" is orchestral or period convention remembered, not read. Voices: New Harvard Dictionary of Music,
// ordinary ranges. Recorders: encyclopedia articles on each. Viols: Naylor, "Shakespeare and Music", for tuning and compass;
// seven frets a semitone apart; the tunings that are not there are from memory. Lute: the Lute Society's table of tunings
// (eight courses in G, the eighth on D2), eight frets. Theorbo: Lynda Sayce, "Theorbo: tuning and techniques" (fourteen
// courses in A, GG to a'; only the first six are fretted). Cornett: the encyclopedia's article on it (A3 with all holes
// closed, the fifteen notes that Praetorius gives it). Lowest notes of violin, viola, cello, harpsichord: music21's instrument data. Programs:
// General MIDI level 1, from memory but for those that soundfonts confirmed (6, 40–42, 52, 53, 73, 74). Sounds: the
// standard's list. Clefs: common practice, no source.
const INSTRUMENTS: &[Instrument] = &[
    // C5–D7, written an octave lower.
    Instrument {
        name: "soprano recorder",
        aliases: &["descant recorder"],
        short: "S. rec.",
        low: 72,
        high: 98,
        transposition: OCTAVE_UP,
        program: 74,
        sound: "wind.flutes.recorder.soprano",
        ..BASE
    },
    // F4–G6.
    Instrument {
        name: "recorder",
        aliases: &["treble recorder", "alto recorder"],
        short: "Rec.",
        low: 65,
        high: 91,
        program: 74,
        sound: "wind.flutes.recorder.alto",
        ..BASE
    },
    // C4–D6, its top from memory.
    Instrument {
        name: "tenor recorder",
        short: "T. rec.",
        low: 60,
        high: 86,
        program: 74,
        sound: "wind.flutes.recorder.tenor",
        ..BASE
    },
    // F3–G5, its top from memory; written an octave lower.
    Instrument {
        name: "bass recorder",
        short: "B. rec.",
        low: 53,
        high: 79,
        clefs: &[BASS],
        transposition: OCTAVE_UP,
        program: 74,
        sound: "wind.flutes.recorder.bass",
        ..BASE
    },
    // D4–E6, with one key: from memory; A6 is the end of the charts.
    Instrument { name: "flute", short: "Fl.", low: 62, high: 88, program: 73, sound: "wind.flutes.flute", ..BASE },
    // C4–A5.
    Instrument { name: "soprano", short: "S.", low: 60, high: 81, program: 53, sound: "voice.soprano", ..BASE },
    // A3–F5.
    Instrument {
        name: "mezzo",
        aliases: &["mezzo-soprano"],
        short: "Mez.",
        low: 57,
        high: 77,
        program: 53,
        sound: "voice.mezzo-soprano",
        ..BASE
    },
    // F3–D5.
    Instrument {
        name: "alto",
        aliases: &["contralto"],
        short: "A.",
        low: 53,
        high: 74,
        program: 53,
        sound: "voice.alto",
        ..BASE
    },
    // B2–G4.
    Instrument {
        name: "tenor",
        short: "T.",
        low: 47,
        high: 67,
        clefs: &[TREBLE_8],
        program: 53,
        sound: "voice.tenor",
        ..BASE
    },
    // G2–E4.
    Instrument {
        name: "baritone",
        short: "Bar.",
        low: 43,
        high: 64,
        clefs: &[BASS],
        program: 53,
        sound: "voice.baritone",
        ..BASE
    },
    // E2–C4.
    Instrument {
        name: "bass",
        short: "B.",
        low: 40,
        high: 60,
        clefs: &[BASS],
        program: 53,
        sound: "voice.bass",
        ..BASE
    },
    // A3–A5; in skilled hands to D6.
    Instrument {
        name: "cornett",
        aliases: &["cornetto", "zink", "mute cornett"],
        short: "Cnt.",
        low: 57,
        high: 81,
        program: 56,
        sound: "brass.cornett",
        ..BASE
    },
    // From the eighth course, D2, to the eighth fret of the first, Eb5. Its frets fix its notes.
    Instrument {
        name: "lute",
        aliases: &["renaissance lute"],
        short: "Lt.",
        low: 38,
        high: 75,
        fine: false,
        clefs: &[TREBLE_8, BASS],
        program: 24,
        sound: "pluck.lute",
        ..BASE
    },
    // From the sixth course, A2, to A4; below it eight courses of one note each, G1 to G2, which are tuned to the piece: here
    // without accidentals.
    Instrument {
        name: "theorbo",
        aliases: &["chitarrone"],
        short: "Thb.",
        low: 45,
        high: 69,
        open: &[31, 33, 35, 36, 38, 40, 41, 43],
        fine: false,
        clefs: &[BASS, TREBLE_8],
        program: 24,
        sound: "pluck.theorbo",
        ..BASE
    },
    // C2–D6, from memory, in its stop of eight feet; many go to F6.
    Instrument {
        name: "chamber organ",
        aliases: &["positive organ", "organ"],
        short: "Org.",
        low: 36,
        high: 86,
        fine: false,
        swells: false,
        clefs: &[TREBLE, BASS],
        program: 19,
        sound: "keyboard.organ.pipe",
        ..BASE
    },
    // 47 bells, from memory: C3, D3, and all from E3 to C7. Many sound higher or lower than they are written.
    Instrument {
        name: "carillon",
        short: "Car.",
        low: 52,
        high: 96,
        open: &[48, 50],
        fine: false,
        clefs: &[TREBLE, BASS],
        program: 14,
        sound: "metal.bells.carillon",
        ..BASE
    },
    // F1–F6, its top from memory. Between its keys there is nothing, and all its notes are as loud.
    Instrument {
        name: "harpsichord",
        short: "Hpd.",
        low: 29,
        high: 89,
        fine: false,
        swells: false,
        clefs: &[TREBLE, BASS],
        program: 6,
        sound: "keyboard.harpsichord",
        ..BASE
    },
    // As it is played today. G3–A6, its top from memory: two octaves above the open string; E7 is where handbooks end.
    Instrument { name: "violin", short: "Vn.", low: 55, high: 93, program: 40, sound: "strings.violin", ..BASE },
    // As it was played before 1800, held without a chin rest. G3–D6, from memory: the third position, beyond which most
    // music of its time does not go; the seventh, with which the tutors of 1750 end, reaches A6.
    Instrument {
        name: "baroque violin",
        aliases: &["period violin", "early violin"],
        short: "B. vn.",
        low: 55,
        high: 86,
        program: 40,
        sound: "strings.violin",
        ..BASE
    },
    // C3–E6, its top from memory.
    Instrument {
        name: "viola",
        short: "Va.",
        low: 48,
        high: 88,
        clefs: &[ALTO, TREBLE],
        program: 41,
        sound: "strings.viola",
        ..BASE
    },
    // C2–C6, its top from memory.
    Instrument {
        name: "cello",
        aliases: &["violoncello"],
        short: "Vc.",
        low: 36,
        high: 84,
        clefs: &[BASS, TENOR, TREBLE],
        program: 42,
        sound: "strings.cello",
        ..BASE
    },
    // Six strings, the tuning from memory: from the open G3 to the seventh fret of the g'' string, D6.
    Instrument {
        name: "pardessus de viole",
        aliases: &["pardessus"],
        short: "Pard.",
        low: 55,
        high: 86,
        program: 40,
        sound: "strings.viol.treble",
        ..BASE
    },
    // From the open D3 to the seventh fret of the d'' string, A5.
    Instrument {
        name: "treble viol",
        aliases: &["dessus de viole", "treble viola da gamba"],
        short: "Tr. viol",
        low: 50,
        high: 81,
        program: 40,
        sound: "strings.viol.treble",
        ..BASE
    },
    // The tuning from memory: from the open C3 to the seventh fret of the c'' string, G5.
    Instrument {
        name: "alto viol",
        aliases: &["alto viola da gamba"],
        short: "A. viol",
        low: 48,
        high: 79,
        clefs: &[ALTO, TREBLE],
        program: 41,
        sound: "strings.viol.alto",
        ..BASE
    },
    // From the open G2 to the seventh fret of the g' string, D5.
    Instrument {
        name: "tenor viol",
        aliases: &["tenor viola da gamba"],
        short: "T. viol",
        low: 43,
        high: 74,
        clefs: &[ALTO, TREBLE],
        program: 41,
        sound: "strings.viol.tenor",
        ..BASE
    },
    // Six strings: from the open D2 to the seventh fret of the d' string, A4.
    Instrument {
        name: "viol",
        aliases: &["bass viol", "viola da gamba", "gamba", "bass viola da gamba"],
        short: "Viol",
        low: 38,
        high: 69,
        clefs: &[BASS, ALTO],
        program: 42,
        sound: "strings.viol.bass",
        ..BASE
    },
    // The same with a seventh string, A1.
    Instrument {
        name: "seven-string viol",
        aliases: &["French bass viol"],
        short: "Viol",
        low: 33,
        high: 69,
        clefs: &[BASS, ALTO],
        program: 42,
        sound: "strings.viol.bass",
        ..BASE
    },
    // In G, the tuning from memory: from the open G1 to the seventh fret of the g string, D4.
    Instrument {
        name: "violone",
        short: "Vlne.",
        low: 31,
        high: 62,
        clefs: &[BASS],
        program: 42,
        sound: "strings.viol.violone",
        ..BASE
    },
    // In D, the tuning from memory: from the open D1 to the seventh fret of the d string, A3; written an octave higher.
    Instrument {
        name: "great bass viol",
        aliases: &["violone in D"],
        short: "Gt. B. viol",
        low: 26,
        high: 57,
        clefs: &[BASS],
        transposition: OCTAVE_DOWN,
        program: 43,
        sound: "strings.viol.violone",
        ..BASE
    },
    // For checking. C0–G9: what the formats can write.
    Instrument { name: "sine", short: "Sine", clefs: &[TREBLE, BASS], program: 79, sound: "synth.tone.sine", ..BASE },
];

/// One player: of a handbook's instrument, as the handbook or as a piece describes it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Player {
    /// The name in front of the part.
    pub name: String,
    /// What is played.
    pub instrument: &'static Instrument,
    /// The lowest note that this player should sound, as a MIDI number at the piece's tuning.
    pub low: i32,
    /// The highest.
    pub high: i32,
    /// What there is below that, note by note.
    pub open: Vec<i32>,
    /// The clefs that this player reads, the usual one first: at least one.
    pub clefs: Vec<Clef>,
    /// How it sounds above what is written for it.
    pub transposition: Transposition,
}

impl From<&'static Instrument> for Player {
    fn from(instrument: &'static Instrument) -> Self {
        Self {
            name: instrument.name.to_owned(),
            instrument,
            low: instrument.low,
            high: instrument.high,
            open: instrument.open.to_vec(),
            clefs: instrument.clefs.to_vec(),
            transposition: instrument.transposition,
        }
    }
}

impl Instrument {
    /// The instrument of a name, in letters of either case.
    pub fn named(name: &str) -> Option<&'static Self> {
        let wanted = name.trim().to_lowercase();
        let is = |known: &str| known.to_lowercase() == wanted;
        INSTRUMENTS.iter().find(|one| is(one.name) || one.aliases.iter().any(|alias| is(alias)))
    }
}

impl Player {
    /// Whether this player has a note (a MIDI number, between two keys as it comes), and it can be written.
    pub fn has(&self, note: f64) -> bool {
        /// What the way from Hz to semitones and back may lose.
        const ROUNDING: f64 = 1e-9;
        let at = |key: i32| (f64::from(key) - note).abs() <= ROUNDING;
        let range = f64::from(self.low) - ROUNDING..=f64::from(self.high) + ROUNDING;
        // As written, from C0 to B9: scores have no other octaves (MusicXML 4.0, the type "octave").
        let written = note - f64::from(self.transposition.semitones);
        (11.6..131.4).contains(&written) && (range.contains(&note) || self.open.iter().copied().any(at))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn every_name_is_found_and_means_one_instrument() {
        let names =
            INSTRUMENTS.iter().flat_map(|one| one.aliases.iter().chain([&one.name]).map(move |name| (name, one)));
        let mut seen = BTreeSet::new();
        for (name, one) in names {
            assert!(seen.insert(name.to_lowercase()), "{name} twice");
            assert_eq!(Instrument::named(&name.to_uppercase()), Some(one));
            assert!(one.low < one.high && !one.clefs.is_empty());
            assert!(one.open.iter().all(|open| *open < one.low) && one.open.is_sorted(), "{name}");
        }
    }

    // A concert carillon of four octaves has 47 bells (from memory); a theorbo of 14 courses has eight beside its six.
    #[test]
    fn bells_and_courses_are_as_many_as_handbooks_count() {
        let carillon = Instrument::named("carillon").unwrap();
        assert_eq!(carillon.open.len() as i32 + carillon.high - carillon.low + 1, 47);
        assert_eq!(Instrument::named("theorbo").unwrap().open.len() + 6, 14);
    }

    #[test]
    fn below_its_lowest_key_a_player_has_the_open_notes_and_none_between() {
        let theorbo = Player::from(Instrument::named("theorbo").unwrap());
        let has: Vec<_> = (29..47).filter(|note| theorbo.has(f64::from(*note))).collect();
        assert_eq!(has, [31, 33, 35, 36, 38, 40, 41, 43, 45, 46]);
        assert!(!theorbo.has(43.5) && theorbo.has(45.5) && theorbo.has(69.0) && !theorbo.has(69.1));
    }

    // Staff lines, as every primer has them: treble E4–F5, alto F3–G4, tenor D3–E4, bass G2–A3.
    #[test]
    fn ledger_lines_are_counted_from_the_staff() {
        let place = |name: &str| i32::from(name.as_bytes()[1] - b'0') * 7 + "CDEFGAB".find(&name[..1]).unwrap() as i32;
        for (clef, low, high) in [(TREBLE, "E4", "F5"), (ALTO, "F3", "G4"), (TENOR, "D3", "E4"), (BASS, "G2", "A3")] {
            assert_eq!(
                [clef.ledgers(place(low)), clef.ledgers(place(low) - 1), clef.ledgers(place(low) - 2)],
                [0, 0, 1]
            );
            assert_eq!(
                [clef.ledgers(place(high)), clef.ledgers(place(high) + 1), clef.ledgers(place(high) + 2)],
                [0, 0, 1]
            );
        }
        assert_eq!(TREBLE.ledgers(place("C4")), 1);
        assert_eq!(TREBLE_8.ledgers(place("C3")), 1);
    }
}

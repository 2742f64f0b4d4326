//! Who plays: instruments and voices with their comfortable ranges, and how they are written for.

use crate::NotesError;
use crate::error::unknown;

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

impl Clef {
    /// How many ledger lines a note needs; its place counts letters up from C0.
    pub(crate) fn ledgers(self, place: i32) -> u32 {
        let named = match self.sign {
            'G' => 32,
            'C' => 28,
            _ => 24,
        };
        let lowest = named + 7 * self.octave - 2 * (i32::from(self.line) - 1);
        ((lowest - place).max(place - lowest - 8).max(0) / 2) as u32
    }
}

/// A kind of instrument or voice.
#[derive(Debug, PartialEq, Eq)]
pub struct Instrument {
    /// Its name as players write it.
    pub name: &'static str,
    /// Other names for it.
    pub aliases: &'static [&'static str],
    /// Its name in front of a later staff.
    pub short: &'static str,
    /// Its lowest comfortable sounding note, as a MIDI number.
    pub low: i32,
    /// Its highest.
    pub high: i32,
    /// Whether it plays between the keys, as exactly as the ear asks for.
    pub fine: bool,
    /// Whether it plays louder and softer.
    pub swells: bool,
    /// The clefs that its players read, the usual one first.
    pub clefs: &'static [Clef],
    /// Octaves by which it sounds above what is written for it.
    pub octave: i32,
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
    fine: true,
    swells: true,
    clefs: &[TREBLE],
    octave: 0,
    program: 0,
    sound: "",
};

// Ranges: "from memory" is orchestral or period convention remembered, not read. Voices: New Harvard Dictionary of Music,
// ordinary ranges. Recorders: encyclopedia articles on each. Viols: Naylor, "Shakespeare and Music", for tuning and compass;
// seven frets a semitone apart. Lowest notes of violin, viola, cello, harpsichord: music21's instrument data. Programs:
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
        octave: 1,
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
        octave: 1,
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
    // G3–A7, its top from memory.
    Instrument { name: "violin", short: "Vn.", low: 55, high: 105, program: 40, sound: "strings.violin", ..BASE },
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
    // From the open D3 to the seventh fret of the d'' string, A5.
    Instrument {
        name: "treble viol",
        short: "Tr. viol",
        low: 50,
        high: 81,
        program: 40,
        sound: "strings.viol.treble",
        ..BASE
    },
    // From the open G2 to the seventh fret of the g' string, D5.
    Instrument {
        name: "tenor viol",
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
        aliases: &["bass viol"],
        short: "Viol",
        low: 38,
        high: 69,
        clefs: &[BASS, ALTO],
        program: 42,
        sound: "strings.viol.bass",
        ..BASE
    },
    // For checking. C0–G9: what the formats can write.
    Instrument { name: "sine", short: "Sine", clefs: &[TREBLE, BASS], program: 79, sound: "synth.tone.sine", ..BASE },
];

/// One player.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Player {
    /// The name in front of the part.
    pub name: String,
    /// The lowest note that this player should sound, as a MIDI number at the piece's tuning.
    pub low: i32,
    /// The highest.
    pub high: i32,
    /// What is played.
    pub instrument: &'static Instrument,
}

impl Player {
    /// A player of the instrument of this name, with its comfortable range.
    ///
    /// # Errors
    /// [`NotesError::Unknown`] with names that are near.
    pub fn named(name: &str) -> Result<Self, NotesError> {
        let wanted = name.trim().to_lowercase();
        let instrument = INSTRUMENTS
            .iter()
            .find(|one| one.name == wanted || one.aliases.contains(&wanted.as_str()))
            .ok_or_else(|| unknown("player", name, INSTRUMENTS.iter().map(|one| one.name)))?;
        Ok(Self { name: instrument.name.to_owned(), low: instrument.low, high: instrument.high, instrument })
    }
}

/// Players by name. Several of the same get numbers: violin 1, violin 2.
///
/// # Errors
/// [`NotesError::Unknown`] with names that are near.
pub fn ensemble(names: &[impl AsRef<str>]) -> Result<Vec<Player>, NotesError> {
    let mut players = names.iter().map(|name| Player::named(name.as_ref())).collect::<Result<Vec<_>, _>>()?;
    for one in INSTRUMENTS {
        let mut same: Vec<_> = players.iter_mut().filter(|player| player.instrument == one).collect();
        if same.len() > 1 {
            for (number, player) in (1..).zip(&mut same) {
                player.name = format!("{} {number}", one.name);
            }
        }
    }
    Ok(players)
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
            assert!(seen.insert(name), "{name} twice");
            assert_eq!(Player::named(&name.to_uppercase()).unwrap().instrument, one);
            assert!(one.low < one.high && !one.clefs.is_empty());
        }
    }

    #[test]
    fn a_wrong_name_is_told_with_those_near_to_it() {
        let told = |name| Player::named(name).unwrap_err().to_string();
        assert_eq!(told("violn"), "there is no player `violn`: there are violin, viola, viol");
        assert_eq!(told("harpsicord"), "there is no player `harpsicord`: did you mean `harpsichord`?");
        assert!(told("xylophone").ends_with("viol, sine"), "all: {}", told("xylophone"));
    }

    #[test]
    fn several_of_the_same_are_numbered_and_one_alone_is_not() {
        let names: Vec<_> = ensemble(&["violin", "viol", "violin"]).unwrap().into_iter().map(|one| one.name).collect();
        assert_eq!(names, ["violin 1", "viol", "violin 2"]);
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

//! A score as MusicXML 4.0, partwise.

use std::fmt::Display;
use std::ops::Range;

use crate::rhythm::{MEASURE, QUARTER, VALUES, Value, values};
use crate::xml::Xml;
use crate::{Clef, Dynamic, Instrument, Note, PlayerPart, Rhythm, Score, Spelling, Step, Written};
use tenterhook_plan::Temperament;
use tenterhook_plan::players::Transposition;

/// The standard's accidentals by eighth-tones above the letter, from −2 on. Arrows stand for eighth-tones, since the
/// standard has no sign of their own for them; `alter` says what is meant, and a legend stands at the head.
const ACCIDENTALS: [&str; 8] =
    ["quarter-flat", "natural-down", "natural", "natural-up", "quarter-sharp", "sharp-down", "sharp", "sharp-up"];

/// What stands in a part from one time to another.
struct ScoreEvent<'a> {
    span: Range<u32>,
    /// Nothing: a rest.
    note: Option<&'a Note>,
}

impl Score {
    /// The score as MusicXML 4.0. What sounds is `alter`, which holds the cents of [`Step::Exact`] as well; what is read
    /// is the accidental, and the cents in words. MusicXML has no place for the frequency of a', nor for a
    /// temperament: they stand in words, and cents are above the note as it is tempered.
    pub fn musicxml(&self) -> String {
        let doctype = "<!DOCTYPE score-partwise PUBLIC \"-//Recordare//DTD MusicXML 4.0 Partwise//EN\" \
                       \"http://www.musicxml.org/dtds/partwise.dtd\">\n";
        let mut xml = Xml::new(doctype);
        xml.within("score-partwise", &[("version", &"4.0")], |xml| {
            xml.within("work", &[], |xml| xml.leaf("work-title", &[], &self.title));
            xml.within("identification", &[], |xml| {
                xml.within("encoding", &[], |xml| xml.leaf("software", &[], "Tenterhook"));
            });
            xml.within("part-list", &[], |xml| {
                xml.within("part-group", &[("type", &"start"), ("number", &1)], |xml| {
                    xml.leaf("group-symbol", &[], "bracket");
                    xml.leaf("group-barline", &[], "yes");
                });
                for (number, part) in (1..).zip(&self.parts) {
                    list(xml, number, part);
                }
                xml.empty("part-group", &[("type", &"stop"), ("number", &1)]);
            });
            for (number, part) in (1..).zip(&self.parts) {
                xml.within("part", &[("id", &format_args!("P{number}"))], |xml| self.part(xml, number == 1, part));
            }
        });
        xml.done()
    }

    /// What stands in a part, from the first measure to the end of the last.
    fn filled<'a>(&self, part: &'a PlayerPart) -> Vec<ScoreEvent<'a>> {
        let mut events = Vec::new();
        let mut at = 0;
        for note in &part.notes {
            let span = self.placed[note.chord].clone();
            events.push(ScoreEvent { span: at..span.start, note: None });
            at = span.end;
            events.push(ScoreEvent { span, note: Some(note) });
        }
        events.push(ScoreEvent { span: at..self.measures() * MEASURE, note: None });
        events
    }

    fn part(&self, xml: &mut Xml, first: bool, part: &PlayerPart) {
        let (instrument, transposition) = (part.player.instrument, part.player.transposition);
        // Each event's written values, measure by measure.
        let mut measures: Vec<Vec<(Value, ScoreEvent<'_>)>> = (0..self.measures()).map(|_| Vec::new()).collect();
        for ScoreEvent { span, note } in self.filled(part) {
            for value in values(span.clone(), note.is_none()) {
                measures[(value.at / MEASURE) as usize].push((value, ScoreEvent { span: span.clone(), note }));
            }
        }
        let (mut clef, mut dynamic) = (None, None);
        for (number, measure) in (0..).zip(&measures) {
            xml.within("measure", &[("number", &(number + 1))], |xml| {
                let places: Vec<_> =
                    measure.iter().filter_map(|(_, event)| event.note).map(|note| place(note, transposition)).collect();
                let best = best_clef(&part.player.clefs, clef, &places);
                if number == 0 || clef != Some(best) {
                    clef = Some(best);
                    xml.within("attributes", &[], |xml| attributes(xml, number == 0, best, transposition));
                }
                if first {
                    self.head(xml, number);
                }
                let mut altered: Vec<(char, i32)> = Vec::new();
                for (value, event) in measure {
                    let Some(note) = event.note else {
                        rest(xml, *value);
                        continue;
                    };
                    if value.at == event.span.start {
                        self.words(xml, instrument, note, &mut dynamic);
                    }
                    let tied = [value.at > event.span.start, value.at + value.lasts < event.span.end];
                    sounding(xml, note, *value, transposition, tied, &mut altered);
                }
                if number + 1 == self.measures() {
                    xml.within("barline", &[("location", &"right")], |xml| xml.leaf("bar-style", &[], "light-heavy"));
                }
            });
        }
    }

    /// What stands above the whole score at a measure: at the first tempo and tuning; of a held chord its times.
    fn head(&self, xml: &mut Xml, measure: u32) {
        if measure == 0 {
            let tempo = self.rhythm.tempo();
            let legend = match self.step {
                Step::Semitone | Step::QuarterTone => "",
                Step::EighthTone => " an arrow is an eighth-tone,",
                Step::Exact => " numbers are cents,",
            };
            xml.within("direction", &[("placement", &"above")], |xml| {
                // In front of the metronome mark, where engravers set it whatever the order.
                let temperament = match self.intonation.temperament {
                    Temperament::Equal => String::new(),
                    Temperament::Own(_) => " in a temperament of its own,".to_owned(),
                    named => format!(" {named},"),
                };
                words(xml, format_args!("a' = {} Hz,{temperament}{legend}", self.intonation.tuning_hz));
                xml.within("direction-type", &[], |xml| {
                    xml.within("metronome", &[], |xml| {
                        xml.leaf("beat-unit", &[], "quarter");
                        xml.leaf("per-minute", &[], tempo);
                    });
                });
                xml.empty("sound", &[("tempo", &tempo)]);
            });
        }
        if self.rhythm == Rhythm::Held
            && let Some(span) = self.spans.get(measure as usize)
        {
            above(xml, format_args!("{:.2} s", span.start));
        }
    }

    /// A note's cents, and its dynamic if that changes.
    fn words(&self, xml: &mut Xml, instrument: &Instrument, note: &Note, dynamic: &mut Option<Dynamic>) {
        if self.step == Step::Exact && instrument.fine {
            match note.written.cents.round() as i32 {
                0 => above(xml, "0"),
                // A hyphen is too short to be seen from a stand.
                cents => above(xml, format_args!("{}{}", if cents < 0 { '−' } else { '+' }, cents.abs())),
            }
        }
        let now = self.dynamic(note);
        if instrument.swells && *dynamic != Some(now) {
            *dynamic = Some(now);
            xml.within("direction", &[("placement", &"below")], |xml| {
                xml.within("direction-type", &[], |xml| {
                    xml.within("dynamics", &[], |xml| xml.empty(now.name(), &[]));
                });
                // Percent of the standard's usual velocity, 90.
                let percent = f64::from(now.velocity()) / 0.9;
                xml.empty("sound", &[("dynamics", &format_args!("{percent:.2}"))]);
            });
        }
    }
}

/// A name as it stands in front of a staff.
fn capital(name: &str) -> String {
    let mut letters = name.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// A part's line in the list of parts.
fn list(xml: &mut Xml, number: usize, part: &PlayerPart) {
    let (player, instrument) = (&part.player, part.player.instrument);
    let id = format!("P{number}-I1");
    xml.within("score-part", &[("id", &format_args!("P{number}"))], |xml| {
        xml.leaf("part-name", &[], capital(&player.name));
        let short = match player.name.strip_prefix(instrument.name) {
            Some(number) => format!("{}{number}", instrument.short),
            // A name of the piece's own.
            None => capital(&player.name),
        };
        xml.leaf("part-abbreviation", &[], short);
        xml.within("score-instrument", &[("id", &id)], |xml| {
            xml.leaf("instrument-name", &[], capital(instrument.name));
            xml.leaf("instrument-sound", &[], instrument.sound);
        });
        // Channels and programs are counted from 1 here; channel 10 is percussion's.
        let channel = if number < 10 { number } else { number + 1 };
        xml.within("midi-instrument", &[("id", &id)], |xml| {
            if channel <= 16 {
                xml.leaf("midi-channel", &[], channel);
            }
            xml.leaf("midi-program", &[], instrument.program + 1);
        });
    });
}

/// A note in letters as it is read: what sounds without the transposition.
fn read(note: &Note, transposition: Transposition) -> Spelling {
    Written { eighths: note.written.eighths - 4 * transposition.semitones, ..note.written }.spelled()
}

/// Where a note stands on a staff: letters above C0, as written.
fn place(note: &Note, transposition: Transposition) -> i32 {
    let Spelling { letter, octave, .. } = read(note, transposition);
    7 * octave + "CDEFGAB".find(letter).unwrap_or_default() as i32
}

/// The clef for these places: a change must save two ledger lines a note.
fn best_clef(clefs: &[Clef], now: Option<Clef>, places: &[i32]) -> Clef {
    let needs = |clef: &Clef| places.iter().map(|&place| clef.ledgers(place)).sum::<u32>();
    let best = *clefs.iter().min_by_key(|clef| needs(clef)).unwrap_or(&clefs[0]);
    now.filter(|now| needs(now) < needs(&best) + 2 * places.len().max(1) as u32).unwrap_or(best)
}

fn attributes(xml: &mut Xml, first: bool, clef: Clef, transposition: Transposition) {
    if first {
        xml.leaf("divisions", &[], QUARTER);
        xml.within("key", &[], |xml| {
            xml.leaf("fifths", &[], 0);
            xml.leaf("mode", &[], "none");
        });
        xml.within("time", &[], |xml| {
            xml.leaf("beats", &[], 4);
            xml.leaf("beat-type", &[], 4);
        });
    }
    xml.within("clef", &[], |xml| {
        xml.leaf("sign", &[], clef.sign);
        xml.leaf("line", &[], clef.line);
        if clef.octave != 0 {
            xml.leaf("clef-octave-change", &[], clef.octave);
        }
    });
    if first && transposition != Transposition::default() {
        // Whole octaves apart, and what is left towards zero, as the standard has it.
        let Transposition { semitones, letters } = transposition;
        xml.within("transpose", &[], |xml| {
            xml.leaf("diatonic", &[], letters % 7);
            xml.leaf("chromatic", &[], semitones % 12);
            if semitones / 12 != 0 {
                xml.leaf("octave-change", &[], semitones / 12);
            }
        });
    }
}

/// Words of a direction.
fn words(xml: &mut Xml, text: impl Display) {
    let upright: [(&str, &dyn Display); 2] = [("font-style", &"normal"), ("font-size", &8)];
    xml.within("direction-type", &[], |xml| xml.leaf("words", &upright, text));
}

/// Words above the staff.
fn above(xml: &mut Xml, text: impl Display) {
    xml.within("direction", &[("placement", &"above")], |xml| words(xml, text));
}

/// The last elements of a note or rest that tell its value.
fn kind(xml: &mut Xml, lasts: u32) {
    if let Some((_, name, dot)) = VALUES.iter().find(|(value, ..)| *value == lasts) {
        xml.leaf("type", &[], name);
        if *dot {
            xml.empty("dot", &[]);
        }
    }
}

fn rest(xml: &mut Xml, value: Value) {
    xml.within("note", &[], |xml| {
        if value.lasts == MEASURE {
            xml.empty("rest", &[("measure", &"yes")]);
        } else {
            xml.empty("rest", &[]);
        }
        xml.leaf("duration", &[], value.lasts);
        xml.leaf("voice", &[], 1);
        if value.lasts < MEASURE {
            kind(xml, value.lasts);
        }
    });
}

/// A note; `tied` to the one before and the one after, `altered` the letters that stand altered in this measure.
fn sounding(
    xml: &mut Xml,
    note: &Note,
    value: Value,
    transposition: Transposition,
    tied: [bool; 2],
    altered: &mut Vec<(char, i32)>,
) {
    let Spelling { letter, alter, octave } = read(note, transposition);
    let ties = [("stop", tied[0]), ("start", tied[1])].into_iter().filter(|(_, is)| *is).map(|(kind, _)| kind);
    // To a hundredth of a cent; 0 is left out.
    let semitones = ((f64::from(alter) / 4.0 + note.written.cents / 100.0) * 1e4).round() / 1e4;
    xml.within("note", &[], |xml| {
        xml.within("pitch", &[], |xml| {
            xml.leaf("step", &[], letter);
            if semitones != 0.0 {
                xml.leaf("alter", &[], semitones);
            }
            xml.leaf("octave", &[], octave);
        });
        xml.leaf("duration", &[], value.lasts);
        for tie in ties.clone() {
            xml.empty("tie", &[("type", &tie)]);
        }
        xml.leaf("voice", &[], 1);
        kind(xml, value.lasts);
        // Every altered note shows its accidental; a natural shows one where the letter stands altered. A tied one shows
        // none, but where the pitch lies between quarter-tones: there readers refuse an alteration without an accidental.
        let before = altered.iter().rposition(|(other, _)| *other == letter).map(|at| altered[at].1);
        let accidental = ACCIDENTALS[(alter + 2) as usize];
        let between = (2.0 * semitones).fract() != 0.0;
        if tied[0] && between {
            xml.leaf("accidental", &[("cautionary", &"yes"), ("parentheses", &"yes")], accidental);
        } else if between || !tied[0] && (alter != 0 || before.is_some_and(|before| before != 0)) {
            xml.leaf("accidental", &[], accidental);
        }
        altered.push((letter, alter));
        if tied.contains(&true) {
            xml.within("notations", &[], |xml| {
                for tie in ties {
                    xml.empty("tied", &[("type", &tie)]);
                }
            });
        }
    });
}

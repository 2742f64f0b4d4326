//! What is written, read back: MusicXML by its structure, MIDI, CSV and spectrum files by their readers.

mod common;
mod keep;

use std::collections::BTreeMap;

use common::commissions;
use keep::keep;
use midly::{MetaMessage, MidiMessage, Smf, TrackEventKind};
use proptest::prelude::*;
use roxmltree::{Document, Node, ParsingOptions};
use tenterhook_notes::{Chord, Rhythm, Score, SharedOut, Step, Tone, ensemble, share, spectrum_file};
use tenterhook_plan::{Intonation, Temperament, pitch};
use tenterhook_spectra::Partial;

fn read(xml: &str) -> Document<'_> {
    Document::parse_with_options(xml, ParsingOptions { allow_dtd: true, ..ParsingOptions::default() }).unwrap()
}

fn children<'a>(of: Node<'a, 'a>, name: &'a str) -> impl Iterator<Item = Node<'a, 'a>> {
    of.children().filter(move |child| child.has_tag_name(name))
}

fn text<'a>(of: Node<'a, 'a>, path: &'a str) -> Option<&'a str> {
    let found = path.split('/').try_fold(of, |at, name| children(at, name).next());
    found.map(|node| node.text().unwrap_or_default())
}

/// Frequencies of a part with the quarters at which they begin and how many they last, ties taken together, as they sound.
fn sounding(part: Node<'_, '_>, tuning_hz: f64) -> Vec<(f64, f64, f64)> {
    let mut notes: Vec<(f64, f64, f64)> = Vec::new();
    let (mut at, mut transposed) = (0.0, 0.0);
    for measure in children(part, "measure") {
        for attributes in children(measure, "attributes") {
            for (path, semitones) in [("transpose/chromatic", 1.0), ("transpose/octave-change", 12.0)] {
                transposed += text(attributes, path).map_or(0.0, |said| semitones * said.parse::<f64>().unwrap());
            }
        }
        for note in children(measure, "note") {
            let lasts = text(note, "duration").unwrap().parse::<f64>().unwrap() / 4.0;
            if let (Some(step), Some(octave)) = (text(note, "pitch/step"), text(note, "pitch/octave")) {
                let alter: f64 = text(note, "pitch/alter").map_or(0.0, |alter| alter.parse().unwrap());
                let natural = "C D EF G A B".find(step).unwrap() as f64 + 12.0 * (octave.parse::<f64>().unwrap() + 1.0);
                let hz = pitch::note_hz(natural + alter + transposed, tuning_hz);
                if children(note, "tie").any(|tie| tie.attribute("type") == Some("stop")) {
                    let tied = notes.last_mut().unwrap();
                    assert_eq!(tied.0, hz, "a tie holds one pitch");
                    assert!((tied.1 + tied.2 - at).abs() < 1e-9, "a tie has no gap");
                    tied.2 += lasts;
                } else {
                    notes.push((hz, at, lasts));
                }
            }
            at += lasts;
        }
    }
    notes
}

/// What each player should sound: frequency, first quarter, quarters.
fn meant(commission: &common::Commission, shared: &SharedOut) -> Vec<Vec<(f64, f64, f64)>> {
    let tempo = if let Rhythm::Timed { tempo } = commission.rhythm { tempo } else { 0.0 };
    let sixteenth = |seconds: f64| (seconds * tempo / 15.0).round() / 4.0;
    let of = |note: &tenterhook_notes::Note| {
        let span = &commission.chords[note.chord].span;
        let (at, lasts) = if tempo > 0.0 {
            (sixteenth(span.start), sixteenth(span.end) - sixteenth(span.start))
        } else {
            (4.0 * note.chord as f64, 4.0)
        };
        (note.hz(commission.tuning_hz), at, lasts)
    };
    shared.parts.iter().map(|part| part.notes.iter().map(of).collect()).collect()
}

fn cents(one: f64, other: f64) -> f64 {
    1200.0 * (one / other).log2()
}

fn assert_same(read: &[(f64, f64, f64)], meant: &[(f64, f64, f64)], within: f64) {
    assert_eq!(read.len(), meant.len());
    for (read, meant) in read.iter().zip(meant) {
        assert!(cents(read.0, meant.0).abs() < within, "{read:?} for {meant:?}");
        assert!((read.1 - meant.1).abs() < 1e-9 && (read.2 - meant.2).abs() < 1e-9, "{read:?} for {meant:?}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn musicxml_is_whole_and_holds_what_was_shared_out(commission in commissions(8)) {
        let Some((shared, score)) = commission.score() else { return Ok(()) };
        let xml = score.musicxml();
        let document = read(&xml);
        let root = document.root_element();
        prop_assert_eq!(root.attribute("version"), Some("4.0"));
        prop_assert_eq!(text(root, "work/work-title"), Some(&*commission.title.replace(['\u{fffe}', '\u{ffff}'], "")));
        let list = children(root, "part-list").next().unwrap();
        let ids: Vec<_> = children(list, "score-part").map(|part| part.attribute("id").unwrap()).collect();
        let parts: Vec<_> = children(root, "part").collect();
        prop_assert_eq!(&ids, &parts.iter().map(|part| part.attribute("id").unwrap()).collect::<Vec<_>>());
        for part in children(list, "score-part") {
            let instrument = children(part, "score-instrument").next().unwrap().attribute("id");
            prop_assert_eq!(children(part, "midi-instrument").next().unwrap().attribute("id"), instrument);
        }
        for (part, meant) in parts.iter().zip(meant(&commission, &shared)) {
            let numbers: Vec<_> = children(*part, "measure").map(|measure| measure.attribute("number").unwrap().to_owned()).collect();
            prop_assert_eq!(&numbers, &(1..=numbers.len()).map(|n| n.to_string()).collect::<Vec<_>>());
            prop_assert_eq!(numbers.len(), children(parts[0], "measure").count());
            for measure in children(*part, "measure") {
                let filled: u32 = children(measure, "note").map(|note| text(note, "duration").unwrap().parse::<u32>().unwrap()).sum();
                prop_assert_eq!(filled, 16);
                for note in children(measure, "note") {
                    // The value read is the value counted.
                    let kind = text(note, "type").map_or(16, |kind| match kind { "whole" => 16, "half" => 8, "quarter" => 4, "eighth" => 2, _ => 1 });
                    let dots = children(note, "dot").count() as u32;
                    prop_assert_eq!(kind + dots * kind / 2, text(note, "duration").unwrap().parse::<u32>().unwrap());
                }
            }
            assert_same(&sounding(*part, commission.tuning_hz), &meant, 0.01);
        }
    }

    #[test]
    fn accidentals_say_what_alter_means(commission in commissions(8)) {
        let Some((_, score)) = commission.score() else { return Ok(()) };
        let xml = score.musicxml();
        // Tartini's signs are defined by the standard; arrows stand for eighth-tones, as the legend says.
        let means = BTreeMap::from([
            ("quarter-flat", -0.5), ("natural-down", -0.25), ("natural", 0.0), ("natural-up", 0.25), ("quarter-sharp", 0.5),
            ("sharp-down", 0.75), ("sharp", 1.0), ("sharp-up", 1.25),
        ]);
        let exact = if commission.step == Step::Exact { 0.5 + 1e-9 } else { 0.0 };
        let document = read(&xml);
        for measure in document.descendants().filter(|node| node.has_tag_name("measure")) {
            let mut stands = BTreeMap::new();
            for note in children(measure, "note").filter(|note| text(*note, "pitch/step").is_some()) {
                let alter: f64 = text(note, "pitch/alter").map_or(0.0, |alter| alter.parse().unwrap());
                let step = text(note, "pitch/step").unwrap();
                let tied = children(note, "tie").any(|tie| tie.attribute("type") == Some("stop"));
                let shown = text(note, "accidental").map(|accidental| means[accidental]);
                let reads = shown.unwrap_or(if tied && exact > 0.0 { alter.round() } else if tied { alter } else { *stands.get(step).unwrap_or(&0.0) });
                prop_assert!((reads - alter).abs() <= exact, "{step} {alter} reads {reads}");
                stands.insert(step.to_owned(), reads);
            }
        }
        prop_assert_eq!(xml.contains("an arrow is an eighth-tone"), commission.step == Step::EighthTone);
    }

    #[test]
    fn midi_sounds_at_the_true_frequencies(commission in commissions(8)) {
        let Some((shared, score)) = commission.score() else { return Ok(()) };
        let bytes = score.midi().unwrap();
        let smf = Smf::parse(&bytes).unwrap();
        prop_assert_eq!(smf.tracks.len(), 1 + shared.parts.len());
        let mut channels = Vec::new();
        for (track, (part, meant)) in smf.tracks[1..].iter().zip(shared.parts.iter().zip(meant(&commission, &shared))) {
            let (mut at, mut bend, mut range) = (0u32, 0.0, None);
            let (mut registered, mut chosen) = (None, [127u8; 2]);
            let mut sounds: Vec<(f64, f64, f64)> = Vec::new();
            for event in track {
                at += event.delta.as_int();
                let quarters = f64::from(at) / 480.0;
                match event.kind {
                    TrackEventKind::Midi { channel, message } => {
                        channels.push(channel.as_int());
                        match message {
                            MidiMessage::Controller { controller, value } => match controller.as_int() {
                                101 => chosen[0] = value.as_int(),
                                100 => chosen[1] = value.as_int(),
                                6 => { registered = Some(chosen); range = Some(f64::from(value.as_int())) }
                                38 => prop_assert_eq!(value.as_int(), 0),
                                other => prop_assert!(false, "controller {}", other),
                            },
                            MidiMessage::PitchBend { bend: value } => bend = f64::from(value.as_int()) / 8192.0,
                            MidiMessage::NoteOn { key, vel } => {
                                prop_assert!(vel.as_int() > 0);
                                let semitones = f64::from(key.as_int()) + bend * range.unwrap();
                                sounds.push((pitch::note_hz(semitones, 440.0), quarters, 0.0));
                            }
                            MidiMessage::NoteOff { .. } => {
                                let last = sounds.last_mut().unwrap();
                                last.2 = quarters - last.1;
                            }
                            MidiMessage::ProgramChange { program } => prop_assert_eq!(program.as_int(), part.player.instrument.program),
                            other => prop_assert!(false, "{:?}", other),
                        }
                    }
                    TrackEventKind::Meta(MetaMessage::TrackName(name)) => prop_assert_eq!(name, part.player.name.as_bytes()),
                    _ => {}
                }
            }
            prop_assert_eq!(registered, Some([0, 0]));
            assert_same(&sounds, &meant, 1.0);
        }
        channels.dedup();
        prop_assert_eq!(channels.len(), shared.parts.len(), "one channel each");
        prop_assert!(!channels.contains(&9), "none is percussion's");
    }

    #[test]
    fn the_table_is_read_back_equal(commission in commissions(8)) {
        let Some((shared, score)) = commission.score() else { return Ok(()) };
        let written = score.csv();
        let mut reader = csv::Reader::from_reader(written.as_bytes());
        prop_assert_eq!(reader.headers().unwrap(), &vec!["seconds", "player", "note", "cents", "hz", "db", "partial_hz"]);
        let rows: Vec<_> = reader.records().map(Result::unwrap).collect();
        prop_assert_eq!(rows.len(), shared.parts.iter().map(|part| part.notes.len()).sum::<usize>());
        let mut before = 0.0;
        for row in &rows {
            let number = |column: usize| row[column].parse::<f64>().unwrap();
            prop_assert!(before <= number(0), "in time order");
            before = number(0);
            let part = shared.parts.iter().find(|part| part.player.name == row[1]).unwrap();
            let at = |note: &&tenterhook_notes::Note| (commission.chords[note.chord].span.start - number(0)).abs() < 6e-4;
            let note = part.notes.iter().find(at).unwrap();
            let named = f64::from(pitch::parse_note(&row[2]).unwrap()) + number(3) / 100.0;
            prop_assert!((named - note.written.note()).abs() < 6e-5);
            prop_assert!((number(4) - note.hz(commission.tuning_hz)).abs() < 6e-5);
            prop_assert!((number(5) - note.tone.db).abs() < 6e-3 && (number(6) - note.tone.hz).abs() < 6e-5);
        }
    }

    #[test]
    fn a_spectrum_file_is_read_back_equal(
        about in any::<String>(),
        partials in prop::collection::vec((1.0..1e5f64, -200.0..200.0f64, 0.0..=1.0f64), 1..1200),
    ) {
        let partials: Vec<_> = partials.into_iter().map(|(hz, db, confidence)| Partial { hz, db, confidence }).collect();
        let written = spectrum_file(&about, &partials, 415.0).unwrap();
        let read = tenterhook_config::read_spectrum(&written).unwrap();
        let mut sorted = partials;
        sorted.sort_by(|one, other| other.db.total_cmp(&one.db));
        sorted.truncate(1000);
        prop_assert_eq!(read.len(), sorted.len());
        // Levels equal when rounded may have changed places.
        for partial in &sorted {
            prop_assert!(read.iter().any(|read| (read.hz - partial.hz).abs() < 6e-5 && (read.db - partial.db).abs() < 6e-3));
        }
    }
}

#[test]
fn a_spectrum_file_refuses_what_no_reader_takes() {
    let told = |hz, db| spectrum_file("x", &[Partial { hz, db, confidence: 1.0 }], 440.0).unwrap_err().to_string();
    assert_eq!(told(f64::NAN, 0.0), "partial 1 has the frequency NaN: it must be from 1 to 100000 Hz");
    assert_eq!(told(440.0, f64::NEG_INFINITY), "partial 1 has the level -inf: it must be from -200 to 200 dB");
    assert!(spectrum_file("x", &[], 440.0).unwrap_err().to_string().starts_with("this moment has no partials"));
}

#[test]
fn what_cannot_be_written_is_told() {
    let tones = |count: u8| (0..count).map(|n| Tone { hz: 200.0 + f64::from(n), db: 0.0 }).collect::<Vec<_>>();
    let chords = [Chord { span: 0.0..1.0, tones: tones(16) }];
    let shared = share(&chords, &ensemble(&["sine"; 16], &[]).unwrap(), Step::Exact, 440.0, false).unwrap();
    let score = Score::new("", &chords, &shared, Rhythm::Held).unwrap();
    assert_eq!(score.midi().unwrap_err().to_string(), "16 players are too many: a MIDI file takes 15; leave some out");
    let none = share(&chords, &ensemble(&["soprano recorder"], &[]).unwrap(), Step::Exact, 440.0, false).unwrap();
    let told = Score::new("", &chords, &none, Rhythm::Held).unwrap_err().to_string();
    assert!(told.starts_with("what the players were given has no partials"), "{told}");
}

/// Standard MIDI Files 1.0: a tempo is told in microseconds a quarter. Loudness as the README says: fff within 6 dB of the
/// loudest, a mark less for each 6 dB, 16 of velocity a mark.
#[test]
fn midi_has_the_tempo_and_the_loudness_of_the_sound() {
    // A second apart, and 13 dB softer each time.
    let levels = [-3.0, -16.0, -29.0];
    let chord = |(n, &db): (usize, &f64)| {
        let from = n as f64;
        Chord { span: from..from + 0.5, tones: vec![Tone { hz: 440.0, db }] }
    };
    let chords: Vec<_> = levels.iter().enumerate().map(chord).collect();
    let shared = share(&chords, &ensemble(&["violin"], &[]).unwrap(), Step::Exact, 440.0, false).unwrap();
    for (tempo, microseconds) in [(60.0, 1_000_000), (90.0, 666_667), (120.0, 500_000)] {
        let score = Score::new("Salt", &chords, &shared, Rhythm::Timed { tempo }).unwrap();
        let bytes = score.midi().unwrap();
        let smf = Smf::parse(&bytes).unwrap();
        let told = smf.tracks[0].iter().find_map(|event| match event.kind {
            TrackEventKind::Meta(MetaMessage::Tempo(told)) => Some(told.as_int()),
            _ => None,
        });
        assert_eq!(told, Some(microseconds));
        let midly::Timing::Metrical(quarter) = smf.header.timing else { panic!("{:?}", smf.header) };
        let (mut ticks, mut notes) = (0, Vec::new());
        for event in &smf.tracks[1] {
            ticks += event.delta.as_int();
            if let TrackEventKind::Midi { message: MidiMessage::NoteOn { vel, .. }, .. } = event.kind {
                let seconds = f64::from(ticks) / f64::from(quarter.as_int()) * f64::from(microseconds) / 1e6;
                notes.push((seconds.round() as u32, vel.as_int()));
                // A sixteenth is the finest that is written.
                assert!((seconds - seconds.round()).abs() <= 7.5 / tempo, "{seconds} s at {tempo}");
            }
        }
        // fff, f (two marks less) and mp (four).
        assert_eq!(notes, [(0, 127), (1, 96), (2, 64)], "at {tempo}");
    }
}

/// Harmonics of 98 Hz, three moments of them, for an ensemble that reads four clefs and transposes.
#[test]
fn a_score_to_look_at() {
    let chord = |span, fundamental: f64| {
        let tones = (1..=16).map(f64::from).map(|n| Tone { hz: n * fundamental, db: -3.0 * n });
        Chord { span, tones: tones.collect() }
    };
    let chords = [chord(0.5..1.75, 98.0), chord(2.0..5.5, 103.0), chord(6.0..7.0, 92.0)];
    let players =
        ensemble(&["soprano recorder", "recorder", "tenor", "harpsichord", "violin", "violin", "viola", "viol"], &[])
            .unwrap();
    let timed = Rhythm::Timed { tempo: 60.0 };
    for (name, step, rhythm) in
        [("held", Step::QuarterTone, Rhythm::Held), ("timed", Step::EighthTone, timed), ("exact", Step::Exact, timed)]
    {
        let shared = share(&chords, &players, step, 415.0, false).unwrap();
        let score = Score::new("Salt", &chords, &shared, rhythm).unwrap();
        let xml = score.musicxml();
        keep(&format!("{name}.musicxml"), xml.as_bytes());
        let document = read(&xml);
        let part = |id: &str| {
            document.descendants().find(|node| node.has_tag_name("part") && node.attribute("id") == Some(id)).unwrap()
        };
        // The soprano recorder reads an octave below what sounds, the tenor a treble clef with an 8.
        let of = |id: &str, path| text(children(part(id), "measure").next().unwrap(), path).map(str::to_owned);
        assert_eq!(of("P1", "attributes/transpose/octave-change").as_deref(), Some("1"));
        assert_eq!(of("P2", "attributes/transpose/octave-change"), None);
        assert_eq!(of("P3", "attributes/clef/clef-octave-change").as_deref(), Some("-1"));
        assert_eq!(["P7", "P8"].map(|id| of(id, "attributes/clef/sign").unwrap()), ["C", "F"]);
        assert!(shared.parts.iter().all(|part| part.notes.len() == 3), "all play");
    }
}

#[test]
fn a_clef_changes_where_that_saves_ledger_lines() {
    let chord = |hz| Chord { span: 0.0..1.0, tones: vec![Tone { hz, db: 0.0 }] };
    // C3, A5, B5, C4 (one line above the bass staff), D2.
    let chords = [130.8, 880.0, 987.8, 261.6, 73.4].map(chord);
    let shared = share(&chords, &ensemble(&["cello"], &[]).unwrap(), Step::Semitone, 440.0, false).unwrap();
    let xml = Score::new("", &chords, &shared, Rhythm::Held).unwrap().musicxml();
    let document = read(&xml);
    let measures = document.descendants().filter(|node| node.has_tag_name("measure"));
    let clefs: Vec<_> = measures.map(|measure| text(measure, "attributes/clef/sign")).collect();
    assert_eq!(clefs, [Some("F"), Some("G"), None, None, Some("F")]);
}

#[test]
fn who_reads_what_is_written_is_told_how_it_is_tuned() {
    let chords = [Chord { span: 0.0..1.0, tones: vec![Tone { hz: 262.0, db: 0.0 }] }];
    for (temperament, told) in [
        (Temperament::Equal, "a' = 415 Hz"),
        (Temperament::Vallotti, "a' = 415 Hz, Vallotti"),
        (Temperament::Just(2), "a' = 415 Hz, just to d"),
    ] {
        let intonation = Intonation { tuning_hz: 415.0, temperament };
        let shared = share(&chords, &ensemble(&["viol"], &[]).unwrap(), Step::Exact, intonation, false).unwrap();
        let xml = Score::new("", &chords, &shared, Rhythm::Held).unwrap().musicxml();
        let words = told.replace('\'', "&apos;");
        assert!(xml.contains(&format!("{told}, numbers")) || xml.contains(&format!("{words}, numbers")), "{xml}");
        let file = spectrum_file("x", &[Partial { hz: 262.0, db: 0.0, confidence: 1.0 }], intonation).unwrap();
        assert!(file.contains(&format!("{told}.\n")), "{file}");
    }
}

//! Who plays what, against plain definitions and against trying out everything.

mod common;

use common::{Commission, commissions};
use proptest::prelude::*;
use tenterhook_notes::{Chord, Player, Step, Tone, Why, ensemble, share};
use tenterhook_plan::{Intonation, Temperament};

/// The pitch that a player would play for a partial and the octaves moved, by definition: rounded to the step, the exact
/// one to none; in range, by as few octaves as it takes, down before up.
fn offer(player: &Player, commission: &Commission, tone: Tone) -> Option<(f64, i32)> {
    let step = match commission.step {
        _ if !player.instrument.fine => 1.0,
        Step::Semitone => 1.0,
        Step::QuarterTone => 0.5,
        Step::EighthTone => 0.25,
        Step::Exact => 0.0,
    };
    let note = 69.0 + 12.0 * (tone.hz / commission.tuning_hz).log2();
    let shifts = [0, -1, 1, -2, 2, -3, 3, -4, 4, -5, 5, -6, 6, -7, 7, -8, 8, -9, 9];
    let shifts = if commission.octaves { &shifts[..] } else { &shifts[..1] };
    shifts.iter().find_map(|&octaves| {
        let exact = note + 12.0 * f64::from(octaves);
        let pitch = if step > 0.0 { (exact / step).round() * step } else { exact };
        let within = f64::from(player.low) <= pitch && pitch <= f64::from(player.high);
        // As written, from C0 to B9.
        let written = (11.6..131.4).contains(&(pitch - f64::from(player.transposition.semitones)));
        let has = within || player.open.iter().any(|open| f64::from(*open) == pitch);
        (written && has).then_some((pitch, octaves))
    })
}

/// Every way to give some of these tones to distinct players: of each tone its player.
fn ways(tones: usize, players: usize) -> Vec<Vec<Option<usize>>> {
    let mut ways = vec![Vec::new()];
    for _ in 0..tones {
        let mut longer = Vec::new();
        for way in &ways {
            for player in std::iter::once(None).chain((0..players).map(Some)) {
                if player.is_none() || !way.contains(&player) {
                    longer.push([&way[..], &[player]].concat());
                }
            }
        }
        ways = longer;
    }
    ways
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn every_note_is_in_range_and_within_half_a_step_of_its_partial(commission in commissions(10)) {
        let shared = commission.share();
        for part in &shared.parts {
            let step = if part.player.instrument.fine { commission.step } else { Step::Semitone };
            for note in &part.notes {
                let (sounds, partial) = (note.hz(commission.tuning_hz), note.tone.hz * f64::from(note.octaves).exp2());
                let at = |key: i32| commission.tuning_hz * ((f64::from(key) - 69.0) / 12.0).exp2();
                let within = at(part.player.low) <= sounds * (1.0 + 1e-9) && sounds <= at(part.player.high) * (1.0 + 1e-9);
                let open = part.player.open.iter().any(|open| (sounds / at(*open) - 1.0).abs() < 1e-9);
                prop_assert!(within || open, "{} plays {sounds} Hz", part.player.name);
                let written = f64::from(note.written.eighths) / 4.0;
                let off = 100.0 * (69.0 + 12.0 * (partial / commission.tuning_hz).log2() - written);
                prop_assert!(off.abs() <= step.cents() / 2.0 + 1e-6, "{off} cents");
                let rest = if step == Step::Exact { off } else { 0.0 };
                prop_assert!((note.written.cents - rest).abs() < 1e-6);
                prop_assert!(commission.octaves || note.octaves == 0);
            }
            prop_assert!(part.notes.is_sorted_by(|one, other| one.chord < other.chord), "one note in a chord");
        }
        // Each partial is played by one, or told.
        for (number, chord) in commission.chords.iter().enumerate() {
            let played = shared.parts.iter().flat_map(|part| &part.notes).filter(|note| note.chord == number).map(|note| note.tone);
            let left = shared.unplayed.iter().filter(|left| left.chord == number);
            for left in left.clone() {
                let anyone = commission.players.iter().any(|player| offer(player, &commission, left.tone).is_some());
                prop_assert_eq!(left.why, if anyone { Why::Taken } else { Why::OutOfRange });
            }
            let key = |tone: &Tone| (tone.hz.to_bits(), tone.db.to_bits());
            let mut all: Vec<_> = played.chain(left.map(|left| left.tone)).collect();
            let mut given = chord.tones.clone();
            all.sort_by_key(key);
            given.sort_by_key(key);
            prop_assert_eq!(all, given);
        }
    }

    #[test]
    fn the_strongest_are_never_lost_and_players_move_as_little_as_they_can(commission in commissions(4)) {
        let shared = commission.share();
        let players = &commission.players;
        let mut from: Vec<f64> = players.iter().map(|one| f64::from(one.low + one.high) / 2.0).collect();
        for (number, chord) in commission.chords.iter().enumerate() {
            let mut tones = chord.tones.clone();
            tones.sort_by(|one, other| other.db.total_cmp(&one.db));
            let offers: Vec<Vec<_>> =
                tones.iter().map(|tone| players.iter().map(|player| offer(player, &commission, *tone)).collect()).collect();
            let mut best = None;
            for way in ways(tones.len(), players.len()) {
                let pairs: Vec<_> = way.iter().enumerate().filter_map(|(tone, player)| player.map(|player| (tone, player))).collect();
                let Some(offered) = pairs.iter().map(|&(tone, player)| offers[tone][player]).collect::<Option<Vec<_>>>() else {
                    continue;
                };
                // The first that is missing decides.
                let lost: Vec<bool> = way.iter().map(Option::is_none).collect();
                let octaves: i32 = offered.iter().map(|(_, octaves)| octaves.abs()).sum();
                let moved: f64 = pairs.iter().zip(&offered).map(|((_, player), (pitch, _))| (pitch - from[*player]).abs()).sum();
                let this = (lost, octaves, moved);
                if best.as_ref().is_none_or(|best| this < *best) {
                    best = Some(this);
                }
            }
            let (lost, octaves, moved) = best.unwrap();
            let played: Vec<_> = shared.parts.iter().enumerate()
                .filter_map(|(player, part)| part.notes.iter().find(|note| note.chord == number).map(|note| (player, note)))
                .collect();
            // Equal partials are the same to the ear.
            let hold = |tone: &Tone| played.iter().filter(|(_, note)| note.tone == *tone).count();
            let kept = |tone: &Tone| tones.iter().zip(&lost).filter(|(other, lost)| *other == tone && !**lost).count();
            for tone in &tones {
                prop_assert_eq!(hold(tone), kept(tone), "{:?} in chord {}", tone, number);
            }
            prop_assert_eq!(played.iter().map(|(_, note)| note.octaves.abs()).sum::<i32>(), octaves);
            let did: f64 = played.iter().map(|(player, note)| (note.written.note() - from[*player]).abs()).sum();
            // Players of one kind begin a tenth of a cent apart.
            prop_assert!((did - moved).abs() < 0.001 * 16.0, "{did} semitones, and {moved} would do");
            for (player, note) in played {
                from[player] = note.written.note();
            }
        }
    }
}

#[test]
fn a_stronger_partial_makes_others_change_hands() {
    // Only the viol reaches 110 Hz, and both reach 330 Hz, which is stronger and would come to the viol first.
    let tones = vec![Tone { hz: 330.0, db: 0.0 }, Tone { hz: 110.0, db: -1.0 }, Tone { hz: 350.0, db: -2.0 }];
    let shared = share(
        &[Chord { span: 0.0..1.0, tones }],
        &ensemble(&["viol", "violin"], &[]).unwrap(),
        Step::Semitone,
        440.0,
        false,
    )
    .unwrap();
    let plays: Vec<_> = shared.parts.iter().map(|part| part.notes[0].tone.hz).collect();
    assert_eq!(plays, [110.0, 330.0]);
    assert_eq!((shared.unplayed[0].tone.hz, shared.unplayed[0].why), (350.0, Why::Taken));
}

#[test]
fn lines_of_the_same_instruments_do_not_cross() {
    let chord =
        |one, other| Chord { span: 0.0..1.0, tones: vec![Tone { hz: one, db: 0.0 }, Tone { hz: other, db: 0.0 }] };
    let chords = [chord(300.0, 400.0), chord(500.0, 350.0), chord(550.0, 700.0)];
    let shared = share(&chords, &ensemble(&["violin", "violin"], &[]).unwrap(), Step::Exact, 440.0, false).unwrap();
    let line = |part: usize| shared.parts[part].notes.iter().map(|note| note.tone.hz).collect::<Vec<_>>();
    assert_eq!(line(0), [400.0, 500.0, 700.0]);
    assert_eq!(line(1), [300.0, 350.0, 550.0]);
}

#[test]
fn what_is_no_number_is_told_and_harms_nothing() {
    let tones = [f64::NAN, f64::INFINITY, -1.0, 0.0].map(|hz| Tone { hz, db: 0.0 });
    let tones =
        [&tones[..], &[Tone { hz: 440.0, db: f64::NAN }, Tone { hz: 440.0, db: -3.0 }, Tone { hz: 1e300, db: 0.0 }]]
            .concat();
    let players = ensemble(&["sine", "violin"], &[]).unwrap();
    for octaves in [false, true] {
        let shared =
            share(&[Chord { span: 0.0..1.0, tones: tones.clone() }], &players, Step::Exact, 415.0, octaves).unwrap();
        assert_eq!(shared.parts.iter().map(|part| part.notes.len()).sum::<usize>(), 1);
        assert_eq!(shared.unplayed.iter().filter(|left| left.why == Why::NoTone).count(), 5);
    }
    assert!(share(&[], &players, Step::Exact, f64::NAN, false).is_err());
    let told = share(&[], &vec![players[0].clone(); 1001], Step::Exact, 415.0, false).unwrap_err().to_string();
    assert_eq!(told, "1001 players are too many: a score takes 1000; leave some out");
}

#[test]
fn without_players_nothing_is_played_and_all_is_told() {
    let chord = Chord { span: 0.0..1.0, tones: vec![Tone { hz: 440.0, db: 0.0 }] };
    let shared = share(&[chord], &[], Step::Semitone, 440.0, false).unwrap();
    assert_eq!((shared.parts.len(), shared.unplayed.len()), (0, 1));
}

#[test]
fn notes_are_written_as_the_temperament_has_them_and_cents_are_above_its_notes() {
    let intonation = Intonation { tuning_hz: 415.0, temperament: Temperament::QuarterComma };
    let players = ensemble(&["sine"], &[]).unwrap();
    let written = |hz: f64, step: Step| {
        let chord = Chord { span: 0.0..1.0, tones: vec![Tone { hz, db: 0.0 }] };
        let shared = share(&[chord], &players, step, intonation, false).unwrap();
        let note = shared.parts[0].notes[0];
        (note.written.named(intonation), note.hz(intonation))
    };
    // E below a' is 503.42 cents down, and c sharp above 386.31 up: pure.
    for (name, cents) in [("A4", 0.0), ("E4", -503.4216), ("C#5", 386.3137), ("F4", -386.3137), ("G#4", -117.1078)] {
        let hz = 415.0 * (cents / 1200.0f64).exp2();
        for step in [Step::Semitone, Step::QuarterTone, Step::EighthTone, Step::Exact] {
            let (named, sounds) = written(hz, step);
            assert_eq!(named, name, "{step:?}");
            assert!((1200.0 * (sounds / hz).log2()).abs() < 0.001, "{name} sounds as {sounds} Hz");
        }
        let (named, sounds) = written(hz * (20.0f64 / 1200.0).exp2(), Step::Exact);
        assert_eq!(named, format!("{name} +20"));
        assert!((1200.0 * (sounds / hz).log2() - 20.0).abs() < 0.001, "{name}: {sounds}");
    }
    // Half-way between e and f, a wide semitone of 117 cents.
    assert_eq!(written(415.0 * (-444.8676f64 / 1200.0).exp2(), Step::QuarterTone).0, "F4 -59");
}

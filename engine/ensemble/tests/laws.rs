//! Whatever is asked of the ensemble, it is the same clean sound.

mod measure;

use measure::{EMPTY, bend, between, db, mic, peak, rms};
use tenterhook_ensemble::{
    Consonant, Ensemble, EnsembleNote, EnsembleScore, RATES, SCORE, Syllable, UnsupportedRate, Vowel, sound,
};

/// The beginning of the piece, with all of its kinds of sound but the bow.
const OPENING: EnsembleScore<'static> = EnsembleScore { seconds: 16.0, ..SCORE };

#[test]
fn the_same_bits_however_it_is_cut() {
    for rate in [8000, 44_100] {
        let whole: Vec<[f32; 3]> = Ensemble::playing(rate, &OPENING).expect("a supported rate").collect();
        for size in [1, 32, 100, 128, 1024, 9999] {
            let mut ensemble = Ensemble::playing(rate, &OPENING).expect("a supported rate");
            let mut channels = [vec![0.0; size], vec![0.0; size], vec![0.0; size]];
            for block in whole.chunks(size) {
                let [a, b, c] = &mut channels;
                ensemble.render(&mut [&mut a[..block.len()], &mut b[..block.len()], &mut c[..block.len()]]);
                for (i, frame) in block.iter().enumerate() {
                    assert_eq!(frame.map(f32::to_bits), [a[i], b[i], c[i]].map(f32::to_bits));
                }
            }
        }
    }
}

#[test]
fn channels_that_no_player_has_are_silent_and_so_is_the_time_after_the_end() {
    let mut ensemble = Ensemble::playing(8000, &EnsembleScore { seconds: 0.01, ..SCORE }).expect("a supported rate");
    assert_eq!(ensemble.len(), 80);
    let mut channels = [(); 4].map(|()| [1.0f32; 100]);
    ensemble.render(&mut channels.each_mut().map(|channel| &mut channel[..]));
    assert_eq!(channels[3], [0.0; 100]);
    assert!(channels.iter().all(|channel| channel[80..] == [0.0; 20]));
    assert_eq!(ensemble.next(), None);
}

#[test]
fn every_sample_is_finite_and_below_full_scale_at_any_rate() {
    for rate in [8000, 11_025, 22_050, 96_000, 192_000] {
        let score = EnsembleScore { seconds: if rate > 50_000 { 5.0 } else { SCORE.seconds }, ..SCORE };
        for frame in Ensemble::playing(rate, &score).expect("a supported rate") {
            assert!(frame.iter().all(|x| x.is_finite() && x.abs() < 0.5), "{frame:?} at {rate} Hz");
        }
    }
}

#[test]
fn levels_are_those_of_an_ordinary_close_mic() {
    // Common practice, no source: peaks around −12 dBFS, and the mean while somebody plays some 10 to 15 dB lower.
    let rate = 48_000;
    for channel in sound(rate).expect("a supported rate") {
        let channel: Vec<f64> = channel.into_iter().map(f64::from).collect();
        assert!((-18.0..=-9.0).contains(&db(peak(&channel))), "peak {:.1} dBFS", db(peak(&channel)));
        let heard: Vec<f64> = channel.chunks(19_200).map(rms).filter(|rms| db(*rms) > -45.0).collect();
        assert!((-30.0..=-20.0).contains(&db(rms(&heard))), "RMS {:.1} dBFS", db(rms(&heard)));
        // It ends with silence, and with exactly that: no filter rings on below hearing.
        assert_eq!(peak(between(&channel, rate, SCORE.seconds - 5.0, SCORE.seconds)), 0.0);
    }
}

#[test]
fn the_other_players_are_26_db_lower() {
    // In the first seconds the voice is alone, and the two other mics hear it from the same distance.
    let [voice, recorder, viol] =
        [0, 1, 2].map(|player| rms(&mic(16_000, &EnsembleScore { seconds: 8.0, ..SCORE }, player)));
    assert_eq!(recorder, viol);
    assert!((db(recorder / voice) + 26.0).abs() < 0.1, "{:.2} dB", db(recorder / voice));
}

/// The largest second difference in the two milliseconds after the first sample that is not 0 and before the last, re
/// the sound's peak.
fn edges(sound: &[f64], rate: u32) -> f64 {
    let first = sound.iter().position(|x| *x != 0.0).expect("a sound");
    let last = sound.iter().rposition(|x| *x != 0.0).expect("a sound");
    let width = rate as usize / 500;
    let edge = |from: usize, to: usize| bend(&sound[from..to.min(sound.len())]);
    edge(first.saturating_sub(2), first + width).max(edge(last - width, last + 3)) / peak(sound)
}

#[test]
fn notes_begin_and_end_without_a_click() {
    // A step as high as the sound itself has a second difference of 1; −40 dB of it is drowned by the note that begins.
    const LIMIT: f64 = 0.01;
    let rate = 48_000;
    let note = |pitch| [EnsembleNote { at: 0.1, lasts: 0.8, pitch, level: 0.0 }];
    for pitch in [38.0, 50.0, 62.0] {
        let bowed = mic(rate, &EnsembleScore { seconds: 4.0, bowed: &note(pitch), ..EMPTY }, 2);
        let plucked = mic(rate, &EnsembleScore { seconds: 4.0, plucked: &note(pitch), ..EMPTY }, 2);
        assert!(edges(&bowed, rate) < LIMIT && edges(&plucked, rate) < LIMIT);
    }
    for pitch in [65.0, 77.0, 91.0] {
        let blown = mic(rate, &EnsembleScore { seconds: 2.0, recorder: &note(pitch), ..EMPTY }, 1);
        assert!(edges(&blown, rate) < LIMIT);
    }
    for consonant in [Consonant::S, Consonant::T, Consonant::M, Consonant::L] {
        let sung = [Syllable { at: 1.0, lasts: 0.8, pitch: 69.0, consonant, vowel: Vowel::A, level: 0.0 }];
        let voice = mic(rate, &EnsembleScore { seconds: 2.0, voice: &sung, ..EMPTY }, 0);
        assert!(edges(&voice, rate) < LIMIT);
    }
    // Positive control: the same measure finds a note that is cut off.
    let cut = mic(rate, &EnsembleScore { seconds: 0.6, recorder: &note(77.0), ..EMPTY }, 1);
    let padded = [&cut[..], &[0.0; 8]].concat();
    assert!(edges(&padded, rate) > LIMIT);
}

#[test]
fn voiced_consonants_join_syllables_without_a_click() {
    let rate = 48_000;
    let sing = |at, pitch, consonant, vowel| Syllable { at, lasts: 1.0, pitch, consonant, vowel, level: 0.0 };
    let line = [
        sing(1.0, 69.0, Consonant::L, Vowel::A),
        sing(2.0, 62.0, Consonant::M, Vowel::O),
        sing(3.0, 72.0, Consonant::L, Vowel::I),
        sing(4.0, 64.0, Consonant::M, Vowel::E),
        sing(5.0, 69.0, Consonant::M, Vowel::U),
    ];
    let sound = mic(rate, &EnsembleScore { seconds: 6.0, voice: &line, ..EMPTY }, 0);
    let held =
        (1..6).map(|i| bend(between(&sound, rate, f64::from(i) + 0.15, f64::from(i) + 0.75))).fold(0.0, f64::max);
    for i in 2..6 {
        let join = bend(between(&sound, rate, f64::from(i) - 0.2, f64::from(i) + 0.1));
        assert!(join < 1.5 * held, "before {i} s: {join:.5}, held {held:.5}");
    }
}

#[test]
fn every_player_rests_and_no_word_is_lost_between_two() {
    // The voice has one mouth: a syllable ends before the next begins, and each is long enough to be shaped.
    for pair in SCORE.voice.windows(2) {
        assert!(pair[0].at + pair[0].lasts <= pair[1].at + 1e-9);
    }
    assert!(SCORE.voice.iter().all(|syllable| syllable.lasts >= 0.5));
    // Each mic has at least a third of its time to itself, so that what an effect does is heard.
    let rate = 8000;
    for player in 0..3 {
        let sound = mic(rate, &SCORE, player);
        let quiet = sound.chunks(800).filter(|chunk| db(rms(chunk)) < -40.0).count();
        assert!(quiet * 800 * 3 > sound.len(), "player {player} rests {quiet} tenths of a second");
    }
}

#[test]
fn a_rate_out_of_range_says_what_to_do() {
    for rate in [0, RATES.start() - 1, RATES.end() + 1, u32::MAX] {
        let refused = sound(rate).expect_err("out of range");
        assert_eq!(refused, UnsupportedRate(rate));
        let said = refused.to_string();
        assert!(said.contains(&format!("{rate} Hz")) && said.contains("from 8000 Hz to 192000 Hz"), "{said}");
    }
}

#[test]
fn odd_scores_do_no_harm() {
    let odd = [-5.0, -0.0, 0.001, 1.0, f64::INFINITY, f64::NEG_INFINITY, f64::NAN];
    for (at, lasts, level) in odd.iter().flat_map(|a| odd.iter().flat_map(move |b| odd.map(|c| (*a, *b, 40.0 * c)))) {
        for pitch in [0.0, 127.0] {
            let notes = [EnsembleNote { at, lasts, pitch, level }];
            let sing = |at, consonant, vowel| Syllable { at, lasts, pitch, consonant, vowel, level };
            let sung = [sing(at, Consonant::S, Vowel::U), sing(at + 0.01, Consonant::T, Vowel::I)];
            let score = EnsembleScore { seconds: 0.3, voice: &sung, recorder: &notes, bowed: &notes, plucked: &notes };
            for frame in Ensemble::playing(8000, &score).expect("a supported rate") {
                assert!(frame.iter().all(|x| x.is_finite() && x.abs() < 1.0), "{frame:?} for {at} {lasts} {level}");
            }
        }
    }
}

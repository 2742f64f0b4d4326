//! Every note is in tune at a' = 415 Hz and within the reach of its player.

mod measure;

use measure::{EMPTY, between, cents, course, db, mean, mic, partial};
use tenterhook_ensemble::{EnsembleNote, EnsembleScore, SCORE, Syllable, frequency};

/// Cents that a note's mean may be off.
const TOLERANCE: f64 = 3.0;

#[test]
fn the_tuning_is_the_published_table() {
    // Equal temperament, A · 2^((n − 69)/12) at A = 415 Hz, computed to four places with NumPy.
    for (midi, hz) in [
        (38.0, 69.2448),
        (48.0, 123.3802),
        (57.0, 207.5),
        (62.0, 276.9793),
        (69.0, 415.0),
        (76.0, 621.7974),
        (84.0, 987.0419),
    ] {
        assert!((frequency(midi) - hz).abs() < 6e-5, "{midi}: {}", frequency(midi));
    }
}

#[test]
fn every_note_is_within_its_players_range() {
    // Ranges in Hz at a' = 440 Hz, brought to 415.
    let within = |pitch: f64, low: f64, high: f64| {
        let at_440 = frequency(pitch) * 440.0 / 415.0;
        assert!((low - 0.01..=high + 0.01).contains(&at_440), "note {pitch} is not within {low}…{high} Hz");
    };
    // Mezzo-soprano, A3–F5: New Harvard Dictionary of Music.
    SCORE.voice.iter().for_each(|note| within(note.pitch, 220.00, 698.46));
    // Treble recorder in F, F4–G6: encyclopedia article "Alto recorder", standard range.
    SCORE.recorder.iter().for_each(|note| within(note.pitch, 349.23, 1567.98));
    // Bass viol of six strings, D2–A4: Naylor, Shakespeare and Music.
    SCORE.bowed.iter().chain(SCORE.plucked).for_each(|note| within(note.pitch, 73.42, 440.00));
}

/// How far the note that sounds between these times is off, in cents, by the strongest of its first four harmonics.
/// Half of its frequency, and one and a half times, must be all but silent: it is no other note's overtone.
fn off(sound: &[f64], rate: u32, hz: f64, from: f64, to: f64) -> f64 {
    let stretch = between(sound, rate, from, to);
    let level = |k: f64| partial(stretch, rate, k * hz).0;
    let k = [1.0, 2.0, 3.0, 4.0].into_iter().max_by(|a, b| level(*a).total_cmp(&level(*b))).expect("four harmonics");
    for between in [0.5, 1.5] {
        assert!(db(level(between) / level(k)) < -35.0, "{hz} Hz also sounds at {between} of it");
    }
    cents(mean(&course(stretch, rate, k * hz, 0.06)), k * hz)
}

#[test]
fn every_note_is_in_tune() {
    type Part = for<'a> fn(&'a [EnsembleNote], f64) -> EnsembleScore<'a>;
    let parts: [(&str, usize, &[EnsembleNote], Part); 3] = [
        ("recorder", 1, SCORE.recorder, |recorder, seconds| EnsembleScore { seconds, recorder, ..EMPTY }),
        ("bow", 2, SCORE.bowed, |bowed, seconds| EnsembleScore { seconds, bowed, ..EMPTY }),
        ("pluck", 2, SCORE.plucked, |plucked, seconds| EnsembleScore { seconds, plucked, ..EMPTY }),
    ];
    for rate in [16_000, 44_100] {
        for (name, player, notes, score) in parts {
            for note in notes {
                let alone = [EnsembleNote { at: 0.0, ..*note }];
                let sound = mic(rate, &score(&alone, note.lasts), player);
                let off = off(&sound, rate, note.hz(), 0.2 * note.lasts, 0.95 * note.lasts);
                assert!(off.abs() < TOLERANCE, "{name} {} at {} s, {rate} Hz: {off:.2} cents", note.pitch, note.at);
            }
        }
    }
}

#[test]
fn every_syllable_is_in_tune() {
    for rate in [16_000, 44_100] {
        for syllable in SCORE.voice {
            let alone = [Syllable { at: 1.0, ..*syllable }];
            let sound = mic(rate, &EnsembleScore { seconds: 1.0 + syllable.lasts, voice: &alone, ..EMPTY }, 0);
            let hz = frequency(syllable.pitch);
            let off = off(&sound, rate, hz, 1.12, 1.0 + 0.9 * syllable.lasts);
            assert!(off.abs() < TOLERANCE, "syllable at {} s, {rate} Hz: {off:.2} cents", syllable.at);
        }
    }
}

#[test]
fn vibrato_grows_in_and_stays_usual() {
    let rate = 16_000;
    // The first syllable that is held for four seconds.
    let held = SCORE.voice.iter().find(|syllable| syllable.lasts > 4.0).expect("a held syllable");
    let alone = [Syllable { at: 1.0, ..*held }];
    let sound = mic(rate, &EnsembleScore { seconds: 1.0 + held.lasts, voice: &alone, ..EMPTY }, 0);
    let hz = frequency(held.pitch);
    let bent = |from: f64, to: f64| -> Vec<f64> {
        course(between(&sound, rate, from, to), rate, 2.0 * hz, 0.04).iter().map(|f| cents(*f, 2.0 * hz)).collect()
    };
    let most = |bent: &[f64]| bent.iter().fold(0.0, |most: f64, c| most.max(c.abs()));
    assert!(most(&bent(1.1, 1.35)) < 12.0, "it begins straight");
    // ±30 to ±50 cents at 5 to 6 Hz: common practice, no source. The jitter may add some.
    let later = bent(3.0, 4.5);
    assert!((28.0..=50.0).contains(&most(&later)), "±{:.1} cents", most(&later));
    let ups = later.windows(2).filter(|pair| pair[0] < 0.0 && pair[1] >= 0.0).count() as f64;
    assert!((4.4..=6.7).contains(&(ups / 1.45)), "{ups} waves in 1.45 s");
}

//! The engine is judged where its sound really is.

use tenterhook_quality::RATE;
use tenterhook_quality::metrics::{onsets, whole};
use tenterhook_quality::signals::{Course, plucks, steady_tone};
use tenterhook_quality::subjects::ours::{Ours, SILENCE};

/// The lag that stretch declares is that of its sound: notes begin where the exact answer's do, at every ratio. An attack
/// that is smeared has its half height a part of its length away: so much is let pass.
#[test]
fn stretch_sounds_as_late_as_it_says() {
    let notes = plucks("plucks", &[196.0], 1.2);
    let source = notes.source();
    for ratio in [1.5, 2.0, 4.0] {
        let sound = Ours::stretch(ratio, 0.0).unwrap().stretched(&source, ratio);
        let exact = notes.render(&Course::steady(1.2, ratio), 0);
        let due: Vec<f64> = notes.onsets.iter().map(|onset| onset * ratio).collect();
        let late = onsets::shift(&sound, &exact, &due);
        assert!(late.abs() < 0.008, "ratio {ratio}: {} ms late", 1000.0 * late);
    }
}

/// The positive control of the same: a sound laid 30 ms beside is seen.
#[test]
fn a_wrong_lag_is_seen() {
    let notes = plucks("plucks", &[196.0], 1.2);
    let exact = notes.render(&Course::steady(1.2, 2.0), 0);
    let beside = [&vec![0.0; 1440], &exact[..]].concat();
    let due: Vec<f64> = notes.onsets.iter().map(|onset| onset * 2.0).collect();
    assert!((onsets::shift(&beside, &exact, &due) - 0.03).abs() < 0.002);
}

/// x is as the engine smooths it: freeze, whose level is the square of x, takes it into the sound, and is full when x is 1.
#[test]
fn x_takes_the_time_that_its_controller_has() {
    let tone = steady_tone("tone", 330.0, 2.0).source();
    let ours = Ours::new("freeze", "aim = \"now\"", 1.0).unwrap();
    let x = ours.x(&[(0, 0.5), (RATE as usize, 1.0)], 2 * RATE as usize);
    assert!((x[RATE as usize / 4] - 0.25).abs() < 1e-3, "half way to 0.5 after a quarter of a second");
    assert_eq!((x[RATE as usize / 2], x[RATE as usize - 1]), (0.5, 0.5));
    assert_eq!(x.last(), Some(&1.0));
    let hold = ours.play(&tone[..72_000], &[], &[(0, 0.5), (RATE as usize, 1.0)], 3 * RATE as usize);
    let level = |from: f64| whole::loudness(&hold[(from * RATE) as usize..][..12_000]);
    assert!((level(2.0) - level(0.7) - 40.0 * 2f64.log10()).abs() < 0.2, "{} and {}", level(0.7), level(2.0));
}

#[test]
fn silence_before_the_gesture_is_long_enough_for_every_effect() {
    for effect in ["stretch", "freeze", "reverse"] {
        let ours = Ours::new(effect, "", 0.0).unwrap();
        let out = ours.play(&vec![0.0; SILENCE], &[], &[(0, 1.0)], 4800);
        assert!(out.iter().all(|x| *x == 0.0), "{effect}");
    }
    assert!(Ours::new("stretch", "most = 65", 0.0).is_err(), "what is no piece says so");
}

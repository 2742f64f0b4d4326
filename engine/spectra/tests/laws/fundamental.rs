//! The fundamental, over the instruments' ranges.

use std::f64::consts::TAU;

use tenterhook_spectra::study;

use crate::signals::{Chance, add, cents, harmonics, sine, with_noise};
use crate::voice::{MEN, WOMEN, sing};

/// The share of frames, away from the ends, whose fundamental is right within 50 cents; and how far the moment's is off.
fn right(sound: &[f32], rate: u32, fundamental: f64) -> (f64, f64) {
    let study = study(sound, rate);
    let frames: Vec<_> = study.pitch.iter().filter(|p| p.seconds > 0.1 && p.seconds < study.seconds - 0.1).collect();
    let good = frames.iter().filter(|p| p.hz.is_some_and(|hz| cents(hz, fundamental).abs() < 50.0)).count();
    let moment = study.moment(0.1..study.seconds - 0.1).fundamental_hz;
    (good as f64 / frames.len() as f64, moment.map_or(f64::INFINITY, |hz| cents(hz, fundamental).abs()))
}

fn check(what: &str, sound: &[f32], rate: u32, fundamental: f64, cents: f64) {
    let (share, off) = right(sound, rate, fundamental);
    assert!(
        share > 0.97 && off < cents,
        "{what} at {fundamental:.1} Hz: {:.1} % of frames, {off:.1} cents off",
        100.0 * share
    );
}

#[test]
fn sung_vowels_have_their_fundamental() {
    let mut chance = Chance::new(31);
    for (vowels, low, high) in [(&MEN, 82.4, 392.0), (&WOMEN, 174.6, 880.0)] {
        for vowel in vowels {
            let f0 = chance.ratio(low, high);
            let mut sound = sing(&vowel.formants, 0.6, 22_050, |t| f0 * (30.0 / 1200.0 * (TAU * 5.5 * t).sin()).exp2());
            with_noise(&mut sound, 25.0, &mut chance);
            check("a vowel", &sound, 22_050, f0, 10.0);
        }
    }
}

#[test]
fn tones_of_any_make_up_have_their_fundamental() {
    let mut chance = Chance::new(32);
    // The lowest note of a bass viol to the highest of a violin (check-values 3).
    for _ in 0..24 {
        let f0 = chance.ratio(55.0, 3520.0);
        let levels: Vec<f64> = (0..1000).map(|k| chance.ratio(0.02, 0.3) / (1.0 + k as f64)).collect();
        let mut sound = harmonics(0.6, 44_100, |_| f0, |k| levels[k], &mut chance);
        with_noise(&mut sound, 20.0, &mut chance);
        check("a tone", &sound, 44_100, f0, 2.0);
    }
}

#[test]
fn a_fundamental_that_is_missing_is_found() {
    let mut chance = Chance::new(33);
    for _ in 0..8 {
        let f0 = chance.ratio(65.0, 600.0);
        let missing = chance.between(1.0, 3.0) as usize;
        let mut sound = harmonics(0.6, 44_100, |_| f0, |k| if k > missing { 0.2 / k as f64 } else { 0.0 }, &mut chance);
        with_noise(&mut sound, 30.0, &mut chance);
        check("a tone without fundamental", &sound, 44_100, f0, 2.0);
    }
}

#[test]
fn a_flute_that_is_nearly_a_sine_has_its_fundamental() {
    let mut chance = Chance::new(34);
    for _ in 0..8 {
        let f0 = chance.ratio(261.6, 2349.0);
        let mut sound =
            harmonics(0.6, 48_000, |_| f0, |k| [0.0, 0.3, 0.03, 0.01].get(k).copied().unwrap_or(0.0), &mut chance);
        with_noise(&mut sound, 15.0, &mut chance);
        check("a flute", &sound, 48_000, f0, 2.0);
    }
}

#[test]
fn a_stiff_string_has_the_fundamental_of_its_low_partials() {
    let mut chance = Chance::new(35);
    for _ in 0..10 {
        let f0 = chance.ratio(65.0, 440.0);
        // The stiffness of a gut string, and up to ten times that (Fletcher and Rossing, The Physics of Musical Instruments,
        // 2.18, from memory: partials at k f0 sqrt(1 + B k²)).
        let stiff = chance.ratio(1e-5, 1e-4);
        let mut sound = vec![0.0; 30_000];
        for k in 1..20 {
            let k = f64::from(k);
            let hz = k * f0 * (1.0 + stiff * k * k).sqrt();
            add(&mut sound, &sine(30_000.0 / 44_100.0, 44_100, 0.2 / k, chance.between(0.0, TAU), |_| hz));
        }
        check("a stiff string", &sound, 44_100, f0, 15.0);
    }
}

#[test]
fn noise_has_no_fundamental() {
    let study = study(&crate::signals::noise(66_150, 0.01, &mut Chance::new(36)), 22_050);
    let pitched = study.pitch.iter().filter(|p| p.hz.is_some()).count();
    assert!(pitched * 20 < study.pitch.len(), "{pitched} of {}", study.pitch.len());
    assert_eq!(study.moment(0.0..3.0).fundamental_hz, None);
}

//! Steady moments, and a moment's way there and back.

use std::f64::consts::TAU;

use tenterhook_spectra::study;

use crate::signals::{Chance, add, cents, noise, sine};
use crate::voice::{MEN, WOMEN, sing};

/// A made-up word at 22 050 Hz: noise, a glide into the vowel, the vowel held, its decay. Tells where the vowel stands.
fn word(formants: &[f64], held: f64, glide: f64, f0: f64, vibrato: f64, chance: &mut Chance) -> (Vec<f32>, f64, f64) {
    let (hiss, decay) = (0.2, 0.4);
    let (from, to) = (hiss + glide, hiss + glide + held);
    let course = |t: f64| {
        let bent = (t - glide).min(0.0) / glide;
        f0 * (0.5 * bent + vibrato / 1200.0 * (TAU * 5.5 * t).sin()).exp2()
    };
    let mut voice = sing(formants, glide + held + decay, 22_050, course);
    let edge = ((glide + held) * 22_050.0) as usize;
    for (n, x) in voice.iter_mut().enumerate() {
        // 60 dB in 0.4 s, and a soft beginning of 10 ms.
        let after = n.saturating_sub(edge) as f64 / 22_050.0;
        *x *= 10f32.powf(-3.0 * (after / decay) as f32) * (n as f32 / 220.0).min(1.0);
    }
    let mut sound = noise((hiss * 22_050.0) as usize, 0.003, chance);
    sound.extend(voice);
    let room = noise(sound.len(), 1e-8, chance);
    add(&mut sound, &room);
    (sound, from, to)
}

#[test]
fn the_held_vowel_of_a_word_is_found() {
    let mut chance = Chance::new(51);
    let mut worst: f64 = 0.0;
    for i in 0..12 {
        let (vowels, low, high) = if i % 2 == 0 { (&MEN, 90.0, 300.0) } else { (&WOMEN, 180.0, 500.0) };
        let formants = &vowels[chance.between(0.0, 12.0) as usize].formants;
        let (held, glide) = (chance.between(0.35, 0.9), chance.between(0.12, 0.25));
        let (f0, vibrato) = (chance.ratio(low, high), [0.0, 40.0][i / 2 % 2]);
        let (sound, from, to) = word(formants, held, glide, f0, vibrato, &mut chance);
        let told = study(&sound, 22_050).most_telling();
        worst = worst.max((told.start - from).abs()).max((told.end - to).abs());
        assert!(
            (told.start - from).abs() < 0.06 && (told.end - to).abs() < 0.06,
            "{f0:.1} Hz, vibrato {vibrato}, glide {glide:.2}: {told:.3?} for {from:.3}..{to:.3}"
        );
    }
    println!("borders of held vowels: at most {:.0} ms off", 1000.0 * worst);
}

#[test]
fn steady_moments_are_in_order_and_long_enough() {
    let mut chance = Chance::new(52);
    let mut sound = Vec::new();
    for hz in [220.0, 330.0, 247.0] {
        sound.extend(sine(0.5, 22_050, 0.3, 0.0, |_| hz));
        sound.extend(noise(4000, 1e-6, &mut chance));
    }
    let steady = study(&sound, 22_050).steady;
    assert_eq!(steady.len(), 3, "{steady:?}");
    for pair in steady.windows(2) {
        assert!(pair[0].end < pair[1].start);
    }
    assert!(steady.iter().all(|s| s.end - s.start >= 0.1));
}

#[test]
fn without_a_steady_moment_the_whole_sound_is_told() {
    let sound = noise(22_050, 0.01, &mut Chance::new(53));
    assert_eq!(study(&sound, 22_050).most_telling(), 0.0..1.0);
}

#[test]
fn what_a_moment_tells_sounds_the_same_again() {
    let mut chance = Chance::new(54);
    for (vowel, f0) in [(&MEN[5], 117.0), (&WOMEN[0], 331.0), (&MEN[9], 205.0)] {
        let first = study(&sing(&vowel.formants, 1.2, 22_050, |_| f0), 22_050).moment(0.2..1.0);
        let strongest = first.partials[0].db;
        let partials: Vec<_> =
            first.partials.iter().filter(|p| p.confidence > 0.5 && p.db > strongest - 35.0).collect();
        assert!(partials.len() >= 5);
        let mut again = vec![0.0; 26_460];
        for p in &partials {
            add(&mut again, &sine(1.2, 22_050, 10f64.powf(p.db / 20.0), chance.between(0.0, TAU), |_| p.hz));
        }
        let second = study(&again, 22_050).moment(0.2..1.0);
        for p in &partials {
            let near =
                second.partials.iter().min_by(|a, b| (a.hz - p.hz).abs().total_cmp(&(b.hz - p.hz).abs())).unwrap();
            let (off, db) = (cents(near.hz, p.hz), near.db - p.db);
            assert!(off.abs() < 1.0 && db.abs() < 0.5, "{:.1} Hz of {f0}: {off:.2} cents, {db:.2} dB", p.hz);
        }
    }
}

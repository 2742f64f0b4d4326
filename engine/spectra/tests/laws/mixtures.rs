//! Noise among partials.

use tenterhook_spectra::study;

use crate::signals::{Chance, add, harmonics, mean_square, noise, sine};

#[test]
fn the_share_of_noise_is_right_within_a_tenth() {
    let mut chance = Chance::new(41);
    let mut worst: f64 = 0.0;
    for i in 0..=12 {
        let share = f64::from(i) / 12.0;
        let rate = [16_000, 44_100, 96_000][i as usize % 3];
        let hz = chance.ratio(80.0, 4000.0);
        let mut sound = sine(1.0, rate, (2.0 * 0.02 * (1.0 - share)).sqrt(), 0.0, |_| hz);
        add(&mut sound, &noise(rate as usize, 0.02 * share, &mut chance));
        let told = study(&sound, rate).moment(0.1..0.9).noise;
        worst = worst.max((told - share).abs());
        assert!((told - share).abs() < 0.1, "{hz:.1} Hz at {rate}: {share} is told as {told:.3}");
    }
    println!("shares of noise: at most {worst:.3} off");
}

#[test]
fn harmonicity_falls_as_noise_rises() {
    let mut chance = Chance::new(42);
    for fundamental in [110.0, 330.0, 990.0] {
        let tone = harmonics(1.0, 44_100, |_| fundamental, |k| 0.2 / k as f64, &mut chance);
        let power = mean_square(&tone);
        let hiss = noise(tone.len(), power, &mut chance);
        let (mut last, mut last_moment) = (1.01, 1.01);
        for step in 0..=8 {
            let share = f64::from(step) / 8.0;
            let mix: Vec<f32> = tone
                .iter()
                .zip(&hiss)
                .map(|(t, n)| (1.0 - share).sqrt() as f32 * t + share.sqrt() as f32 * n)
                .collect();
            let study = study(&mix, 44_100);
            let inside: Vec<f64> =
                study.pitch.iter().filter(|p| p.seconds > 0.1 && p.seconds < 0.9).map(|p| p.harmonicity).collect();
            let told = inside.iter().sum::<f64>() / inside.len() as f64;
            let moment = study.moment(0.1..0.9).harmonicity;
            assert!(
                told < last && moment < last_moment,
                "{fundamental} Hz, {share}: {told} after {last}, {moment} after {last_moment}"
            );
            if step == 0 {
                assert!(told > 0.97 && moment > 0.97, "{fundamental} Hz clean: {told}, {moment}");
            }
            // What is told must be the share of the harmonics, while they are heard at all.
            if step <= 4 {
                assert!((told - (1.0 - share)).abs() < 0.1, "{fundamental} Hz, {share}: {told}");
                assert!((moment - (1.0 - share)).abs() < 0.1, "{fundamental} Hz, {share}: {moment} in the moment");
            }
            (last, last_moment) = (told.max(1e-9), moment.max(1e-9));
        }
        assert!(last < 0.15 && last_moment < 0.15, "noise alone: {last}, {last_moment}");
    }
}

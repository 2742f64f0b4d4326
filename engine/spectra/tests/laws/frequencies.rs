//! Frequencies and levels of partials.

use std::f64::consts::TAU;

use tenterhook_spectra::{Moment, Partial, study};

use crate::signals::{Chance, add, cents, harmonics, mean_square, noise, sine, with_noise};

const RATES: [u32; 6] = [16_000, 22_050, 44_100, 48_000, 96_000, 192_000];

/// The partial nearest to a frequency.
fn nearest(moment: &Moment, hz: f64) -> Partial {
    *moment
        .partials
        .iter()
        .min_by(|a, b| cents(a.hz, hz).abs().total_cmp(&cents(b.hz, hz).abs()))
        .unwrap_or_else(|| panic!("no partial at all, {hz} wanted"))
}

/// Single tones from 60 Hz to 8 kHz, with noise so far below and frequencies this right.
fn single_tones(below_db: f64, right: f64) {
    let mut chance = Chance::new(below_db as u64);
    let mut worst: f64 = 0.0;
    for _ in 0..25 {
        let rate = RATES[chance.between(0.0, 6.0) as usize];
        let hz = chance.ratio(60.0, 8000f64.min(0.44 * f64::from(rate)));
        let amplitude = chance.ratio(0.003, 0.9);
        let mut sound = sine(1.0, rate, amplitude, chance.between(0.0, TAU), |_| hz);
        with_noise(&mut sound, below_db, &mut chance);
        let partial = study(&sound, rate).moment(0.1..0.9).partials[0];
        let off = cents(partial.hz, hz);
        worst = worst.max(off.abs());
        assert!(off.abs() <= right, "{hz:.2} Hz at {rate}: {off:.2} cents off");
        assert!((partial.db - 20.0 * amplitude.log10()).abs() < 0.2, "{hz:.2} Hz: {} dB", partial.db);
        assert!(partial.confidence > 0.8, "{hz:.2} Hz at {rate}: {}", partial.confidence);
    }
    println!("single tones, noise {below_db} dB below: at most {worst:.3} cents off");
}

#[test]
fn single_tones_are_right_within_a_cent_above_noise_40_db_below() {
    single_tones(40.0, 1.0);
}

#[test]
fn single_tones_are_right_within_3_cents_above_noise_20_db_below() {
    single_tones(20.0, 3.0);
}

/// Harmonics from 60 Hz to 8 kHz that stand out of the noise in the analysis' window by 13 dB or more.
fn harmonic_tones(below_db: f64, right: f64) {
    let mut chance = Chance::new(100 + below_db as u64);
    let (mut worst, mut count): (f64, usize) = (0.0, 0);
    for _ in 0..10 {
        let rate = RATES[chance.between(0.0, 6.0) as usize];
        let fundamental = chance.ratio(60.0, 1200.0);
        let tilt = chance.between(0.6, 1.4);
        let amplitude = |k: usize| 0.1 * (k as f64).powf(-tilt);
        let mut sound = harmonics(1.0, rate, |_| fundamental, amplitude, &mut chance);
        let density = mean_square(&sound) * 10f64.powf(-below_db / 10.0) / (0.5 * f64::from(rate));
        with_noise(&mut sound, below_db, &mut chance);
        let moment = study(&sound, rate).moment(0.1..0.9);
        for k in 1.. {
            let hz = k as f64 * fundamental;
            // Noise in the shortest window, 55 ms: its band is 2.0 / 0.055 Hz wide (check-values 5.2).
            let heard = 0.5 * amplitude(k).powi(2) > 20.0 * density * 36.4;
            if hz > 8000f64.min(0.44 * f64::from(rate)) || !heard {
                break;
            }
            let partial = nearest(&moment, hz);
            let off = cents(partial.hz, hz);
            worst = worst.max(off.abs());
            count += 1;
            assert!(off.abs() <= right, "{k} times {fundamental:.2} Hz at {rate}: {off:.2} cents off");
            let db = partial.db - 20.0 * amplitude(k).log10();
            assert!(db.abs() < 1.5, "{k} times {fundamental:.2} Hz at {rate}: {db:.2} dB off");
        }
    }
    println!("{count} harmonics, noise {below_db} dB below: at most {worst:.3} cents off");
}

#[test]
fn harmonics_are_right_within_a_cent_above_noise_40_db_below() {
    harmonic_tones(40.0, 1.0);
}

#[test]
fn harmonics_are_right_within_3_cents_above_noise_20_db_below() {
    harmonic_tones(20.0, 3.0);
}

#[test]
fn two_partials_a_semitone_apart_are_told_apart_from_110_hz_on() {
    let mut chance = Chance::new(5);
    for _ in 0..8 {
        let low = chance.ratio(110.0, 2000.0);
        let high = low * (1.0f64 / 12.0).exp2();
        let (a, b) = (chance.ratio(0.1, 0.4), chance.ratio(0.1, 0.4));
        let mut sound = sine(1.5, 44_100, a, chance.between(0.0, TAU), |_| low);
        add(&mut sound, &sine(1.5, 44_100, b, chance.between(0.0, TAU), |_| high));
        with_noise(&mut sound, 40.0, &mut chance);
        let moment = study(&sound, 44_100).moment(0.2..1.3);
        for (hz, amplitude) in [(low, a), (high, b)] {
            let partial = nearest(&moment, hz);
            let (off, db) = (cents(partial.hz, hz), partial.db - 20.0 * amplitude.log10());
            assert!(
                off.abs() < 1.0 && db.abs() < 0.5,
                "{low:.2} and {high:.2}: {off:.2} cents, {db:.2} dB off at {hz:.2}"
            );
        }
        assert!(
            moment.partials[1].confidence > 0.5
                && moment.partials.get(2).is_none_or(|p| p.db < moment.partials[1].db - 20.0)
        );
    }
}

#[test]
fn noise_has_almost_no_partials() {
    let mut chance = Chance::new(7);
    let (mut sure, mut all) = (0, 0);
    for rate in [16_000, 44_100, 96_000] {
        let study = study(&noise(2 * rate as usize, 0.01, &mut chance), rate);
        let frames = study.pitch.len();
        let found = study.tracks.iter().flat_map(|t| &t.points).filter(|p| p.confidence > 0.5).count();
        // As many as would fit: a peak in every 2.7 bins of each window (its width at 6 dB, check-values 5.2).
        let room = (600.0 * 0.16 + 1400.0 * 0.08 + (16_000f64.min(0.49 * f64::from(rate)) - 2000.0) * 0.055) / 2.7;
        sure += found;
        all += (room * frames as f64) as usize;
    }
    let share = sure as f64 / all as f64;
    println!("of the peaks of white noise {:.2} % pass for partials", 100.0 * share);
    assert!(share < 0.02, "{share}");
}

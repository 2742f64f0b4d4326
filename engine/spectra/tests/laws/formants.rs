//! Formants of vowels whose resonances are known.

use std::f64::consts::TAU;

use tenterhook_spectra::study;

use crate::voice::{CHILDREN, MEN, Vowel, WOMEN, sing};

/// Of the first three formants of some vowels, the share told within 5 %, within 10 %, and told at all.
fn shares(who: &str, vowels: &[Vowel], vibrato: f64) -> [f64; 3] {
    let mut counts = [0.0; 3];
    for vowel in vowels {
        let f0 = vowel.fundamental;
        let sound = sing(&vowel.formants, 1.0, 16_000, |t| f0 * (vibrato / 1200.0 * (TAU * 5.5 * t).sin()).exp2());
        let moment = study(&sound, 16_000).moment(0.2..0.8);
        let mut line = format!("{who} {} {f0} Hz:", vowel.name);
        for wanted in &vowel.formants[..3] {
            let off = moment.formants.iter().map(|f| f.hz / wanted - 1.0).min_by(|a, b| a.abs().total_cmp(&b.abs()));
            let off = off.unwrap_or(1.0);
            line += &format!(" {wanted} {:+.1} %", 100.0 * off);
            for (count, limit) in counts.iter_mut().zip([0.05, 0.1, 0.2]) {
                *count += f64::from(u8::from(off.abs() < limit)) / (3.0 * vowels.len() as f64);
            }
        }
        println!("{line}   {:?}", moment.formants.iter().map(|f| (f.hz.round(), f.bandwidth_hz.round())).collect::<Vec<_>>());
    }
    println!("{who}, vibrato of {vibrato} cents: {counts:.3?} within 5, 10, 20 %");
    counts
}

#[test]
fn formants_of_vowels_are_right() {
    for (who, vowels) in [("men", &MEN), ("women", &WOMEN), ("children", &CHILDREN)] {
        for vibrato in [0.0, 50.0] {
            let [five, ten, _] = shares(who, vowels, vibrato);
            assert!(five > 0.8 && ten > 0.9, "{who}: {five} {ten}");
        }
    }
}

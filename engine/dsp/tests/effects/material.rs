//! Sounds that are made in code, and have what mics bring: strokes, glides, hisses, gaps. All at 48 kHz.

use std::f64::consts::{PI, TAU};
use tenterhook_dsp::random::even;

const RATE: f64 = 48_000.0;

/// Plucked strings that ring into each other, by the plain algorithm of Karplus and Strong, "Digital synthesis of
/// plucked-string and drum timbres", Computer Music Journal 7 (1983) 43–55.
pub fn plucks(seed: u64, samples: usize) -> Vec<f32> {
    let mut out = vec![0.0; samples];
    let (mut at, mut number) = (700, 0);
    while at < samples {
        let hz = [110.0, 147.0, 196.0, 247.0, 330.0, 440.0, 587.0][(7.0 * even(seed, number, 0)) as usize % 7];
        let loud = 0.1 + 0.3 * even(seed, number, 1);
        let period = (RATE / hz).round() as usize;
        let mut string: Vec<f64> = (0..period as u64).map(|i| loud * (2.0 * even(seed + 1, number, i) - 1.0)).collect();
        for (i, out) in out[at..].iter_mut().enumerate() {
            let place = i % period;
            *out += string[place] as f32;
            string[place] = 0.498 * (string[place] + string[(place + 1) % period]);
        }
        at += (2_400.0 + 7_000.0 * even(seed, number, 2)) as usize;
        number += 1;
    }
    out
}

/// A part of a word.
#[derive(Clone, Copy)]
enum Phone {
    /// Formants of men's vowels: Peterson and Barney, J. Acoust. Soc. Am. 24 (1952) 175–184.
    Vowel([f64; 3]),
    Hiss,
    Closed,
    Burst,
}

use Phone::{Burst, Closed, Hiss, Vowel};

const A: Phone = Vowel([730.0, 1090.0, 2440.0]);
const E: Phone = Vowel([530.0, 1840.0, 2480.0]);
const I: Phone = Vowel([270.0, 2290.0, 3010.0]);
const U: Phone = Vowel([300.0, 870.0, 2240.0]);

/// Invented words, each part with its length in ms.
const WORDS: [(Phone, f64); 20] = [
    (Closed, 20.0),
    (Burst, 6.0),
    (A, 120.0),
    (Hiss, 70.0),
    (I, 90.0),
    (Closed, 45.0),
    (Burst, 8.0),
    (E, 140.0),
    (U, 60.0),
    (Closed, 30.0),
    (Burst, 5.0),
    (I, 80.0),
    (Hiss, 110.0),
    (Closed, 130.0),
    (E, 60.0),
    (A, 110.0),
    (Closed, 50.0),
    (Burst, 7.0),
    (U, 150.0),
    (Hiss, 40.0),
];

/// Spoken words: pulses of an uneven voice, or noise, through three resonances.
pub fn speech(seed: u64, samples: usize) -> Vec<f32> {
    let mut states = [[0.0f64; 2]; 3];
    let (mut phase, mut glottis, mut before, mut gain) = (0.0f64, 0.0f64, 0.0f64, 0.0f64);
    let mut formants = [500.0, 1500.0, 2500.0];
    let (mut words, mut left) = (WORDS.iter().cycle(), 0.0);
    let mut phone = Closed;
    let sample = |i: usize| {
        while left < 1.0 {
            let &(next, ms) = words.next().unwrap_or(&WORDS[0]);
            (phone, left) = (next, left + ms / 1000.0 * RATE);
        }
        left -= 1.0;
        let t = i as f64 / RATE;
        let breath = 2.0 * even(seed, i as u64, 0) - 1.0;
        let hz = 120.0 + 25.0 * (TAU * 0.9 * t).sin() + 8.0 * (TAU * 3.1 * t).sin();
        let period = (i as f64 * hz / RATE) as u64;
        phase += hz / RATE * (1.0 + 0.03 * (even(seed, period, 1) - 0.5));
        let pulse = if phase >= 1.0 { 1.0 } else { 0.0 };
        phase = phase.fract();
        glottis += 0.06 * (pulse * 12.0 - glottis);
        let (loud, mut x) = match phone {
            Vowel(wanted) => {
                formants.iter_mut().zip(wanted).for_each(|(f, wanted)| *f += (wanted - *f) * 0.001);
                (1.0, glottis + 0.01 * breath)
            }
            Hiss => (0.5, 0.0),
            Burst => (1.0, 0.8 * breath),
            Closed => (0.0, 0.0),
        };
        gain += (loud - gain) * 0.01;
        for ((state, hz), width) in states.iter_mut().zip(formants).zip([80.0, 100.0, 140.0]) {
            let r = (-PI * width / RATE).exp();
            let (b, c) = (2.0 * r * (TAU * hz / RATE).cos(), -r * r);
            let y = (1.0 - b - c) * x + b * state[0] + c * state[1];
            *state = [y, state[0]];
            x = y;
        }
        let hiss = if matches!(phone, Hiss | Burst) { 0.12 * (breath - before) } else { 0.0 };
        before = breath;
        ((0.35 * x + hiss) * gain) as f32
    };
    (0..samples).map(sample).collect()
}

#[test]
fn the_material_is_loud_and_not_too_loud_and_has_gaps_and_strokes() {
    for sound in [plucks(1, 96_000), speech(1, 96_000)] {
        let most = sound.iter().fold(0.0f32, |most, x| most.max(x.abs()));
        assert!((0.2..1.0).contains(&most), "{most}");
        let levels: Vec<f32> =
            sound.chunks(480).map(|piece| piece.iter().map(|x| x * x).sum::<f32>() / 480.0).collect();
        let leaps = levels.windows(2).filter(|two| two[1] > 2.0 * two[0] && two[1] > 1e-4).count();
        assert!(leaps >= 5, "{leaps} strokes");
    }
}

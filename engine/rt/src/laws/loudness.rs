//! A mic's loudness as a controller, on sounds as voices make them: it is there as soon as the voice, it does not flutter
//! with the glottal pulses, does not sag in a syllable, and comes to rest when the voice is silent.

#![expect(clippy::disallowed_macros, reason = "no audio thread runs here, and the figures are to be seen")]

use std::f64::consts::TAU;

use super::run::{Run, plan};
use crate::controllers::Loudness;
use tenterhook_dsp::CELL;

const PIECE: &str = "
mics = { voice = 1 }
outputs = { left = 1 }
controllers.loud = { loudness = \"voice\", from = \"-50 dB\", to = \"-12 dB\" }
[[scene]]
mark = \"A\"
mic.voice.freeze = { by = \"loud\" }
";

const RATE: f64 = 48_000.0;
/// The decibels between the controller's ends.
const SPAN_DB: f64 = 38.0;

/// The controller's value in each cell.
fn follow(sound: &[f32]) -> Vec<f64> {
    let mut loudness = Loudness::all(&plan(PIECE), RATE as u32).remove(0);
    let cell = |cell: &[f32]| {
        loudness.feed(cell);
        f64::from(loudness.settle(0.0))
    };
    sound.chunks_exact(CELL as usize).map(cell).collect()
}

fn cell(seconds: f64) -> usize {
    (seconds * RATE) as usize / CELL as usize
}

/// Pulses through one resonance of 80 Hz width at 500 Hz, as far from a steady sound as a low voice comes: between two
/// pulses it dies away by 8 dB at 100 Hz. Scaled to a level in dBFS.
fn pulses(hz: f64, seconds: f64, db: f64) -> Vec<f32> {
    let (radius, angle) = ((-std::f64::consts::PI * 80.0 / RATE).exp(), TAU * 500.0 / RATE);
    let (mut one, mut two, mut phase) = (0.0, 0.0, 0.0);
    let mut sample = || {
        phase += hz / RATE;
        let pulse = if phase >= 1.0 { 1.0 } else { 0.0 };
        phase -= pulse;
        let out = pulse + 2.0 * radius * angle.cos() * one - radius * radius * two;
        (two, one) = (one, out);
        out
    };
    let sound: Vec<f64> = (0..(seconds * RATE) as usize).map(|_| sample()).collect();
    let rms = (sound.iter().map(|x| x * x).sum::<f64>() / sound.len() as f64).sqrt();
    sound.iter().map(|x| (x / rms * 10f64.powf(db / 20.0)) as f32).collect()
}

fn swing(values: &[f64]) -> f64 {
    let (low, high) = values.iter().fold((1.0f64, 0.0f64), |(low, high), x| (low.min(*x), high.max(*x)));
    high - low
}

#[test]
fn it_does_not_flutter_with_the_glottal_pulses_of_the_lowest_voice() {
    // 70 Hz lies below the lowest note that is written for basses in choirs (E2, 82 Hz): common practice, no source.
    for hz in [70.0, 82.0, 110.0, 220.0, 440.0] {
        let x = follow(&pulses(hz, 1.5, -25.0));
        let steady = &x[cell(0.5)..];
        // An effect leaves rest 0.02 above where it comes to rest: what swings less can never chatter there.
        println!("{hz} Hz: {:.3} of the way, {:.2} dB", swing(steady), swing(steady) * SPAN_DB);
        assert!(swing(steady) < 0.02, "{hz} Hz: {}", swing(steady));
        // And it tells the level: at most as much above it as 15 ms of smoothing leave of pulses without any length,
        // T / 15 ms / (1 - exp(-T / 15 ms)).
        let above = steady.iter().sum::<f64>() / steady.len() as f64 * SPAN_DB - 25.0;
        let periods = 1.0 / hz / 0.015;
        let most = 10.0 * (periods / (1.0 - (-periods).exp())).log10();
        println!("{above:.2} dB above its level, of {most:.2} dB");
        assert!((-0.1..most).contains(&above), "{hz} Hz: {above}");
    }
}

#[test]
fn vibrato_of_pitch_alone_does_not_move_it() {
    let mut phase = 0.0;
    let tone = |i: usize| {
        // 6 Hz, a semitone to either side: at the upper end of what is measured in singers (from memory: Prame, J. Acoust.
        // Soc. Am. 96, 1994, and 102, 1997: about 6 Hz, 34 to 123 cents).
        let cents = 100.0 * (TAU * 6.0 * i as f64 / RATE).sin();
        phase += 220.0 * 2f64.powf(cents / 1200.0) / RATE;
        let harmonics = (1..12).map(|k| (TAU * f64::from(k) * phase).sin() / f64::from(k));
        (0.05 * harmonics.sum::<f64>()) as f32
    };
    let sound: Vec<f32> = (0..96_000).map(tone).collect();
    let x = follow(&sound);
    println!("vibrato: {:.4} of the way", swing(&x[cell(0.5)..]));
    assert!(swing(&x[cell(0.5)..]) < 0.01);
}

#[test]
fn syllables_come_at_once_and_neither_sag_nor_break_at_a_short_consonant() {
    // Four syllables a second, where the loudness of speech moves most (Houtgast and Steeneken, J. Acoust. Soc. Am. 77,
    // 1985, from memory: 3 to 4 Hz), each shut by 60 ms of a consonant 30 dB below.
    let sung = pulses(147.0, 2.0, -20.0);
    let shut = |i: usize| (i as f64 / RATE) % 0.25 >= 0.19;
    let sound: Vec<f32> = sung.iter().enumerate().map(|(i, x)| if shut(i) { x * 0.0316 } else { *x }).collect();
    let x = follow(&sound);
    let full = 30.0 / SPAN_DB;
    // From silence it is within 1 dB after 30 ms.
    let there = x.iter().position(|x| (x - full) * SPAN_DB > -1.0).unwrap();
    println!("within 1 dB after {:.1} ms", there as f64 * 1000.0 * CELL as f64 / RATE);
    assert!(there <= cell(0.030), "{there}");
    for syllable in 1..8 {
        let begins = 0.25 * f64::from(syllable);
        let vowel = &x[cell(begins + 0.04)..cell(begins + 0.19)];
        assert!(swing(vowel) < 0.03, "syllable {syllable} sags: {}", swing(vowel));
        let consonant = x[cell(begins - 0.06)..cell(begins)].iter().fold(1.0f64, |low, x| low.min(*x));
        println!(
            "syllable {syllable}: {:.3} within, {:.2} dB down at its consonant",
            swing(vowel),
            (full - consonant) * SPAN_DB
        );
        assert!((full - consonant) * SPAN_DB < 3.0, "the consonant breaks it: {consonant}");
    }
}

#[test]
fn when_the_voice_is_silent_it_comes_to_rest() {
    let mut sound = pulses(147.0, 1.0, -12.0);
    sound.extend([0.0; 3 * 48_000]);
    let x = follow(&sound);
    let rests = x[cell(1.0)..].iter().position(|x| *x <= 0.03).unwrap();
    println!("from full loudness at rest after {:.2} s", rests as f64 * CELL as f64 / RATE);
    assert!(rests < cell(1.5));
    assert!(x[cell(1.0)..].windows(2).all(|pair| pair[1] <= pair[0]), "without a step back");
    assert_eq!(*x.last().unwrap(), 0.0);
}

#[test]
fn rise_and_fall_slow_it_down_as_they_do_any_controller() {
    let piece = |more: &str| {
        format!(
            "mics = {{ voice = 1, viol = 2 }}\noutputs = {{ left = 1 }}\n\
             controllers.loud = {{ loudness = \"voice\", from = \"-50 dB\", to = \"-12 dB\"{more} }}\n\
             [[scene]]\nmark = \"A\"\nmic.viol.direct = {{ by = \"loud\" }}\n"
        )
    };
    // A voice for 3 s, and silence; meanwhile the viol's mic is a steady level.
    let mut voice = pulses(220.0, 3.0, -12.0);
    voice.extend([0.0; 5 * 48_000]);
    let viol = vec![0.1f32; voice.len()];
    let times = |more: &str| {
        let out = Run::new(&piece(more)).render(&[voice.clone(), viol.clone()]).remove(0);
        let up = out.iter().position(|x| *x > 0.09).unwrap();
        let down = out[3 * 48_000..].iter().position(|x| *x == 0.0).unwrap();
        (up as f64 / RATE, down as f64 / RATE)
    };
    let ((up, down), (slowly_up, slowly_down)) = (times(""), times(", rise = \"2 s\", fall = \"4 s\""));
    println!("up in {up:.2} s and {slowly_up:.2} s, down in {down:.2} s and {slowly_down:.2} s");
    assert!(up < 0.1 && (1.7..2.1).contains(&slowly_up));
    assert!(down < 1.5 && (3.5..5.0).contains(&slowly_down));
}

#[test]
fn as_a_neighbour_is_heard_no_controller_moves_when_the_piece_is_saved() {
    let quiet = |saved: bool| {
        let mut loudness = Loudness::all(&plan(PIECE), RATE as u32).remove(0);
        let sound = pulses(220.0, 2.0, -20.0);
        let mut most = 0.0f32;
        for (n, cell) in sound.chunks_exact(CELL as usize).enumerate() {
            if saved && n == 1_500 {
                let mut after = Loudness::all(&plan(PIECE), RATE as u32).remove(0);
                after.carry(&loudness);
                loudness = after;
            }
            loudness.feed(cell);
            // All of it is the neighbours', and 3 dB more than that.
            let power = cell.iter().map(|x| x * x).sum::<f32>() / CELL as f32;
            most = most.max(loudness.settle(2.0 * power));
        }
        most
    };
    assert_eq!((quiet(false), quiet(true)), (0.0, 0.0));
}

#[test]
fn what_has_come_to_rest_is_told_as_at_rest() {
    let mut loudness = Loudness::all(&plan(PIECE), RATE as u32).remove(0);
    let mut told = Vec::new();
    for value in [0.5, 0.004, 0.001, 0.0, 0.0] {
        loudness.tell(value, |reading| {
            told.push(reading);
            true
        });
    }
    let values: Vec<_> = told.iter().map(|reading| format!("{reading:?}")).collect();
    assert!(values.last().is_some_and(|last| last.contains("value: 0.0 ")), "{values:?}");
    assert_eq!(values.len(), 3, "{values:?}");
}

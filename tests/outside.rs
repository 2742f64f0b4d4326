//! The whole program against the outside: recordings go in as files, gestures as files, and what `rehearse` writes is
//! read by another library (symphonia) and held against published figures and plain definitions.

#[path = "../engine/ensemble/tests/measure/mod.rs"]
mod measure;
mod rehearsal;

use std::f64::consts::TAU;

use measure::{cents, course, db, formants, mean, partial, rms};
use rehearsal::{RATE, rehearse, rehearse_as_library};
use tenterhook_ensemble::{Consonant, EnsembleScore, Syllable, Vowel};

fn seconds(sound: &[f64], from: f64, to: f64) -> &[f64] {
    measure::between(sound, RATE, from, to)
}

/// Sines of (Hz, amplitude), 32-bit as a recording is.
fn tones(partials: &[(f64, f64)], length: f64) -> Vec<f32> {
    let at = |t: f64| partials.iter().map(|(hz, amplitude)| amplitude * (TAU * hz * t + hz).sin()).sum::<f64>();
    (0..(length * f64::from(RATE)) as usize).map(|i| at(i as f64 / f64::from(RATE)) as f32).collect()
}

fn silence(length: f64) -> Vec<f32> {
    vec![0.0; (length * f64::from(RATE)) as usize]
}

// ---- A sung vowel, held by a pedal ----

/// Means of 28 women, in Hz: Peterson and Barney, J. Acoust. Soc. Am. 24 (1952) 175–184, Table II.
const VOWELS: [(&str, [f64; 3]); 10] = [
    ("heed", [310.0, 2790.0, 3310.0]),
    ("hid", [430.0, 2480.0, 3070.0]),
    ("head", [610.0, 2330.0, 2990.0]),
    ("had", [860.0, 2050.0, 2850.0]),
    ("hod", [850.0, 1220.0, 2810.0]),
    ("hawed", [590.0, 920.0, 2710.0]),
    ("hood", [470.0, 1160.0, 2680.0]),
    ("who'd", [370.0, 950.0, 2670.0]),
    ("hud", [760.0, 1400.0, 2780.0]),
    ("heard", [500.0, 1640.0, 1960.0]),
];

/// A voice of this pitch through three resonances. Their widths, 50 to 100 Hz, are chosen: common practice, no source.
fn vowel(f0: f64, formants: [f64; 3], length: f64) -> Vec<f32> {
    let gain = |hz: f64| -> f64 {
        let one = |(centre, width): (f64, f64)| {
            let square = centre * centre;
            square / ((square - hz * hz).powi(2) + (width * hz).powi(2)).sqrt()
        };
        formants.into_iter().zip([50.0, 70.0, 100.0]).map(one).product()
    };
    // Nothing above half of the rate at which the formants are measured.
    let harmonics = (1..).map(|k| f64::from(k) * f0).take_while(|&hz| hz < 4500.0);
    let partials: Vec<_> = harmonics.map(|hz| (hz, 0.02 * gain(hz) * f0 / hz)).collect();
    tones(&partials, length)
}

/// The peaks of the spectral envelope, by linear prediction at a fifth of the rate.
fn envelope_peaks(sound: &[f64]) -> Vec<f64> {
    formants(&sound.iter().step_by(5).copied().collect::<Vec<_>>(), RATE / 5, 12)
}

/// One voice, one pedal, one hold.
const HOLD: &str = r#"
    mics = { voice = 1 }
    outputs = { out = 1 }
    controllers = { pedal = { cc = 64 } }
    [[scene]]
    mark = "A"
    mic.voice.freeze = { by = "pedal" }
"#;

#[test]
fn a_vowel_held_by_the_pedal_keeps_its_pitch_its_level_and_its_formants() {
    // Low, so that the harmonics lie close enough to show the envelope.
    let (f0, each) = (110.0, 3.0);
    let mut sung = Vec::new();
    let mut gestures = String::from("seconds,controller,value\n");
    for (n, (_, formants)) in VOWELS.iter().enumerate() {
        // Sung for 1 s, the pedal goes down while it is, and what is heard later is the hold alone.
        sung.extend(vowel(f0, *formants, 1.0));
        sung.extend(silence(each - 1.0));
        let at = n as f64 * each;
        gestures += &format!("{},pedal,1\n{},pedal,0\n", at + 0.8, at + 2.8);
    }
    let heard = rehearse(HOLD, "gestures.csv", gestures.as_bytes(), std::slice::from_ref(&sung));
    let sung: Vec<f64> = sung.iter().map(|&x| f64::from(x)).collect();
    for (n, (name, table)) in VOWELS.iter().enumerate() {
        let at = n as f64 * each;
        let (given, held) = (seconds(&sung, at + 0.1, at + 0.9), seconds(&heard[0], at + 1.3, at + 2.7));
        // The strongest harmonic shows the pitch best.
        let strongest = (1..40)
            .map(|k| f64::from(k) * f0)
            .max_by(|a, b| partial(given, RATE, *a).0.total_cmp(&partial(given, RATE, *b).0));
        let hz = strongest.unwrap();
        let off = cents(mean(&course(held, RATE, hz, 0.2)), hz);
        assert!(off.abs() < 5.0, "{name}: {off:.2} cents off");
        let change = db(rms(held) / rms(given));
        assert!(change.abs() < 1.0, "{name}: {change:.2} dB");
        for (what, sound) in [("sung", given), ("held", held)] {
            let peaks = envelope_peaks(sound);
            for hz in table {
                let near = peaks.iter().any(|peak| (peak / hz - 1.0).abs() < 0.15);
                assert!(near, "{name}, {what}: no peak within 15 % of {hz} Hz among {peaks:?}");
            }
        }
        println!("{name:6} {off:+.2} cents {change:+.2} dB {:?}", envelope_peaks(held));
    }
}

#[test]
fn a_voice_with_breath_and_vibrato_keeps_its_vowel_when_it_is_held() {
    // The made-up singer, low for the same reason, each vowel behind an /s/.
    let vowels = [(Vowel::A, VOWELS[4]), (Vowel::E, VOWELS[2]), (Vowel::I, VOWELS[0]), (Vowel::O, VOWELS[5])];
    for (vowel, (name, table)) in vowels {
        let syllable = [Syllable { at: 1.0, lasts: 1.5, pitch: 40.0, consonant: Consonant::S, vowel, level: 0.0 }];
        let sung = measure::mic(RATE, &EnsembleScore { seconds: 5.0, voice: &syllable, ..measure::EMPTY }, 0);
        let recorded: Vec<f32> = sung.iter().map(|&x| x as f32).collect();
        let heard = rehearse(HOLD, "gestures.csv", b"seconds,controller,value\n1.8,pedal,1\n", &[recorded]);
        let (given, held) = (seconds(&sung, 1.5, 1.8), seconds(&heard[0], 3.0, 4.9));
        let change = db(rms(held) / rms(given));
        assert!(change.abs() < 1.0, "{name}: {change:.2} dB");
        let peaks = envelope_peaks(held);
        for hz in table {
            assert!(peaks.iter().any(|peak| (peak / hz - 1.0).abs() < 0.15), "{name}: {hz} Hz among {peaks:?}");
        }
        println!("{name:6} sung {change:+.2} dB {peaks:?}");
    }
}

#[test]
fn the_formant_measure_tells_vowels_apart() {
    let peaks =
        |formants| envelope_peaks(&vowel(110.0, formants, 1.0).iter().map(|&x| f64::from(x)).collect::<Vec<_>>());
    // The hod's second formant is not in heed.
    assert!(!peaks(VOWELS[0].1).iter().any(|peak| (peak / 1220.0 - 1.0).abs() < 0.15));
}

// ---- A stretched tone ----

#[test]
fn a_stretched_two_tone_keeps_its_partials() {
    // Analysis of a steady sine needs no paper: every partial stays where and as loud as it is, whatever the ratio. The
    // limits are a cent and half a decibel.
    let partials = [(330.0, 0.2), (1234.5, 0.1)];
    for most in [1.5, 4.0, 64.0] {
        let piece = format!(
            r#"
            mics = {{ viol = 1 }}
            outputs = {{ out = 1 }}
            controllers = {{ foot = {{ cc = 11 }} }}
            [[scene]]
            mark = "A"
            mic.viol.stretch = {{ by = "foot", most = {most:?} }}
            "#
        );
        let gestures = b"seconds,controller,value\n1,foot,1\n3.9,foot,0\n";
        let heard = rehearse(&piece, "gestures.csv", gestures, &[tones(&partials, 4.0)]);
        let steady = seconds(&heard[0], 1.5, 3.8);
        for (hz, given) in partials {
            let off = cents(mean(&course(steady, RATE, hz, 0.2)), hz);
            let change = db(partial(steady, RATE, hz).0 / given);
            assert!(off.abs() < 1.0 && change.abs() < 0.5, "{most}: {hz} Hz {off:.3} cents, {change:.3} dB");
            println!("x {most}: {hz} Hz {off:+.3} cents {change:+.3} dB");
        }
    }
}

// ---- Reversed sound ----

#[test]
fn reverse_is_the_reversed_input_sample_for_sample_between_seams() {
    let span = RATE as usize / 2;
    let piece = r#"
        mics = { player = 1 }
        outputs = { out = 1 }
        controllers = { wheel = { cc = 1 } }
        [[scene]]
        mark = "A"
        mic.player.reverse = { by = "wheel", span = "500 ms" }
    "#;
    // Noise, so that each place of the recording can be told from each other: a linear congruential generator (Numerical
    // Recipes' constants, from memory).
    let mut state = 1u32;
    let mut noise = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (f64::from(state) / f64::from(u32::MAX) - 0.5) as f32
    };
    let played: Vec<f32> = (0..4 * RATE).map(|_| noise()).collect();
    // The gesture falls at sample 48 013, on no line of any grid.
    let begun = 48_013;
    let gestures = format!("seconds,controller,value\n{:.6},wheel,1\n", begun as f64 / f64::from(RATE));
    let heard = rehearse(piece, "gestures.csv", gestures.as_bytes(), std::slice::from_ref(&played));
    let same = |at: usize, turn: usize| turn.checked_sub(at).is_some_and(|i| heard[0][at] == f64::from(played[i]));
    // Of each span the middle is found in the recording, and from there on both ways how far it is that, backwards.
    let mut exact = 0;
    for n in 0..6 {
        let middle = begun + span / 2 + n * span;
        let turn = (middle..2 * middle).find(|&turn| (middle..middle + 64).all(|at| same(at, turn)));
        let turn = turn.unwrap_or_else(|| panic!("span {n} is no part of the recording backwards"));
        let first = (0..=middle).rev().take_while(|&at| same(at, turn)).last().unwrap();
        let end = (middle..heard[0].len()).find(|&at| !same(at, turn)).unwrap_or(heard[0].len());
        if n == 0 {
            // The first begins with the sample before the gesture; the wheel's way from 0 to 1 takes 20 ms.
            assert_eq!(turn, 2 * begun - 1);
            assert!(first <= begun + 960, "{first}");
        }
        // Seams last 20 ms; spans begin at grid lines of 32 samples.
        assert!(end - first >= span - 960 - 32, "span {n} is exact for {} samples only", end - first);
        exact += end - first;
    }
    println!("{exact} of {} samples are exactly the recording's", 6 * span);
}

// ---- Files ----

#[test]
fn what_rehearse_writes_another_library_reads_sample_for_sample() {
    let piece = r#"
        mics = { voice = 1, viol = 2 }
        outputs = { left = 1, right = 2, ears = { output = 4, private = true } }
        controllers = { pedal = { cc = 64 }, foot = { cc = 11 }, wheel = { cc = 1 } }
        [[scene]]
        mark = "A"
        mic.voice.freeze = { by = "pedal" }
        mic.voice.direct = { by = "wheel", to = ["ears"] }
        mic.viol.stretch = { by = "foot", to = { left = "-3 dB", right = "-9 dB" } }
    "#;
    let gestures = b"seconds,controller,value\n0.2,wheel,0.3\n0.5,pedal,1\n0.7,foot,0.9\n1.2,pedal,0\n";
    let inputs = [vowel(220.0, VOWELS[4].1, 2.0), tones(&[(110.0, 0.3), (331.0, 0.1)], 2.0)];
    let read = rehearse(piece, "gestures.csv", gestures, &inputs);
    // The same run by the engine itself, in other blocks, without any file.
    let made = rehearse_as_library(piece, gestures, &inputs);
    assert_eq!(read.len(), 4);
    assert!(read[0].iter().any(|&x| x != 0.0) && read[2].iter().all(|&x| x == 0.0));
    assert!(read[3].iter().any(|&x| x != 0.0));
    for (read, made) in read.iter().zip(&made) {
        assert!(read.iter().copied().eq(made.iter().map(|&x| f64::from(x))));
    }
}

/// Standard MIDI Files 1.0, the document's worked example: 96 ticks a quarter, 500 000 µs a quarter; programs 5, 46 and
/// 70 at tick 0; notes 48 and 60 at tick 0, 67 at tick 96, 76 at tick 192; all off at tick 384, which is 2 s.
#[rustfmt::skip]
const WORKED_EXAMPLE: [u8; 81] = [
    0x4d, 0x54, 0x68, 0x64, 0, 0, 0, 6, 0, 0, 0, 1, 0, 0x60, 0x4d, 0x54, 0x72, 0x6b, 0, 0, 0, 0x3b,
    0x00, 0xff, 0x58, 0x04, 0x04, 0x02, 0x18, 0x08, 0x00, 0xff, 0x51, 0x03, 0x07, 0xa1, 0x20,
    0x00, 0xc0, 0x05, 0x00, 0xc1, 0x2e, 0x00, 0xc2, 0x46,
    0x00, 0x92, 0x30, 0x60, 0x00, 0x3c, 0x60, 0x60, 0x91, 0x43, 0x40, 0x60, 0x90, 0x4c, 0x20,
    0x81, 0x40, 0x82, 0x30, 0x40, 0x00, 0x3c, 0x40, 0x00, 0x81, 0x43, 0x40, 0x00, 0x80, 0x4c, 0x40,
    0x00, 0xff, 0x2f, 0x00,
];

#[test]
fn the_standard_midi_files_worked_example_plays_a_piece_at_its_published_times() {
    // Each note lets one mic through to one output, in scene 70 only: the last that the example fires.
    let notes = [48, 60, 67, 76];
    let (mut mics, mut outputs, mut controllers, mut last) = <(String, String, String, String)>::default();
    for (n, note) in (1..).zip(notes) {
        mics += &format!("m{note} = {n}\n");
        outputs += &format!("o{note} = {n}\n");
        controllers += &format!("n{note} = {{ note = {note} }}\n");
        last += &format!("mic.m{note}.direct = {{ by = \"n{note}\", to = [\"o{note}\"] }}\n");
    }
    let scenes: String = (0..70).map(|scene| format!("[[scene]]\nmark = \"{scene}\"\n")).collect();
    let piece = format!(
        "[mics]\n{mics}[outputs]\n{outputs}[controllers]\n{controllers}{scenes}[[scene]]\nmark = \"70\"\n{last}"
    );
    let constant = vec![vec![0.25; 3 * RATE as usize]; 4];
    let heard = rehearse(&piece, "example.mid", &WORKED_EXAMPLE, &constant);
    for (channel, published) in heard.iter().zip([0.0, 0.0, 0.5, 1.0]) {
        let begun = (published * f64::from(RATE)) as usize;
        // So softly does it begin that up to four samples are less than the least sound.
        let first = channel.iter().position(|&x| x != 0.0);
        assert!(first.is_some_and(|first| (begun..begun + 5).contains(&first)), "{first:?}");
        // The note-off is the first sample at which it goes; 30 ms later there is nothing.
        let off = 2 * RATE as usize;
        assert_eq!(channel[off - 1], 0.25);
        assert!(channel[off] < 0.25 && channel[off] > 0.0);
        assert_eq!(channel.iter().rposition(|&x| x != 0.0).map(|last| last < off + 1440), Some(true));
    }
}

// ---- The highpass ----

#[test]
fn a_mics_highpass_is_second_order_butterworth_through_the_whole_program() {
    // Butterworth's magnitude, 1/√(1 + (corner/f)⁴): −3.01 dB at the corner, 12 dB an octave below it. The bilinear
    // transform bends this by less than 0.01 dB so far below half the rate. At 30 Hz a 60 Hz highpass by the "Cookbook
    // formulae for audio EQ biquad filter coefficients" reads −12.3 dB.
    let corner = 60.0;
    let octaves = [-3, -2, -1, 0, 1, 2];
    let hz = |octave: i32| corner * 2f64.powi(octave);
    let (mut mics, mut outputs, mut scene) = <(String, String, String)>::default();
    for (n, _) in (1..).zip(octaves) {
        mics += &format!("m{n} = {{ input = {n}, highpass = \"60 Hz\" }}\n");
        outputs += &format!("o{n} = {n}\n");
        scene += &format!("mic.m{n}.direct = {{ by = \"scene\", to = [\"o{n}\"] }}\n");
    }
    let piece = format!("[mics]\n{mics}[outputs]\n{outputs}[[scene]]\nmark = \"A\"\n{scene}");
    let inputs: Vec<_> = octaves.iter().map(|&octave| tones(&[(hz(octave), 0.5)], 4.0)).collect();
    let heard = rehearse(&piece, "gestures.csv", b"seconds,controller,value\n", &inputs);
    let found: Vec<f64> = octaves
        .iter()
        .zip(&heard)
        .map(|(&octave, channel)| db(partial(seconds(channel, 1.0, 4.0), RATE, hz(octave)).0 / 0.5))
        .collect();
    for (octave, found) in octaves.iter().zip(&found) {
        let expected = -10.0 * (1.0 + 2f64.powi(-4 * octave)).log10();
        assert!((found - expected).abs() < 0.02, "{} Hz: {found:.3} dB instead of {expected:.3}", hz(*octave));
    }
    assert!((found[2] + 12.3).abs() < 0.05 && (found[3] + 3.01).abs() < 0.02, "{found:?}");
    assert!((found[1] - found[0] - 12.04).abs() < 0.05, "12 dB an octave: {found:?}");
}

//! What comes back from the loudspeakers by the mics is said to howl, and what musicians do is not; a mic that stands
//! beside zero is known.

#![expect(clippy::disallowed_macros, reason = "no audio thread runs here, and the figures are to be seen")]

use proptest::prelude::*;
use std::f64::consts::TAU;
use tenterhook_config::{Text, check};
use tenterhook_plan::{Channel, MicId, OutputId, Plan, SceneId};

use crate::{EngineReport, Reading, engine};

const RATE: usize = 48_000;
/// The way from the loudspeakers to the mic, 7 m.
const WAY: usize = 1024;

fn piece(outputs: &str) -> Plan {
    let text = format!(
        "mics = {{ voice = 1 }}\noutputs = {outputs}\n[[scene]]\nmark = \"A\"\n\
         mic.voice.direct = {{ by = \"scene\" }}\n"
    );
    check(&Text::new("loop.toml", text), None).expect("nothing is wrong with it").plan
}

/// What was told of one channel: the sample, whether it howls, the offset, the reduction.
type Told = Vec<(u64, bool, f32, f32)>;

/// A piece in a hall in which the mic hears `sound`, and the outputs together by `back` dB louder than they are, a while
/// later. What is told of the first output and of the mic.
fn run(plan: &Plan, back: Option<f64>, block: usize, sound: &[f32]) -> (Told, Told) {
    let (mut engine, mut control) = engine(plan, RATE as u32, SceneId(0));
    let back = back.map_or(0.0, |db| 10f64.powf(db / 20.0) as f32);
    let (mut output, mut mic) = (Told::new(), Told::new());
    let mut air = vec![0.0; sound.len() + WAY];
    for at in (0..sound.len()).step_by(block) {
        let end = (at + block).min(sound.len());
        let heard: Vec<f32> = (at..end).map(|n| sound[n] + back * air[n]).collect();
        let mut out = vec![vec![0.0; end - at]; 2];
        let mut slices: Vec<&mut [f32]> = out.iter_mut().map(Vec::as_mut_slice).collect();
        engine.process(&[&heard], &mut slices, &[]);
        for n in at..end {
            air[n + WAY] = out[0][n - at] + out[1][n - at];
        }
        while let Some(report) = control.report() {
            let EngineReport::Reading(Reading::Meter { sample, channel, meter }) = report else {
                continue;
            };
            let told = (sample, meter.howls, meter.offset, meter.reduction);
            match channel {
                Channel::Output(OutputId(0)) => output.push(told),
                Channel::Mic(MicId(0)) => mic.push(told),
                _ => {}
            }
        }
    }
    (output, mic)
}

/// A knock, and silence after it.
fn knock(seconds: usize) -> Vec<f32> {
    let mut sound = vec![0.0; seconds * RATE];
    let knock = |n: usize| (0.1 * (-(n as f64) / 300.0).exp() * (TAU * 700.0 * n as f64 / RATE as f64).sin()) as f32;
    sound.iter_mut().skip(5000).take(6000).enumerate().for_each(|(n, y)| *y = knock(n));
    sound
}

const ONE: &str = "{ left = 1 }";
const BOTH: &str = "{ left = 1, right = 2 }";

/// Seconds from where the limiter first held it to where it was said to howl; `None`: never.
fn said_after(told: &Told) -> Option<f64> {
    let howls = told.iter().find(|(_, howls, ..)| *howls)?.0;
    let limited = told.iter().find(|(.., reduction)| *reduction < 0.99)?.0;
    Some((howls as f64 - limited as f64) / RATE as f64)
}

#[test]
fn outputs_that_come_back_louder_howl() {
    for (outputs, back) in [(ONE, 3.0), (BOTH, 3.0), (ONE, 1.5), (ONE, 6.5), (BOTH, 9.0), (ONE, 20.0)] {
        let (told, _) = run(&piece(outputs), Some(back), 64, &knock(20));
        let after = said_after(&told).unwrap_or_else(|| panic!("{outputs} at {back} dB is not said to howl"));
        println!(
            "{outputs} at {back} dB: said {after:.2} s after the limiter began, held down by {:.1} dB",
            -20.0 * told.last().unwrap().3.log10()
        );
        assert!(told.last().unwrap().1, "{outputs} at {back} dB: it still does");
        // By less than 3 dB it takes a while until it stands at the ceiling.
        assert!(after >= 1.0 && (after <= 1.5 || back < 3.0), "{outputs} at {back} dB: {after} s");
    }
}

#[test]
fn a_quieter_loop_rings_and_does_not_howl() {
    for back in [-6.0, -1.0] {
        let (told, _) = run(&piece(ONE), Some(back), 64, &knock(10));
        assert_eq!(said_after(&told), None, "{back} dB");
    }
}

fn sines(seconds: usize, all: &[(f64, f64, f64)]) -> Vec<f32> {
    let one = |n: usize, &(hz, amplitude, tremor): &(f64, f64, f64)| {
        let t = n as f64 / RATE as f64;
        amplitude * (1.0 + tremor * (TAU * 5.1 * t).sin()) * (TAU * hz * t).sin()
    };
    (0..seconds * RATE).map(|n| all.iter().map(|sine| one(n, sine)).sum::<f64>() as f32).collect()
}

#[test]
fn loud_chords_strokes_speech_and_notes_do_not_howl() {
    // A chord in just thirds, limited by 3 dB.
    let chord = sines(10, &[(220.0, 0.45, 0.05), (275.0, 0.45, 0.05), (330.0, 0.45, 0.05), (440.0, 0.25, 0.05)]);
    // A closed pipe: odd harmonics, near a square; blown with a tremor of 1 dB, limited by some 3 dB.
    let pipe = sines(10, &[(392.0, 1.5, 0.12), (1176.0, 0.5, 0.12), (1960.0, 0.2, 0.12)]);
    let mut strokes = sines(10, &[(90.0, 6.0, 0.0), (190.0, 4.0, 0.0), (310.0, 4.0, 0.0)]);
    strokes.iter_mut().enumerate().for_each(|(n, y)| *y *= (-((n % 6000) as f32) / 1200.0).exp());
    for (name, sound) in [("chord", chord), ("pipe", pipe), ("strokes", strokes)] {
        let (told, _) = run(&piece(ONE), None, 64, &sound);
        let least = told.iter().map(|(.., reduction)| *reduction).fold(1.0, f32::min);
        println!("{name}: held down by {:.1} dB at most", -20.0 * least.log10());
        assert!(least < 0.75, "{name} is loud");
        assert_eq!(said_after(&told), None, "{name}");
    }
}

#[test]
fn a_mic_beside_zero_is_known_and_one_that_sounds_is_not() {
    let dc: Vec<f32> = sines(4, &[(180.0, 0.1, 0.2)]).iter().map(|y| y - 0.02).collect();
    let (_, mic) = run(&piece(ONE), None, 64, &dc);
    let at = mic.iter().find(|(_, _, offset, _)| *offset != 0.0).expect("it is known").0;
    assert!((48_000..76_000).contains(&at), "{at}");
    assert!((mic.last().unwrap().2 + 0.02).abs() < 1e-3);
    let (_, mic) = run(&piece(ONE), None, 64, &sines(4, &[(41.2, 0.9, 0.2)]));
    assert!(mic.iter().all(|(_, _, offset, _)| *offset == 0.0));
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 8, ..Default::default() })]

    /// The loop is longer than any block, so that only the cutting differs.
    #[test]
    fn it_is_said_at_the_same_sample_in_any_blocks(block in 1usize..=WAY, back in 2f64..12.0) {
        let plan = piece(BOTH);
        let (whole, _) = run(&plan, Some(back), WAY, &knock(4));
        let (cut, _) = run(&plan, Some(back), block, &knock(4));
        prop_assert_eq!(whole, cut);
    }
}

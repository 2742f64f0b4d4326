//! What is heard of the mics and told: pitch and onsets.

use std::f64::consts::TAU;

use super::run::{CHANGED, PIECE, plan, sound};
use super::{bits, tour};
use crate::{Control, Engine, EngineReport, Reading, engine, hearing_engine};
use tenterhook_config::{Text, check};
use tenterhook_plan::{Event, MicId, Plan, SceneId, Timed};

const SMALL: &str = "mics = { voice = 1 }\noutputs = { left = 1 }\n[[scene]]\nmark = \"A\"\n\
                     mic.voice.direct = { by = \"scene\" }\n";

fn small() -> Plan {
    check(&Text::new("small.toml", SMALL), None).expect("nothing is wrong with it").plan
}

/// What is heard in a run that is cut so, and its sound.
fn heard(
    halves: (Engine, Control),
    input: &[Vec<f32>],
    cuts: &[usize],
    events: &[Timed<Event>],
    swaps: &[&Plan],
) -> (Vec<Reading>, Vec<Vec<f32>>) {
    let (mut engine, mut control) = halves;
    let frames = input[0].len();
    let (mut out, mut told, mut at) = (vec![vec![0.0; frames]; 3], Vec::new(), 0);
    let mut swaps = swaps.iter().enumerate();
    for &cut in cuts.iter().cycle() {
        if at == frames {
            return (told, out);
        }
        let end = (at + cut).min(frames);
        let inputs: Vec<&[f32]> = input.iter().map(|channel| &channel[at..end]).collect();
        let mut outputs: Vec<&mut [f32]> = out.iter_mut().map(|channel| &mut channel[at..end]).collect();
        let due: Vec<_> = events.iter().filter(|one| (at as u64..end as u64).contains(&one.sample)).copied().collect();
        engine.process(&inputs, &mut outputs, &due);
        at = end;
        while let Some(report) = control.report() {
            if let EngineReport::Reading(reading @ (Reading::Pitch { .. } | Reading::Onset { .. })) = report {
                told.push(reading);
            }
        }
        if at % 24_000 < cut
            && let Some((_, plan)) = swaps.next()
        {
            control.replace(plan).unwrap();
        }
    }
    (told, out)
}

/// The pitches that are told of a second of a sound, once it has sounded for a tenth.
fn pitches(sound: impl Fn(f64) -> f64) -> Vec<f64> {
    let sound: Vec<f32> = (0..48_000).map(|i| sound(i as f64 / 48e3) as f32).collect();
    let (told, _) = heard(hearing_engine(&small(), 48_000, SceneId(0)), &[sound], &[256], &[], &[]);
    let pitch = |reading: &Reading| match *reading {
        Reading::Pitch { sample, hz, .. } => (sample > 4_800 && hz > 0.0).then_some(f64::from(hz)),
        _ => None,
    };
    told.iter().filter_map(pitch).collect()
}

fn cents(one: f64, other: f64) -> f64 {
    1200.0 * (one / other).log2().abs()
}

#[test]
fn a_known_tone_has_its_pitch() {
    // Semitones of equal temperament from 440 Hz (ISO 16), from D2 to D7, each as a sine, as a sound whose harmonics fall
    // by 6 dB an octave, and as one without its fundamental, which is heard there all the same.
    let (mut worst, mut count) = (0.0f64, 0);
    for semitone in (-31..=29).step_by(3) {
        let hz = 440.0 * 2f64.powf(f64::from(semitone) / 12.0);
        let harmonics =
            |t: f64, from: u32| (from..=8).map(|k| (TAU * hz * f64::from(k) * t).sin() / f64::from(k)).sum::<f64>();
        let hollow = if hz < 700.0 { 2 } else { 1 };
        for (kind, pitches) in [
            ("sine", pitches(|t| 0.3 * (TAU * hz * t).sin())),
            ("harmonics", pitches(|t| 0.2 * harmonics(t, 1))),
            ("without its fundamental", pitches(|t| 0.2 * harmonics(t, hollow))),
        ] {
            assert!(pitches.len() >= 26, "{hz} Hz, {kind}: {} told", pitches.len());
            for pitch in pitches {
                assert!(cents(pitch, hz) < 2.0, "{hz:.1} Hz, {kind}: {pitch:.1} Hz");
                worst = worst.max(cents(pitch, hz));
                count += 1;
            }
        }
    }
    assert!(count > 1600 && worst < 2.0, "{count} pitches from 73 to 2350 Hz, the worst {worst:.2} cents off");
}

#[test]
fn noise_and_silence_have_no_pitch_to_speak_of() {
    let silent = pitches(|_| 0.0);
    assert!(silent.is_empty(), "{silent:?}");
    let (told, _) = heard(
        hearing_engine(&small(), 48_000, SceneId(0)),
        &[(0..96_000u64).map(|i| 0.3 * (2.0 * tenterhook_dsp::random::even(3, i, 0) - 1.0) as f32).collect()],
        &[128],
        &[],
        &[],
    );
    let sure = told.iter().filter(|reading| matches!(reading, Reading::Pitch { confidence, .. } if *confidence > 0.5));
    assert_eq!(sure.count(), 0, "{told:?}");
}

#[test]
fn an_attack_is_told_once_at_its_place_and_within_20_ms() {
    let starts = [9_600usize, 30_011, 60_007];
    let mut sound = vec![0.0f32; 96_000];
    for start in starts {
        for (i, x) in sound[start..].iter_mut().enumerate() {
            let t = i as f64 / 48e3;
            *x += (0.4 * 10f64.powf(-4.0 * t) * (TAU * 330.0 * t).sin()) as f32;
        }
    }
    let plan = small();
    let (mut engine, mut control) = hearing_engine(&plan, 48_000, SceneId(0));
    let mut found = Vec::new();
    for block in sound.chunks(32) {
        let mut out = [0.0; 32];
        engine.process(&[block], &mut [&mut out[..]], &[]);
        while let Some(report) = control.report() {
            if let EngineReport::Reading(Reading::Onset { sample, mic, .. }) = report {
                assert_eq!(mic, MicId(0));
                found.push((sample, engine.sample()));
            }
        }
    }
    assert_eq!(found.len(), starts.len(), "{found:?}");
    for ((sample, told), start) in found.into_iter().zip(starts) {
        assert!(sample.abs_diff(start as u64) <= 96, "{sample} for {start}");
        assert!(told - start as u64 <= 960, "told at {told} for {start}");
    }
}

#[test]
fn what_is_heard_is_the_same_however_the_run_is_cut_and_changes_nothing_in_the_sound() {
    let plan = plan(PIECE);
    let input = sound(96_000);
    let hearing = |cuts: &[usize]| heard(hearing_engine(&plan, 48_000, SceneId(0)), &input, cuts, &tour(), &[]);
    let (told, sound) = hearing(&[64]);
    assert!(told.iter().any(|one| matches!(one, Reading::Onset { .. })));
    assert!(told.iter().any(|one| matches!(one, Reading::Pitch { hz, .. } if *hz > 0.0)));
    for cuts in [&[1024][..], &[1, 31, 7, 333, 2]] {
        assert!(hearing(cuts) == (told.clone(), sound.clone()), "blocks of {cuts:?}");
    }
    let (nothing, plain) = heard(engine(&plan, 48_000, SceneId(0)), &input, &[64], &tour(), &[]);
    assert_eq!(nothing, [], "nobody asked");
    assert!(bits(&plain) == bits(&sound));
}

#[test]
fn a_changed_piece_hears_on() {
    let (before, after) = (plan(PIECE), plan(CHANGED));
    let halves = hearing_engine(&before, 48_000, SceneId(0));
    // A tone that begins before the change and goes on: no new attack, and its pitch is told without a gap.
    let tone = |i: usize| (0.3 * (TAU * 220.0 * i as f64 / 48e3).sin()) as f32;
    let mic = before.mics.iter().position(|mic| mic.name == "voice").unwrap();
    let input = vec![(0..144_000).map(tone).collect::<Vec<f32>>(); 3];
    let (told, _) = heard(halves, &input, &[64], &[], &[&after, &before]);
    let voice = |id: MicId| id.index() == mic;
    let times: Vec<u64> = told
        .iter()
        .filter_map(|one| match *one {
            Reading::Pitch { sample, mic, hz, .. } if voice(mic) && (hz - 220.0).abs() < 2.0 => Some(sample),
            _ => None,
        })
        .collect();
    // 90 readings in all: the first two come before anything is known, and while the mic changes its highpass, which is
    // twice, it is shut for a moment.
    assert!(times.len() >= 84 && times.last() > Some(&140_000), "{} told", times.len());
}

//! reverse.

use crate::measures::{click, level};
use crate::rig::Run;
use crate::sounds::{noise, tones, vowel, vowel_partials};
use proptest::prelude::*;
use std::f64::consts::TAU;
use tenterhook_plan::Lack;
use tenterhook_plan::declare::Setting;

const SPAN: usize = 12_000;
const SEAM: usize = 960;
const RANGE: usize = 1920;
/// The first span may begin at a sound that ended so long ago.
const LATE: usize = 144_000;
/// The choice takes 20 ms and may be done up to eight cells early.
const EARLY: usize = 960 + 8 * 32;
/// Less than that, and a note's beginning is blurred into the seam.
const CLEAR: usize = 7 * 48;

fn run(at: usize) -> Run<'static> {
    spans(at, SPAN)
}

fn spans(at: usize, span: usize) -> Run<'static> {
    Run::new("reverse", at).with(0, Setting::Quantity(span as f64 / 48_000.0))
}

/// Where each span begins after the first, and the sample before which its reading starts; panics where a span is not
/// the source backwards, sample for sample, from the seam's end on.
fn starts(at: usize, span: usize, source: &[f32], out: &[f32]) -> Vec<(usize, usize)> {
    let mut begun = at;
    let mut starts = Vec::new();
    while begun + span + 32 < source.len() {
        let is_first = starts.is_empty();
        let first = begun + if is_first { 0 } else { SEAM.min(span / 4) };
        let same = |start: &usize| (0..50).all(|i| out[first + i - at] == source[start - 1 - (first - begun) - i]);
        let within = begun.saturating_sub(if is_first { LATE } else { EARLY + RANGE }).max(SEAM + 50)..=begun;
        let start = within.rev().find(same).expect("a start within reach");
        let next = (begun + span).next_multiple_of(32);
        for t in first..next {
            assert_eq!(out[t - at], source[start - 1 - (t - begun)], "span {}, sample {t}", starts.len());
        }
        starts.push((begun, start));
        begun = next;
    }
    starts
}

#[test]
fn between_seams_it_is_the_source_backwards_sample_for_sample() {
    let source = noise(1, 0.5, 100_000);
    for at in [20_000, 30_011] {
        let starts = starts(at, SPAN, &source, &run(at).play(&source));
        assert!(starts.len() >= 5);
        assert!(starts.iter().skip(1).all(|(begun, start)| (960..=EARLY + RANGE).contains(&(begun - start))));
    }
}

/// The RMS level in dB of Hann-weighted windows of 10 ms; ten times as often, so that no pulse is always met alike.
fn track(sound: &[f32], rate: f64) -> Vec<f64> {
    let size = (rate / 100.0) as usize;
    let window: Vec<f64> = (0..size).map(|i| 1.0 - (TAU * i as f64 / size as f64).cos()).collect();
    let power = |piece: &[f32]| piece.iter().zip(&window).map(|(x, w)| f64::from(x * x) * w).sum::<f64>();
    (0..sound.len() - size).step_by(size / 10).map(|i| 10.0 * power(&sound[i..i + size]).log10()).collect()
}

/// The deepest fall below the median level, in dB. A steady sound of several partials has one of its own: they beat.
fn dip(sound: &[f32], rate: f64) -> f64 {
    let mut track = track(sound, rate);
    track.sort_by(f64::total_cmp);
    track[track.len() / 2] - track[0]
}

fn steady() -> impl Strategy<Value = Vec<(f64, f64)>> {
    let hertz = |least: f64, most: f64| (least.ln()..most.ln()).prop_map(f64::exp);
    let chord = |interval: &'static [f64]| {
        hertz(100.0, 800.0).prop_map(|root| interval.iter().map(|ratio| (root * ratio, 0.2)).collect::<Vec<_>>())
    };
    prop_oneof![
        hertz(200.0, 10_000.0).prop_map(|hertz| vec![(hertz, 0.5)]),
        hertz(80.0, 800.0).prop_map(vowel_partials),
        chord(&[1.0, 1.498_307]),
        chord(&[1.0, 1.259_921, 1.498_307]),
        chord(&[1.0, 1.189_207, 1.498_307, 1.781_797]),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, failure_persistence: None, ..Default::default() })]

    #[test]
    fn no_seam_of_steady_sound_dips(
        partials in steady(),
        span in prop::sample::select(vec![1.5, 0.3, 0.05]),
        rate in prop::sample::select(vec![44_100u32, 48_000, 96_000, 192_000]),
        seed: u64,
    ) {
        let scale = 48_000.0 / f64::from(rate);
        let partials: Vec<_> = partials.iter().map(|(f, a)| (f * scale, *a)).collect();
        let samples = |seconds: f64| (seconds * f64::from(rate)) as usize;
        let source = tones(&partials, samples(span * 3.5 + 0.2));
        let run = Run { rate, seed, ..Run::new("reverse", samples(span + 0.1)).with(0, Setting::Quantity(span)) };
        let fall = dip(&run.play(&source), rate.into()) - dip(&source, rate.into());
        // A chord is never heard twice alike, and its own beats are some 5 dB deep: of 888 chords one fell by 1.4 dB more,
        // 5 by more than 0.8. Of 612 other sounds none by more than 0.18.
        let most = if (2..5).contains(&partials.len()) { 2.0 } else { 0.5 };
        prop_assert!(fall < most, "{fall} dB");
    }

    #[test]
    fn no_seam_cuts_a_beginning_that_a_start_within_range_spares(
        apart in prop::collection::vec(5_000usize..14_000, 16),
        span in prop::sample::select(vec![9_600usize, SPAN, 24_000]),
        seed: u64,
    ) {
        let onsets: Vec<usize> = apart.iter().scan(10_000, |at, apart| { *at += apart; Some(*at) }).collect();
        let mut source = noise(seed, 0.0005, 150_000);
        for (n, &onset) in onsets.iter().enumerate() {
            for (i, x) in source.iter_mut().skip(onset).enumerate() {
                let time = i as f64 / 48_000.0;
                let pitch = TAU * 196.0 * 1.122f64.powi((n * 5 % 12) as i32);
                *x += (0.2 * (-time / 0.03).exp() * (pitch * time).sin()) as f32;
            }
        }
        let out = Run { seed, ..spans(40_000, span) }.play(&source);
        let starts = starts(40_000, span, &source, &out);
        for pair in starts.windows(2) {
            let [(_, before), (begun, start)] = *pair else { unreachable!() };
            // What would be faded, left out or repeated by a start here, by so much more than that.
            let cut = |start: usize, clear: usize| {
                let end = start - span;
                let zones = [(start - SEAM, start), ((end - SEAM).min(before), end.max(before - SEAM))];
                let within = |onset: usize| zones.iter().any(|&(low, high)| onset + clear > low && onset < high + clear);
                onsets.iter().any(|&onset| within(onset))
            };
            // The search may begin anywhere within its stagger: any start counts only if all of them have it.
            let range = begun - 960 - RANGE..=begun - EARLY;
            let spared = range.step_by(48).any(|start| !cut(start, CLEAR));
            prop_assert!(!spared || !cut(start, 0), "a beginning is cut at {start}, before {begun}");
        }
    }
}

#[test]
fn seams_do_not_click_and_noise_keeps_its_power() {
    for source in [tones(&[(443.1, 0.4)], 100_000), vowel(221.3, 100_000), noise(2, 0.3, 100_000)] {
        let out = run(20_000).play(&source);
        let click = click(&out, &source);
        assert!(click < 1.5, "{click} dB");
    }
    // Strangers, such as two places of noise, keep their power through a seam; over 40 of them the chance is small.
    let source = noise(3, 0.3, 500_000);
    let out = run(20_000).play(&source);
    let (mut seams, mut between) = (Vec::new(), Vec::new());
    for span in out[SPAN..].chunks_exact(SPAN) {
        seams.extend_from_slice(&span[SEAM / 4..SEAM * 3 / 4]);
        between.extend_from_slice(&span[SEAM..]);
    }
    let dip = level(&seams) - level(&between);
    assert!(dip.abs() < 0.3, "{dip} dB");
}

/// Notes of a voice with vibrato and rests between them, then nothing but the room's noise; where the last one ends.
fn phrase(noise_db: f64, seconds: f64, tail: f64, seed: u64) -> (Vec<f32>, usize) {
    let count = (48_000.0 * (3.6 + seconds)) as usize;
    let mut sound = noise(seed, 3f64.sqrt() * 10f64.powf(noise_db / 20.0), count);
    let ends = 48_000 * 18 / 5;
    for (i, x) in sound.iter_mut().enumerate() {
        let t = i as f64 / 48_000.0;
        let (note, into) = ((t / 0.6).floor(), t % 0.6);
        // The last ones are soft; each fades within 20 ms, and the last leaves a tail in the room.
        let loud = if note < 3.0 { 0.3 } else { 0.05 };
        let env = if i >= ends { 0.1 * (-(t - 3.6) / tail).exp() } else { ((0.5 - into) / 0.02).clamp(0.0, 1.0) };
        let env = if note == 5.0 && i < ends { ((0.6 - into) / 0.02).clamp(0.1, 1.0) } else { env };
        let hertz = 220.0 * 1.122f64.powf(note.min(5.0));
        let voice: f64 =
            (1..6).map(|k| (TAU * hertz * k as f64 * (t + 0.0001 * (TAU * 5.5 * t).sin())).sin() / k as f64).sum();
        *x += (loud * env * voice) as f32;
    }
    (sound, ends)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..Default::default() })]

    #[test]
    fn a_late_gesture_begins_at_the_end_of_the_last_sound(
        late in 0.03f64..2.9,
        noise_db in prop::sample::select(vec![-120.0, -80.0, -66.0, -55.0]),
        tail in prop::sample::select(vec![0.005, 0.05]),
        span in prop::sample::select(vec![12_000usize, 30_720, 72_000]),
        seed: u64,
    ) {
        let (source, ends) = phrase(noise_db, 8.5, tail, seed);
        let at = ends + (late * 48_000.0) as usize;
        let out = Run { seed, ..spans(at, span) }.play(&source);
        let starts = starts(at, span, &source, &out);
        let after = starts[0].1 as f64 - ends as f64;
        prop_assert!((0.0..480.0 + 48_000.0 * 3.0 * tail).contains(&after), "{} ms after the end", after / 48.0);
        // Later spans keep the rest.
        for (begun, start) in &starts[1..] {
            prop_assert!(begun - start <= EARLY + RANGE);
        }
    }
}

#[test]
fn while_it_sounds_the_first_span_begins_at_the_gesture() {
    // Soft sound after loud, and a loud one; the sound goes on over the gesture.
    let (source, _) = phrase(-80.0, 1.0, 0.01, 1);
    for at in [50_000, 109_003, 170_000] {
        let start = starts(at, 9_600, &source, &spans(at, 9_600).play(&source))[0].1;
        assert_eq!(start, at);
    }
}

#[test]
fn what_ended_longer_ago_than_a_span_and_3_seconds_is_nothing_that_was_sounding() {
    for (span, late, nothing) in
        [(12_000, 2.9, false), (12_000, 3.2, true), (192_000, 3.8, false), (192_000, 4.2, true)]
    {
        let (source, ends) = phrase(-70.0, 9.0, 0.005, 3);
        let at = ends + (late * 48_000.0) as usize;
        let (_, voice) = spans(at, span).play_voice(&source[..at + 4_000]);
        assert_eq!(voice.lacks(), nothing.then_some(Lack::NothingSounded), "{span} samples, {late} s");
        // By the next span it has heard what it could.
        let (_, voice) = spans(at, span).play_voice(&source[..at + span + 4_000]);
        assert_eq!(voice.lacks(), None);
    }
}

#[test]
fn a_hard_seam_would_be_heard() {
    let source = tones(&[(443.1, 0.4)], 100_000);
    let mut out = run(20_000).play(&source);
    let mut begun = 20_000 + SPAN;
    while begun + SEAM < source.len() {
        for t in begun..begun + SEAM {
            out[t - 20_000] = source[2 * begun - 1 - t];
        }
        begun += SPAN;
    }
    assert!(click(&out, &source) > 10.0);
}

#[test]
fn begun_again_while_two_spans_cross_it_is_as_new() {
    let source = noise(2, 0.5, 40_000);
    // Spans of 0.1 s, with a cross-fade of 20 ms each.
    for at in (9_700..24_000).step_by(331) {
        let run = spans(at, 4_800);
        let again = Run { before: Some(4_800), ..run.clone() };
        assert!(run.play(&source) == again.play(&source), "at {at}");
    }
}

//! reverse.

use crate::measures::{click, level};
use crate::rig::Run;
use crate::sounds::{noise, tones, vowel, vowel_partials};
use proptest::prelude::*;
use std::f64::consts::TAU;
use tenterhook_plan::declare::Setting;

const SPAN: usize = 12_000;
const SEAM: usize = 960;
const RANGE: usize = 1920;
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
        let (first, start) = if starts.is_empty() {
            (begun, begun)
        } else {
            let first = begun + SEAM.min(span / 4);
            let same = |start: &usize| (0..50).all(|i| out[first + i - at] == source[start - 1 - (first - begun) - i]);
            let within = begun.saturating_sub(EARLY + RANGE).max(SEAM + 50)..=begun;
            (first, within.rev().find(same).expect("a start within reach"))
        };
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

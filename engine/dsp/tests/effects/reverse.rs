//! reverse.

use crate::measures::{click, level};
use crate::rig::Run;
use crate::sounds::{noise, tones, vowel};
use tenterhook_plan::declare::Setting;

const SPAN: usize = 12_000;
const SEAM: usize = 960;

fn run(at: usize) -> Run<'static> {
    Run::new("reverse", at).with(0, Setting::Quantity(SPAN as f64 / 48_000.0))
}

#[test]
fn between_seams_it_is_the_source_backwards_sample_for_sample() {
    let source = noise(1, 0.5, 100_000);
    for at in [20_000, 30_011] {
        let out = run(at).play(&source);
        let mut begun = at;
        let mut spans = 0;
        while begun + SPAN + 32 < source.len() {
            let (first, start) = if spans == 0 {
                (begun, begun)
            } else {
                // Where it starts is chosen within 20 ms, in the 20 ms before.
                let first = begun + SEAM;
                let same = |start: &usize| (0..50).all(|i| out[first + i - at] == source[start - 1 - SEAM - i]);
                (first, (begun - 1920..=begun - 960).find(same).expect("a start within reach"))
            };
            let next = (begun + SPAN).next_multiple_of(32);
            for t in first..next {
                assert_eq!(out[t - at], source[start - 1 - (t - begun)], "span {spans}, sample {t}");
            }
            begun = next;
            spans += 1;
        }
        assert!(spans >= 5);
    }
}

#[test]
fn seams_do_not_click_and_do_not_dip() {
    // Two spans are no whole number of these tones' periods: a seam at any place would meet out of phase.
    for source in [tones(&[(443.1, 0.4)], 100_000), vowel(221.3, 100_000)] {
        let out = run(20_000).play(&source);
        for (i, piece) in out.chunks_exact(480).enumerate() {
            let change = level(piece) - level(&source);
            assert!(change.abs() < 1.0, "{change} dB {} ms after the gesture", 10 * i);
        }
    }
    for source in [tones(&[(443.1, 0.4)], 100_000), vowel(221.3, 100_000), noise(2, 0.3, 100_000)] {
        let out = run(20_000).play(&source);
        let click = click(&out, &source);
        assert!(click < 1.5, "{click} dB");
    }
    // Strangers, such as two places of noise, keep their power through a seam; over 30 of them the chance is small.
    let source = noise(3, 0.3, 500_000);
    let out = run(20_000).play(&source);
    let mean = |range: fn(usize) -> bool| {
        let (sum, count) = (0..out.len() - 40_000)
            .filter(|&i| i > SPAN && range(i % SPAN))
            .fold((0.0, 0), |(sum, count), i| (sum + f64::from(out[i]).powi(2), count + 1));
        sum / count as f64
    };
    let dip = 10.0 * (mean(|i| i < SEAM) / mean(|i| i > 2 * SEAM)).log10();
    assert!(dip.abs() < 0.5, "{dip} dB");
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

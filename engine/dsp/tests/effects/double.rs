//! double.

use crate::measures::{amplitude, cents, click, level};
use crate::rig::Run;
use crate::sounds::{RATE, noise, tones, vowel, vowel_partials};
use tenterhook_plan::declare::Setting;
use std::f64::consts::TAU;

fn run(interval: f64, at: usize) -> Run<'static> {
    Run::new("double", at).with(0, Setting::Interval(interval))
}

/// A sung vowel: resonances (Hz, bandwidth) driven by pulses at f0 that moves ±`bend` cents.
fn sung(formants: &[(f64, f64)], f0: f64, bend: f64, samples: usize) -> Vec<f32> {
    let mut cycles = 0.0;
    let mut phases = Vec::with_capacity(samples);
    for i in 0..samples {
        let now = f0 * (bend / 1200.0 * (TAU * 1.3 * i as f64 / RATE).sin()).exp2();
        cycles += now / RATE;
        phases.push((cycles, now));
    }
    // A source of -12 dB an octave less the lips' +6, as sum of harmonics.
    let mut sound = vec![0.0; samples];
    let mut states = vec![(0.0, 0.0); formants.len()];
    for (i, &(cycles, now)) in phases.iter().enumerate() {
        let top = (5500.0 / now) as usize;
        let source: f64 = (1..=top).map(|k| (TAU * (cycles * k as f64).fract()).cos() / k as f64).sum();
        let mut y = 0.05 * source;
        for (&(f, b), (s1, s2)) in formants.iter().zip(&mut states) {
            let r = (-std::f64::consts::PI * b / RATE).exp();
            let (a1, a2) = (2.0 * r * (TAU * f / RATE).cos(), -r * r);
            let next = (1.0 - a1 - a2) * y + a1 * *s1 + a2 * *s2;
            (*s1, *s2) = (next, *s1);
            y = next;
        }
        sound[i] = y as f32;
    }
    sound
}

/// Peaks of the envelope by linear prediction, Hz.
fn formants(sound: &[f32]) -> Vec<f64> {
    // To 12 kHz by every fourth sample: nothing is above 5.5 kHz.
    let thin: Vec<f64> = sound.iter().step_by(4).map(|&x| f64::from(x)).collect();
    let emphasised: Vec<f64> = thin.windows(2).map(|w| w[1] - 0.97 * w[0]).collect();
    const ORDER: usize = 10;
    let mut auto = [0.0; ORDER + 1];
    // Short windows averaged.
    let size = 512;
    for piece in emphasised.windows(size).step_by(128) {
        let windowed: Vec<f64> = piece.iter().enumerate().map(|(i, x)| x * (0.5 - 0.5 * (TAU * i as f64 / size as f64).cos())).collect();
        for (lag, sum) in auto.iter_mut().enumerate() {
            *sum += windowed.iter().zip(&windowed[lag..]).map(|(a, b)| a * b).sum::<f64>();
        }
    }
    let mut a = vec![1.0];
    let mut error = auto[0];
    for m in 1..=ORDER {
        let k = -(0..m).map(|i| a[i] * auto[m - i]).sum::<f64>() / error;
        let mut next = a.clone();
        next.push(0.0);
        for i in 1..=m { next[i] += k * a.get(m - i).copied().unwrap_or(0.0); }
        a = next;
        error *= 1.0 - k * k;
    }
    let power = |f: f64| {
        let (mut re, mut im) = (0.0, 0.0);
        for (i, c) in a.iter().enumerate() { let w = TAU * f * i as f64 / 12_000.0; re += c * w.cos(); im -= c * w.sin(); }
        -(re * re + im * im).ln()
    };
    (200..5000).map(f64::from).filter(|&f| power(f) > power(f - 1.0) && power(f) >= power(f + 1.0)).collect()
}

#[test]
fn explore_formants() {
    for (name, f) in [("a", vec![(730.0, 80.0), (1090.0, 90.0), (2440.0, 120.0), (3400.0, 200.0)]), ("i", vec![(270.0, 60.0), (2290.0, 100.0), (3010.0, 150.0), (3700.0, 200.0)]), ("u", vec![(300.0, 60.0), (870.0, 80.0), (2240.0, 120.0), (3400.0, 200.0)]), ("e", vec![(530.0, 60.0), (1840.0, 90.0), (2480.0, 120.0), (3500.0, 200.0)])] {
        for f0 in [100.0, 130.0, 180.0] {
            let source = sung(&f, f0, 200.0, 200_000);
            println!("{name} {f0} {:?}", formants(&source));
            for interval in [-1200.0, -702.0, -300.0, 400.0, 702.0, 1200.0] {
                let out = run(interval, 10_000).play(&source);
                let out = &out[12_000..];
                println!("   {interval}: {:?} {:.1} dB", formants(out), level(out) - level(&source));
            }
        }
    }
}

fn track(sound: &[f32]) -> (f64, f64) {
    let mut t: Vec<f64> = sound.chunks_exact(480).map(level).collect();
    t.sort_by(f64::total_cmp);
    (t[t.len() / 2] - t[t.len() / 50], t[t.len() * 49 / 50] - t[t.len() / 2])
}

#[test]
fn explore_chords() {
    let viol = |f: f64| (1..25).map(move |k| (f * k as f64 * 1.0001f64.powi(k), 0.1 / k as f64)).filter(|p| p.0 < 8000.0);
    for (name, partials) in [
        ("fifth", [196.0, 293.7].iter().flat_map(|&f| viol(f)).collect::<Vec<_>>()),
        ("triad", [146.8, 220.0, 369.4].iter().flat_map(|&f| viol(f)).collect::<Vec<_>>()),
        ("seventh", [146.8, 220.0, 349.2, 523.3].iter().flat_map(|&f| viol(f)).collect::<Vec<_>>()),
        ("just", [200.0, 250.0, 300.0].iter().flat_map(|&f| viol(f)).collect::<Vec<_>>()),
    ] {
        let source = tones(&partials, 200_000);
        println!("{name} source {:?}", track(&source));
        for interval in [-1200.0, -702.0, -300.0, 400.0, 702.0, 1200.0] {
            let r = (interval / 1200.0f64).exp2();
            let out = run(interval, 10_000).play(&source);
            let out = &out[12_000..];
            let exact = tones(&partials.iter().map(|p| (p.0 * r, p.1)).collect::<Vec<_>>(), out.len());
            let first: Vec<String> = partials.iter().filter(|p| p.1 > 0.04).map(|p| format!("{:.1}c {:.1}dB", cents(out, p.0 * r), 20.0 * (amplitude(out, p.0 * r) / p.1).log10())).collect();
            println!("  {interval}: track {:.1?} exact {:.1?} level {:.1} click {:.1} {:?}", track(out), track(&exact), level(out) - level(&source), click(out, &exact), first);
        }
    }
    for (name, source) in [("white", noise(3, 0.3, 200_000)), ("hiss", { let n = noise(5, 0.3, 200_001); n.windows(2).map(|w| w[1] - w[0]).collect() }),
      ("breath", noise(5, 0.1, 200_000).iter().zip(vowel(220.0, 200_000)).map(|(a, b)| a + 0.3 * b).collect())] {
        println!("{name} {:?}", track(&source));
        for interval in [-1200.0, 702.0] {
            let out = run(interval, 10_000).play(&source);
            println!("  {interval}: track {:?} level {:.2} click {:.1}", track(&out), level(&out) - level(&source), click(&out, &source));
        }
    }
}

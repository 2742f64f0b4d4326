//! double.

use crate::measures::{amplitude, cents, click, level};
use crate::rig::Run;
use crate::sounds::{RATE, noise, tones, vowel, vowel_partials};
use tenterhook_plan::declare::Setting;

fn run(interval: f64, at: usize) -> Run<'static> {
    Run::new("double", at).with(0, Setting::Interval(interval))
}

#[test]
fn explore() {
    for f in [80.0, 110.0, 160.3, 220.0, 311.7, 440.0, 707.0, 1000.0] {
        for (name, source) in [("sine", tones(&[(f, 0.3)], 96_000)), ("vowel", vowel(f, 96_000)),
            ("saw", tones(&(1..20).map(|k| (k as f64 * f, 0.2 / k as f64)).filter(|p| p.0 < 8000.0).collect::<Vec<_>>(), 96_000))] {
            print!("{name} {f}: ");
            for interval in [-1200.0, -702.0, -300.0, 13.0, 400.0, 702.0, 1200.0] {
                let out = run(interval, 10_000).play(&source);
                let out = &out[12_000..];
                let hertz = f * (interval / 1200.0f64).exp2();
                print!("{interval}: {:.2}c {:.1}dB (h {:.1}) | ", cents(out, hertz), level(out) - level(&source),
                  20.0 * (amplitude(out, hertz)/ amplitude(&source, f)).log10());
            }
            println!();
        }
    }
}

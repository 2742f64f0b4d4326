//! Measures in the units of sound.

use crate::sounds::RATE;
use std::f64::consts::TAU;
use tenterhook_dsp::highpass::Highpass;

/// The root mean square in dB.
pub fn level(sound: &[f32]) -> f64 {
    10.0 * (sound.iter().map(|&x| f64::from(x).powi(2)).sum::<f64>() / sound.len() as f64).log10()
}

/// The Hann-weighted projection on a frequency: a steady sine's amplitude and phase at the start.
fn project(sound: &[f32], hertz: f64) -> (f64, f64) {
    let (mut re, mut im) = (0.0, 0.0);
    for (i, &x) in sound.iter().enumerate() {
        let weight = 1.0 - (TAU * i as f64 / sound.len() as f64).cos();
        let angle = TAU * hertz * i as f64 / RATE;
        re += f64::from(x) * weight * angle.cos();
        im -= f64::from(x) * weight * angle.sin();
    }
    (2.0 * re.hypot(im) / sound.len() as f64, im.atan2(re))
}

/// The amplitude of the partial at this frequency.
pub fn amplitude(sound: &[f32], hertz: f64) -> f64 {
    project(sound, hertz).0
}

/// How far the partial near `hertz` is from it, in cents: by its turning between two places, which come apart step by
/// step so that no turn is missed.
pub fn cents(sound: &[f32], hertz: f64) -> f64 {
    let size = sound.len() / 2;
    let mut found = hertz;
    for apart in [0.02, 0.1, 0.4].map(|seconds: f64| (seconds * RATE) as usize) {
        if apart > size {
            break;
        }
        let (_, one) = project(&sound[..size], found);
        let (_, two) = project(&sound[apart..apart + size], found);
        let turn = two - one - TAU * found * apart as f64 / RATE;
        found += (turn - TAU * (turn / TAU).round()) * RATE / (TAU * apart as f64);
    }
    1200.0 * (found / hertz).log2()
}

/// How sharp the sharpest corner is: the greatest second difference of the sound above 1 kHz.
pub fn corner(sound: &[f32]) -> f64 {
    let mut high = sound.to_vec();
    Highpass::new(1000.0, RATE as u32).process(&mut high);
    // The highpass's own beginning does not count.
    let high = &high[480.min(high.len())..];
    high.windows(3).map(|w| (f64::from(w[0]) - 2.0 * f64::from(w[1]) + f64::from(w[2])).abs()).fold(0.0, f64::max)
}

/// How much sharper corners are than those of the source, in dB: a click is well above 0.
pub fn click(sound: &[f32], source: &[f32]) -> f64 {
    20.0 * (corner(sound) / corner(source)).log10()
}

#[test]
fn the_measures_tell_known_good_from_known_bad() {
    let sound = crate::sounds::tones(&[(440.0, 0.5), (1000.0, 0.25)], 48_000);
    assert!((level(&sound) - 10.0 * (0.125f64 + 0.03125).log10()).abs() < 0.01);
    assert!((amplitude(&sound, 440.0) - 0.5).abs() < 1e-4);
    assert!(cents(&sound, 440.0).abs() < 0.01);
    assert!((cents(&sound, 441.0) - 1200.0 * (440.0f64 / 441.0).log2()).abs() < 0.01);
    // A tenth of a millisecond cut out of a 440 Hz sine is a click.
    let sine = crate::sounds::tones(&[(440.0, 0.5)], 48_000);
    let mut cut = sine.clone();
    cut.drain(20_000..20_005);
    assert!(click(&sine, &sine) == 0.0);
    assert!(click(&cut, &sine) > 20.0, "{}", click(&cut, &sine));
}

//! Every measure tells good from bad by a margin, and gives the exact value where there is one.

use std::f64::consts::{PI, TAU};

use tenterhook_quality::RATE;
use tenterhook_quality::metrics::{hold, noise, onsets, reverse, spectra, tones, whole};
use tenterhook_quality::signals::{
    Course, Random, Signal, Sung, Vowel, clicks, coloured_noise, plucks, shaped_noise, steady_tone, vibrato_tone, vowel,
};

/// Good is below the one limit, bad above the other.
#[track_caller]
fn tells(name: &str, good: f64, below: f64, bad: f64, above: f64) {
    println!("{name}: good {good:.4} (below {below}), bad {bad:.4} (above {above})");
    assert!(good < below, "{name}: the good reads {good}, not below {below}");
    assert!(bad > above, "{name}: the bad reads {bad}, not above {above}");
}

#[track_caller]
fn near(name: &str, value: f64, exact: f64, within: f64) {
    assert!((value - exact).abs() <= within, "{name}: {value} is not within {within} of {exact}");
}

fn at(signal: &Signal, ratio: f64) -> Vec<f64> {
    signal.render(&Course::steady(signal.seconds, ratio), 0)
}

fn by(x: &[f64], gain: impl Fn(f64) -> f64) -> Vec<f64> {
    x.iter().enumerate().map(|(i, x)| x * gain(i as f64 / RATE)).collect()
}

/// Its level goes up and down by `depth`, `rate` times a second.
fn trembling(x: &[f64], rate: f64, depth: f64) -> Vec<f64> {
    by(x, |t| 1.0 + depth * (TAU * rate * t).sin())
}

/// Played faster by so many cents.
fn detuned(x: &[f64], cents: f64) -> Vec<f64> {
    let factor = (cents / 1200.0).exp2();
    let at = |i: usize| {
        let place = i as f64 * factor;
        let k = place as usize;
        x[k] + (x[k + 1] - x[k]) * place.fract()
    };
    (0..((x.len() - 2) as f64 / factor) as usize).map(at).collect()
}

fn convolved(x: &[f64], with: &[f64]) -> Vec<f64> {
    let size = (x.len() + with.len()).next_power_of_two();
    let product = spectra::spectrum(x, size).iter().zip(spectra::spectrum(with, size)).map(|(a, b)| a * b).collect();
    spectra::waveform(product, size)[with.len() / 2..][..x.len()].to_vec()
}

/// Smeared over 100 ms, at the same level.
fn smeared(x: &[f64]) -> Vec<f64> {
    let mut random = Random::new("smear", 1);
    let kernel: Vec<f64> = spectra::hann(4800).iter().map(|w| w * random.normal()).collect();
    let out = convolved(x, &kernel);
    let gain = (spectra::power(x) / spectra::power(&out)).sqrt();
    out.into_iter().map(|x| x * gain).collect()
}

fn late(x: &[f64], by: usize) -> Vec<f64> {
    [&vec![0.0; by], &x[..x.len() - by]].concat()
}

fn sum(x: &[f64], y: &[f64], gain: f64) -> Vec<f64> {
    x.iter().zip(y).map(|(x, y)| x + gain * y).collect()
}

fn looped(piece: &[f64], length: usize) -> Vec<f64> {
    piece.iter().copied().cycle().take(length).collect()
}

fn tone() -> Signal {
    steady_tone("tone_453", 440.0 * (1.0f64 / 24.0).exp2(), 1.5)
}

fn sine(hz: f64, seconds: f64) -> Vec<f64> {
    (0..(seconds * RATE) as usize).map(|i| (TAU * hz * i as f64 / RATE).sin()).collect()
}

#[test]
fn tones_tell() {
    let tone = tone();
    let (hz, exact) = (&tone.partials[..], at(&tone, 2.0));
    tells(
        "frequency",
        tones::frequency_error(&exact, hz),
        0.02,
        tones::frequency_error(&detuned(&exact, 3.0), hz),
        2.8,
    );
    let dull = sum(&exact, &late(&exact, 1), 1.0).iter().map(|x| x / 2.0).collect::<Vec<_>>();
    tells("level", tones::level_error(&exact, &exact, hz), 1e-6, tones::level_error(&dull, &exact, hz), 0.05);
    tells("spurious", tones::spurious(&exact, hz), -80.0, tones::spurious(&trembling(&exact, 40.0, 0.1), hz), -27.0);
    tells("ripple", tones::ripple(&exact), 0.02, tones::ripple(&trembling(&exact, 10.0, 0.1)), 0.5);
    tells("ripple range", tones::ripple_range(&exact), 0.1, tones::ripple_range(&trembling(&exact, 10.0, 0.1)), 1.5);
}

/// Sidebands of amplitude modulation by m have m²/2 of the carrier's power; its level swings by 20 log (1+m)/(1−m).
#[test]
fn amplitude_modulation_reads_what_algebra_says() {
    let (carrier, depth) = (sine(1000.0, 3.0), 0.1f64);
    near(
        "spurious",
        tones::spurious(&trembling(&carrier, 40.0, depth), &[1000.0]),
        10.0 * (depth * depth / 2.0).log10(),
        0.1,
    );
    let swing = 20.0 * ((1.0 + depth) / (1.0 - depth)).log10();
    near("ripple range", tones::ripple_range(&trembling(&carrier, 2.0, depth)), swing, 0.05);
    near("frequency", tones::partials(&sine(1003.7, 1.0), &[1000.0])[0].0, 1003.7, 0.01);
}

#[test]
fn moving_pitch_tells() {
    let moving = vibrato_tone("vibrato", 440.0, 5.5, 30.0, 2.0);
    let (source, exact) = (at(&moving, 1.0), at(&moving, 2.0));
    let twice = [&source[..], &source].concat();
    let rate = |x: &[f64]| tones::vibrato_rate_error(x, 440.0, 2.75);
    tells("vibrato rate", rate(&exact), 2.0, rate(&twice), 50.0);
    let narrow = at(&vibrato_tone("vibrato", 440.0, 5.5, 20.0, 2.0), 2.0);
    let extent = |x: &[f64]| tones::vibrato_extent_error(x, 440.0, 2.75, 30.0);
    tells("vibrato extent", extent(&exact), 4.0, extent(&narrow), 25.0);
    let pitch = |x: &[f64]| tones::pitch_error(x, &exact, 440.0);
    tells("pitch", pitch(&exact), 0.01, pitch(&twice), 10.0);
    // The deviation of a sine is its half-extent over √2.
    near("wobble", hold::wobble(&exact, 440.0), 30.0 / 2f64.sqrt(), 1.5);
    near(
        "pitch of a hold",
        hold::pitch_error(&sine(441.0, 2.0), &sine(440.0, 2.0), 440.0),
        1200.0 * (441.0f64 / 440.0).log2(),
        0.01,
    );
}

#[test]
fn voices_tell() {
    let sung = vowel(Sung { seconds: 1.5, ..Sung::new("vowel", Vowel::AMen, 146.83) });
    let exact = at(&sung, 2.0);
    // One random phase per harmonic: the pulses are gone, the spectrum is not.
    let mut random = Random::new("phases", 1);
    let mut spectrum = spectra::spectrum(&exact, exact.len());
    let step = (146.83 * exact.len() as f64 / RATE) as usize;
    for harmonic in spectrum[step / 2..].chunks_mut(step) {
        let turn = realfft::num_complex::Complex64::from_polar(1.0, random.between(0.0, TAU));
        harmonic.iter_mut().for_each(|z| *z *= turn);
    }
    let flat = spectra::waveform(spectrum, exact.len());
    tells("crest", tones::crest_error(&exact, &exact).abs(), 0.01, tones::crest_error(&flat, &exact), 0.5);
    let other = at(&vowel(Sung { seconds: 1.5, ..Sung::new("other", Vowel::IWomen, 146.83) }), 1.0);
    let longer = at(&sung, 3.0);
    tells("formants", tones::formant_error(&longer, &exact), 30.0, tones::formant_error(&other, &exact), 150.0);
    tells("envelope", hold::envelope_error(&longer, &exact), 1.0, hold::envelope_error(&other, &exact), 5.0);
    for (found, true_hz) in tones::formants(&exact, 3).into_iter().zip([730.0, 1090.0, 2440.0]) {
        near("formant", found, true_hz, 0.08 * true_hz);
    }
}

#[test]
fn attacks_tell() {
    let plucked = plucks("plucks", &[196.0, 246.94], 2.0);
    let (exact, due) = (at(&plucked, 2.0), plucked.onsets.iter().map(|onset| 2.0 * onset).collect::<Vec<_>>());
    let bad = smeared(&exact);
    tells("pre-echo", onsets::pre_echo(&exact, &due), -20.0, onsets::pre_echo(&bad, &due), -12.0);
    let attack = |x: &[f64]| onsets::attack_ratio(x, &exact, &due);
    tells("attack", attack(&exact), 1.01, attack(&bad), 3.0);
    let delayed = late(&exact, 576);
    tells("onset", onsets::onset_error(&exact, &exact, &due), 0.01, onsets::onset_error(&delayed, &exact, &due), 11.5);
    near("onset of 12 ms", onsets::onset_error(&delayed, &exact, &due), 12.0, 0.5);
    near("shift of 12 ms", onsets::shift(&delayed, &exact, &due), 0.012, 5e-4);
    let stutter = sum(&exact, &late(&exact, 5280), 1.0);
    let count = |x: &[f64]| onsets::onset_count(x, &exact, &due);
    near("count", count(&exact), 1.0, 1e-9);
    tells("stutter", count(&exact) - 1.0, 0.01, count(&stutter) - 1.0, 0.4);
    // Two clicks of half the height before and after: as much energy on both sides.
    let click = at(&clicks("clicks", 1.0), 1.0);
    near(
        "pre-echo of an echo",
        onsets::pre_echo(&sum(&click, &[&click[1200..], &[0.0; 1200]].concat(), 1.0), &[0.5]),
        0.0,
        1e-9,
    );
}

#[test]
fn noise_tells() {
    // Long enough for its slowest modulation.
    let white = coloured_noise("white", |_| 1.0, 4.0);
    let course = Course::steady(4.0, 2.0);
    let (exact, other) = (white.render(&course, 0), white.render(&course, 1));
    let comb = sum(&exact, &late(&exact, 48), 0.8);
    let frame = looped(&exact[..2048], exact.len());
    let spectrum = |x: &[f64]| noise::spectrum_error(x, &exact);
    tells("spectrum", spectrum(&other), 0.45, spectrum(&comb), 1.0);
    let flat = |x: &[f64]| noise::flatness_error(x, &exact).abs();
    tells("flatness", flat(&other), 0.1, flat(&comb), 0.5);
    // Power of Gaussian noise is exponential: the geometric mean is e^−γ of the arithmetic one.
    near("flatness of white noise", noise::flatness(&exact), -10.0 * 0.577_215_664_9 * std::f64::consts::LOG10_E, 0.1);
    let modulation = |x: &[f64]| noise::modulation_error(x, &exact);
    tells("modulation", modulation(&other), 2.2, modulation(&trembling(&exact, 25.0, 0.8)), 3.0);
    tells("a loop's modulation", modulation(&other), 2.2, modulation(&frame), 6.0);
    tells("copied", noise::copied(&exact), 0.2, noise::copied(&frame), 0.9);
}

#[test]
fn whole_sounds_tell() {
    let tone = tone();
    let (source, exact) = (at(&tone, 1.0), at(&tone, 2.0));
    let mut random = Random::new("hiss", 1);
    let hiss: Vec<f64> = exact.iter().map(|_| random.normal()).collect();
    let distance = |x: &[f64]| whole::log_spectral_distance(x, &exact);
    tells("distance", distance(&exact), 1e-6, distance(&sum(&exact, &hiss, 0.01)), 5.0);
    tells(
        "loudness",
        whole::loudness_error(&exact, &exact).abs(),
        1e-9,
        -whole::loudness_error(&by(&exact, |_| 0.7), &exact),
        3.0,
    );
    let short = &exact[..exact.len() - 4800];
    tells("duration", whole::duration_error(&exact, &exact).abs(), 1.0, -whole::duration_error(short, &exact), 50.0);
    let wander = sum(&exact, &trembling(&exact, 17.0, 1.0), 0.5);
    let consistent = |x: &[f64]| whole::consistency(x, &source, |sample| sample / 2.0);
    tells("consistency", consistent(&exact), -40.0, consistent(&wander), -15.0);
}

/// ITU-R BS.1770-4: a 997 Hz sine at full scale in one channel reads −3.01 LKFS.
#[test]
fn the_loudness_of_the_standard_s_sine() {
    near("full scale", whole::loudness(&sine(997.0, 3.0)), -3.01, 0.01);
    near("half of it", whole::loudness(&by(&sine(997.0, 3.0), |_| 0.5)), -3.01 - 20.0 * 2f64.log10(), 0.01);
}

/// Two independent exponential powers differ in dB by a logistic law of deviation 10/ln 10 · π/√3.
#[test]
fn two_noises_are_as_far_apart_as_theory_says() {
    let white = coloured_noise("white", |_| 1.0, 2.0);
    let course = Course::steady(2.0, 1.0);
    let distance = whole::log_spectral_distance(&white.render(&course, 0), &white.render(&course, 1));
    near("distance", distance, 10.0 * std::f64::consts::LOG10_E * PI / 3f64.sqrt(), 0.25);
}

#[test]
fn holds_tell() {
    let steady = at(&steady_tone("hold", 146.6, 4.0), 1.0)[4800..187_200].to_vec();
    let sinking = by(&steady, |t| 10f64.powf(-3.0 * t / 200.0));
    near("drift", hold::level_drift(&sinking), -3.0 * 10.0 / 10.0, 0.05);
    tells("drift", hold::level_drift(&steady).abs(), 0.05, hold::level_drift(&sinking).abs(), 2.5);
    // In dB the deviation of a small swing is 20 log e · m/√2, less what a window of 50 ms averages out.
    tells(
        "ripple",
        hold::level_ripple(&steady, 0.05),
        0.02,
        hold::level_ripple(&trembling(&steady, 3.0, 0.1), 0.05),
        0.4,
    );
    let pitch = |x: &[f64]| hold::pitch_error(x, &steady, 146.6).abs();
    tells("pitch", pitch(&steady), 0.05, pitch(&detuned(&steady, 5.0)), 4.0);
    let loop_of = shaped_noise(&mut Random::new("loop", 1), 9600, |hz| f64::from(hz > 100.0));
    let repeated = looped(&loop_of, 192_000);
    let pink = at(&coloured_noise("pink", |hz| hz.max(20.0).sqrt().recip(), 4.0), 1.0);
    tells("repetition", hold::repetition(&pink).0, 0.3, hold::repetition(&repeated).0, 0.9);
    tells("repetition", hold::repetition(&steady).0, 0.05, hold::repetition(&repeated).0, 0.9);
    let periods = hold::repetition(&repeated).1 / 0.2;
    near("its period", periods, periods.round(), 0.03);
    let rough = |x: &[f64]| hold::roughness(x, &steady, 146.6);
    tells("roughness", rough(&steady).abs(), 0.01, rough(&trembling(&steady, 70.0, 0.3)), 6.0);
    let spliced = [&steady[..96_000], &steady[96_100..]].concat();
    tells("click", hold::click(&steady), 8.0, hold::click(&spliced), 20.0);
    tells("click at", hold::click_at(&steady, 2.0), 1.0, hold::click_at(&spliced, 2.0), 10.0);
}

#[test]
fn reversals_tell() {
    let window =
        at(&vowel(Sung { seconds: 1.5, ..Sung::new("vowel", Vowel::AMen, 146.83) }), 1.0)[9600..57_600].to_vec();
    let turned: Vec<f64> = window.iter().rev().copied().collect();
    let correlation = |x: &[f64]| 1.0 - reverse::correlation(x, &window);
    tells("correlation", correlation(&late(&turned, 200)), 0.02, correlation(&window), 0.05);
    let padded = [&vec![0.0; 777], &turned[..], &[0.0; 777]].concat();
    near("likeness", reverse::likeness(&turned[1000..9000], &padded), 1.0, 1e-9);
    tells("likeness", 1.0 - reverse::likeness(&turned, &padded), 1e-9, 1.0 - reverse::likeness(&window, &padded), 0.05);
    let steady = at(&steady_tone("hold", 440.0, 3.0), 1.0);
    let dipped = by(&steady, |t| if (t - 1.5).abs() < 0.025 { 0.25 } else { 1.0 });
    tells("dip", reverse::seam_dip(&steady, &[1.5]), 0.1, reverse::seam_dip(&dipped, &[1.5]), 10.0);
    near("a dip to a quarter", reverse::seam_dip(&dipped, &[1.5]), 20.0 * 4f64.log10(), 0.1);
}

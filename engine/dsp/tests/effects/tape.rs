//! tape.

use crate::measures::{amplitude, cents, click, level};
use crate::rig::Run;
use crate::sounds::{noise, tones};
use proptest::prelude::*;
use std::f64::consts::TAU;
use tenterhook_dsp::highpass::Highpass;
use tenterhook_plan::Recording;
use tenterhook_plan::declare::Setting;

/// Seconds by which the head follows an even movement, and by which the reel is late after a start.
const HEAD: f64 = 0.02;
const REEL: f64 = 0.1;

fn recorded(rate: u32, sound: impl Fn(f64) -> f64, seconds: f64) -> Recording {
    let count = (seconds * f64::from(rate)) as usize;
    let samples = (0..count).map(|i| sound(i as f64 / f64::from(rate)) as f32).collect();
    Recording { path: "letter.wav".to_owned(), rate, tuned: 1.0, samples }
}

fn tape(works: usize, recording: Recording, x: fn(u64) -> f32) -> Run<'static> {
    let run = Run::new("tape", 0).with(0, Setting::Sound(recording)).with(1, Setting::Choice(works));
    Run { x, ..run }
}

fn speed(recording: Recording, x: fn(u64) -> f32) -> Run<'static> {
    tape(0, recording, x)
}

fn place(recording: Recording, x: fn(u64) -> f32) -> Run<'static> {
    tape(1, recording, x)
}

fn play(run: &Run<'_>, seconds: f64) -> Vec<f32> {
    run.play(&vec![0.0; (seconds * 48_000.0) as usize])
}

/// A smooth pulse of a millisecond at every quarter of a second: each tells its place by its height.
fn pulses(t: f64) -> f64 {
    let nearest = (4.0 * t).round();
    let since = (t - nearest / 4.0) / 0.0005;
    (0.05 + 0.02 * nearest) * (-0.5 * since * since).exp()
}

/// The seconds of the local peaks above 0.03, to a part of a sample, and their heights.
fn peaks(sound: &[f32]) -> Vec<(f64, f64)> {
    let peak = |i: usize| {
        let [a, b, c] = [i - 1, i, i + 1].map(|i| f64::from(sound[i]));
        let part = 0.5 * (a - c) / (a - 2.0 * b + c);
        ((i as f64 + part) / 48_000.0, b)
    };
    let is_peak = |i: &usize| sound[*i] > 0.03 && sound[*i] > sound[i - 1] && sound[*i] >= sound[i + 1];
    (1..sound.len() - 1).filter(is_peak).map(peak).collect()
}

#[test]
fn at_speed_1_a_sine_of_another_rate_has_its_pitch_and_nothing_else() {
    for (rate, hertz) in [(44_100, 997.0), (44_100, 12_000.0), (48_000, 440.0), (24_000, 3000.0), (96_000, 8000.0)] {
        let recording = recorded(rate, |t| 0.5 * (TAU * hertz * t).sin(), 5.0);
        let out = play(&speed(recording, |_| 1.0), 4.5);
        let steady = &out[120_000..216_000];
        let off = cents(steady, hertz);
        assert!(off.abs() < 0.5, "{hertz} Hz at {rate}: {off} cents");
        assert!((amplitude(steady, hertz) - 0.5).abs() < 0.003);
        // Sine and cosine of that frequency fitted by least squares; what is left is noise.
        let (mut fit, whole) = ([0.0; 2], 48_000.0);
        let angle = |i: usize| TAU * hertz * i as f64 / 48_000.0;
        for (i, &y) in steady[..48_000].iter().enumerate() {
            fit[0] += f64::from(y) * angle(i).sin() * 2.0 / whole;
            fit[1] += f64::from(y) * angle(i).cos() * 2.0 / whole;
        }
        let rest = |(i, &y): (usize, &f32)| (f64::from(y) - fit[0] * angle(i).sin() - fit[1] * angle(i).cos()).powi(2);
        let noise = steady[..48_000].iter().enumerate().map(rest).sum::<f64>() / whole;
        let ratio = 10.0 * (0.125 / noise).log10();
        assert!(ratio > 60.0, "{hertz} Hz at {rate}: {ratio:.1} dB");
    }
}

#[test]
fn in_a_hall_that_is_tuned_higher_a_speed_sounds_higher_and_a_place_is_the_hands() {
    for tuned in [415.0 / 440.0, 466.0 / 440.0] {
        let recording = |tuned| Recording { tuned, ..recorded(44_100, |t| 0.5 * (TAU * 997.0 * t).sin(), 5.0) };
        let off = cents(&play(&speed(recording(tuned), |_| 1.0), 4.5)[120_000..216_000], 997.0 * tuned);
        assert!(off.abs() < 0.01, "{tuned}: {off} cents");
        let hand = |i: u64| i as f32 / 480_000.0;
        let played = |tuned| play(&place(recording(tuned), hand), 3.0);
        assert!(played(tuned) == played(1.0), "{tuned}");
    }
}

#[test]
fn after_so_many_seconds_at_a_speed_the_reel_is_where_it_should_be() {
    for (x, slow) in [((|_| 1.0) as fn(u64) -> f32, 1.0), (|_| 0.5, 0.5), (|_| 0.25, 0.25)] {
        let out = play(&speed(recorded(44_100, pulses, 4.0), x), 6.0);
        // x is there from the first sample on; the reel is late by its inertia.
        let due = |n: f64| REEL + 0.25 * n / slow;
        // From 1 s, when the speed is reached, to where the recording goes round.
        let found: Vec<_> = peaks(&out).into_iter().filter(|(at, _)| (1.0..REEL + 3.8 / slow).contains(at)).collect();
        assert!(found.len() >= 4);
        for (at, height) in found {
            let n = ((height - 0.05) / 0.02).round();
            let late = at - due(n);
            assert!(late.abs() < 0.001, "speed {slow}, pulse {n}: {:.3} ms", 1000.0 * late);
        }
    }
}

#[test]
fn at_its_end_the_recording_goes_round() {
    let out = play(&speed(recorded(48_000, pulses, 2.1), |_| 1.0), 7.0);
    let found: Vec<_> = peaks(&out).into_iter().map(|(at, height)| (at, ((height - 0.05) / 0.02).round())).collect();
    // The pulse at 0.25 s comes again and again: a time round is the recording without the seam, 40 ms shorter at most.
    let firsts: Vec<f64> = found.iter().filter(|(_, n)| *n == 1.0).map(|(at, _)| *at).collect();
    assert!(firsts.len() >= 3, "{found:?}");
    // By then the speed is reached.
    for pair in firsts[1..].windows(2) {
        assert!((2.1 - 0.0601..2.1 - 0.0199).contains(&(pair[1] - pair[0])), "{firsts:?}");
    }
    // A steady tone does not notice: neither a dip nor a click.
    let tone = |t: f64| 0.3 * (TAU * 311.7 * t).sin();
    let out = play(&speed(recorded(48_000, tone, 1.0), |_| 1.0), 6.0);
    let steady = tones(&[(311.7, 0.3)], 96_000);
    assert!(click(&out[96_000..], &steady) < 1.5, "{} dB", click(&out[96_000..], &steady));
    for piece in out[48_000..].chunks_exact(480) {
        assert!((level(piece) - level(&steady)).abs() < 1.0, "{} dB", level(piece) - level(&steady));
    }
    // Strangers keep their power.
    let recording = Recording { samples: noise(5, 0.3, 48_000).into(), ..recorded(48_000, |_| 0.0, 0.0) };
    let out = play(&speed(recording, |_| 1.0), 20.0);
    let of = |from: usize, to: usize| -> Vec<f32> {
        (1..19).flat_map(|round| out[4_800 + round * 46_560 + from..][..to - from].to_vec()).collect()
    };
    let powers: Vec<f64> = (0..48).map(|n| level(&of(n * 960, (n + 1) * 960))).collect();
    let (low, high) = powers.iter().fold((0.0f64, -99.0f64), |(low, high), &db| (low.min(db), high.max(db)));
    assert!(high - low < 0.7, "{low:.2} to {high:.2} dB");
}

#[test]
fn the_place_under_the_head_is_x_and_it_sounds_at_the_speed_of_its_movement() {
    // A second at 0.2 of 4 s, then on to 0.95 as fast as it was recorded, a second of standing, and back.
    fn x(i: u64) -> f32 {
        let t = i as f64 / 48_000.0;
        let on = 0.2 + ((t - 1.0) / 4.0).clamp(0.0, 0.75);
        (on - ((t - 5.0) / 4.0).clamp(0.0, 0.75)) as f32
    }
    let out = play(&place(recorded(44_100, pulses, 4.0), x), 9.0);
    assert!(out[9_600..47_000].iter().all(|&y| y == 0.0), "it has not moved yet");
    assert!(out[210_000..239_000].iter().all(|&y| y == 0.0), "the recording is at its end");
    let found: Vec<_> = peaks(&out).into_iter().filter(|(at, _)| !(4.0..5.1).contains(at) && *at < 8.0).collect();
    let due: Vec<f64> = (4..=15)
        .map(|n| 1.0 + (0.25 * f64::from(n) - 0.8) + HEAD)
        .chain((4..15).rev().map(|n| 5.0 + (3.8 - 0.25 * f64::from(n)) + HEAD))
        .collect();
    assert_eq!(found.len(), due.len(), "{found:?}");
    for ((at, height), (due, n)) in found.iter().zip(due.iter().zip((4..=15).chain((4..15).rev()))) {
        assert!((at - due).abs() < 0.001, "pulse {n}: {:.3} ms", 1000.0 * (at - due));
        assert!((height - (0.05 + 0.02 * f64::from(n))).abs() < 0.002, "pulse {n}: {height}");
    }
}

/// A fader of 127 steps over a minute, as the engine smooths it: up from 0.1 at so many steps a second, which are not quite
/// even, from 1 s to 7 s.
fn fader(i: u64, steps: f64) -> f32 {
    let (mut at, mut n, mut value) = (1.0, 0, 13.0);
    let (mut from, mut since) = (value, i as f64 / 48_000.0 - at);
    while at < 7.0 && (i as f64 / 48_000.0) >= at {
        (from, since) = (value, i as f64 / 48_000.0 - at);
        value += 1.0;
        n += 1;
        at += (0.85 + 0.3 * tenterhook_dsp::random::even(4, n, 0)) / steps;
    }
    let share = (since / 0.02).clamp(0.0, 1.0);
    ((from + (value - from) * share) / 127.0) as f32
}

#[test]
fn a_fader_of_127_steps_does_not_drop_out_between_them() {
    let hertz = 500.0;
    let recording = recorded(16_000, |t| 0.3 * (TAU * hertz * t).sin(), 60.0);
    type X = fn(u64) -> f32;
    let steps: [(f64, X); 4] =
        [(1.0, |i| fader(i, 1.0)), (2.0, |i| fader(i, 2.0)), (3.8, |i| fader(i, 3.8)), (6.0, |i| fader(i, 6.0))];
    for (steps, x) in steps {
        let out = play(&place(recording.clone(), x), 7.0);
        // From the second step on its speed is known.
        let moving = &out[(48_000.0 * (1.1 + 1.2 / steps)) as usize..];
        let levels: Vec<f64> = moving.chunks_exact(960).map(level).collect();
        let whole = level(moving);
        assert!(whole > -16.0, "{steps} steps a second: {whole:.1} dB");
        let low = levels.iter().copied().fold(0.0, f64::min);
        assert!(low > whole - 3.0, "{steps} steps a second: {low:.1} dB in {whole:.1} dB");
        // It sounds at the speed of its movement.
        let speed = 60.0 / 127.0 * steps;
        let crossings = moving.windows(2).filter(|two| two[0] < 0.0 && two[1] >= 0.0).count();
        let found = crossings as f64 / (moving.len() as f64 / 48_000.0) / hertz;
        assert!((found / speed - 1.0).abs() < 0.12, "{steps} steps a second: {found:.2} for {speed:.2}");
    }
}

#[test]
fn a_fader_that_stands_is_let_down_and_comes_back_where_it_moves() {
    // As fast as it was recorded from 10 s to 12 s of a minute, three seconds of standing, and on.
    fn x(i: u64) -> f32 {
        let t = i as f64 / 48_000.0;
        ((10.0 + (t - 1.0).clamp(0.0, 2.0) + (t - 6.0).max(0.0)) / 60.0) as f32
    }
    let tone = recorded(16_000, |t| 0.3 * (TAU * 500.0 * t).sin(), 60.0);
    let out = play(&place(tone, x), 8.0);
    let at = |seconds: f64| level(&out[(seconds * 48_000.0) as usize..][..960]);
    let levels = [3.1, 3.5, 3.9, 4.3, 4.45].map(at);
    assert!(levels.windows(2).all(|two| two[1] < two[0]), "{levels:.1?}");
    assert!(levels[0] > -14.0 && levels[1] > -17.0 && levels[4] < -50.0, "{levels:.1?}");
    assert!(out[(48_000.0 * 4.53) as usize..288_000].iter().all(|&y| y == 0.0), "it is silent");
    // Each second of the recording has a height of its own.
    let told =
        recorded(16_000, |t| if t.fract() < 0.5 { 0.01 * t.floor() * (TAU * 500.0 * t).sin() } else { 0.0 }, 60.0);
    // The same with one step of 0.47 s as the movement that comes back.
    fn step(i: u64) -> f32 {
        x(i.min(288_000)) + (0.47 / 60.0 * (i as f64 / 48_000.0 - 6.0).clamp(0.0, 0.02) / 0.02) as f32
    }
    for x in [x, step] {
        let out = play(&place(told.clone(), x), 7.0);
        let height = amplitude(&out[(48_000.0 * 6.1) as usize..(48_000.0 * 6.4) as usize], 500.0);
        assert!((height - 0.12).abs() < 0.004, "it comes back at {:.1} s", 100.0 * height);
    }
}

/// A fader in steps of half a second of a minute, one every so many seconds from 1 s on; each step is told by its number.
fn steps(i: u64, every: f64, to: fn(u32) -> f64) -> f32 {
    let t = i as f64 / 48_000.0 - 1.0;
    let n = if t < 0.0 { 0 } else { 1 + (t / every) as u32 };
    let share = if n == 0 { 1.0 } else { ((t - f64::from(n - 1) * every) / 0.02).min(1.0) };
    let (from, to) = (to(n.saturating_sub(1)), to(n));
    ((30.0 + 0.5 * (from + (to - from) * share)) / 60.0) as f32
}

#[test]
fn a_hand_that_turns_round_is_heard_from_where_it_turned() {
    // As fast as it was recorded up to 35 s, 0.4 s of standing, while the moment goes on to 35.4 s, and back.
    fn x(i: u64) -> f32 {
        let t = i as f64 / 48_000.0 - 1.0;
        ((33.0 + t.clamp(0.0, 2.0) - (t - 2.4).clamp(0.0, 1.0)) / 60.0) as f32
    }
    let tone = |t: f64| if (35.02..36.0).contains(&t) { 0.3 * (TAU * 500.0 * t).sin() } else { 0.0 };
    let out = play(&place(recorded(16_000, tone, 60.0), x), 4.0);
    let level_at = |seconds: f64| level(&out[(seconds * 48_000.0) as usize..][..1_440]);
    assert!(level_at(3.3) > -20.0, "it has gone on: {:.1} dB", level_at(3.3));
    assert!(level_at(3.46) < -60.0, "it goes back from 35 s, not from 35.4 s: {:.1} dB", level_at(3.46));
}

#[test]
fn a_fader_that_is_somewhat_uneven_is_let_down_only_when_it_stands() {
    // A step every 0.5 s, of which one comes 0.2 s late.
    let x = |i: u64| steps(if i > 48_000 * 5 + 9_600 { i - 9_600 } else { i.min(48_000 * 5) }, 0.5, f64::from);
    let tone = recorded(16_000, |t| 0.3 * (TAU * 500.0 * t).sin(), 60.0);
    let out = play(&place(tone, x), 7.0);
    let levels: Vec<f64> = out[48_000 * 2..].chunks_exact(2_400).map(level).collect();
    let (low, high) = levels.iter().fold((0.0f64, -99.0f64), |(low, high), db| (low.min(*db), high.max(*db)));
    assert!(high - low < 0.2, "{low:.2} to {high:.2} dB");
}

#[test]
fn a_place_that_is_half_a_second_away_is_gone_to_and_one_further_away_is_not() {
    type X = fn(u64) -> f32;
    // The hand goes as fast as it was recorded for half a second, and then so much further within 40 ms.
    fn hand(i: u64, seconds: f64) -> f32 {
        let t = i as f64 / 48_000.0 - 1.0;
        ((30.0 + t.clamp(0.0, 0.5) + seconds * ((t - 0.5) / 0.04).clamp(0.0, 1.0)) / 60.0) as f32
    }
    let hands: [(f64, bool, X); 2] = [(0.4, true, |i| hand(i, 0.4)), (0.7, false, |i| hand(i, 0.7))];
    for (seconds, gone, x) in hands {
        // What lies on the way is heard, or not.
        let way = |t: f64| if (30.65..30.8).contains(&t) { 0.3 * (TAU * 800.0 * t).sin() } else { 0.0 };
        let out = play(&place(recorded(16_000, way, 60.0), x), 1.8);
        let loud = level(&out[48_000 * 3 / 2..][..7_200]);
        assert_eq!(loud > -35.0, gone, "{seconds} s away: {loud:.1} dB");
    }
}

#[test]
fn backwards_it_is_the_recording_backwards() {
    fn x(i: u64) -> f32 {
        let t = i as f64 / 48_000.0;
        (0.1 + (t / 2.0).min(0.6) - ((t - 2.0) / 2.0).clamp(0.0, 0.6)) as f32
    }
    let recording = recorded(48_000, |t| 0.3 * (TAU * (200.0 + 150.0 * t) * t).sin(), 2.0);
    let out = play(&place(recording, x), 3.5);
    // Around 1.6 s and 2.6 s, half-way there and back: t seconds before here is t seconds after there.
    let (there, back) = (0.6 + HEAD, 2.6 + HEAD);
    let sample = |seconds: f64| (seconds * 48_000.0).round() as usize;
    let mut worst = 0.0f32;
    for i in 0..sample(0.4) {
        worst = worst.max((out[sample(there) - i] - out[sample(back) + i]).abs());
    }
    assert!(worst < 0.01, "{worst}");
    assert!(level(&out[sample(0.3)..sample(1.0)]) > -15.0);
}

#[test]
fn a_place_far_away_is_reached_without_what_lies_between() {
    // From 0.1 to 0.91 of 10 s at once, and a little later slowly on.
    fn x(i: u64) -> f32 {
        let t = i as f64 / 48_000.0;
        if t < 1.0 { 0.1 } else { (0.91 + ((t - 1.3) / 10.0).max(0.0)) as f32 }
    }
    // The first nine seconds are loud, and would be heard.
    let recording = recorded(48_000, |t| if t < 8.9 { 0.5 * (TAU * 300.0 * t).sin() } else { pulses(t) }, 10.0);
    let out = play(&place(recording, x), 1.9);
    let between = level(&out[48_000..54_000]);
    assert!(between < -60.0, "{between} dB");
    // From 9.1 s on it goes on as it was recorded, until x moves again. The pulses at 9.25 s.
    let found = peaks(&out[48_000..]);
    let (stops, moves) = (0.005, 0.3);
    assert!((found[0].0 - (stops + 0.15)).abs() < 0.01, "{found:?}");
    assert!((found[1].0 - (moves + 0.15 + HEAD)).abs() < 0.001 && found.len() == 3, "{found:?}");
}

#[test]
fn nothing_folds_back_up_to_four_times_the_recorded_speed() {
    // 15 kHz at four times its speed is 60 kHz; 3 kHz is 12 kHz and stays.
    for (hertz, stays) in [(15_000.0, false), (7_500.0, false), (3_000.0, true)] {
        let recording = recorded(48_000, |t| 0.5 * (TAU * hertz * t).sin(), 8.0);
        let out = play(&place(recording, |i| (i as f64 / 96_000.0) as f32), 1.6);
        let db = level(&out[12_000..70_000]) - 20.0 * (0.5f64 / 2f64.sqrt()).log10();
        assert!(if stays { db.abs() < 0.1 } else { db < -60.0 }, "{hertz} Hz: {db:.1} dB");
    }
}

/// What is above 8 kHz, in dBFS: as in the engine's law about clicks.
fn click_db(sound: &[f32]) -> f64 {
    let mut high = sound.to_vec();
    for _ in 0..2 {
        Highpass::new(8_000.0, 48_000).process(&mut high);
    }
    20.0 * f64::from(high.iter().fold(1e-9f32, |most, x| most.max(x.abs()))).log10()
}

/// A controller as the engine smooths it: 20 ms from one of its values to the next, which come at odd moments.
fn wild(i: u64) -> f32 {
    let value = |n: u64| match tenterhook_dsp::random::bits(9, n, 0) % 4 {
        0 => 0.1,
        1 => 0.9,
        _ => tenterhook_dsp::random::even(9, n, 1) as f32,
    };
    let step = 1 + 1_337 * (1 + tenterhook_dsp::random::bits(9, i / 48_000, 2) % 9);
    let (n, into) = (i / step, i % step);
    let share = (into as f32 / 960.0).min(1.0);
    value(n.saturating_sub(1)) * (1.0 - share) + value(n) * share
}

#[test]
fn no_gesture_makes_it_click() {
    // 300 Hz, 1.2 kHz at the most; cut off hard at both ends, which is the recording's own click, and must not be heard.
    let cut = |t: f64| 0.3 * (TAU * 300.0 * t + 1.0).sin();
    for works in [0, 1] {
        for seconds in [0.3, 2.0, 20.0, 90.0] {
            let out = play(&tape(works, recorded(44_100, cut, seconds), wild), 20.0);
            assert!(level(&out) > -60.0, "it sounds");
            let db = click_db(&out[96..]);
            assert!(db < -50.0, "works {works}, {seconds} s: {db:.1} dB");
        }
    }
    // The control: a head that jumps at once.
    let mut jump = tones(&[(300.0, 0.3)], 48_000);
    jump.drain(20_000..20_040);
    assert!(click_db(&jump[960..]) > -50.0);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..Default::default() })]

    #[test]
    fn any_recording_is_played(
        samples in prop::collection::vec(prop_oneof![-1f32..1.0, Just(f32::NAN), Just(1e30), Just(1e-42)], 0..400),
        rate in prop::sample::select(vec![8_000u32, 44_100, 384_000]),
        works in 0usize..2,
    ) {
        let recording = Recording { path: "odd.wav".to_owned(), rate, tuned: 1.0, samples: samples.into() };
        for x in [wild, |_| 1.0, |i| (i % 2) as f32] {
            let out = play(&tape(works, recording.clone(), x), 0.5);
            prop_assert!(out.iter().all(|y| y.abs() <= 16.0 && (*y == 0.0 || y.abs() >= 1e-9)));
        }
    }
}

#[test]
fn begun_again_wherever_the_head_is_it_is_as_new() {
    for works in [0, 1] {
        for seconds in [2.0, 60.0] {
            for at in (12_007..60_000).step_by(7_919) {
                let run = Run { at, ..tape(works, recorded(16_000, pulses, seconds), wild) };
                let again = Run { before: Some(0), ..run.clone() };
                assert!(play(&run, 2.5) == play(&again, 2.5), "works {works}, {seconds} s, at {at}");
            }
        }
    }
}

//! stretch.

use crate::measures::{amplitude, cents, click, level};
use crate::rig::Run;
use crate::sounds::{noise, tones, vowel};
use std::f64::consts::TAU;
use tenterhook_plan::declare::Setting;

/// 165 ms at 48 kHz.
const BACK: usize = 7920;

#[test]
fn it_sounds_from_its_very_sample_on_165_ms_before() {
    let source = noise(1, 0.5, 60_000);
    for at in [20_000, 20_017] {
        let out = Run::new("stretch", at).play(&source);
        assert_eq!(out[..256], source[at - BACK..at - BACK + 256]);
    }
}

/// Samples after which nothing is read plainly any more.
const OPENING: usize = 2400;

#[test]
fn unstretched_a_pitched_sound_is_its_source_late() {
    let source = vowel(220.0, 120_000);
    let out = Run { x: |_| 0.0, ..Run::new("stretch", 20_000) }.play(&source);
    let late = &source[20_000 - BACK..];
    let error: Vec<f32> = out.iter().zip(late).map(|(y, x)| y - x).skip(OPENING).take(80_000).collect();
    assert!(level(&error) < level(late) - 40.0, "{} dB", level(&error) - level(late));
}

#[test]
fn noise_stays_noise_of_its_level_and_is_made_anew() {
    let source = noise(1, 0.5, 200_000);
    for most in [1.0, 4.0, 64.0] {
        let out = Run::new("stretch", 20_000).with(0, Setting::Quantity(most)).play(&source);
        let out = &out[OPENING..];
        let change = level(out) - level(&source);
        assert!(change.abs() < 0.3, "{most}: {change} dB");
        // Not one place of the source is like a piece of it.
        let piece = &out[1000..3400];
        let product = |place: usize| piece.iter().zip(&source[place..]).map(|(a, b)| f64::from(a * b)).sum::<f64>();
        let power = piece.iter().map(|&a| f64::from(a * a)).sum::<f64>();
        let most_alike = (0..40_000).map(|place| (product(place) / power).abs()).fold(0.0, f64::max);
        assert!(most_alike < 0.2, "{most}: {most_alike}");
    }
}

#[test]
fn a_struck_sound_is_struck_once_and_as_sharply() {
    // Wherever the gesture falls before or after the stroke, as long as that is read.
    for gesture in [0.05, 0.1, 0.13, 0.16] {
        let stroke = 40_000;
        let mut source = vec![0.0; 300_000];
        for (i, x) in source[stroke..].iter_mut().enumerate() {
            *x = (i as f32 * 0.05).sin() * (-(i as f32) / 10_000.0).exp();
        }
        let at = stroke + (gesture * 48_000.0) as usize;
        let out = Run::new("stretch", at).play(&source);
        let due = (stroke + BACK - at) * 8;
        // A sharp stroke has steps that no decay has.
        let peak = |range: std::ops::Range<usize>| out[range].iter().fold(0.0f32, |most, x| most.max(x.abs()));
        assert!(peak(0..due - 100) < 0.01, "{gesture}: {} before", peak(0..due - 100));
        let (early, full) = (peak(due..due + 48), peak(due..due + 4800));
        assert!(early > 0.6 && full < 1.1, "{gesture}: {early} {full}");
    }
}

#[test]
fn a_stretched_tone_keeps_its_partials_and_its_level() {
    let partials = [(330.0, 0.3), (1234.5, 0.1)];
    let source = tones(&partials, 200_000);
    for most in [1.5, 2.0, 8.0, 64.0] {
        let out = Run::new("stretch", 20_000).with(0, Setting::Quantity(most)).play(&source);
        let steady = &out[10_000..];
        for (hertz, given) in partials {
            let off = cents(steady, hertz);
            assert!(off.abs() < 1.0, "{most}: {hertz} Hz is {off} cents off");
            let change = 20.0 * (amplitude(steady, hertz) / given).log10();
            assert!(change.abs() < 0.5, "{most}: {hertz} Hz changes by {change} dB");
        }
        let change = level(steady) - level(&source);
        assert!(change.abs() < 0.5, "{most}: {change} dB");
        let click = click(&out, &source);
        assert!(click < 1.0, "{most}: {click} dB");
    }
}

#[test]
fn the_reading_is_as_slow_as_it_says() {
    // The source rises evenly: what sounds at a time tells where it is read.
    let source: Vec<f32> =
        tones(&[(1000.0, 1.0)], 300_000).iter().enumerate().map(|(i, x)| x * i as f32 / 300_000.0).collect();
    let at = 60_000;
    for (x, ratio) in [((|_| 1.0) as fn(u64) -> f32, 8.0), (|_| 0.5, 8f64.sqrt())] {
        let out = Run { x, ..Run::new("stretch", at) }.play(&source);
        let place = |i: usize| 300_000.0 * amplitude(&out[i - 2400..i + 2400], 1000.0);
        let (early, late) = (place(40_000), place(200_000));
        let found = 160_000.0 / (late - early);
        assert!((found / ratio - 1.0).abs() < 0.01, "{found} instead of {ratio}");
        // From the beginning on: 165 ms before, then plainly for at most 50 ms, of which a part could be slow already.
        let begun = early - 40_000.0 / ratio;
        let expected = (at - BACK) as f64;
        assert!((begun - expected).abs() < 2400.0, "{begun} instead of {expected}");
    }
}

#[test]
fn a_full_memory_plays_to_its_end_and_holds_its_last_moment() {
    // After one second the source falls silent; one second is what it takes in.
    let mut source = tones(&[(500.0, 0.3)], 20_000 + 48_000);
    source.extend([0.0; 200_000]);
    let run = Run { x: |_| 0.0, ..Run::new("stretch", 20_000) };
    let full = run.clone().with(1, Setting::Quantity(1.0)).play(&source);
    let held = &full[150_000..];
    assert!((level(held) - level(&source[..68_000])).abs() < 0.5, "{} dB", level(held));
    assert!(cents(held, 500.0).abs() < 1.0);
    assert!(click(&full, &source[..68_000]) < 1.0);
    // With room for more it would have come to the silence.
    assert!(run.play(&source)[150_000..].iter().all(|&y| y == 0.0));
}

#[test]
fn a_moving_controller_does_not_click() {
    let source = vowel(220.0, 300_000);
    let sway = |i: u64| (i as f32 / 20_000.0).sin() * 0.5 + 0.5;
    let jump = |i: u64| (i / 5000 % 2) as f32;
    for x in [sway as fn(u64) -> f32, jump] {
        let out = Run { x, ..Run::new("stretch", 20_000) }.play(&source);
        let click = click(&out, &source);
        assert!(click < 2.0, "{click} dB");
        let change = level(&out) - level(&source);
        assert!(change.abs() < 0.5, "{change} dB");
    }
}

#[test]
fn an_attack_is_copied_as_it_was_sample_for_sample() {
    // A burst of noise, as of a finger or a consonant, and a note that rings: no partials make such a burst.
    let (stroke, at) = (40_000, 40_000 + 4_800);
    let burst = noise(7, 0.5, 400);
    let mut source = vec![0.0; 200_000];
    for (i, x) in source[stroke..].iter_mut().enumerate() {
        let ring = 0.2 * (i as f32 * 0.05).sin() * (-(i as f32) / 10_000.0).exp();
        *x = ring + burst.get(i).map_or(0.0, |x| x * (1.0 - i as f32 / 400.0));
    }
    for most in [1.0, 3.0, 8.0] {
        let out = Run::new("stretch", at).with(0, Setting::Quantity(most)).play(&source);
        let due = ((stroke + BACK - at) as f64 * most) as usize;
        // From the stroke to where the copy fades, 4 ms later.
        let copied = &source[stroke + 1..stroke + 180];
        let found = out[due - 100..due + 400].windows(copied.len()).any(|place| place == copied);
        assert!(found, "{most} times slower, near {due}");
    }
}

#[test]
fn memory_is_how_much_is_taken_in_and_no_more_and_no_less() {
    // Three tones: one up to 0.7 s after the gesture, one up to the second that is taken in, one after it.
    let at = 20_000;
    let mut source = tones(&[(500.0, 0.3)], at + 33_600);
    source.extend(&tones(&[(800.0, 0.3)], 48_000 - 33_600));
    source.extend(&tones(&[(1250.0, 0.3)], 200_000));
    let run = Run { x: |_| 0.0, ..Run::new("stretch", at) }.with(1, Setting::Quantity(1.0));
    let out = run.play(&source);
    let held = |hertz: f64| 20.0 * (amplitude(&out[120_000..], hertz) / 0.3).log10();
    let levels = [500.0, 800.0, 1250.0].map(held);
    assert!(levels[0] < -40.0 && levels[1].abs() < 0.5 && levels[2] < -40.0, "{levels:?} dB of the three");
}

#[test]
fn a_source_that_has_only_just_begun_comes_up_from_nothing() {
    // The reading begins where nothing was known yet, and comes to the first moment that was.
    let mut source = tones(&[(440.0, 0.5)], 96_000);
    source.iter_mut().take(960).enumerate().for_each(|(i, x)| *x *= i as f32 / 960.0);
    for at in [0, 960, 3_000] {
        let out = Run { x: |_| 0.0, ..Run::new("stretch", at) }.play(&source);
        let first = out.iter().position(|y| y.abs() > 0.003).expect("it sounds");
        let peak = |range: std::ops::Range<usize>| out[range].iter().fold(0.0f32, |most, x| most.max(x.abs()));
        let (early, late) = (peak(first..first + 72), peak(first + 960..first + 1_920));
        assert!(early < 0.3 * late && late > 0.4, "begun at {at}: {early} at once, {late} later");
    }
}

/// The source tells its time by its pitch: an octave in ten seconds, with a little hiss and, if wanted, a note struck every
/// 230 ms.
fn clock(seconds: f64, struck: bool) -> Vec<f32> {
    let hiss = noise(3, 0.0005, (seconds * 48_000.0) as usize);
    let tone = |i: usize| {
        let t = i as f64 / 48_000.0;
        let cycles = 200.0 * 10.0 / std::f64::consts::LN_2 * ((t / 10.0).exp2() - 1.0);
        let into = t % 0.23;
        let level = if struck { (-into / 0.15).exp() * (into / 0.003).min(1.0) } else { 1.0 };
        (0.2 * level * (TAU * cycles).sin()) as f32
    };
    hiss.iter().enumerate().map(|(i, hiss)| hiss + tone(i)).collect()
}

/// Of which moment the sound is at each 10 ms, in seconds of the source: by the zero crossings of 30 ms.
fn moments(out: &[f32]) -> Vec<f64> {
    let window = 1_440;
    (0..out.len() - window)
        .step_by(480)
        .map(|from| {
            let piece = &out[from..from + window];
            let crossing = |i: &usize| piece[i - 1] < 0.0 && piece[*i] >= 0.0;
            let exact = |i: usize| i as f64 - f64::from(piece[i]) / f64::from(piece[i] - piece[i - 1]);
            let all: Vec<f64> = (1..window).filter(crossing).map(exact).collect();
            let (Some(first), Some(last)) = (all.first(), all.last()) else { return f64::NAN };
            let hertz = 48_000.0 * (all.len() - 1) as f64 / (last - first);
            10.0 * (hertz / 200.0).log2()
        })
        .collect()
}

/// A foot that is down for so long, then comes back to 0.03 in `back` seconds and stands there.
fn foot(i: u64, down: f64, back: f64) -> f32 {
    let t = i as f64 / 48_000.0;
    ((t / 0.3).min(1.0) - ((t - down) / back).clamp(0.0, 0.97)).clamp(0.0, 1.0) as f32
}

#[test]
fn when_the_foot_comes_back_the_reading_is_soon_with_the_player_again() {
    type X = fn(u64) -> f32;
    // Seconds down and of coming back, by engine time from 0 on.
    let feet: [(f64, f64, X); 6] = [
        (0.9, 0.5, |i| foot(i, 0.9, 0.5)),
        (2.5, 0.3, |i| foot(i, 2.5, 0.3)),
        (2.5, 2.0, |i| foot(i, 2.5, 2.0)),
        (2.5, 8.0, |i| foot(i, 2.5, 8.0)),
        (11.5, 1.0, |i| foot(i, 11.5, 1.0)),
        (11.5, 8.0, |i| foot(i, 11.5, 8.0)),
    ];
    for (down, back, x) in feet {
        let end = down + back + 1.2;
        let out = Run { x, ..Run::new("stretch", 0) }.play(&clock(end, false));
        let moments = moments(&out);
        let lag = |seconds: f64| seconds + 0.015 - moments[(seconds * 100.0) as usize];
        let before = lag(down);
        let after = lag(end - 0.2);
        assert!((0.22..0.42).contains(&after), "{down} s down, {back} s back: {before:.2} s behind, then {after:.2} s");
        // Never faster than three times the played pace, but for one crossing.
        let fast: Vec<usize> =
            (20..moments.len() - 5).filter(|&at| (moments[at + 5] - moments[at]) / 0.05 > 3.4).collect();
        let crossings = fast.windows(2).filter(|two| two[1] > two[0] + 20).count() + usize::from(!fast.is_empty());
        assert!(crossings <= 1, "{down} s down, {back} s back: {fast:?}");
        if let (Some(&first), Some(&last)) = (fast.first(), fast.last()) {
            assert!(last - first < 20, "{down}, {back}: one crossing, {fast:?}");
            // A window and what lies between two of them reach 80 ms ahead.
            let soft = x((first as u64 + 8) * 480);
            assert!(soft < 0.16, "{down} s down, {back} s back: crossed at x = {soft:.3}");
        }
        // It never stops sounding.
        let from = (48_000.0 * down) as usize;
        for (n, piece) in out[from..out.len() - 480].chunks_exact(1_440).enumerate() {
            assert!((-22.0..-15.0).contains(&level(piece)), "{down}, {back}: {:.1} dB at {n}", level(piece));
        }
    }
}

#[test]
fn a_foot_that_stands_reads_at_the_pace_that_it_asks_for_wherever_it_came_from() {
    type X = fn(u64) -> f32;
    let from_below: X = |i| if i < 48_000 { 0.05 } else { 0.25 };
    let from_above: X = |i| (0.8 - ((i as f64 / 48_000.0 - 1.5) / 0.8).clamp(0.0, 0.55)) as f32;
    for (name, x) in [("below", from_below), ("above", from_above)] {
        let out = Run { x, ..Run::new("stretch", 0) }.play(&clock(7.0, false));
        let moments = moments(&out);
        let pace = (moments[680] - moments[400]) / 2.8;
        let asked = 8f64.powf(-0.25);
        assert!((pace / asked - 1.0).abs() < 0.03, "from {name}: {pace:.3} for {asked:.3}");
    }
}

#[test]
fn a_memory_that_is_full_is_played_to_its_end_however_the_foot_comes_back() {
    type X = fn(u64) -> f32;
    let (stays, comes): (X, X) = (|i| foot(i, 20.0, 1.0), |i| foot(i, 4.0, 2.0));
    let run = |x: X| Run { x, ..Run::new("stretch", 0).with(1, Setting::Quantity(3.0)) }.play(&clock(12.0, false));
    let stayed = moments(&run(stays));
    let came = moments(&run(comes));
    // Back at 0.03 it reads at nearly the played pace, of what it has.
    let pace = (came[720] - came[620]) / 1.0;
    assert!((0.85..1.0).contains(&pace), "{pace}");
    assert!(came[399] - stayed[399] < 0.02 && came[1_150] < 3.3, "{} {}", came[1_150], stayed[399]);
}

#[test]
fn a_crossing_lies_between_two_attacks() {
    type X = fn(u64) -> f32;
    // The foot is back at 4 s and a little, and the crossing some 100 ms before.
    let feet: [X; 5] = [
        |i| foot(i, 3.00, 1.0),
        |i| foot(i, 3.05, 1.0),
        |i| foot(i, 3.10, 1.0),
        |i| foot(i, 3.15, 1.0),
        |i| foot(i, 3.20, 1.0),
    ];
    // Strokes of noise of 4 ms, told from the tone by what changes from sample to sample.
    let mut source = clock(6.0, false);
    let strokes = noise(5, 0.3, source.len());
    for (i, (x, stroke)) in source.iter_mut().zip(&strokes).enumerate() {
        *x += if i % 11_040 < 192 { *stroke } else { 0.0 };
    }
    for x in feet {
        let out = Run { x, ..Run::new("stretch", 0) }.play(&source);
        let high: Vec<f32> = out.windows(3).map(|three| three[0] - 2.0 * three[1] + three[2]).collect();
        let levels: Vec<f64> = high.chunks_exact(240).map(level).collect();
        let strokes: Vec<usize> = (600..levels.len() - 1)
            .filter(|&i| levels[i] > -26.0 && levels[i] >= levels[i - 1] && levels[i] > levels[i + 1])
            .collect();
        // None is repeated, weakened or lost: as loud as the others, and never two within 60 ms or none for 600 ms.
        let loudest = strokes.iter().map(|&i| levels[i - 1].max(levels[i])).fold(f64::MIN, f64::max);
        assert!(strokes.len() >= 8, "{strokes:?}");
        for two in strokes.windows(2) {
            assert!((13..=120).contains(&(two[1] - two[0])), "{strokes:?}");
            assert!(
                levels[two[0]] > loudest - 6.0,
                "{:.1} of {loudest:.1} dB at {}: {strokes:?}",
                levels[two[0]],
                two[0]
            );
        }
    }
}

#[test]
fn a_foot_that_comes_back_sounds_the_same_bits_however_the_sound_is_cut() {
    let source = clock(5.5, true);
    let run = Run { x: |i| foot(i, 2.5, 1.5), ..Run::new("stretch", 20_011) };
    let whole = run.play(&source);
    for cuts in [vec![1, 7, 30, 19], vec![11], vec![32, 3]] {
        for ahead in [false, true] {
            let cut = Run { cuts: cuts.clone(), ahead, ..run.clone() }.play(&source);
            assert!(cut == whole, "{cuts:?}, ahead: {ahead}");
        }
    }
}

#[test]
fn begun_again_while_it_hurries_or_crosses_it_is_as_new() {
    let source = clock(4.3, false);
    for at in (125_000..158_000).step_by(2_309) {
        let run = Run { x: |i| foot(i, 2.5, 0.8), ..Run::new("stretch", at) };
        let again = Run { before: Some(0), ..run.clone() };
        assert!(run.play(&source) == again.play(&source), "at {at}");
    }
}

//! answer.

use crate::measures::{cents, click, level};
use crate::rig::Run;
use crate::sounds::{RATE, noise, tones, vowel};
use tenterhook_dsp::CELL;
use tenterhook_dsp::effects::named;
use tenterhook_dsp::memory::Memory;
use tenterhook_dsp::random::even;
use tenterhook_plan::declare::Setting;

const BACKWARDS: usize = 0;
const SLOWER: usize = 1;

fn run(how: usize, at: usize) -> Run<'static> {
    Run::new("answer", at).with(0, Setting::Choice(how))
}

fn samples(seconds: f64) -> usize {
    (seconds * RATE) as usize
}

/// The pause that x = 1 and x = 0 ask for, in seconds.
const SHORT: f64 = 0.3;
const LONG: f64 = 1.5;

/// A number from `low` to `high`, each `what` of a case another one.
fn any(case: u64, what: u64, low: f64, high: f64) -> f64 {
    low + (high - low) * even(case, what, 11)
}

/// A phrase of sung notes of this amplitude, with breaths between, after which the last note decays by 60 dB in `decay`
/// seconds; sample for sample, without a room's noise.
fn phrase(case: u64, amplitude: f64, decay: f64) -> Vec<f32> {
    let mut sound = Vec::new();
    let notes = 2 + (even(case, 0, 1) * 3.0) as u64;
    for n in 0..notes {
        let length = samples(any(case, 10 + n, 0.25, 0.9));
        let last = n + 1 == notes;
        let tail = if last { samples(decay) } else { samples(0.03) };
        let note = vowel(any(case, 20 + n, 140.0, 500.0), length + tail);
        let scale = amplitude / 10f64.powf(level(&note) / 20.0);
        for (i, x) in note.iter().enumerate() {
            let rise = (i as f64 / samples(0.02) as f64).min(1.0);
            let fall = 10f64.powf(-3.0 * (i.saturating_sub(length)) as f64 / tail as f64);
            sound.push((f64::from(*x) * scale * rise * fall) as f32);
        }
        if !last {
            // A breath, some 30 dB below, in a gap of up to a quarter of a second.
            let gap = samples(any(case, 30 + n, 0.05, 0.25));
            sound.extend(noise(case + n, 0.05 * amplitude, gap));
        }
    }
    sound
}

/// The place after which the sound, taken over 20 ms, is no more than 6 dB over a floor of this level.
fn falls_silent(sound: &[f32], floor: f64) -> usize {
    let window = samples(0.02);
    let over = |end: &usize| level(&sound[end - window..*end]) >= floor + 6.0;
    (window..=sound.len()).rev().step_by(48).find(over).expect("a sound over the floor")
}

/// Where sound begins after silence of at least 50 ms.
fn beginnings(out: &[f32]) -> Vec<usize> {
    let mut silent = usize::MAX / 2;
    let mut found = Vec::new();
    for (i, x) in out.iter().enumerate() {
        if *x == 0.0 {
            silent += 1;
        } else {
            if silent > samples(0.05) {
                found.push(i);
            }
            silent = 0;
        }
    }
    found
}

#[test]
fn each_phrase_is_answered_once_a_pause_after_its_end() {
    for case in 0..30 {
        let amplitude = any(case, 1, 0.02, 0.3);
        let below = any(case, 2, 20.0, 55.0);
        let floor = 20.0 * amplitude.log10() - below;
        let mut sound = vec![0.0f32; samples(1.0)];
        let mut ends = Vec::new();
        for n in 0..3 {
            let phrase = phrase(100 * case + n, amplitude, any(case, 3 + n, 0.05, 1.2));
            ends.push(sound.len() + falls_silent(&phrase, floor));
            sound.extend(&phrase);
            // Time for the answer, and more.
            sound.extend(vec![0.0; phrase.len() + samples(any(case, 6 + n, 1.0, 2.0))]);
        }
        let room = 10f64.powf(floor / 20.0) * 3f64.sqrt();
        let quiet = noise(case, room, sound.len());
        sound.iter_mut().zip(quiet).for_each(|(x, n)| *x += n);
        let at = samples(0.7);
        let begins = beginnings(&run(BACKWARDS, at).play(&sound));
        assert_eq!(begins.len(), 3, "case {case}, {below:.0} dB: {begins:?} for {ends:?}");
        for (begin, end) in begins.iter().zip(&ends) {
            let late = (at + begin) as f64 / RATE - SHORT - *end as f64 / RATE;
            assert!(late.abs() < 0.15, "case {case}, {below:.0} dB: {late} s");
        }
    }
}

/// The mic hears the effect, at `spill` dB in all, from `delay` on and in a room.
fn in_a_room(how: usize, x: f32, player: &[f32], at: usize, spill: f64, delay: f64, case: u64) -> Vec<f32> {
    let effect = named("answer").expect("the effect");
    let values = [Setting::Choice(how)];
    let settings = (effect.prepare)(&values, 48_000);
    let mut voice = (effect.make)(48_000, settings.room);
    let mut memory = Memory::new(samples(settings.reach), 48_000);
    // The straight way has half of the power, the rest comes back by 60 ways within 400 ms, and falls by 60 dB in them.
    let mut taps: Vec<(usize, f64)> = (0..60)
        .map(|n| {
            let late = any(case, n, 0.0, 0.4);
            let sign = if even(case, n, 3) < 0.5 { -1.0 } else { 1.0 };
            (samples(delay + late), sign * 10f64.powf(-3.0 * late / 0.4))
        })
        .collect();
    let power: f64 = taps.iter().map(|(_, gain)| gain * gain).sum();
    taps.iter_mut().for_each(|(_, gain)| *gain /= (2.0 * power).sqrt());
    taps.push((samples(delay), 0.5f64.sqrt()));
    let gain = 10f64.powf(spill / 20.0);
    let cell = CELL as usize;
    let mut out = vec![0.0f32; player.len()];
    let (mut begun, mut sounded) = (false, 0);
    for from in (0..player.len() - cell).step_by(cell) {
        let mut mic = [0.0f32; CELL as usize];
        for (i, mic) in mic.iter_mut().enumerate() {
            let back =
                |&(late, tap): &(usize, f64)| (from + i).checked_sub(late).map_or(0.0, |at| tap * f64::from(out[at]));
            let spilled = if from < sounded + samples(delay + 0.41) { taps.iter().map(back).sum::<f64>() } else { 0.0 };
            *mic = player[from + i] + (gain * spilled) as f32;
        }
        if from >= at {
            if !begun {
                voice.begin(from as u64, &memory.heard(from as u64), &settings, case);
                begun = true;
            }
            let heard = memory.heard(from as u64);
            voice.render(from as u64, &mic, &[x; CELL as usize], &heard, &settings, &mut out[from..from + cell]);
            out[from..from + cell].iter_mut().for_each(|y| *y *= (effect.level)(x));
            if out[from..from + cell].iter().any(|y| *y != 0.0) {
                sounded = from + cell;
            }
        }
        memory.write(from as u64, &mic);
    }
    out
}

/// A phrase and then so many seconds of nothing, in a quiet room.
fn alone(case: u64, seconds: f64) -> Vec<f32> {
    let mut sound = noise(case, 0.0003, samples(1.0));
    sound.extend(phrase(case, 0.1, 0.3).iter().zip(noise(case + 1, 0.0003, 1 << 20)).map(|(x, n)| x + n));
    sound.extend(noise(case + 2, 0.0003, samples(seconds)));
    sound
}

#[test]
fn it_never_answers_itself() {
    for case in 0..24 {
        let (how, x) = ([BACKWARDS, SLOWER][case as usize % 2], [1.0f32, 0.3][case as usize / 2 % 2]);
        let delay = any(case, 40, 0.005, 0.04);
        let out = in_a_room(how, x, &alone(case, 14.0), samples(0.5), -12.0, delay, case);
        let begins = beginnings(&out);
        assert_eq!(begins.len(), 1, "case {case}: {begins:?}");
    }
}

#[test]
fn a_room_that_gives_back_all_would_be_answered() {
    let out = in_a_room(BACKWARDS, 1.0, &alone(1, 14.0), samples(0.5), 6.0, 0.02, 1);
    assert!(beginnings(&out).len() > 1);
}

#[test]
fn a_player_who_begins_again_is_given_way_to_and_answered() {
    for case in 0..16 {
        let mut player = alone(case, 3.0);
        let first = player.len() - samples(3.0);
        // The answer to the first phrase sounds from here on.
        let sounds = first + samples(SHORT);
        // Half of them in the midst of it, half after it, as loud as the first phrase.
        let second = phrase(case + 50, 0.1, 0.2);
        let long = phrase(case, 0.1, 0.3).len();
        let from = if case % 2 == 0 { sounds + long / 2 } else { sounds + long + samples(0.4) };
        player.resize(from + 2 * second.len() + samples(4.0), 0.0);
        player[first..].iter_mut().zip(noise(case, 0.0003, 1 << 21)).for_each(|(x, n)| *x += n);
        player[from..].iter_mut().zip(&second).for_each(|(x, y)| *x += y);
        let out = in_a_room(BACKWARDS, 1.0, &player, samples(0.5), -12.0, any(case, 41, 0.005, 0.04), case);
        // Within 30 ms to be sure, a frame, and 200 ms to yield, and the rise of the note.
        let yielded = from + samples(0.3);
        let end = from + falls_silent(&second, -60.0);
        assert!(out[yielded..end].iter().all(|y| *y == 0.0), "case {case}: it gives way");
        let begins = beginnings(&out);
        assert_eq!(begins.len(), 2, "case {case}: {begins:?}, second at {from}");
        let late = begins[1] as f64 / RATE - SHORT - end as f64 / RATE;
        assert!(late.abs() < 0.15, "case {case}: {late}");
    }
}

/// One phrase between 1 s and 3 s in a very quiet room.
fn one() -> Vec<f32> {
    let mut sound = noise(1, 1e-5, samples(9.0));
    sound[samples(1.0)..].iter_mut().zip(vowel(220.0, samples(2.0))).for_each(|(x, y)| *x += y);
    sound
}

#[test]
fn a_reply_is_the_phrase_backwards_sample_for_sample() {
    let sound = one();
    let out = run(BACKWARDS, samples(0.5)).play(&sound);
    let begun = beginnings(&out)[0] - 1 + samples(0.5);
    let length = out.iter().rposition(|y| *y != 0.0).expect("a reply") + 1 + samples(0.5) - begun;
    // Of 2 s, with what is before and after it.
    assert!((1.98..2.2).contains(&(length as f64 / RATE)), "{length}");
    let inside = samples(0.1)..length - samples(0.1);
    let turn = (0..2 * sound.len())
        .find(|turn| {
            inside
                .clone()
                .step_by(1000)
                .all(|i| turn.checked_sub(begun + i).and_then(|at| sound.get(at)) == out.get(begun + i - samples(0.5)))
        })
        .expect("it is the source backwards");
    for i in inside {
        assert_eq!(out[begun + i - samples(0.5)], sound[turn - begun - i]);
    }
}

#[test]
fn a_slower_reply_takes_twice_as_long_an_octave_lower_and_as_loud() {
    let sound = one();
    let out = run(SLOWER, samples(0.5)).play(&sound);
    let begun = beginnings(&out)[0];
    let last = out.iter().rposition(|y| *y != 0.0).expect("a reply");
    assert!((3.9..4.4).contains(&((last - begun) as f64 / RATE)), "{}", last - begun);
    let middle = &out[begun + samples(0.5)..begun + samples(3.5)];
    assert!(cents(middle, 110.0).abs() < 0.1);
    let change = level(middle) - level(&sound[samples(1.2)..samples(2.8)]);
    assert!(change.abs() < 0.1, "{change} dB");
    // Twice as many samples, and nothing new in the upper half of the spectrum: a tone of 8 kHz leaves none at 20 kHz.
    let mut high = vec![0.0; samples(1.0)];
    high.extend(tones(&[(8_000.0, 0.3)], samples(2.0)));
    high.extend(vec![0.0; samples(6.0)]);
    let out = run(SLOWER, samples(0.5)).play(&high);
    let begun = beginnings(&out)[0];
    let middle = &out[begun + samples(0.5)..begun + samples(3.5)];
    let image = crate::measures::amplitude(middle, 20_000.0) / crate::measures::amplitude(middle, 4_000.0);
    assert!(20.0 * image.log10() < -60.0, "{} dB", 20.0 * image.log10());
}

#[test]
fn x_says_how_soon() {
    let sound = one();
    for (x, pause) in [
        ((|_| 0.04) as fn(u64) -> f32, LONG - 0.04 * (LONG - SHORT)),
        (|_| 0.5, (LONG + SHORT) / 2.0),
        (|_| 1.0, SHORT),
    ] {
        let begins = beginnings(&Run { x, ..run(BACKWARDS, samples(0.5)) }.play(&sound));
        let late = (begins[0] + samples(0.5)) as f64 / RATE - 3.0 - pause;
        assert!((0.0..0.05).contains(&late), "{pause}: {late}");
        assert_eq!(begins.len(), 1);
    }
}

#[test]
fn a_reply_neither_begins_nor_ends_nor_yields_with_a_click() {
    // The phrase itself begins and ends with a step.
    let smooth = vowel(220.0, samples(1.0));
    for how in [BACKWARDS, SLOWER] {
        for again in [false, true] {
            let mut sound = one();
            // Without steps of its own: only the reply's count.
            let edge = samples(0.05);
            for i in 0..edge {
                let gain = (i as f32 / edge as f32).powi(2) * (3.0 - 2.0 * i as f32 / edge as f32);
                sound[samples(1.0) + i] *= gain;
                sound[samples(3.0) - 1 - i] *= gain;
            }
            if again {
                sound[samples(4.0)..samples(4.5)].copy_from_slice(&vowel(300.0, samples(0.5)));
            }
            let out = run(how, samples(0.5)).play(&sound);
            let click = click(&out[..samples(4.2)], &smooth);
            assert!(click < 1.0, "{how} {again}: {click} dB");
        }
    }
}

#[test]
fn of_a_long_phrase_the_last_20_s_are_heard() {
    let mut sound = vec![0.0; samples(1.0)];
    // It swells: a sound that stands still for 20 s is no phrase.
    sound.extend(vowel(150.0, samples(24.0)).iter().enumerate().map(|(i, x)| x * (1.2 + (i as f32 / 40_000.0).sin())));
    sound.extend(vec![0.0; samples(22.0)]);
    let out = run(BACKWARDS, samples(0.5)).play(&sound);
    let (first, last) = (beginnings(&out)[0], out.iter().rposition(|y| *y != 0.0).expect("a reply"));
    assert!((20.0..20.2).contains(&((last - first) as f64 / RATE)), "{}", last - first);
}

#[test]
fn a_sound_that_stands_still_for_20_s_is_a_floor_and_no_phrase() {
    // A fan starts, and stops half a minute later.
    let mut sound = noise(1, 0.001, samples(2.0));
    sound.extend(noise(2, 0.05, samples(30.0)));
    sound.extend(noise(3, 0.001, samples(5.0)));
    let out = run(BACKWARDS, samples(0.5)).play(&sound);
    assert!(out.iter().all(|y| *y == 0.0));
}

#[test]
fn a_phrase_that_began_before_the_gesture_is_answered_whole() {
    let sound = one();
    for at in [samples(2.0), samples(3.1)] {
        let out = run(BACKWARDS, at).play(&sound);
        let first = beginnings(&out)[0];
        let last = out.iter().rposition(|y| *y != 0.0).expect("a reply");
        assert!((1.98..2.2).contains(&((last - first) as f64 / RATE)), "{at}: {}", last - first);
        // Up to a second for what it must hear first.
        let late = (at + first) as f64 / RATE - 3.0 - SHORT;
        assert!((0.0..0.8).contains(&late), "{at}: {late}");
    }
    // One that ended long before is past.
    assert!(run(BACKWARDS, samples(5.0)).play(&sound).iter().all(|y| *y == 0.0));
}

#[test]
fn a_reply_is_the_same_bits_for_any_cut() {
    let mut sound = alone(3, 2.0);
    sound.extend(phrase(4, 0.1, 0.3));
    sound.extend(noise(5, 0.0003, samples(6.0)));
    let bits = |run: Run<'_>| run.play(&sound).iter().map(|y| y.to_bits()).collect::<Vec<_>>();
    for how in [BACKWARDS, SLOWER] {
        let whole = bits(run(how, 30_011));
        assert!(whole.iter().any(|y| *y != 0));
        for cuts in [vec![1], vec![31, 2, 7], vec![5, 32, 13]] {
            for ahead in [false, true] {
                assert!(bits(Run { cuts: cuts.clone(), ahead, ..run(how, 30_011) }) == whole, "{cuts:?}");
            }
        }
    }
}

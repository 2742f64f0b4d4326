//! Whose a sound is: a mic that hears its neighbours answers its own player, however soft, and nobody else.

use std::f64::consts::TAU;
use tenterhook_dsp::random::even;

use super::run::{Run, plan};

const RATE: f64 = 48_000.0;

fn piece(trims: [f64; 2], group: bool) -> String {
    let [recorder, viol] = trims;
    let group = if group { "[groups]\nboth = [\"recorder\", \"viol\"]\n" } else { "" };
    format!(
        "[mics]\nrecorder = {{ input = 1, trim = \"{recorder} dB\" }}\nviol = {{ input = 2, trim = \"{viol} dB\" }}\n\
         {group}[outputs]\nleft = 1\nright = 2\n\
         [controllers]\nloud = {{ loudness = \"recorder\", from = \"-60 dB\", to = \"-20 dB\" }}\n\
         [[scene]]\nmark = \"A\"\nfade = \"100 ms\"\n\
         mic.recorder.answer = {{ by = \"scene\", to = [\"left\"] }}\n\
         mic.viol.direct = {{ by = \"loud\", to = [\"right\"] }}\n"
    )
}

/// Notes of a player from one second to another, at a level in dBFS (root mean square of a note's beginning), with rests
/// of 50 ms between them: each of its own length, swelling or dying away.
fn play(out: &mut [f32], who: u64, from: f64, to: f64, db: f64) {
    let (mut at, mut n) = (from, 0);
    while at < to {
        let any = |what: u64| even(who, n, what);
        let length = (0.15 + 0.5 * any(0)).min(to - at);
        let hertz = 250.0 * f64::exp2(any(1) * if who == 1 { 1.0 } else { -1.5 });
        let amplitude = 10f64.powf((db + 6.0 * any(2) - 3.0) / 20.0);
        let start = (at * RATE) as usize;
        for i in 0..((length - 0.05).max(0.0) * RATE) as usize {
            let t = i as f64 / RATE;
            let env = (t / 0.03).min(1.0) * (-t / (0.2 + any(3))).exp() * ((length - 0.05 - t) / 0.03).clamp(0.0, 1.0);
            let voice: f64 = (1..8).map(|k| (TAU * hertz * f64::from(k) * t).sin() / f64::from(k)).sum();
            if let Some(x) = out.get_mut(start + i) {
                *x += (amplitude * env * voice) as f32;
            }
        }
        (at, n) = (at + length, n + 1);
    }
}

/// What two mics hear: each player in the own mic, and in the other so much softer and some ms later with a room behind
/// it; and both a noise of -75 dBFS. All levels before trim.
fn stage(recorder: &[f32], viol: &[f32], bleed: f64, late: usize, case: u64) -> Vec<Vec<f32>> {
    let taps: Vec<(usize, f64)> = (0..12)
        .map(|n| {
            let delay = if n == 0 { 0.0 } else { 0.25 * even(case, n, 1) };
            let sign = if even(case, n, 2) > 0.5 { 1.0 } else { -1.0 };
            (late + (delay * RATE) as usize, if n == 0 { 0.9 } else { sign * 0.25 * 10f64.powf(-3.0 * delay / 0.8) })
        })
        .collect();
    let gain = 10f64.powf(bleed / 20.0);
    let mic = |own: &[f32], other: &[f32], seed: u64| -> Vec<f32> {
        (0..own.len())
            .map(|i| {
                let far: f64 = taps
                    .iter()
                    .map(|&(delay, tap)| tap * f64::from(*other.get(i.wrapping_sub(delay)).unwrap_or(&0.0)))
                    .sum();
                (f64::from(own[i]) + gain * far + 0.000_3 * (even(seed, i as u64, 3) - 0.5)) as f32
            })
            .collect()
    };
    vec![mic(recorder, viol, 7 + case), mic(viol, recorder, 8 + case)]
}

/// The seconds in which something louder than -70 dBFS is sent to an output, in tenths.
fn sounds(out: &[f32]) -> Vec<usize> {
    let loud = |piece: &[f32]| piece.iter().map(|x| x * x).sum::<f32>() / piece.len() as f32 > 1e-7;
    out.chunks(4_800).enumerate().filter(|(_, piece)| loud(piece)).map(|(n, _)| n).collect()
}

fn silence(seconds: f64) -> Vec<f32> {
    vec![0.0; (seconds * RATE) as usize]
}

/// The tenths of a second among `all` from one to before another.
fn within(all: &[usize], from: usize, to: usize) -> usize {
    all.iter().filter(|&&n| (from..to).contains(&n)).count()
}

/// In how many of so many cases something holds, each with trims, a delay of up to 20 ms and a room of its own.
fn cases(count: u64, holds: impl Fn([f64; 2], usize, u64) -> bool) -> u64 {
    let trims = [[0.0, 0.0], [12.0, 0.0], [0.0, 12.0], [-12.0, 12.0], [12.0, -12.0]];
    (0..count).filter(|&case| holds(trims[case as usize % 5], (even(case, 0, 9) * 960.0) as usize, case)).count() as u64
}

/// Bleed at some -40 dBFS, 20 dB below the player's own mic.
#[test]
fn bleed_alone_is_not_answered_and_moves_no_controller() {
    let held = cases(20, |trims, late, case| {
        let (recorder, mut viol) = (silence(20.0), silence(20.0));
        for n in 0..3 {
            play(&mut viol, 2 + case, 1.0 + 6.0 * f64::from(n), 5.0 + 6.0 * f64::from(n), -20.0);
        }
        let out = Run::of(&plan(&piece(trims, false))).render(&stage(&recorder, &viol, -20.0, late, case));
        // With trims it is to be learned first.
        let from = if trims == [0.0, 0.0] { 0 } else { 60 };
        let (replies, moved) = (sounds(&out[0]), sounds(&out[1]));
        within(&replies, from, 200) == 0 && within(&moved, from, 200) <= 5
    });
    assert!(held >= 19, "{held} of 20");
}

/// First each plays alone, as at a soundcheck; then the recorder, 12 dB softer, in the middle of what the viol plays.
#[test]
fn a_soft_player_is_answered_while_a_loud_one_plays_on() {
    let held = cases(20, |trims, late, case| {
        let (mut recorder, mut viol) = (silence(34.0), silence(34.0));
        play(&mut viol, 2 + case, 1.0, 7.0, -20.0);
        play(&mut recorder, 1, 10.0, 16.0, -32.0);
        play(&mut viol, 3 + case, 20.0, 34.0, -20.0);
        play(&mut recorder, 1, 24.0, 27.0, -32.0);
        let out = Run::of(&plan(&piece(trims, false))).render(&stage(&recorder, &viol, -20.0, late, case));
        let (replies, moved) = (sounds(&out[0]), sounds(&out[1]));
        let learned = if trims == [0.0, 0.0] { 0 } else { 60 };
        // The viol alone is not answered; the recorder alone is, and in the midst of the viol too.
        let answered =
            within(&replies, learned, 105) == 0 && within(&replies, 162, 200) > 10 && within(&replies, 270, 330) > 8;
        // And its loudness moves the controller, but the viol's does not.
        let follows = within(&moved, learned, 100) + within(&moved, 200, 235) <= 5 && within(&moved, 241, 270) > 10;
        answered && follows
    });
    assert!(held >= 18, "{held} of 20");
}

#[test]
fn soft_bleed_holds_no_reply_back() {
    // -55 dBFS of bleed, from a player who plays on.
    let (mut recorder, mut viol) = (silence(20.0), silence(20.0));
    play(&mut viol, 2, 0.5, 20.0, -25.0);
    play(&mut recorder, 1, 5.0, 8.0, -25.0);
    let out = Run::of(&plan(&piece([0.0, 0.0], false))).render(&stage(&recorder, &viol, -30.0, 300, 1));
    let first = sounds(&out[0])[0];
    assert!((80..95).contains(&first), "the reply came at {first} tenths");
}

#[test]
fn members_of_one_group_are_no_neighbours() {
    // The same piece: in one group both mics are one player's, and what the other hears of them is theirs.
    let (recorder, mut viol) = (silence(12.0), silence(12.0));
    play(&mut viol, 2, 1.0, 5.0, -20.0);
    let stage = stage(&recorder, &viol, -20.0, 200, 1);
    let replies = |group: bool| sounds(&Run::of(&plan(&piece([0.0, 0.0], group))).render(&stage)[0]).len();
    assert_eq!(replies(false), 0);
    assert!(replies(true) > 10);
}

#[test]
fn what_was_learned_goes_on_in_a_saved_piece_where_both_mics_do() {
    let (mut recorder, mut viol) = (silence(30.0), silence(30.0));
    play(&mut viol, 2, 1.0, 7.0, -20.0);
    play(&mut recorder, 1, 10.0, 15.0, -32.0);
    // Both begin together: nothing can be learned before.
    play(&mut viol, 3, 20.0, 30.0, -20.0);
    play(&mut recorder, 1, 20.1, 22.0, -32.0);
    let stage = stage(&recorder, &viol, -20.0, 200, 1);
    let (before, kept) = (plan(&piece([0.0, 0.0], false)), plan(&piece([0.0, 6.0], false)));
    let other = plan(&piece([0.0, 6.0], false).replace("viol", "lute"));
    let replies = |after: tenterhook_plan::Plan| {
        let out = Run::of(&before).replace_by(18 * 48_000, vec![after]).render(&stage);
        sounds(&out[0]).into_iter().filter(|&n| (220..260).contains(&n)).count()
    };
    assert!(replies(kept) > 8, "what was learned is forgotten");
    assert_eq!(replies(other), 0, "another mic is not known yet");
}

#[test]
fn whose_a_sound_is_is_the_same_however_the_run_is_cut() {
    let (mut recorder, mut viol) = (silence(12.0), silence(12.0));
    play(&mut viol, 2, 0.5, 10.0, -20.0);
    play(&mut recorder, 1, 4.0, 7.0, -26.0);
    let stage = stage(&recorder, &viol, -18.0, 200, 1);
    let plan = plan(&piece([0.0, 0.0], false));
    let whole = Run::of(&plan).cuts(&[64]).render(&stage);
    for cuts in [&[1_000][..], &[7, 32, 19, 480], &[16]] {
        assert!(Run::of(&plan).cuts(cuts).render(&stage) == whole, "{cuts:?}");
    }
}

#[test]
fn what_was_learned_goes_on_in_whatever_order_the_mics_are_written() {
    let (mut recorder, mut viol) = (silence(30.0), silence(30.0));
    play(&mut viol, 2, 1.0, 7.0, -20.0);
    play(&mut recorder, 1, 10.0, 15.0, -32.0);
    play(&mut viol, 3, 20.0, 30.0, -20.0);
    play(&mut recorder, 1, 20.1, 22.0, -32.0);
    let before = piece([0.0, 0.0], false);
    let lines: Vec<&str> = before.lines().collect();
    let turned = [&lines[..1], &[lines[2], lines[1]], &lines[3..]].concat().join("\n");
    // The viol's mic is hot: it hears much more of the recorder than the recorder's of the viol.
    let mut stage = stage(&recorder, &viol, -20.0, 200, 1);
    stage[1].iter_mut().for_each(|x| *x *= 3.0);
    let out = Run::of(&plan(&before)).replace_by(18 * 48_000, vec![plan(&turned)]).render(&stage);
    assert!(within(&sounds(&out[0]), 220, 260) > 8, "what was learned is forgotten, or turned round");
}

#[test]
fn a_loudness_heeds_its_own_player_where_nothing_answers_too() {
    let (mut recorder, mut viol) = (silence(12.0), silence(12.0));
    play(&mut viol, 2, 1.0, 5.0, -20.0);
    play(&mut recorder, 1, 8.0, 11.0, -20.0);
    let all = piece([0.0, 0.0], false);
    let text: Vec<&str> = all.lines().filter(|line| !line.contains("answer")).collect();
    let plan = plan(&text.join("\n"));
    // Close together, and heard for the first time: a neighbour's sound is 12 dB down, and 6 dB more are one's own.
    for bleed in [-20.0, -10.0] {
        let moved = sounds(&Run::of(&plan).render(&stage(&recorder, &viol, bleed, 200, 1))[1]);
        assert!(within(&moved, 0, 75) <= 2, "bleed {bleed} dB: {moved:?}");
        assert!(within(&moved, 80, 115) > 20, "bleed {bleed} dB: {moved:?}");
    }
}

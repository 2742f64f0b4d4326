//! Sound that moves from some outputs to others by scenes keeps its power, and goes by sine and cosine.

use proptest::prelude::*;
use std::f64::consts::FRAC_PI_2;
use tenterhook_plan::{Event, Gesture, Plan, SceneId, Timed};

use super::bits;
use super::clicks::{LIMIT_DB, click_db};
use super::run::{Run, plan, sound};

/// One sound in scenes that differ in where it sounds: each its `to` and its fade.
fn piece(scenes: &[(&str, f64)]) -> Plan {
    let scene = |(nth, (to, fade)): (usize, &(&str, f64))| {
        format!(
            "[[scene]]\nmark = \"{nth}\"\nfade = \"{fade} s\"\nmic.voice.direct = {{ by = \"scene\", to = {to} }}\n"
        )
    };
    let scenes: String = scenes.iter().enumerate().map(scene).collect();
    plan(&format!("mics = {{ voice = 1 }}\noutputs = {{ left = 1, right = 2, back = 3 }}\n{scenes}"))
}

fn fire(sample: usize, scene: u16) -> Timed<Event> {
    Timed { sample: sample as u64, what: Event::written(Gesture::Fire(SceneId(scene))) }
}

fn db(gain: f64) -> f64 {
    20.0 * gain.max(1e-9).log10()
}

/// What becomes of a constant at the outputs, as factors.
fn gains(plan: &Plan, rate: u32, fires: &[Timed<Event>], frames: usize) -> Vec<Vec<f64>> {
    const CONSTANT: f32 = 0.25;
    let out = Run::at(plan, rate, SceneId(0)).cuts(&[1000]).events(fires).render(&[vec![CONSTANT; frames]]);
    out.iter().map(|channel| channel.iter().map(|&sample| f64::from(sample / CONSTANT)).collect()).collect()
}

/// From the left to the right, and back again after this part of the way: at 101 places of either move the gains are
/// within 0.1 dB of sine and cosine, and the power of both together stays. On the way back the right gain, which is what
/// it had come to, goes by the cosine, and the left one is what makes up the power.
fn goes_by_sine_and_cosine(rate: u32, fade: f64, part: f64) {
    let whole = (fade * f64::from(rate)).round() as usize;
    let first = rate as usize;
    let turned = first + (part * whole as f64) as usize;
    let plan = piece(&[("[\"left\"]", 0.1), ("[\"right\"]", fade), ("[\"left\"]", fade)]);
    let out = gains(&plan, rate, &[fire(first, 1), fire(turned, 2)], turned + whole + 10);
    // The first sample of a move is one step into it.
    let angle = |from: usize, at: usize| FRAC_PI_2 * ((at + 1 - from) as f64 / whole as f64).min(1.0);
    let reached = angle(first, turned - 1).sin();
    for place in 0..=100 {
        let (there, back) = (first + (turned - 1 - first) * place / 100, turned + whole * place / 100);
        let right = [angle(first, there).sin(), reached * angle(turned, back).cos()];
        for (at, right) in [there, back].into_iter().zip(right) {
            let left = (1.0 - right * right).sqrt();
            for (gain, law) in [(out[0][at], left), (out[1][at], right)] {
                let near = (db(gain) - db(law)).abs() < 0.1 || law < 1e-6 && gain < 1e-6;
                assert!(near, "{fade} s, turned at {part}, at {place} %: {gain} is not {law}");
            }
            let power = db((out[0][at].powi(2) + out[1][at].powi(2)).sqrt());
            assert!(power.abs() < 0.001, "{fade} s, turned at {part}, at {place} %: {power} dB");
        }
    }
}

#[test]
fn what_moves_goes_by_sine_and_cosine_out_and_back() {
    for fade in [0.02, 0.5, 2.7] {
        for part in [0.1, 0.31, 0.5, 0.77, 1.0] {
            goes_by_sine_and_cosine(48_000, fade, part);
        }
    }
}

#[test]
fn a_move_may_take_ten_minutes() {
    goes_by_sine_and_cosine(8_000, 600.0, 0.6);
}

#[test]
fn a_voice_that_leaves_an_output_leaves_exact_silence() {
    let plan = piece(&[("[\"left\", \"back\"]", 0.1), ("[\"right\"]", 0.3)]);
    let out = gains(&plan, 48_000, &[fire(20_000, 1)], 40_000);
    assert!(out[0][34_400..].iter().chain(&out[2][34_400..]).all(|gain| *gain == 0.0));
    assert!(out[1][34_400..].iter().all(|gain| *gain == 1.0), "its very factor");
    // What two had shared is what one has now.
    assert!((19_000..40_000).all(|at| db(out.iter().map(|one| one[at].powi(2)).sum::<f64>().sqrt()).abs() < 0.001));
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 24, ..Default::default() })]

    /// Scenes of one power fired at any samples, in the midst of moves too: the power stays, nothing clicks, and the bits
    /// are the same in any blocks and when the piece is saved meanwhile.
    #[test]
    fn the_power_of_all_outputs_stays_however_it_is_turned(
        fires in prop::collection::vec((9_700usize..60_000, 0u16..4), 0..12),
        fade in 0.0f64..1.5,
        cuts in prop::collection::vec(prop_oneof![Just(1usize), 16usize..=1000], 1..5),
        swaps in 3_000usize..40_000,
    ) {
        let mut fires = fires;
        fires.sort_unstable();
        let fires: Vec<_> = fires.into_iter().map(|(sample, scene)| fire(sample, scene)).collect();
        let wide = "{ left = \"-6 dB\", right = \"-3 dB\", back = \"-6.0825 dB\" }";
        let plan = piece(&[("[\"left\"]", 0.1), ("[\"right\", \"back\"]", fade), (wide, 0.4), ("[\"back\"]", fade / 9.0)]);
        let out = gains(&plan, 48_000, &fires, 96_000);
        for at in (9_700..96_000).step_by(7) {
            let power = db(out.iter().map(|one| one[at].powi(2)).sum::<f64>().sqrt());
            prop_assert!(power.abs() < 0.01, "{power} dB at {at}");
        }
        let mut tone = sound(96_000);
        tone.truncate(1);
        tone[0].iter_mut().enumerate().for_each(|(i, sample)| *sample *= (i as f32 / 960.0).min(1.0));
        let run = |cuts: &[usize]| Run::of(&plan).cuts(cuts).events(&fires);
        let heard = run(&[64]).render(&tone);
        prop_assert!(bits(&run(&cuts).render(&tone)) == bits(&heard));
        prop_assert!(bits(&run(&[64]).replace_by(swaps, vec![plan.clone()]).render(&tone)) == bits(&heard));
        let db = click_db(&heard);
        prop_assert!(db < LIMIT_DB, "{db:.1} dB");
    }
}

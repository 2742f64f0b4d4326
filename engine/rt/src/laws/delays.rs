//! The nearer loudspeakers wait for the farthest, hush cuts what waits, and nothing of it clicks.

use proptest::prelude::*;
use tenterhook_plan::{Event, Gesture, Plan, SceneId, Timed};

use super::clicks::{LIMIT_DB, click_db};
use super::run::{PIECE, Run, plan_in, sound};
use super::{TOUR, bits, tour};

/// One sound at three outputs, of which the last is private.
const PLAIN: &str = "mics = { voice = 1 }
outputs = { left = 1, right = 2, ears = { output = 3, private = true } }
[[scene]]
mark = \"A\"
mic.voice.direct = { by = \"scene\", to = { left = \"0 dB\", right = \"0 dB\", ears = \"0 dB\" } }
";

/// How fast sound is in a hall's words, m/s.
const SOUND: f64 = 343.0;

/// A hall whose two loudspeakers are so many metres away; `None`: it does not say.
fn hall(left: Option<f64>, right: Option<f64>) -> String {
    let output = |name: &str, away: Option<f64>| {
        away.map(|away| format!("{name} = {{ away = \"{away} m\" }}\n")).unwrap_or_default()
    };
    format!("[outputs]\n{}{}", output("left", left), output("right", right))
}

fn plain(left: Option<f64>, right: Option<f64>) -> Plan {
    plan_in(PLAIN, &hall(left, right))
}

fn hush(sample: u64, on: bool) -> Timed<Event> {
    Timed { sample, what: Event::written(Gesture::Hush(on)) }
}

/// Tones below every ceiling, which come in over 20 ms.
fn tone(frames: usize) -> Vec<Vec<f32>> {
    let come = |i: usize| 0.5 - 0.5 * (std::f32::consts::PI * (i as f32 / 960.0).min(1.0)).cos();
    let mut tone = sound(frames);
    tone.truncate(1);
    tone[0].iter_mut().enumerate().for_each(|(i, sample)| *sample *= come(i));
    tone
}

fn away() -> impl Strategy<Value = Option<f64>> {
    prop_oneof![1 => Just(None), 4 => (0.0f64..=100.0).prop_map(Some)]
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 48, ..Default::default() })]

    /// An impulse from all loudspeakers is at the listeners within one sample; each plays just what it would without
    /// waiting, and the private one waits for nobody.
    #[test]
    fn all_loudspeakers_are_heard_within_one_sample(
        left in 0.0f64..=100.0,
        right in 0.0f64..=100.0,
        rate in prop::sample::select(vec![44_100u32, 48_000, 96_000]),
        cut in 1usize..1000,
    ) {
        let frames = rate as usize;
        let mut impulse = vec![vec![0.0; frames]];
        impulse[0][frames / 2] = 0.25;
        let play = |plan: &Plan| Run::at(plan, rate, SceneId(0)).cuts(&[cut]).render(&impulse);
        let (out, at_once) = (play(&plain(Some(left), Some(right))), play(&plain(None, None)));
        let began = |channel: &Vec<f32>| channel.iter().position(|sample| *sample != 0.0).unwrap();
        let heard = [left, right].map(|away| away * f64::from(rate) / SOUND);
        let heard = [began(&out[0]) as f64 + heard[0], began(&out[1]) as f64 + heard[1]];
        prop_assert!((heard[0] - heard[1]).abs() <= 1.0, "{heard:?}");
        prop_assert_eq!(began(&out[usize::from(right > left)]), began(&at_once[0]), "the farthest waits for nobody");
        for channel in 0..2 {
            let waits = began(&out[channel]) - began(&at_once[channel]);
            prop_assert!(out[channel][waits..] == at_once[channel][..frames - waits]);
        }
        prop_assert!(bits(&out[2..]) == bits(&at_once[2..]));
    }

    /// Whatever comes: hushes and releases at any samples, halls that are saved meanwhile.
    #[test]
    fn what_waits_is_the_same_bits_in_any_blocks_and_never_clicks(
        halls in prop::collection::vec((away(), away()), 1..4),
        hushes in prop::collection::vec(1_000u64..90_000, 0..8),
        cuts in prop::collection::vec(prop_oneof![Just(1usize), 16usize..=1000], 1..5),
        swaps in 1_500usize..40_000,
    ) {
        let mut hushes = hushes;
        hushes.sort_unstable();
        let events: Vec<_> = hushes.iter().enumerate().map(|(nth, at)| hush(*at, nth % 2 == 0)).collect();
        let halls: Vec<_> = halls.iter().map(|(left, right)| plain(*left, *right)).collect();
        let tone = tone(96_000);
        let run = || Run::of(&halls[0]).events(&events);
        prop_assert!(bits(&run().cuts(&cuts).render(&tone)) == bits(&run().cuts(&[64]).render(&tone)));
        let db = click_db(&run().replace_by(swaps, halls.clone()).render(&tone));
        // A hush within the crossing to another delay adds two fades: of some 600 cases one stood at -49.6 dB.
        prop_assert!(db < LIMIT_DB + 1.0, "{db:.1} dB");
    }

    /// What waited when the hush came is silent 200 ms later, and never comes back: not when it is released at once, nor
    /// in another hall.
    #[test]
    fn a_hush_cuts_what_waits(
        away in prop_oneof![0.0f64..=100.0, 90.0f64..=100.0],
        released in prop::option::weighted(0.8, 1u64..14_000),
        other in (away(), away()),
        swaps in prop_oneof![Just(usize::MAX), 24_500usize..40_000],
    ) {
        let (hushed, frames) = (24_003u64, 96_000);
        let mut tone = tone(frames);
        // The last sound that there is.
        tone[0][24_003..].fill(0.0);
        let events: Vec<_> = [Some(hush(hushed, true)), released.map(|later| hush(hushed + later, false))]
            .into_iter()
            .flatten()
            .collect();
        let play = |events: &[Timed<Event>]| {
            let halls = vec![plain(other.0, other.1)];
            Run::of(&plain(Some(0.0), Some(away))).events(events).replace_by(swaps, halls).render(&tone)
        };
        let (out, end) = (play(&events), hushed as usize + 9_600);
        prop_assert!(out[0][20_000..24_000].iter().any(|sample| *sample != 0.0));
        prop_assert!(out.iter().all(|channel| channel[end..].iter().all(|sample| *sample == 0.0)));
        // The control: without the hush a loudspeaker that waits for longer is heard there.
        if away > 70.0 && swaps == usize::MAX {
            prop_assert!(play(&[])[0][end..].iter().any(|sample| *sample != 0.0));
        }
    }
}

#[test]
fn what_a_scene_works_comes_back_after_a_hush() {
    let (tone, plan) = (tone(96_000), plain(Some(0.0), Some(40.0)));
    let out = Run::of(&plan).events(&[hush(24_000, true), hush(36_000, false)]).render(&tone);
    // The scene comes in over half a second, and has waited for 40 m.
    let (waits, settled) = (5_598, 36_000 + 24_000 + 960);
    assert!(out[0][settled + waits..] == out[1][settled..96_000 - waits]);
    assert!(out[0][settled + waits..].iter().any(|sample| *sample != 0.0));
}

#[test]
fn a_piece_that_uses_everything_waits_whatever_the_blocks() {
    let plan = plan_in(PIECE, &hall(Some(3.0), Some(14.0)));
    let play = |cuts: &[usize]| bits(&Run::of(&plan).cuts(cuts).events(&tour()).render(&sound(TOUR)));
    let whole = play(&[64]);
    assert!(whole != bits(&Run::new(PIECE).cuts(&[64]).events(&tour()).render(&sound(TOUR))), "it waits");
    for cuts in [&[1000][..], &[16], &[1, 31, 7, 333, 1000]] {
        assert!(play(cuts) == whole, "{cuts:?}");
    }
}

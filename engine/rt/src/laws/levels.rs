//! A live level rises slowly enough to be taken back, falls at once, and what is written down of it is the same run.

use proptest::prelude::*;
use tenterhook_plan::{Applied, Event, Gesture, OutputId, Timed, Who, gain};

use super::bits;
use super::run::{Run, gesture, plan, sound};

/// Little to work on, so that many runs are quick: what is looked at comes after all effects.
const PIECE: &str = "mics = { voice = 1, recorder = 2, viol = 3 }
outputs = { left = 1, right = { output = 2, ceiling = \"-3 dB\" }, ears = { output = 3, private = true } }
controllers = { pedal = {} }
groups = { all = [\"voice\", \"recorder\", \"viol\"] }
[[scene]]
mark = \"A\"
mic.voice.direct = { by = \"scene\", level = \"6 dB\" }
mic.recorder.freeze = { by = \"pedal\" }
[[scene]]
mark = \"B\"
mic.all.direct = { by = \"scene\", to = [\"right\", \"ears\"] }
";
const RATE: f64 = 48_000.0;
const LIVE: [Who; 4] = [Who::PageDesk, Who::Osc, Who::Terminal, Who::Pedal];

fn level(sample: u64, output: Option<u16>, db: f32, who: Who) -> Timed<Event> {
    Timed { sample, what: Event::Gesture(Gesture::Level { output: output.map(OutputId), db }, who) }
}

/// The levels that one output, or all together, took: sample and dB.
fn taken(applied: &[Applied], output: Option<u16>) -> Vec<(u64, f32)> {
    let level = |one: &Applied| match one.what {
        Gesture::Level { output: of, db } if of == output.map(OutputId) => Some((one.sample, db)),
        _ => None,
    };
    applied.iter().filter_map(level).collect()
}

/// From 0 dB on, no level rises faster than by 60 dB a second, and by 6 above 0 dB, beyond one step of 20 ms.
fn rises_slowly(taken: &[(u64, f32)]) -> Result<(), TestCaseError> {
    let (mut before, mut stepped): (f32, Option<u64>) = (0.0, None);
    for &(sample, db) in taken {
        prop_assert!((-120.0..=12.0).contains(&db), "{db} dB");
        if db > before {
            let most = if db > 0.0 { 0.12 } else { 1.2 };
            prop_assert!(db - before <= most + 1e-4 && (before >= 0.0 || db <= 0.0), "{before} to {db} dB");
            prop_assert!(stepped.is_none_or(|last| sample - last >= 960), "a step {:?} after another", stepped);
            stepped = Some(sample);
        }
        before = db;
    }
    Ok(())
}

/// What `direct` makes of a constant, as a factor, from one live level on.
fn heard(db: f32, who: Who, frames: usize) -> Vec<f64> {
    let piece = "mics = { voice = 1 }\noutputs = { left = 1 }\n[[scene]]\nmark = \"A\"\n\
                 mic.voice.direct = { by = \"scene\" }\n";
    let mut run = Run::new(piece).cuts(&[64]).events(&[level(48_000, None, db, who)]);
    let out = run.render(&[vec![0.01; 48_000 + frames]]);
    out[0][48_000..].iter().map(|sample| f64::from(*sample) / f64::from(out[0][47_999])).collect()
}

#[test]
fn a_live_level_does_not_leap() {
    for who in LIVE {
        let up = heard(24.0, who, 3 * 48_000);
        let db = |seconds: f64| 20.0 * up[(seconds * RATE) as usize].log10();
        assert!(db(0.05) < 0.6 && db(1.0) < 6.2, "{:.2} dB after 50 ms, {:.2} after 1 s", db(0.05), db(1.0));
        assert!((db(2.1) - 12.0).abs() < 0.01, "the top is 12 dB: {:.2}", db(2.1));
        // The slope over any 50 ms, at most a step of 20 ms too much.
        let steep = up.windows(2400).step_by(100).map(|span| 20.0 * (span[2399] / span[0]).log10()).fold(0.0, f64::max);
        assert!(steep < 6.0 * 0.07 + 0.01, "{steep:.3} dB in 50 ms");
        let down = heard(-120.0, who, 4800);
        assert!(down[960..].iter().all(|gain| *gain == 0.0), "silent within a glide of 20 ms");
    }
}

#[test]
fn a_written_level_acts_as_written() {
    for who in [Who::Written, Who::Journal] {
        for db in [24.0, 12.5, -7.0] {
            let heard = heard(db, who, 4800);
            assert!((heard[960] - f64::from(gain(db.into()))).abs() < 1e-5, "{db} dB by {who:?}");
        }
    }
}

#[test]
fn a_newer_level_replaces_one_that_still_rises() {
    let events = [
        level(0, None, -60.0, Who::Osc),
        level(1_000, None, 0.0, Who::PageDesk),
        level(10_000, None, -40.0, Who::Osc),
        level(30_000, None, -50.0, Who::PageDesk),
    ];
    let mut run = Run::new(PIECE).events(&events);
    run.render(&sound(96_000));
    let (applied, taken) = (run.applied(), taken(&run.applied(), None));
    assert_eq!(taken.last(), Some(&(30_000, -50.0)), "nothing rises any more");
    assert!(taken.contains(&(taken.iter().find(|one| one.1 == -40.0).map_or(0, |one| one.0), -40.0)));
    let whose = |from: u64, to: u64| {
        let within = applied.iter().filter(move |one| (from..to).contains(&one.sample));
        within.filter(|one| matches!(one.what, Gesture::Level { .. })).map(|one| one.who)
    };
    assert!(whose(1_000, 10_000).count() > 5 && whose(1_000, 10_000).all(|who| who == Who::PageDesk));
    assert!(whose(10_000, 30_000).count() > 5 && whose(10_000, 30_000).all(|who| who == Who::Osc));
}

fn live_levels() -> impl Strategy<Value = Vec<Timed<Event>>> {
    let one = (0u64..90_000, prop::option::of(0u16..3), -130.0f32..30.0, prop::sample::select(LIVE.to_vec()));
    prop::collection::vec(one, 1..12).prop_map(|mut all| {
        all.sort_by_key(|one| one.0);
        all.into_iter().map(|(sample, output, db, who)| level(sample, output, db, who)).collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 16, ..Default::default() })]

    /// Live levels at any samples, in any blocks; between them all else that a piece does.
    #[test]
    fn live_levels_rise_slowly_and_play_back_to_the_same_bits(
        levels in live_levels(),
        cuts in prop::collection::vec(prop_oneof![Just(1usize), Just(8), Just(1024), 1usize..=1024], 1..5),
        again in prop::collection::vec(1usize..=1024, 1..5),
        swaps in 3_000usize..40_000,
    ) {
        let frames = 120_000;
        let others = [(0.3, "pedal", "1"), (0.9, "fire", "B"), (1.2, "hush", "1"), (1.4, "hush", "0"), (1.5, "mute/viol", "1")];
        let others = others.map(|(seconds, what, value)| gesture(&plan(PIECE), seconds, what, value)).to_vec();
        let mut events = [others, levels.clone()].concat();
        events.sort_by_key(|event| event.sample);
        let mut live = Run::new(PIECE).cuts(&cuts).events(&events);
        let heard = live.render(&sound(frames));
        let applied = live.applied();
        for output in [None, Some(0), Some(1), Some(2)] {
            let taken = taken(&applied, output);
            rises_slowly(&taken)?;
            let meant = levels.iter().rev().find_map(|event| match event.what {
                Event::Gesture(Gesture::Level { output: of, db }, _) if of == output.map(OutputId) => Some((event.sample, db)),
                _ => None,
            });
            // From silence to the top takes 4 s: what was meant last is reached, if there is time.
            if let Some((sample, db)) = meant {
                let last = taken.last().map_or(0.0, |one| one.1);
                let db = db.clamp(-120.0, 12.0);
                prop_assert!(last == db || last < db && sample + 192_000 > frames as u64, "{last} is not {db}");
            }
        }
        let written: Vec<_> =
            applied.iter().map(|one| Timed { sample: one.sample, what: Event::written(one.what) }).collect();
        let mut replayed = Run::new(PIECE).cuts(&again).events(&written);
        prop_assert!(bits(&replayed.render(&sound(frames))) == bits(&heard));
        // A piece that is saved meanwhile is not noticed.
        let mut swapped = Run::new(PIECE).cuts(&cuts).events(&events).replace_every(swaps, &[PIECE]);
        swapped.render(&sound(frames));
        let levels_of = |applied: Vec<Applied>| [None, Some(0), Some(1), Some(2)].map(|output| taken(&applied, output));
        prop_assert_eq!(levels_of(swapped.applied()), levels_of(applied));
    }
}

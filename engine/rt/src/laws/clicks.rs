//! No clicks, by a stated measure.
//!
//! The measure: the players of these runs sound nothing above 1 kHz, so neither do smooth gains on them. What is above
//! 8 kHz is a click. The output goes through a highpass at 8 kHz (two second-order sections), and the greatest
//! magnitude behind it counts, in dBFS. A step of one twentieth of full scale reads −26 dBFS there; the limit is −50 dB,
//! and what shapes the sound on purpose (fresh noise in a hold) stays under it.
//!
//! That finds steps. Corners of gains it does not: they are judged where nothing else sounds, by the limits of [`WAYS`].

use proptest::prelude::*;
use tenterhook_dsp::highpass::Highpass;
use tenterhook_plan::{Event, Gesture, Timed};

use super::run::{CHANGED, PIECE, Run, gesture, plan, sound};
use super::{TOUR, random, tour};
use crate::compiled_plan::CompiledPlan;

/// The greatest magnitude above 8 kHz, in dBFS.
pub(super) fn click_db(out: &[Vec<f32>]) -> f64 {
    let worst = |channel: &Vec<f32>| {
        let mut high = channel.clone();
        for _ in 0..2 {
            Highpass::new(8_000.0, 48_000).process(&mut high);
        }
        high.iter().fold(0.0f32, |most, sample| most.max(sample.abs()))
    };
    20.0 * f64::from(out.iter().map(worst).fold(1e-9, f32::max)).log10()
}

pub(super) const LIMIT_DB: f64 = -50.0;

/// The workout with the sound well below its ceilings: a limiter at work bends the wave, and is judged elsewhere. It
/// comes in over 20 ms: a sound that begins with a step clicks itself, and a stretch keeps each attack as it was.
fn quiet(frames: usize) -> Vec<Vec<f32>> {
    let mut sound = sound(frames);
    let come = |i: usize| 0.5 - 0.5 * (std::f32::consts::PI * (i as f32 / 960.0).min(1.0)).cos();
    for channel in &mut sound {
        channel.iter_mut().enumerate().for_each(|(i, sample)| *sample *= 0.5 * come(i));
    }
    sound
}

#[test]
fn nothing_in_the_tour_clicks() {
    let out = Run::new(PIECE).cuts(&[64]).events(&tour()).render(&quiet(TOUR));
    let db = click_db(&out);
    assert!(db < LIMIT_DB, "{db:.1} dB");
}

/// One way in which a plain sound begins, moves or ends. On a tone of 300 Hz a corner of a gain reads little, a step a
/// lot, a rounded fade nothing: so each way has a limit of its own, and what makes it smooth taken away breaks that.
struct Way {
    name: &'static str,
    /// Seconds, controller, value; the last is what is judged.
    gestures: &'static [(f64, &'static str, &'static str)],
    /// The samples after it that are judged.
    within: usize,
    /// In dB re the tone's peak.
    limit: f64,
    /// Takes away what makes it smooth.
    without: fn(&mut CompiledPlan),
}

/// A limit stands between what is read with all in place and what is read without that one thing.
const WAYS: [Way; 10] = [
    Way {
        name: "a beginning without its attack",
        // What a controller works begins softly by itself.
        gestures: &[(0.2, "fire", "B")],
        // The attack is 480 samples long; the scene's own way, 2400, ends with a corner.
        within: 400,
        limit: -100.0,
        without: |compiled| compiled.timings.attack = 1,
    },
    Way {
        name: "an end of one sample",
        gestures: &[(0.2, "foot", "1"), (0.4, "foot", "0")],
        within: 4_000,
        // A level that is the square of x leaves the top twice as steeply as x does.
        limit: -69.0,
        without: |compiled| compiled.timings.end = 1,
    },
    Way {
        name: "a level that leaps",
        gestures: &[(0.2, "lever", "1"), (0.4, "lever", "0")],
        within: 4_000,
        limit: -63.0,
        without: |compiled| compiled.timings.level_step = 1.0,
    },
    Way {
        name: "a move of one sample",
        gestures: &[(0.2, "foot", "0.2"), (0.4, "foot", "1")],
        within: 4_000,
        limit: -68.0,
        without: |compiled| compiled.timings.glide = 1,
    },
    Way {
        name: "an output's level of one sample",
        gestures: &[(0.2, "foot", "1"), (0.4, "level/left", "-6")],
        within: 4_000,
        limit: -70.0,
        without: |compiled| compiled.timings.glide = 1,
    },
    Way {
        name: "a mute of one sample",
        gestures: &[(0.2, "foot", "1"), (0.4, "mute/voice", "1")],
        within: 4_000,
        limit: -70.0,
        without: |compiled| compiled.timings.glide = 1,
    },
    Way {
        name: "a hush of one sample",
        gestures: &[(0.2, "foot", "1"), (0.4, "hush", "1")],
        within: 9_000,
        limit: -100.0,
        without: |compiled| compiled.timings.hush = 1,
    },
    Way {
        name: "a voice hurried out in one sample",
        gestures: &[
            (0.1, "slow", "1"),
            (0.2, "slow", "0"),
            (0.25, "slow", "1"),
            (0.3, "slow", "0"),
            (0.4, "slow", "1"),
        ],
        within: 400,
        limit: -100.0,
        without: |compiled| compiled.timings.hurry = 1,
    },
    Way {
        name: "a scene that comes in one sample",
        gestures: &[(0.2, "fire", "B")],
        within: 4_000,
        limit: -75.0,
        without: |compiled| compiled.scenes.iter_mut().for_each(|scene| scene.fade = 1),
    },
    Way {
        name: "a scene that goes in one sample",
        gestures: &[(0.2, "foot", "1"), (0.4, "fire", "C")],
        within: 4_000,
        limit: -100.0,
        without: |compiled| compiled.scenes.iter_mut().for_each(|scene| scene.fade = 1),
    },
];

const WAYS_PIECE: &str = r#"
mics = { voice = 1 }
outputs = { left = 1 }
controllers = { foot = {}, slow = { fall = "2 s" }, lever = {} }
[[scene]]
mark = "A"
[scene.mic.voice]
direct = { by = "foot" }
late = { effect = "direct", by = "slow" }
tape = { by = "lever", file = "letter.wav" }
[[scene]]
mark = "B"
fade = "50 ms"
[scene.mic.voice]
direct = { by = "scene" }
[[scene]]
mark = "C"
fade = "50 ms"
"#;

/// The most that a way reads, over places of the tone's wave at which it may fall, in dB re the tone's peak.
fn way_db(way: &Way, change: fn(&mut CompiledPlan)) -> f64 {
    const PEAK: f64 = 0.25;
    let plan = plan(WAYS_PIECE);
    let tone = |i: usize| (PEAK * (std::f64::consts::TAU * 300.0 * i as f64 / 48e3).sin()) as f32;
    let tone: Vec<f32> = (0..36_000).map(tone).collect();
    let worst = [0.0, 0.0004, 0.0008, 0.0013].map(|later| {
        let events: Vec<_> = way.gestures.iter().map(|&(s, c, v)| gesture(&plan, s + later, c, v)).collect();
        let mut run = Run::new(WAYS_PIECE).cuts(&[64]).events(&events);
        change(&mut run.engine.compiled);
        let mut high = run.render(std::slice::from_ref(&tone)).swap_remove(0);
        for _ in 0..2 {
            Highpass::new(8_000.0, 48_000).process(&mut high);
        }
        let from = events.last().map_or(0, |event| event.sample as usize);
        let most = high[from..from + way.within].iter().fold(1e-9f32, |most, sample| most.max(sample.abs()));
        20.0 * (f64::from(most) / PEAK).log10()
    });
    worst.into_iter().fold(f64::MIN, f64::max)
}

#[test]
fn a_plain_sound_begins_moves_and_ends_in_no_way_that_clicks() {
    // The control beside it: each thing that is taken away breaks the law.
    let broken = WAYS.iter().filter_map(|way| {
        let (whole, without) = (way_db(way, |_| {}), way_db(way, way.without));
        let holds = whole < way.limit && without > way.limit;
        (!holds).then(|| format!("{}: {without:.1} dB, limit {}, as it is {whole:.1}", way.name, way.limit))
    });
    let broken: Vec<_> = broken.collect();
    assert!(broken.is_empty(), "{broken:#?}");
}

#[test]
fn neither_a_fade_of_nothing_nor_a_changed_ceiling_clicks() {
    let piece = |ceiling: &str| {
        format!(
            "mics = {{ voice = 1 }}\noutputs = {{ left = {{ output = 1, ceiling = \"{ceiling}\" }} }}\n\
             controllers = {{ foot = {{ cc = 11 }} }}\n[[scene]]\nmark = \"A\"\nfade = \"0 s\"\n\
             mic.voice.direct = {{ by = \"foot\" }}\n[[scene]]\nmark = \"B\"\nfade = \"0 s\"\n"
        )
    };
    let (first, second) = (piece("-1 dB"), piece("-20 dB"));
    let plan = plan(&first);
    let events = [("foot", "1", 0.2), ("fire", "B", 0.9011)].map(|(c, v, s)| gesture(&plan, s, c, v));
    // A tone of 0.1: under the first ceiling and at the second, whose limiter hardly bends it.
    let tone: Vec<f32> = (0..48_000).map(|i| (i as f32 * 0.03).sin() * 0.1).collect();
    for swaps in [usize::MAX, 25_003] {
        let mut run = Run::new(&first).events(&events).replace_every(swaps, &[&second]);
        let db = click_db(&run.render(std::slice::from_ref(&tone)));
        assert!(db < LIMIT_DB, "{db:.1} dB");
    }
}

#[test]
fn what_begins_before_anything_was_heard_does_not_click() {
    // Found by the random runs: the reading began where nothing was known yet, and came to the first moment that was.
    let plan = plan(PIECE);
    for at in [0.0, 0.001, 0.02, 0.1] {
        let events = [gesture(&plan, at, "foot", "0.28")];
        let db = click_db(&Run::new(PIECE).cuts(&[64]).events(&events).render(&quiet(48_000)));
        assert!(db < LIMIT_DB, "{at} s: {db:.1} dB");
    }
}

#[test]
fn no_controller_is_fast_enough_to_click() {
    // 10,000 gestures a second, from one end to the other.
    let plan = plan(PIECE);
    let id = |name: &str| {
        tenterhook_plan::ControllerId::new(plan.controllers.iter().position(|one| one.name == name).unwrap())
    };
    let all = [(0, "pedal"), (0, "foot"), (0, "wheel"), (0, "lever"), (1, "wheel"), (1, "lever"), (2, "wheel")];
    for (scene, name) in all.into_iter().chain([(2, "sway"), (2, "held"), (2, "lever")]) {
        let id = id(name);
        let mut events: Vec<_> = (0..10_000u64)
            .map(|n| Timed {
                sample: 24_000 + n * 24 / 5,
                what: Event::written(Gesture::Controller { id, value: (n % 2) as f32 }),
            })
            .collect();
        let fire = Event::written(Gesture::Fire(tenterhook_plan::SceneId(scene)));
        events.insert(0, Timed { sample: 10, what: fire });
        let db = click_db(&Run::new(PIECE).cuts(&[64]).events(&events).render(&quiet(96_000)));
        assert!(db < LIMIT_DB, "{name} in scene {scene}: {db:.1} dB");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 32, ..Default::default() })]

    #[test]
    fn nothing_that_can_happen_clicks(events in random::events(60, 90_000), swaps in 5_000usize..60_000) {
        // Levels far above full scale would bring the limiters in.
        let events: Vec<_> = events
            .into_iter()
            .filter(|event| !matches!(event.what, Event::Gesture(Gesture::Level { db, .. }, _) if db > 0.0))
            .collect();
        let mut run = Run::new(PIECE).cuts(&[64]).events(&events).replace_every(swaps, &[CHANGED, PIECE]);
        let db = click_db(&run.render(&quiet(96_000)));
        prop_assert!(db < LIMIT_DB, "{db:.1} dB");
    }
}

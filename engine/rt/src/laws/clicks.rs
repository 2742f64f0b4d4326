//! No clicks, by a stated measure.
//!
//! The measure: the players of these runs sound nothing above 1 kHz, so neither do smooth gains on them. What is above
//! 8 kHz is a click. The output goes through a highpass at 8 kHz (two second-order sections), and the greatest
//! magnitude behind it counts, re the greatest magnitude of the output. A step of one twentieth of full scale reads
//! −26 dBFS there; the limit is −50 dB, and what shapes the sound on purpose (fresh noise in a hold) stays under it.

use proptest::prelude::*;
use tenterhook_dsp::highpass::Highpass;
use tenterhook_plan::{Event, Gesture, Timed};

use super::run::{CHANGED, PIECE, Run, gesture, plan, sound};
use super::{TOUR, random, tour};

/// The greatest magnitude above 8 kHz, in dBFS.
fn click_db(out: &[Vec<f32>]) -> f64 {
    let worst = |channel: &Vec<f32>| {
        let mut high = channel.clone();
        for _ in 0..2 {
            Highpass::new(8_000.0, 48_000).process(&mut high);
        }
        high.iter().fold(0.0f32, |most, sample| most.max(sample.abs()))
    };
    20.0 * f64::from(out.iter().map(worst).fold(1e-9, f32::max)).log10()
}

const LIMIT_DB: f64 = -50.0;

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

#[test]
fn the_measure_finds_each_fade_that_is_missing() {
    let plan = plan(PIECE);
    let events = [("wheel", "1", 0.1), ("fire", "C", 0.0), ("hush", "1", 0.513), ("hush", "0", 0.8)]
        .map(|(c, v, s)| gesture(&plan, s, c, v));
    let mut events = events.to_vec();
    events.sort_by_key(|event| event.sample);
    let run = |change: fn(&mut crate::clock::Clock)| {
        let mut run = Run::new(PIECE).cuts(&[64]).events(&events);
        change(&mut run.engine.table.clock);
        click_db(&run.render(&quiet(48_000)))
    };
    let whole = run(|_| {});
    assert!(whole < LIMIT_DB, "{whole:.1} dB");
    let no_hush_fade = run(|clock| clock.hush = 1);
    assert!(no_hush_fade > LIMIT_DB + 6.0, "{no_hush_fade:.1} dB");
    let no_beginning = run(|clock| (clock.attack, clock.level_step, clock.glide) = (1, 1.0, 1));
    assert!(no_beginning > whole + 6.0, "{no_beginning:.1} dB after {whole:.1} dB");
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

//! What is promised of two clocks and of a device at another rate.

mod clocks;

use super::Terms;
use super::steering::{MOST_PULL, Steering};
use crate::Stats;
use assert_no_alloc::{AllocDisabler, assert_no_alloc, reset_violation_count, violation_count};
use clocks::{Chance, Mishap, Outcome, PLAIN, Scene, cents, run};

#[global_allocator]
static GUARD: AllocDisabler = AllocDisabler;

/// Seconds after which nothing but jitter moves the pitch.
const LOCKED: f64 = 30.0;
/// Cents that jitter of the callbacks may leave: a thirtieth of what listeners tell at best (see `steering`).
const QUIET: f64 = 0.1;

/// Blocks of one side against those of the other, at all the rates.
fn scenes() -> impl Iterator<Item = Scene> {
    let blocks = [(64, 64), (256, 256), (64, 441), (441, 64), (256, 441), (441, 256)];
    let rates = [(48_000, 48_000), (44_100, 48_000), (48_000, 44_100)];
    blocks
        .into_iter()
        .zip(rates.into_iter().cycle())
        .zip([200.0, -200.0].into_iter().cycle())
        .map(|((blocks, rates), ppm)| Scene { rates, blocks, ppm: (ppm / 2.0, -ppm / 2.0, ppm / 2.0), ..PLAIN })
}

fn tell(scene: &Scene, outcome: &Outcome) {
    println!(
        "{:?} Hz, blocks {:?}, {:?} ppm, {:?}: wait within {:.2} ms, pitch within {:.3} cents, at first {:.3}, quiet \
         after {:.0} s, steps of {:.2} us, rest at {:.0} dB, drift {:.1?} ppm, missing {}, dropped {}",
        scene.rates,
        scene.blocks,
        scene.ppm,
        scene.mishap.1,
        1e3 * outcome.wait(LOCKED),
        cents(outcome.pitch(LOCKED, scene.seconds)),
        cents(outcome.pitch(1.0, LOCKED)),
        outcome.settled(QUIET / cents(1e-6) * 1e-6),
        1e6 * outcome.step(LOCKED),
        outcome.rest(LOCKED),
        outcome.drift,
        outcome.missing,
        outcome.dropped,
    );
}

/// The delay stays, the pitch does, the phase has no step, and nothing is lost.
fn is_followed(scene: Scene) {
    let outcome = run(scene);
    tell(&scene, &outcome);
    let drift = scene.ppm.2 - scene.ppm.1;
    assert_eq!((outcome.missing, outcome.dropped), (0, 0));
    assert!(outcome.wait(1.0) < scene.blocks().0, "within the shorter block, from the first second on");
    // The bound of `steering`: the drift itself at first, and the pull.
    let most = (scene.ppm.0 - scene.ppm.1).abs() * 1e-6 + MOST_PULL;
    assert!(outcome.pitch(1.0, LOCKED) < most);
    assert!(cents(outcome.pitch(LOCKED, scene.seconds)) < QUIET);
    // A phase that moves by QUIET cents for a window of 10 ms moves by 0.6 us.
    assert!(outcome.step(LOCKED) < 1e-6 && outcome.rest(LOCKED) < -50.0);
    assert!((f64::from(outcome.drift.unwrap()) - drift).abs() < 5.0);
}

#[test]
fn clocks_that_differ_by_200_ppm_are_followed_unheard() {
    scenes().for_each(is_followed);
}

#[test]
#[ignore = "two hours of sound take minutes: cargo test --release -p tenterhook-io --lib hour -- --ignored --nocapture"]
fn an_hour_of_sound_is_followed_unheard() {
    let hour = |blocks, ppm| Scene { blocks, ppm: (ppm, 0.0, ppm), seconds: 3600.0, ..PLAIN };
    is_followed(hour((64, 256), 200.0));
    is_followed(Scene { rates: (44_100, 48_000), ..hour((441, 64), -200.0) });
}

#[test]
fn a_step_of_the_drift_is_followed_unheard() {
    for step in [50.0, -50.0] {
        let scene = Scene { ppm: (100.0, 0.0, 100.0 + step), blocks: (64, 256), seconds: 100.0, ..PLAIN };
        let outcome = run(scene);
        tell(&scene, &outcome);
        // The bounds of `steering`, and what jitter adds.
        assert!(outcome.wait(LOCKED) < 4.6 * 50e-6 + 0.15e-3);
        assert!(cents(outcome.pitch(LOCKED, scene.seconds)) < cents(1.25 * 50e-6) + QUIET);
        assert!(outcome.step(LOCKED) < 2e-6 && outcome.rest(LOCKED) < -50.0);
        assert!((f64::from(outcome.drift.unwrap()) - 100.0 - step).abs() < 10.0);
    }
}

#[test]
fn after_a_mishap_the_delay_is_back_within_a_second() {
    let at = 12.0;
    for mishap in [Mishap::InputLost(3), Mishap::OutputLost(3), Mishap::Stall(0.05), Mishap::Stall(1.5)] {
        for blocks in [(64, 64), (256, 256), (64, 441), (441, 64)] {
            let scene = Scene { ppm: (50.0, 0.0, 50.0), blocks, mishap: (at, mishap), seconds: 22.0, ..PLAIN };
            let outcome = run(scene);
            let over = at + if let Mishap::Stall(seconds) = mishap { seconds } else { 0.0 };
            let back = outcome.waits_within(scene.blocks().1) - over;
            println!("{mishap:?}, blocks {blocks:?}: back after {back:.2} s, missing {}", outcome.missing);
            assert!(back < 1.0, "{mishap:?}, {blocks:?}: {back} s");
            assert!(outcome.wait(over + 1.5) < 0.5e-3, "to its target, not just near it");
            assert!(cents(outcome.pitch(over + 2.0, scene.seconds)) < 2.0 * QUIET);
            if let Mishap::InputLost(lost) = mishap {
                // Silence stands in for what was lost; less where sound that waits suffices.
                assert!(outcome.missing as usize <= lost as usize * blocks.0 + blocks.1);
            }
        }
    }
}

/// The law alone, without sound: an hour of it, with marks and looks as the two sides have them.
#[test]
fn the_law_holds_for_an_hour() {
    for (ppm, blocks, jitter) in
        [(200.0, (64.0, 256.0), 1e-3), (-200.0, (441.0, 64.0), 1e-3), (200.0, (256.0, 441.0), 3e-3)]
    {
        let (rate, wait) = (48_000.0, 0.016);
        let (fast, drift) = (rate * (1.0 + ppm * 1e-6), ppm * 1e-6);
        let (mut steering, mut chance) = (Steering::new(blocks.0 / rate), Chance(3));
        let (mut place, mut mark, mut input) = (-wait * rate, (0.0, 0.0), 0.0);
        let (mut worst, mut deviation) = (0.0f64, 0.0f64);
        let mut out = 0.0;
        while out < 3600.0 * rate {
            let due = out / rate;
            let now = due + chance.jitter(jitter);
            while (input + blocks.0) / fast <= now {
                input += blocks.0;
                mark = (input, (input / fast + chance.jitter(jitter)).min(now));
            }
            let late = (mark.0 + (now - mark.1) * rate - place) / rate - wait;
            if let Some(leap) = steering.look(now, late) {
                assert!(due < 1.0, "it leaps at {due} s");
                place += leap * rate;
            }
            if due > LOCKED {
                worst = worst.max((due * fast - place - wait * rate).abs());
                deviation = deviation.max((steering.speed() - drift).abs());
            }
            place += blocks.1 * (1.0 + steering.speed());
            out += blocks.1;
        }
        println!("{ppm} ppm, blocks {blocks:?}: {worst:.1} frames off, {:.3} cents", cents(deviation));
        assert!(worst < blocks.0.min(blocks.1) && cents(deviation) < QUIET);
    }
}

#[test]
fn following_neither_allocates_nor_frees() {
    // Positive control: the guard sees an allocation and a free.
    assert_no_alloc(|| drop(std::hint::black_box(Box::new(1))));
    assert!(violation_count() >= 2, "the guard sees nothing");
    reset_violation_count();
    let terms = Terms { channels: 8, from: 44_100, to: 48_000, blocks: (0.005, 0.005), most: 1024 };
    let (mut intake, mut inlet) = terms.ends().unwrap();
    let (stats, mut output) = (Stats::default(), vec![vec![0.0; 1024]; 8]);
    let (mut chance, mut now) = (Chance(5), 0.0);
    let mut heard = 0.0f32;
    for n in 0..3000 {
        // Ragged on both sides, at times far too much or too little: gaps, leaps, a ring that runs over.
        let (come, asked) = ((chance.next() * 900.0) as usize, 1 + (chance.next() * 1023.0) as usize);
        now += 0.0097;
        assert_no_alloc(|| {
            intake.put(now, come, (0..come * 8).map(|k| ((n * 31 + k) % 97) as f32 / 97.0));
            inlet.look(now, asked as f64 / 48_000.0, &stats);
            inlet.pull(now, asked, &mut output, &stats);
        });
        heard = heard.max(output[3][asked - 1]);
    }
    assert_eq!(violation_count(), 0);
    let load = stats.load();
    assert!(heard > 0.1 && load.missing > 0, "a run in which nothing sounds, or nothing goes wrong, proves little");
}

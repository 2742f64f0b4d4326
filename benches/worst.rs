//! The worst block, which is what counts: `cargo bench --bench worst`, or `-- 40` behind it for forty runs.
//!
//! A piece is played several times from its beginning, gesture for gesture the same. Of each block the least time of all
//! runs counts: what the machine did besides falls out, what the block itself costs stays.

mod stage;

use std::time::Duration;

use stage::{ALL_AT_ONCE, BLOCKS, LEVERS, MICS, RATE, Stage, costly, piece, plan};
use tenterhook_dsp::effects::EFFECTS;
use tenterhook_plan::{Gesture, Plan};

/// What happens in a run, second by second.
const ENGAGE: f64 = 1.0;
const REST: f64 = 2.0;
const AGAIN: f64 = 2.02;
const FIRE: f64 = 3.0;
/// Nobody plays any more: what waits for a phrase to end has its turn.
const SILENCE: f64 = 4.2;
const END: f64 = 5.0;

/// One run: the time of each block, in order. In scene A everything engages in one block, moves, comes to rest and
/// engages again while it still ends; then scene B fires, which begins all of its own while the old fades; then the players
/// fall silent.
fn run(plan: &Plan, block: usize) -> Vec<Duration> {
    let mut stage = Stage::new(plan, LEVERS, block);
    stage.silent_from = SILENCE;
    let mut times = Vec::new();
    let mut heard = 0.0f32;
    while stage.seconds() < END {
        let (now, next) = (stage.seconds(), stage.seconds() + block as f64 / f64::from(RATE));
        let due = |moment: f64| (now..next).contains(&moment);
        let gestures = if due(FIRE) {
            vec![Gesture::Fire(ALL_AT_ONCE)]
        } else if next <= ENGAGE || now > FIRE {
            Vec::new()
        } else if next > REST && next <= AGAIN {
            stage.all_at(0.0)
        } else {
            stage.moving()
        };
        times.push(stage.play(&gestures));
        heard = heard.max(stage.peak());
    }
    assert!(heard > 0.01, "a run in which nothing sounds tells nothing");
    times
}

/// Another run: while everything moves, a changed piece takes the place of the present one. The blocks from the one that
/// sees it to those in which it has taken over.
fn swap(plan: &Plan, block: usize) -> Vec<Duration> {
    let mut stage = Stage::new(plan, LEVERS, block);
    while stage.seconds() < ENGAGE {
        stage.play(&stage.moving());
    }
    let changed = Plan { title: "Changed".to_owned(), ..plan.clone() };
    stage.control.replace(&changed).expect("the engine takes it at once");
    let times = (0..RATE as usize / 10 / block).map(|_| stage.play(&stage.moving())).collect();
    assert_eq!(stage.control.plan(), &changed, "it has taken over");
    times
}

/// The least time of each block over so many runs, in microseconds.
fn least(runs: usize, run: impl Fn() -> Vec<Duration>) -> Vec<f64> {
    let mut least = Vec::new();
    for times in (0..runs).map(|_| run()) {
        least.resize(times.len(), Duration::MAX);
        least.iter_mut().zip(times).for_each(|(least, time)| *least = time.min(*least));
    }
    least.iter().map(|time| time.as_secs_f64() * 1e6).collect()
}

fn report(name: &str, plan: &Plan, runs: usize) {
    for block in BLOCKS {
        let times = least(runs, || run(plan, block));
        let length = block as f64 / f64::from(RATE);
        let at = |moment: f64| times[(moment / length) as usize];
        // From the first gesture on: before it everything rests.
        let busy = &times[(ENGAGE / length) as usize..];
        let mut sorted = busy.to_vec();
        sorted.sort_by(f64::total_cmp);
        let worst = sorted[sorted.len() - 1];
        let when = times.iter().position(|&time| time == worst).map_or(0.0, |place| place as f64 * length);
        println!(
            "{name:20} {block:>5} {:>9.1} {:>9.1} {:>9.1} {:>8.1} {when:>7.2} {:>9.1} {:>9.1}",
            busy.iter().sum::<f64>() / busy.len() as f64,
            sorted[sorted.len() * 99 / 100],
            worst,
            worst / (length * 1e6) * 100.0,
            at(ENGAGE),
            at(FIRE),
        );
    }
}

fn main() {
    // Cargo adds an argument of its own.
    let runs = std::env::args().find_map(|argument| argument.parse().ok()).unwrap_or(15).max(1);
    println!("Times of one block in µs at {RATE} Hz, each the least of {runs} identical runs.");
    println!("Engaging at {ENGAGE} s and again at {AGAIN} s, firing at {FIRE} s.\n");
    println!(
        "{:20} {:>5} {:>9} {:>9} {:>9} {:>8} {:>7} {:>9} {:>9}",
        "what", "block", "mean", "p99", "worst", "% of it", "at s", "engaging", "firing"
    );
    for effect in &EFFECTS {
        report(effect.declaration.name, &plan(&piece(1, &[effect])), runs);
    }
    let whole = plan(&piece(MICS, &costly()));
    report(&format!("{MICS} mics x {} effects", costly().len()), &whole, runs);
    println!("\nWhile a changed piece takes over from that one, all moving:");
    println!("{:20} {:>5} {:>9} {:>9} {:>9} {:>8}", "what", "block", "mean", "", "worst", "% of it");
    for block in BLOCKS {
        let times = least(runs, || swap(&whole, block));
        let (mean, worst) = (times.iter().sum::<f64>() / times.len() as f64, times.iter().copied().fold(0.0, f64::max));
        let share = worst / (block as f64 / f64::from(RATE) * 1e6) * 100.0;
        println!("{:20} {block:>5} {mean:>9.1} {:>9} {worst:>9.1} {share:>8.1}", "changed piece", "");
    }
}

//! What happens at once: a scene that engages everything, and a changed piece that takes the place of the present one.

mod stage;

use criterion::{Criterion, SamplingMode, criterion_group, criterion_main};
use stage::{ALL_AT_ONCE, LEVERS, MICS, REST, Stage, costly, piece, plan};
use std::time::{Duration, Instant};
use tenterhook_plan::Gesture;

const BLOCK: usize = 64;

fn firing(c: &mut Criterion) {
    let mut stage = Stage::new(&plan(&piece(MICS, &costly())), REST, BLOCK);
    stage.play_on(1.0, &[]);
    c.bench_function("the block in which a scene engages all", |bencher| {
        bencher.iter_custom(|times| {
            let mut took = Duration::ZERO;
            for _ in 0..times {
                // Both voices of everything are silent again.
                stage.play_on(0.1, &[Gesture::Fire(REST)]);
                took += stage.play(&[Gesture::Fire(ALL_AT_ONCE)]);
            }
            took
        });
    });
}

fn swapping(c: &mut Criterion) {
    let one = plan(&piece(MICS, &costly()));
    let two = tenterhook_plan::Plan { title: "Changed".to_owned(), ..one.clone() };
    let mut stage = Stage::new(&one, LEVERS, BLOCK);
    stage.play_on(0.5, &stage.all_at(0.7));
    let mut group = c.benchmark_group("a changed piece");
    // Each time takes as long as a piece takes to build: the same few for every sample.
    group.sampling_mode(SamplingMode::Flat).sample_size(10);
    let mut next = [&two, &one].into_iter().cycle();
    group.bench_function("the block in which it takes over", |bencher| {
        bencher.iter_custom(|times| {
            let mut took = Duration::ZERO;
            for _ in 0..times {
                let plan = next.next().expect("they go round");
                stage.control.replace(plan).expect("the engine takes each at once");
                // It takes over some 20 ms after it is seen: the block after which its plan is in force.
                while stage.control.plan() != plan {
                    let block = stage.play(&[]);
                    if stage.control.plan() == plan {
                        took += block;
                    }
                }
            }
            took
        });
    });
    group.bench_function("building it, off the audio thread", |bencher| {
        bencher.iter_custom(|times| {
            let mut took = Duration::ZERO;
            for _ in 0..times {
                let plan = next.next().expect("they go round");
                let began = Instant::now();
                stage.control.replace(plan).expect("the engine takes each at once");
                took += began.elapsed();
                stage.play_on(0.05, &[]);
            }
            took
        });
    });
    group.finish();
}

criterion_group! {
    name = benches;
    config = Criterion::default().warm_up_time(Duration::from_secs(1)).measurement_time(Duration::from_secs(3)).sample_size(20);
    targets = firing, swapping
}
criterion_main!(benches);

//! The mean time of one block: of each effect of the table, and of a whole scene.

mod stage;

use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use stage::{BLOCKS, LEVERS, MICS, Stage, costly, piece, plan};
use std::time::Duration;
use tenterhook_dsp::effects::EFFECTS;

fn blocks(c: &mut Criterion) {
    let each = EFFECTS.iter().map(|effect| (effect.declaration.name.to_owned(), piece(1, &[effect])));
    let whole = (format!("whole scene, {MICS} mics x {} effects", costly().len()), piece(MICS, &costly()));
    for (name, piece) in each.chain([whole]) {
        let plan = plan(&piece);
        let mut group = c.benchmark_group(name);
        for block in BLOCKS {
            let mut stage = Stage::new(&plan, LEVERS, block);
            stage.play_on(1.0, &[]);
            group.throughput(Throughput::Elements(block as u64));
            group.bench_function(BenchmarkId::from_parameter(block), |bencher| {
                // Begun afresh each time, so that no memory fills up and each measurement is of the same thing.
                stage.play_on(0.5, &stage.all_at(0.0));
                stage.play_on(0.2, &stage.all_at(0.5));
                bencher.iter_custom(|times| (0..times).map(|_| stage.play(&stage.moving())).sum::<Duration>());
            });
        }
        group.finish();
    }
}

criterion_group! {
    name = benches;
    config = Criterion::default().warm_up_time(Duration::from_millis(500)).measurement_time(Duration::from_secs(2));
    targets = blocks
}
criterion_main!(benches);

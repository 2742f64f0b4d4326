//! Checking a piece: from its text to its plan.

mod stage;

use criterion::{Criterion, criterion_group, criterion_main};
use stage::{MICS, checked, costly, piece};
use std::hint::black_box;
use tenterhook_config::Text;

fn checking(c: &mut Criterion) {
    let large = piece(MICS, &costly());
    let many = format!("a piece of {} effects", 2 * MICS * costly().len());
    for (name, text) in [("the demo", include_str!("../scenes/demo.toml")), (&many, &large)] {
        let text = Text::new("piece.toml", text);
        c.bench_function(&format!("checking {name}"), |bencher| {
            bencher.iter(|| checked(black_box(&text)).expect("nothing is wrong with it"));
        });
    }
    let wrong = Text::new("piece.toml", large.replace("by = \"", "bye = \""));
    c.bench_function("checking a piece with every effect wrong", |bencher| {
        bencher.iter(|| checked(black_box(&wrong)).expect_err("a key that there is not"));
    });
}

criterion_group!(benches, checking);
criterion_main!(benches);

//! No page is new to the audio thread: all memory that an engine will write is touched when it is built.

use tenterhook_plan::SceneId;

use super::run::{PIECE, plan, sound};
use super::{TOUR, tour};
use crate::engine;

/// Page faults of this thread that the system answered without a disk (Linux, proc(5), `stat`, field 10).
fn faults() -> u64 {
    let text = std::fs::read_to_string("/proc/thread-self/stat").unwrap();
    let (_, fields) = text.rsplit_once(") ").unwrap();
    fields.split(' ').nth(10 - 3).unwrap().parse().unwrap()
}

/// The page faults of every block of the tour, from the engine's first on.
fn of_the_tour() -> Vec<u64> {
    const BLOCK: usize = 256;
    let (mut engine, control) = engine(&plan(PIECE), 48_000, SceneId(0));
    let (inputs, events) = (sound(TOUR), tour());
    let mut outputs = [[0.0f32; BLOCK]; 3];
    let block = |from: usize| {
        let inputs: Vec<&[f32]> = inputs.iter().map(|channel| &channel[from..from + BLOCK]).collect();
        let mut outputs: Vec<&mut [f32]> = outputs.iter_mut().map(|channel| &mut channel[..]).collect();
        let first = events.partition_point(|event| event.sample < from as u64);
        let after = events.partition_point(|event| event.sample < (from + BLOCK) as u64);
        let before = faults();
        engine.process(&inputs, &mut outputs, &events[first..after]);
        faults() - before
    };
    let faults = (0..TOUR / BLOCK).map(|block| block * BLOCK).map(block).collect();
    // Its memory must not be given back, and so serve the next one.
    std::mem::forget((engine, control));
    faults
}

#[test]
fn no_page_is_new_to_the_audio_thread() {
    // The first time the program's own code and tables come from its file.
    of_the_tour();
    let faults = of_the_tour();
    let first = faults.iter().position(|&count| count > 0);
    assert_eq!(faults.iter().sum::<u64>(), 0, "the first of them in block {first:?}");
}

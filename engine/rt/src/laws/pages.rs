//! No page is new to the audio thread: all memory that an engine will write is touched when it is built.

use std::io::Read;

use tenterhook_plan::SceneId;

use super::run::{PIECE, plan_in, sound};
use super::{TOUR, tour};
use crate::engine;

/// Page faults of this thread that the system answered without a disk (Linux, proc(5), `stat`, field 10).
#[allow(clippy::disallowed_types, reason = "the system is asked by a file")]
fn faults() -> u64 {
    // Room that is there already: what is asked must not be changed by asking.
    let mut room = [0; 1024];
    let length = std::fs::File::open("/proc/thread-self/stat").unwrap().read(&mut room).unwrap();
    let (_, fields) = std::str::from_utf8(&room[..length]).unwrap().rsplit_once(") ").unwrap();
    fields.split(' ').nth(10 - 3).unwrap().parse().unwrap()
}

/// The page faults of every block of the tour, from the engine's first on.
fn of_the_tour() -> Vec<u64> {
    const BLOCK: usize = 256;
    let hall = "outputs.left = { away = \"3 m\" }\noutputs.right = { away = \"14 m\" }\n";
    let (mut engine, control) = engine(&plan_in(PIECE, hall), 48_000, SceneId(0));
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
    // The system has faults of its own now and then; a page that was forgotten is new in the same block each time.
    let tours = [(); 3].map(|()| of_the_tour());
    let least = |block: usize| tours.iter().map(|tour| tour[block]).min().unwrap();
    let forgotten: Vec<_> = (0..tours[0].len()).filter(|&block| least(block) > 0).collect();
    assert!(forgotten.is_empty(), "in blocks {forgotten:?}");
}

#[test]
fn a_page_that_is_new_is_counted() {
    // The control. Zeros that nobody has written are no memory yet (Linux, mmap(2), private anonymous mappings), where the
    // allocator cannot have them from before: it never keeps so much.
    let mut room = vec![0u8; 64 << 20];
    let before = faults();
    room.iter_mut().step_by(4096).for_each(|byte| *byte = 1);
    let counted = faults() - before;
    assert!(std::hint::black_box(&room)[4096] == 1 && counted > 0, "{counted} pages");
    let before = faults();
    room.iter_mut().step_by(4096).for_each(|byte| *byte = 2);
    assert!(faults() - before < counted, "what was written is not new");
}

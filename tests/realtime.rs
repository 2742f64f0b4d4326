//! The real-time law, by a guard allocator: `process` neither allocates nor frees, whatever is asked of it and whatever
//! the control half leaves undone. Locks and waits are out of this guard's sight: `sanitizer.rs` and the bans that
//! `fence.rs` checks look for them.

#[path = "../engine/rt/src/laws/beside.rs"]
mod beside;

use assert_no_alloc::{AllocDisabler, assert_no_alloc, violation_count};
use beside::Beside;
use tenterhook_config::{Text, check_with};
use tenterhook_plan::{
    Address, ControllerId, Event, Gesture, Message, MicId, Midi, OutputId, Plan, SceneId, Timed, unit,
};
use tenterhook_rt::{Control, Engine, engine};

#[global_allocator]
static GUARD: AllocDisabler = AllocDisabler;

const RATE: u32 = 48_000;
const WORKOUT: &str = include_str!("../engine/rt/src/laws/workout.toml");
const CHANGED: &str = include_str!("../engine/rt/src/laws/workout-changed.toml");

fn plan(piece: &str) -> Plan {
    let checked = check_with(&Text::new("workout.toml", piece), None, &Beside);
    checked.unwrap_or_else(|report| panic!("{}", report.render(false))).plan
}

/// Both halves of an engine, and the buffers of its device. The counts are of the thread that runs it.
struct Run {
    engine: Engine,
    control: Option<Control>,
    inputs: Vec<Vec<f32>>,
    outputs: Vec<Vec<f32>>,
    at: usize,
    peak: f32,
}

const CHANNELS: usize = 3;
const MOST: usize = 1024;

impl Run {
    fn new(piece: &str, inputs: Vec<Vec<f32>>) -> Self {
        Self::at(RATE, piece, inputs)
    }

    fn at(rate: u32, piece: &str, inputs: Vec<Vec<f32>>) -> Self {
        let (engine, control) = engine(&plan(piece), rate, SceneId(0));
        let outputs = vec![vec![0.0; MOST]; CHANNELS];
        Self { engine, control: Some(control), inputs, outputs, at: 0, peak: 0.0 }
    }

    fn control(&mut self) -> &mut Control {
        self.control.as_mut().expect("the control half is still there")
    }

    /// One block, guarded; the input begins again at its end.
    fn block(&mut self, frames: usize, events: &[Timed<Event>]) {
        if self.at + frames > self.inputs[0].len() {
            self.at = 0;
        }
        let (engine, range) = (&mut self.engine, self.at..self.at + frames);
        let inputs: [&[f32]; CHANNELS] = std::array::from_fn(|n| &self.inputs[n][range.clone()]);
        let mut outputs = self.outputs.iter_mut();
        let mut outputs: [&mut [f32]; CHANNELS] = std::array::from_fn(|_| &mut outputs.next().unwrap()[..frames]);
        assert_no_alloc(|| engine.process(&inputs, &mut outputs, events));
        self.at += frames;
        for sample in self.outputs.iter().flat_map(|channel| &channel[..frames]) {
            assert!(sample.is_finite(), "at sample {}", self.engine.sample());
            self.peak = self.peak.max(sample.abs());
        }
    }

    /// So many seconds in blocks of changing lengths.
    fn seconds(&mut self, seconds: f64) {
        let end = self.engine.sample() + (seconds * f64::from(RATE)) as u64;
        for frames in [64, 128, 1, 333, 32, MOST, 31].into_iter().cycle() {
            if self.engine.sample() >= end {
                return;
            }
            self.block(frames, &[]);
        }
    }

    /// One event, its sample in the middle of a block.
    fn event(&mut self, event: Event) {
        let sample = self.engine.sample() + 50;
        self.block(128, &[Timed { sample, what: event }]);
    }

    fn gesture(&mut self, gesture: Gesture) {
        self.event(Event::written(gesture));
    }

    /// Every controller by a written value, as a switch, and by its own MIDI message if it has one.
    fn move_every_controller(&mut self, plan: &Plan) {
        for (index, controller) in plan.controllers.iter().enumerate() {
            let id = ControllerId::new(index);
            for value in [0.0, 0.02, 0.4, 1.0, f32::NAN, 0.7, -1.0, 2.0, 0.5] {
                self.gesture(Gesture::Controller { id, value: if value.is_nan() { value } else { unit(value) } });
            }
            for down in [true, false, true, true, false] {
                self.gesture(Gesture::Press { id, down });
            }
            if let Address::Midi { message, .. } = controller.address {
                for value in [0, 127, 64, 0, 1, 100] {
                    let bytes = match message {
                        Message::Control { number, .. } => [0xB0, number, value],
                        Message::Note { number } => [0x90, number, value],
                    };
                    self.event(Event::Midi(Midi { ports: u64::MAX, bytes }));
                }
            }
            self.seconds(0.05);
        }
    }

    /// Every kind of gesture, in every scene, also such as name nothing.
    fn do_everything(&mut self, plan: &Plan) {
        for scene in (0..=plan.scenes.len()).map(SceneId::new) {
            self.gesture(Gesture::Fire(scene));
            self.move_every_controller(plan);
            for mic in (0..=plan.mics.len()).map(MicId::new) {
                self.gesture(Gesture::Mute { mic, muted: true });
                self.seconds(0.01);
                self.gesture(Gesture::Mute { mic, muted: false });
            }
            for output in (0..=plan.outputs.len()).map(|index| Some(OutputId::new(index))).chain([None]) {
                for db in [-130.0, 30.0, f32::NAN, -6.0] {
                    self.gesture(Gesture::Level { output, db });
                }
            }
            self.gesture(Gesture::Hush(true));
            self.move_every_controller(plan);
            self.gesture(Gesture::Hush(false));
            self.seconds(0.1);
        }
        for gesture in [Gesture::Back, Gesture::Back, Gesture::Next, Gesture::Next, Gesture::Next, Gesture::Next] {
            self.gesture(gesture);
        }
        for id in [u16::MAX, 999] {
            self.gesture(Gesture::Controller { id: ControllerId(id), value: 1.0 });
            self.gesture(Gesture::Press { id: ControllerId(id), down: true });
        }
    }
}

/// Three players.
fn players() -> Vec<Vec<f32>> {
    let player = |hz: f32| {
        (0..RATE).map(|i| 0.3 * (std::f32::consts::TAU * hz * i as f32 / RATE as f32).sin()).collect::<Vec<_>>()
    };
    [220.0, 294.0, 110.0].map(player).to_vec()
}

/// What no microphone should send.
fn hostile() -> Vec<Vec<f32>> {
    let odd = [f32::NAN, f32::INFINITY, 1e-42, -1e-40, 1e30, 1.0, -1.0, f32::NEG_INFINITY, f32::MIN_POSITIVE, 0.0];
    (1..=CHANNELS).map(|n| (0..RATE as usize).map(|i| odd[(i / (17 * n)) % odd.len()]).collect()).collect()
}

/// Allocations and frees within `process` while `work` runs.
fn counted(work: impl FnOnce()) -> u32 {
    let before = violation_count();
    work();
    violation_count() - before
}

#[test]
fn the_guard_counts_an_allocation_and_a_free() {
    let kept = std::cell::RefCell::new(None);
    let allocated = counted(|| assert_no_alloc(|| *kept.borrow_mut() = Some(std::hint::black_box(Box::new(1.0f32)))));
    assert_eq!(allocated, 1);
    let freed = counted(|| assert_no_alloc(|| drop(kept.borrow_mut().take())));
    assert_eq!(freed, 1);
}

#[test]
fn everything_that_can_be_asked_of_it_allocates_and_frees_nothing() {
    let runs = [
        (RATE, WORKOUT, players()),
        (RATE, WORKOUT, hostile()),
        (RATE, CHANGED, players()),
        (8_000, WORKOUT, players()),
        (192_000, WORKOUT, hostile()),
    ];
    for (rate, piece, sound) in runs {
        let mut run = Run::at(rate, piece, sound);
        assert_eq!(counted(|| run.do_everything(&plan(piece))), 0);
        assert!(run.peak > 0.05, "a run in which nothing sounds proves little");
    }
}

#[test]
fn blocks_of_any_shape_are_taken() {
    let mut run = Run::new(WORKOUT, players());
    run.do_everything(&plan(WORKOUT));
    let sound = vec![0.5f32; 64];
    let wrong = [0, 3, 70, u64::MAX].map(|sample| Timed { sample, what: Event::written(Gesture::Next) });
    let shapes = [
        // Lengths of inputs and of outputs: none, too few, too many, unequal, empty.
        (vec![], vec![64, 64, 64]),
        (vec![64, 64, 64], vec![]),
        (vec![64], vec![64]),
        (vec![64; 9], vec![64; 9]),
        (vec![64, 1, 33], vec![7, 64, 64]),
        (vec![0, 64, 64], vec![64, 64, 64]),
        (vec![], vec![]),
    ];
    for (inputs, outputs) in shapes {
        let inputs: Vec<&[f32]> = inputs.iter().map(|&length| &sound[..length]).collect();
        let mut made: Vec<Vec<f32>> = outputs.iter().map(|&length| vec![f32::NAN; length]).collect();
        let mut outputs: Vec<&mut [f32]> = made.iter_mut().map(Vec::as_mut_slice).collect();
        let engine = &mut run.engine;
        assert_eq!(counted(|| assert_no_alloc(|| engine.process(&inputs, &mut outputs, &wrong))), 0);
        assert!(made.iter().flatten().all(|sample| sample.is_finite()), "nothing is left as it was found");
    }
}

#[test]
fn pieces_are_swapped_and_their_tables_handed_home_while_nobody_takes_them() {
    let mut run = Run::new(WORKOUT, players());
    let (workout, changed) = (plan(WORKOUT), plan(CHANGED));
    for _ in 0..3 {
        // `replace` takes home what came back before; so all are sent at once, as many as the ring holds, and what comes
        // back of them lies in its places until long after.
        let sent =
            [&changed, &workout].into_iter().cycle().take_while(|plan| run.control().replace(plan).is_ok()).count();
        assert!(sent >= 4, "{sent}");
        let everything = counted(|| {
            // Each swap takes some 20 ms: they fall between these.
            for value in [1.0, 0.0, 0.6, 0.9] {
                for id in (0..workout.controllers.len()).map(ControllerId::new) {
                    run.gesture(Gesture::Controller { id, value });
                }
            }
            run.do_everything(&changed);
        });
        assert_eq!(everything, 0);
    }
    // The positive control: tables did come home.
    while run.control().applied().is_some() {}
    assert_eq!(run.control().plan(), &workout, "the last of the pieces is in force");
}

#[test]
fn the_audio_half_frees_nothing_when_the_control_half_is_gone() {
    let mut run = Run::new(WORKOUT, players());
    let changed = plan(CHANGED);
    while run.control().replace(&changed).is_ok() {}
    while run.control().send(Event::written(Gesture::Next)).is_ok() {}
    run.control = None;
    assert_eq!(counted(|| run.do_everything(&changed)), 0);
}

#[test]
fn rings_that_nobody_drains_fill_up_and_cost_nothing() {
    let mut run = Run::new(WORKOUT, players());
    // More than the rings hold, of records and of readings.
    let (fires, moves) = (9_000, 60_000);
    let mut written = 0;
    let mut flood = |run: &mut Run, count: usize, event: &dyn Fn(usize) -> Gesture| {
        for first in (0..count).step_by(500) {
            let sample = run.engine.sample();
            let events: Vec<_> = (first..first + 500)
                .map(|n| Timed { sample: sample + (n - first) as u64 / 8, what: Event::written(event(n)) })
                .collect();
            written += events.len() as u64;
            run.block(64, &events);
        }
    };
    let filled = counted(|| {
        flood(&mut run, fires, &|n| Gesture::Fire(SceneId((n % 4) as u16)));
        flood(&mut run, moves, &|n| Gesture::Controller { id: ControllerId(1), value: (n % 10) as f32 / 10.0 });
    });
    assert_eq!(filled, 0);
    let control = run.control();
    let (mut readings, mut applied) = (0, 0);
    while control.reading().is_some() {
        readings += 1;
    }
    assert!(readings < fires, "the ring of readings was full: {readings} of more than {fires}");
    while control.applied().is_some() {
        applied += 1;
    }
    let lost = control.lost();
    assert!(lost > 0, "the ring of records was full");
    // One more line says which scene was in force from the start.
    assert_eq!(applied + lost, written + 1, "what was lost is counted");
}

#[test]
fn a_full_ring_of_events_is_worked_off_without_allocating() {
    let mut run = Run::new(WORKOUT, players());
    let bytes =
        |n: u8| Event::Midi(Midi { ports: u64::from(n), bytes: [0xB0 | (n % 16), n % 128, n.wrapping_mul(7) % 128] });
    let mut sent = 0u64;
    while run.control().send(bytes(sent as u8)).is_ok() {
        sent += 1;
    }
    assert!(sent > 1_000);
    assert_eq!(counted(|| run.seconds(1.0)), 0);
    assert!(run.control().send(bytes(0)).is_ok(), "they were taken");
}

//! The real-time law, tested as laws on whole runs of a piece that uses everything.

mod beside;
mod blocks;
mod clicks;
mod delays;
mod flush;
mod hands;
mod hearing;
mod howl;
mod levels;
mod loudness;
mod moves;
mod neighbours;
#[cfg(target_os = "linux")]
mod pages;
mod pools;
mod random;
mod readings;
mod run;
mod saboteurs;
mod sample;
#[cfg(rtsan)]
mod sanitized;
mod trims;
mod who;

use proptest::prelude::*;
use run::{PIECE, Run, gesture, plan, sound};
use tenterhook_plan::{Applied, Event, Gesture, Plan, SceneId, Timed};

/// Gestures that touch everything once, at samples that are on no line. They take [`TOUR`] frames.
fn tour() -> Vec<Timed<Event>> {
    let plan = plan(PIECE);
    [
        (0.05, "pedal", "1"),
        (0.07, "wheel", "0.9"),
        (0.10, "lever", "1"),
        (0.21, "foot", "0.02"),
        (0.22, "foot", "0.4"),
        (0.30, "foot", "0.7"),
        (0.35, "lever", "0.3"),
        (0.40, "lever", "0"),
        (0.45, "level/left", "-6"),
        (0.47, "wheel", "0"),
        (0.50, "fire", "B"),
        (0.61, "wheel", "0.8"),
        (0.62, "held", "1"),
        (0.65, "foot", "0.6"),
        (0.80, "pedal", "0"),
        (0.90, "pedal", "0.9"),
        (1.00, "fire", "C"),
        (1.02, "lever", "0.2"),
        (1.05, "wheel", "0"),
        (1.10, "wheel", "1"),
        (1.12, "held", "0"),
        (1.14, "held", "1"),
        (1.15, "lever", "0.9"),
        (1.22, "lever", "0.4"),
        (1.30, "hush", "1"),
        (1.40, "fire", "A"),
        (1.60, "hush", "0"),
        (1.65, "pedal", "0"),
        (1.70, "pedal", "1"),
        (1.90, "mute/voice", "1"),
        (2.10, "level", "-3"),
        (2.20, "mute/voice", "0"),
        (2.40, "fire", "D"),
        (2.60, "fire", "A"),
        (2.61, "fire", "B"),
        (2.62, "fire", "C"),
        (2.80, "pedal", "0"),
        (3.00, "fire", "E"),
        (3.03, "foot", "1"),
        // A phrase has ended, and is answered.
        (4.00, "mute/viol", "1"),
    ]
    .map(|(seconds, controller, value)| gesture(&plan, seconds, controller, value))
    .to_vec()
}

/// The frames of the tour.
const TOUR: usize = 4 * 48_000 + 24_000;

fn bits(sound: &[Vec<f32>]) -> Vec<Vec<u32>> {
    sound.iter().map(|channel| channel.iter().map(|sample| sample.to_bits()).collect()).collect()
}

fn render(cuts: &[usize], events: &[Timed<Event>], frames: usize) -> Vec<Vec<f32>> {
    Run::new(PIECE).cuts(cuts).events(events).render(&sound(frames))
}

#[test]
fn the_output_is_the_same_bits_however_the_run_is_cut_into_blocks() {
    let frames = TOUR;
    let whole = render(&[64], &tour(), frames);
    let loudest = whole.iter().flatten().fold(0.0f32, |most, sample| most.max(sample.abs()));
    assert!(loudest > 0.05, "the tour must be heard: {loudest}");
    for cuts in [&[32][..], &[100], &[128], &[1024], &[1], &[frames], &[1, 31, 7, 64, 333, 2, 1024, 13]] {
        let cut = render(cuts, &tour(), frames);
        assert!(bits(&cut) == bits(&whole), "blocks of {cuts:?}");
    }
}

#[test]
fn every_effect_of_the_table_is_heard_in_the_tour() {
    let frames = TOUR;
    let heard = |plan: &Plan| bits(&Run::of(plan).events(&tour()).render(&sound(frames)));
    let whole = heard(&plan(PIECE));
    for effect in &tenterhook_dsp::effects::EFFECTS {
        let name = effect.declaration.name;
        let mut without = plan(PIECE);
        for scene in &mut without.scenes {
            scene.uses.retain(|one| without.instances[one.instance.index()].effect != name);
        }
        assert!(
            heard(&without) != whole,
            "{name} is not heard in the tour: write it into a scene of laws/workout.toml, and a gesture that works it into tour()"
        );
    }
}

#[test]
fn so_it_is_at_other_rates() {
    for rate in [8_000, 44_100, 96_000] {
        let run = |cuts: &[usize]| {
            let mut run = Run::at(&plan(PIECE), rate, SceneId(0)).cuts(cuts).events(&tour());
            bits(&run.render(&sound(TOUR)))
        };
        assert!(run(&[1024]) == run(&[100, 7, 32]), "{rate} Hz");
    }
}

#[test]
#[cfg(debug_assertions)]
#[should_panic(expected = "attempt to add with overflow")]
fn a_number_that_overflows_breaks_a_law() {
    std::hint::black_box(std::hint::black_box(u8::MAX) + std::hint::black_box(1));
}

#[test]
fn the_same_run_twice_is_the_same_bits() {
    assert!(bits(&render(&[128], &tour(), 96_000)) == bits(&render(&[128], &tour(), 96_000)));
}

#[test]
fn the_flush_mode_of_the_processor_is_no_matter() {
    // A sound that decays into numbers so small that its filters and spectra would be full of denormal ones.
    let mut dying = sound(2 * 48_000);
    for channel in &mut dying {
        for (i, sample) in channel.iter_mut().enumerate() {
            *sample *= 10f32.powf(-(i as f32) / 3000.0);
        }
    }
    let run = || Run::new(PIECE).cuts(&[64]).events(&tour()).render(&dying);
    let (kept, flushed) = (run(), flush::flushed(run));
    assert!(bits(&kept) == bits(&flushed));
    // The control: the flush mode does matter to plain arithmetic.
    let tiny = std::hint::black_box(1e-30f32);
    let square = || std::hint::black_box(std::hint::black_box(tiny) * std::hint::black_box(1e-10f32));
    assert_ne!(square(), flush::flushed(square));
}

#[test]
fn while_everything_rests_the_outputs_are_exactly_0() {
    let out = render(&[128], &[], 48_000);
    assert!(out.iter().flatten().all(|sample| sample.to_bits() == 0), "+0.0 and nothing else");
}

#[test]
fn hush_is_silence_within_200_ms_and_until_it_is_released() {
    let plan = plan(PIECE);
    let events = [("fire", "B", 0.1), ("wheel", "1", 0.2), ("held", "1", 0.2), ("hush", "1", 0.5), ("wheel", "0", 1.0)]
        .map(|(controller, value, seconds)| gesture(&plan, seconds, controller, value));
    let out = render(&[128], &events, 96_000);
    let sounding = |from: f64, to: f64| {
        let range = (from * 48e3) as usize..(to * 48e3) as usize;
        out.iter().flat_map(|channel| &channel[range.clone()]).any(|&sample| sample != 0.0)
    };
    assert!(sounding(0.3, 0.5));
    assert!(!sounding(0.7, 2.0));
}

#[test]
fn what_was_applied_played_back_is_the_same_run() {
    let frames = TOUR;
    // Presses of latches, next and back leave their results behind, and these stand for themselves.
    let raw = [
        (4_000u64, Event::written(Gesture::Next)),
        (9_001, Event::Midi(tenterhook_plan::Midi { ports: 0, bytes: [0xB0, 67, 127] })),
        (20_000, Event::Midi(tenterhook_plan::Midi { ports: 0, bytes: [0xB0, 67, 0] })),
        (30_003, Event::Midi(tenterhook_plan::Midi { ports: 0, bytes: [0xB0, 67, 127] })),
        (50_007, Event::written(Gesture::Back)),
        (60_001, Event::Midi(tenterhook_plan::Midi { ports: 0, bytes: [0xB3, 64, 127] })),
        (90_001, Event::Midi(tenterhook_plan::Midi { ports: 1, bytes: [0xB0, 66, 127] })),
        (120_001, Event::Midi(tenterhook_plan::Midi { ports: 0, bytes: [0x90, 24, 1] })),
    ]
    .map(|(sample, what)| Timed { sample, what });
    let mut live = Run::new(PIECE).cuts(&[64]).events(&raw);
    let heard = live.render(&sound(frames));
    let applied = live.applied();
    assert!(applied.len() >= 6, "{applied:?}");
    let again: Vec<_> =
        applied.iter().map(|applied| Timed { sample: applied.sample, what: Event::written(applied.what) }).collect();
    let mut played = Run::new(PIECE).cuts(&[333]).events(&again);
    assert!(bits(&played.render(&sound(frames))) == bits(&heard));
    // The first line stands for the scene that was in force from the start: there it is both said and found.
    let bare = |applied: &[Applied]| applied.iter().map(|one| (one.sample, one.what)).collect::<Vec<_>>();
    assert_eq!(bare(&played.applied()[1..]), bare(&applied));
}

#[test]
fn a_run_begun_at_a_mark_is_the_run_that_fires_it_at_its_first_sample() {
    let mut late = Run::from(PIECE, SceneId(1)).events(&[]);
    let fire = Timed { sample: 0, what: Event::written(Gesture::Fire(SceneId(1))) };
    let mut fired = Run::new(PIECE).events(&[fire]);
    let (late, fired) = (late.render(&sound(48_000)), fired.render(&sound(48_000)));
    assert!(late.iter().flatten().any(|&sample| sample != 0.0));
    assert!(bits(&late) == bits(&fired));
}

#[test]
fn a_changed_piece_that_changes_nothing_is_not_heard() {
    let frames = 2 * 48_000;
    let plain = render(&[64], &tour(), frames);
    let mut swapped = Run::new(PIECE).cuts(&[64]).events(&tour()).replace_every(7_000, &[PIECE]);
    assert!(bits(&swapped.render(&sound(frames))) == bits(&plain));
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 24, ..Default::default() })]

    #[test]
    fn whatever_happens_the_output_is_finite_and_under_its_ceiling(
        events in random::events(40, 48_000),
        cuts in prop::collection::vec(1usize..700, 1..6),
        swaps in 2_000usize..40_000,
        hostile in any::<bool>(),
    ) {
        let sound = if hostile { random::hostile(48_000) } else { sound(48_000) };
        let mut run = Run::new(PIECE).cuts(&cuts).events(&events).replace_every(swaps, &[run::CHANGED, PIECE]);
        let out = run.render(&sound);
        let ceilings = [-1.0f64, -3.0, -1.0].map(tenterhook_plan::gain);
        for (channel, ceiling) in out.iter().zip(ceilings) {
            prop_assert!(channel.iter().all(|sample| sample.is_finite() && sample.abs() <= ceiling));
        }
    }

    #[test]
    fn random_runs_are_the_same_bits_however_they_are_cut(
        events in random::events(40, 40_000),
        cuts in prop::collection::vec(1usize..700, 1..6),
    ) {
        let sound = sound(40_000);
        let whole = Run::new(PIECE).cuts(&[40_000]).events(&events).render(&sound);
        let cut = Run::new(PIECE).cuts(&cuts).events(&events).render(&sound);
        prop_assert!(bits(&whole) == bits(&cut));
    }
}

//! What the engine tells of itself is how it is.

use std::collections::BTreeMap;

use super::random;
use super::run::{CHANGED, PIECE, Run, gesture, plan, sound};
use crate::{Engine, EngineReport, Reading};
use proptest::prelude::*;
use tenterhook_config::{Text, check};
use tenterhook_plan::{
    Channel, EffectState, Event, Gesture, MeterReading, MicId, OutputId, Plan, SceneId, Timed, gain,
};

/// More than the ring of readings holds.
const FLOOD: u16 = 9000;

/// All that was told.
#[derive(Default)]
struct Heard {
    scene: Option<(SceneId, u64)>,
    effects: BTreeMap<usize, EffectState>,
    held: BTreeMap<usize, Option<(u64, u64)>>,
    loudness: BTreeMap<usize, Vec<f32>>,
    wired: BTreeMap<usize, bool>,
    meters: Vec<Seen>,
    installed: usize,
}

#[derive(Clone, Copy, Debug)]
struct Seen {
    sample: u64,
    channel: Channel,
    peak: f32,
    reduction: f32,
    bad: u64,
}

impl Heard {
    fn take_in(&mut self, report: EngineReport) {
        match report {
            EngineReport::Applied(_) => {}
            EngineReport::Installed => *self = Self { installed: self.installed + 1, ..Self::default() },
            EngineReport::Reading(reading) => match reading {
                Reading::Scene { sample, scene } => self.scene = Some((scene, sample)),
                Reading::Meter { sample, channel, meter: MeterReading { peak, reduction, bad, .. } } => {
                    self.meters.push(Seen { sample, channel, peak, reduction, bad });
                }
                Reading::Held { effect, span } => drop(self.held.insert(effect.index(), span)),
                Reading::Effect { effect, stands } => drop(self.effects.insert(effect.index(), stands)),
                Reading::Pitch { .. } | Reading::Onset { .. } => panic!("nobody asked for {reading:?}"),
                Reading::Loudness { id, value } => self.loudness.entry(id.index()).or_default().push(value),
                Reading::Broken { part, fault } => panic!("{part:?} broke at {}", fault.spot),
                Reading::Wired { id, turned } => drop(self.wired.insert(id.index(), turned)),
            },
        }
    }

    /// Nothing else is told than what is, and nothing is left out.
    fn is_true_of(&self, engine: &Engine) {
        assert_eq!(self.scene, Some((engine.scene, engine.since)));
        for (index, resident) in engine.compiled.residents.iter().enumerate() {
            // What was never told is out and holds nothing.
            let told = self.effects.get(&index).copied().unwrap_or_default();
            let (holds, lacks) = resident.told_by_voices(&engine.compiled.pools[resident.pool]);
            assert_eq!(told, resident.stands(engine.hushed, lacks), "{index}");
            assert_eq!(self.held.get(&index).copied().flatten(), holds, "{index}");
        }
        for loudness in &engine.compiled.loudness {
            let index = loudness.id.index();
            let (is, told) = (engine.compiled.controllers[index].value, *self.loudness[&index].last().unwrap());
            assert!((is - told).abs() <= 0.005 && (is != 0.0 || told == 0.0), "{is} was told as {told}");
        }
        assert_eq!(self.loudness.len(), engine.compiled.loudness.len());
        let hands = engine.compiled.midi.hands.iter();
        let wired = hands.filter_map(|hand| Some((hand.id().index(), hand.turned()?))).collect();
        assert_eq!(self.wired, wired);
    }

    fn of(&self, channel: Channel) -> impl Iterator<Item = Seen> {
        self.meters.iter().copied().filter(move |seen| seen.channel == channel)
    }
}

impl Run {
    /// One block; what is told stays in its ring.
    fn block(&mut self, sound: &[Vec<f32>], events: &[Timed<Event>]) {
        let inputs: Vec<&[f32]> = sound.iter().map(Vec::as_slice).collect();
        let mut out = vec![vec![0.0; sound[0].len()]; 3];
        let mut outputs: Vec<&mut [f32]> = out.iter_mut().map(Vec::as_mut_slice).collect();
        self.engine.process(&inputs, &mut outputs, events);
    }

    fn hear(&mut self, heard: &mut Heard) {
        while let Some(report) = self.control.report() {
            heard.take_in(report);
        }
    }

    /// Silence until just after the next samples at which readings are told.
    fn reach_reading(&mut self) {
        let span = self.engine.compiled.timings.reading_cells * tenterhook_dsp::CELL;
        let left = span - self.engine.sample() % span + 1;
        self.block(&vec![vec![0.0; left as usize]; 3], &[]);
    }

    /// Fires until no reading finds room any more.
    fn flood(&mut self) {
        let sample = self.engine.sample();
        let fire = |n: u16| Timed { sample, what: Event::written(Gesture::Fire(SceneId(n % 2))) };
        self.block(&vec![vec![0.0; 1]; 3], &(0..FLOOD).map(fire).collect::<Vec<_>>());
    }
}

fn small(text: &str) -> Plan {
    check(&Text::new("small.toml", text), None).expect("nothing is wrong with it").plan
}

/// A mic that goes as it is to two outputs with a ceiling of -6 dB.
fn open() -> Plan {
    let mut plan = small(
        "mics = { voice = 1 }\n[outputs]\nleft = { output = 1, ceiling = \"-6 dB\" }\n\
         right = { output = 2, ceiling = \"-6 dB\" }\n[[scene]]\nmark = \"A\"\n\
         mic.voice.direct = { by = \"scene\", to = { left = \"0 dB\", right = \"0 dB\" } }\n",
    );
    plan.mics[0].highpass_hz = None;
    plan
}

#[test]
fn the_limiters_least_gain_is_told_and_ends_when_it_does() {
    let mut run = Run::of(&open());
    let (mut heard, mut after) = (Heard::default(), Heard::default());
    run.block(&[vec![0.8; 48_000]], &[]);
    run.reach_reading();
    run.hear(&mut heard);
    let left = Channel::Output(OutputId(0));
    let least = heard.of(left).map(|seen| seen.reduction).fold(1.0, f32::min);
    assert!((least - gain(-6.0) / 0.8).abs() < 1e-4, "{least}");
    run.block(&[vec![0.0; 96_000]], &[]);
    run.hear(&mut after);
    assert_eq!(after.of(left).last().unwrap().reduction, 1.0);
    assert!(heard.of(Channel::Mic(MicId(0))).all(|seen| seen.reduction == 1.0), "a mic has no limiter");
}

#[test]
fn what_the_limiter_of_a_shared_channel_does_is_told_of_each_of_its_outputs() {
    let mut plan = open();
    plan.outputs[1].channel = plan.outputs[0].channel;
    let mut run = Run::of(&plan);
    let mut heard = Heard::default();
    // Alone each stays under its ceiling of 0.501, together they do not.
    run.block(&[vec![0.4; 48_000]], &[]);
    run.reach_reading();
    run.hear(&mut heard);
    for output in [OutputId(0), OutputId(1)] {
        let least = heard.of(Channel::Output(output)).map(|seen| seen.reduction).fold(1.0, f32::min);
        assert!((least - gain(-6.0) / 0.8).abs() < 1e-4, "{least}");
    }
}

#[test]
fn every_sample_that_is_no_number_is_counted() {
    let mut run = Run::new(PIECE);
    let sound = random::hostile(96_000);
    let mut heard = Heard::default();
    run.block(&sound, &[]);
    run.hear(&mut heard);
    for (index, channel) in sound.iter().enumerate() {
        let seen: Vec<Seen> = heard.of(Channel::Mic(MicId::new(index))).collect();
        assert!(seen.len() > 55);
        for Seen { sample, bad, .. } in seen {
            let count = channel[..sample as usize].iter().filter(|sample| !sample.is_finite()).count();
            assert_eq!(bad, count as u64, "mic {index} at {sample}");
        }
    }
}

/// Does each step, then looks at the effects whose keys begin so.
fn steps(steps: &[(&str, &str, &str, &[EffectState])]) {
    let plan = plan(PIECE);
    let (mut run, mut heard) = (Run::of(&plan), Heard::default());
    for &(controller, value, key, expected) in steps {
        let mut event = gesture(&plan, 0.0, controller, value);
        event.sample = run.engine.sample();
        run.block(&vec![vec![0.1; 64]; 3], &[event]);
        run.reach_reading();
        run.hear(&mut heard);
        heard.is_true_of(&run.engine);
        let named = plan.instances.iter().enumerate().filter(|(_, instance)| instance.key == key);
        let stand: Vec<EffectState> = named
            .filter_map(|(index, _)| heard.effects.get(&index).copied())
            .filter(|&one| one != EffectState::Out)
            .collect();
        assert_eq!(stand, expected, "{key} after {controller} {value}");
    }
}

#[test]
fn after_a_hush_an_effect_waits_until_its_controller_was_at_rest() {
    use EffectState::{Hushed, On, Ready, Waits};
    steps(&[
        ("pedal", "0", "freeze", &[Ready]),
        ("pedal", "1", "freeze", &[On]),
        ("hush", "1", "freeze", &[Hushed]),
        ("hush", "1", "stretch", &[Hushed]),
        ("hush", "0", "freeze", &[Waits]),
        ("hush", "0", "stretch", &[Ready]),
        ("pedal", "0.5", "freeze", &[Waits]),
        ("pedal", "0", "freeze", &[Ready]),
        ("pedal", "1", "freeze", &[On]),
        ("fire", "D", "freeze", &[]),
    ]);
}

#[test]
fn what_is_new_in_a_scene_waits_for_a_controller_that_is_held() {
    use EffectState::{Hushed, On, Ready, Waits, WaitsOrMoves};
    steps(&[
        ("wheel", "0.5", "stretch", &[Ready]),
        ("fire", "B", "stretch", &[WaitsOrMoves, WaitsOrMoves]),
        ("wheel", "0.52", "stretch", &[WaitsOrMoves, WaitsOrMoves]),
        ("wheel", "0.6", "stretch", &[On, On]),
        ("fire", "B", "direct", &[On]),
        ("hush", "1", "direct", &[Hushed]),
        ("fire", "C", "direct", &[Hushed, Hushed]),
        // The other one's controller is a loudness, which has not come to rest yet.
        ("hush", "0", "direct", &[On, Waits]),
    ]);
}

#[test]
fn loudness_is_told_in_steps_and_ends_at_exactly_0() {
    let (mut run, mut heard) = (Run::new(PIECE), Heard::default());
    run.block(&sound(96_000), &[]);
    run.block(&vec![vec![0.0; 96_000]; 3], &[]);
    run.hear(&mut heard);
    assert_eq!(heard.loudness.len(), 1);
    let told = heard.loudness.values().next().unwrap();
    assert!(told.windows(2).all(|pair| (pair[1] - pair[0]).abs() > 0.005 || pair[1] == 0.0), "{told:?}");
    assert!(told.iter().any(|&value| value > 0.3));
    assert_eq!(told.last(), Some(&0.0));
}

#[test]
fn what_found_no_room_is_told_when_there_is_room_again() {
    let (mut run, mut heard) = (Run::new(PIECE), Heard::default());
    run.flood();
    let peak = vec![vec![0.7; 64]; 3];
    let event = |what| Timed { sample: 0, what: Event::written(what) };
    run.block(&peak, &[event(Gesture::Fire(SceneId(2))), event(Gesture::Hush(true))]);
    run.reach_reading();
    run.reach_reading();
    run.hear(&mut heard);
    assert_ne!(heard.scene, Some((run.engine.scene, run.engine.since)), "the control: it was lost");
    run.reach_reading();
    run.hear(&mut heard);
    heard.is_true_of(&run.engine);
    assert_eq!(heard.of(Channel::Mic(MicId(1))).last().unwrap().peak, 0.7, "the peak was kept");
}

#[test]
fn a_change_of_pieces_that_found_no_room_still_comes_before_all_that_belongs_to_it() {
    let (mut run, mut heard) = (Run::new(PIECE), Heard::default());
    run.flood();
    let changed = plan(CHANGED);
    run.control.replace(&changed).unwrap();
    run.reach_reading();
    run.reach_reading();
    run.hear(&mut heard);
    assert_eq!(run.control.plan(), &changed);
    assert_eq!((heard.installed, heard.scene), (1, None), "what the old piece said is no word of the new one");
    run.reach_reading();
    run.hear(&mut heard);
    heard.is_true_of(&run.engine);
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 24, ..Default::default() })]

    #[test]
    fn whatever_happens_what_was_told_is_how_it_is(
        events in random::events(60, 24_000),
        cuts in prop::collection::vec((1usize..2000, any::<bool>()), 8..30),
        swaps in prop::collection::vec(prop::option::of(any::<bool>()), 8..30),
        crowded in any::<bool>(),
    ) {
        let (mut run, mut heard) = (Run::new(PIECE), Heard::default());
        let (sound, pieces) = (sound(60_000), [plan(PIECE), plan(CHANGED)]);
        if crowded {
            run.flood();
        }
        let mut at = 0;
        for (&(cut, looks), swap) in cuts.iter().zip(&swaps) {
            if let Some(changed) = swap {
                // Four may wait; then there is no change.
                let _ = run.control.replace(&pieces[usize::from(*changed)]);
            }
            let block: Vec<Vec<f32>> = sound.iter().map(|channel| channel[at..at + cut].to_vec()).collect();
            let (from, to) = (run.engine.sample(), run.engine.sample() + cut as u64);
            let due: Vec<_> = events.iter().filter(|event| (from..to).contains(&event.sample)).copied().collect();
            run.block(&block, &due);
            at += cut;
            if looks {
                run.hear(&mut heard);
            }
        }
        run.hear(&mut heard);
        // The last changes take over, an exchange after the other.
        for _ in 0..6 {
            run.reach_reading();
            run.hear(&mut heard);
        }
        heard.is_true_of(&run.engine);
    }
}

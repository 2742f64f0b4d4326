//! The cut into blocks, for every effect begun at every sample of a cell, on what mics bring: plucked strings and words.

use tenterhook_dsp::effects::{EFFECTS, Effect};
use tenterhook_plan::declare::{Kind, Unit};
use tenterhook_plan::{ControllerId, Event, Gesture, Plan, SceneId, Timed};

use super::run::plan;
use crate::engine;

#[path = "../../../dsp/tests/effects/material.rs"]
mod material;

/// As many as there are samples in a cell.
const PLACES: usize = 32;
const FRAMES: usize = 26_000;

/// An effect in as many copies as a cell has samples, each worked by its own controller and sent to its own output; in
/// the second scene the scene itself works them.
fn piece(effect: &Effect) -> String {
    let name = effect.declaration.name;
    let settings = effect.declaration.settings.iter().map(|setting| match setting.kind {
        Kind::Sound => format!(", {} = \"letter.wav\"", setting.name),
        Kind::Tuning => format!(", {} = \"D3 A3 F#4\"", setting.name),
        // Of long times the shortest: there are many copies.
        Kind::Quantity { unit: Unit::Seconds, least, .. } => format!(", {} = \"{least} s\"", setting.name),
        _ => String::new(),
    });
    let settings: String = settings.collect();
    let all = |line: &dyn Fn(usize) -> String| (0..PLACES).map(line).collect::<Vec<_>>().join("\n");
    format!(
        "mics = {{ mic = 1 }}\n[outputs]\n{}\n[controllers]\n{}\n[[scene]]\nmark = \"A\"\n[scene.mic.mic]\n{}\n\
         [[scene]]\nmark = \"B\"\n[scene.mic.mic]\nwhole = {{ effect = \"{name}\", {}{settings}, to = [\"o0\"] }}\n",
        all(&|i| format!("o{i} = {}", i + 1)),
        all(&|i| format!("c{i} = {{}}")),
        all(&|i| format!("e{i} = {{ effect = \"{name}\", by = \"c{i}\"{settings}, to = [\"o{i}\"] }}")),
        "by = \"scene\"",
    )
}

/// Each controller leaves rest at another sample of a cell, in a cell of its own: what cuts the block for one is no cut
/// for the others. Then each moves, rests and begins again, and at last the scene changes.
fn gestures(first: u64) -> Vec<Timed<Event>> {
    let mut all = Vec::new();
    for (round, value) in [(0, 1.0), (1_700, 0.4), (3_100, 0.0), (5_200, 0.7)] {
        for place in 0..PLACES as u64 {
            let id = ControllerId::new(place as usize);
            let sample = first + round + 33 * place;
            all.push(Timed { sample, what: Event::written(Gesture::Controller { id, value }) });
        }
    }
    all.push(Timed { sample: first + 7_001, what: Event::written(Gesture::Fire(SceneId(1))) });
    all.sort_by_key(|event| event.sample);
    all
}

/// The outputs of a run in blocks of these lengths, over and over.
fn render(plan: &Plan, sound: &[f32], events: &[Timed<Event>], cuts: &[usize]) -> Vec<Vec<u32>> {
    let (mut engine, mut control) = engine(plan, 48_000, SceneId(0));
    let mut out = vec![vec![0.0f32; sound.len()]; PLACES];
    let (mut at, mut event) = (0, 0);
    for &cut in cuts.iter().cycle() {
        if at == sound.len() {
            break;
        }
        let end = (at + cut).min(sound.len());
        let due = events[event..].iter().take_while(|event| event.sample < end as u64).count();
        let mut outputs: Vec<&mut [f32]> = out.iter_mut().map(|channel| &mut channel[at..end]).collect();
        engine.process(&[&sound[at..end]], &mut outputs, &events[event..event + due]);
        (at, event) = (end, event + due);
        while control.report().is_some() {}
    }
    out.iter().map(|channel| channel.iter().map(|sample| sample.to_bits()).collect()).collect()
}

/// The cuts that differ from each other within a cell.
const CUTS: [&[usize]; 5] = [&[1], &[8], &[16], &[24], &[1, 31, 7, 64, 333, 2, 13]];

fn holds_for(effect: &Effect, sound: &[f32], first: u64) {
    let (plan, events) = (plan(&piece(effect)), gestures(first));
    let whole = render(&plan, sound, &events, &[256]);
    let name = effect.declaration.name;
    for cuts in CUTS {
        let cut = render(&plan, sound, &events, cuts);
        for (place, (one, two)) in whole.iter().zip(&cut).enumerate() {
            let differs = one.iter().zip(two).position(|(one, two)| one != two);
            assert_eq!(differs, None, "{name} begun at sample {place} of its cell differs in blocks of {cuts:?}");
        }
    }
    // What was compared was heard.
    let heard = whole.iter().filter(|channel| channel.iter().any(|&bits| bits != 0)).count();
    assert!(heard == PLACES || name == "answer", "{name}: {heard} of {PLACES} sound");
}

#[test]
fn every_effect_begun_at_any_sample_on_plucked_strings_is_the_same_in_all_blocks() {
    for effect in &EFFECTS {
        holds_for(effect, &material::plucks(1, FRAMES), 17_024);
    }
}

#[test]
fn every_effect_begun_at_any_sample_on_spoken_words_is_the_same_in_all_blocks() {
    for effect in &EFFECTS {
        holds_for(effect, &material::speech(1, FRAMES), 17_024);
    }
}
